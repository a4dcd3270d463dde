# The second opinion on what poise-report prints: base R, and nlme for random days.  Reads the cups that
# second_opinion.py wrote into the folder given, prints a name and a number a line.
folder <- commandArgs(TRUE)[1]
cups <- function(name) read.csv(file.path(folder, paste0(name, ".csv")), stringsAsFactors = TRUE)
show <- function(name, value) cat(sprintf("%s %.12g\n", name, value))

two <- cups("two")
two$block <- factor(two$replicate)
fit <- lm(extraction ~ block + part, two)
interval <- confint(fit)["partb", ]
show("two_levels_difference", coef(fit)["partb"])
show("two_levels_low", interval[1])
show("two_levels_high", interval[2])
show("two_levels_p", summary(fit)$coefficients["partb", 4])

four <- cups("four")
four$block <- factor(four$replicate)
fit <- aov(extraction ~ block + part, four)
show("four_levels_f", summary(fit)[[1]]["part", "F value"])
show("four_levels_p", summary(fit)[[1]]["part", "Pr(>F)"])
pair <- TukeyHSD(fit, "part")$part["b-a", ]
show("tukey_low", pair["lwr"])
show("tukey_high", pair["upr"])
show("tukey_p", pair["p adj"])
# Games & Howell 1976: a spread for each level, Welch's degrees of freedom, the studentized range of four.
a <- four$extraction[four$part == "a"]
b <- four$extraction[four$part == "b"]
part <- c(var(a) / length(a), var(b) / length(b))
df <- sum(part)^2 / sum(part^2 / (c(length(a), length(b)) - 1))
width <- qtukey(0.95, 4, df) * sqrt(sum(part) / 2)
show("games_howell_low", mean(b) - mean(a) - width)
show("games_howell_high", mean(b) - mean(a) + width)
show("games_howell_p", ptukey(abs(mean(b) - mean(a)) / sqrt(sum(part) / 2), 4, df, lower.tail = FALSE))

square <- cups("square")
table <- anova(lm(extraction ~ filter * stir, square))
show("square_f_filter", table["filter", "F value"])
show("square_f_stir", table["stir", "F value"])
show("square_f_both", table["filter:stir", "F value"])
show("square_p_both", table["filter:stir", "Pr(>F)"])

# As it was brewed: what blocks add on the mean is taken out, and costs its degrees of freedom.
without_blocks <- function(d, level) {
  d$extraction - ave(d$extraction - ave(d$extraction, d[[level]]), d$replicate)
}
steep <- cups("steep")
steep$extraction <- without_blocks(steep, "steep_s")
spent <- length(unique(steep$replicate)) - 1
fit <- nls(extraction ~ plateau * (1 - exp(-k * steep_s)), steep, start = list(plateau = 20, k = 0.02),
           control = nls.control(tol = 1e-8, minFactor = 1e-9))
show("curve_plateau", coef(fit)["plateau"])
show("curve_rate", coef(fit)["k"])
show("curve_t95", -log(0.05) / coef(fit)["k"])
least <- deviance(fit)
left <- df.residual(fit) - spent
critical <- least * (1 + qf(0.95, 1, left) / left)
given <- function(k) {
  x <- 1 - exp(-k * steep$steep_s)
  sum((steep$extraction - x * sum(x * steep$extraction) / sum(x^2))^2)
}
k <- coef(fit)["k"]
profile <- c(uniroot(function(r) given(r) - critical, c(k / 2, k), tol = 1e-13)$root,
             uniroot(function(r) given(r) - critical, c(k, k * 2), tol = 1e-13)$root)
show("curve_t95_low", -log(0.05) / profile[2])
show("curve_t95_high", -log(0.05) / profile[1])
pure <- sum(tapply(steep$extraction, steep$steep_s, function(y) sum((y - mean(y))^2)))
df <- c(length(unique(steep$steep_s)) - 2, nrow(steep) - length(unique(steep$steep_s)) - spent)
show("curve_lack_of_fit_p", pf((least - pure) / df[1] / (pure / df[2]), df[1], df[2], lower.tail = FALSE))
quick <- nls(extraction ~ plateau - (plateau - at_once) * exp(-k * steep_s), steep,
             start = list(plateau = 21, k = 0.019, at_once = 0.1), control = nls.control(tol = 1e-7, minFactor = 1e-9))
show("quick_plateau", coef(quick)["plateau"])
show("quick_rate", coef(quick)["k"])
found <- as.list(coef(quick))
show("quick_t95", log((found$plateau - found$at_once) / (0.05 * found$plateau)) / found$k)
df <- df - c(1, 0)
show("quick_lack_of_fit_p", pf((deviance(quick) - pure) / df[1] / (pure / df[2]), df[1], df[2], lower.tail = FALSE))

# Line, curve and break share alpha: the line has eight tenths of it.
line <- cups("line")
line$block <- factor(line$replicate)
fit <- lm(extraction ~ block + grind, line)
span <- diff(range(line$grind))
interval <- confint(fit, level = 1 - 0.8 * 0.05)["grind", ] * span
show("line_change", coef(fit)["grind"] * span)
show("line_change_low", interval[1])
show("line_change_high", interval[2])

days <- cups("days")
fit <- nlme::lme(extraction ~ part, random = ~ 1 | day, days, method = "REML")
interval <- nlme::intervals(fit, which = "fixed")$fixed["partb", ]
show("days_difference", interval["est."])
show("days_low", interval["lower"])
show("days_high", interval["upper"])
show("days_between", as.numeric(nlme::VarCorr(fit)["(Intercept)", "StdDev"]))
show("days_within", fit$sigma)

# Analysis of covariance; the pairs of three levels together by the studentized range.
dosed <- cups("dosed")
fit <- lm(extraction ~ part + dose, dosed)
table <- summary(fit)$coefficients
show("dosed_slope", table["dose", 1])
show("dosed_slope_low", confint(fit)["dose", 1])
show("dosed_slope_high", confint(fit)["dose", 2])
show("dosed_adjusted", table["partb", 1])
width <- qtukey(0.95, 3, df.residual(fit)) / sqrt(2) * table["partb", 2]
show("dosed_low", table["partb", 1] - width)
show("dosed_high", table["partb", 1] + width)
show("dosed_p", ptukey(abs(table["partb", 3]) * sqrt(2), 3, df.residual(fit), lower.tail = FALSE))
