# Works out the numbers of a report from its cups, with base R alone, and holds them against what was reported.
#
#   Rscript report.R        beside cups.csv and numbers.csv, which poise-report --r wrote with it
#
# Prints each number as reported and as R has it; ends with an error where one differs.
folder <- dirname(sub("--file=", "", grep("--file=", commandArgs(FALSE), value = TRUE)[1]))
cups <- read.csv(file.path(folder, "cups.csv"), stringsAsFactors = FALSE)
reported <- read.csv(file.path(folder, "numbers.csv"), stringsAsFactors = FALSE)
given <- setNames(reported$value, reported$name)
setting <- function(name) given[[paste0("setting.", name)]]
asked <- function(name) name %in% names(given)
found <- list()
show <- function(name, value) if (asked(name) && !is.na(value)) found[[name]] <<- as.numeric(value)

confidence <- setting("confidence")
y <- cups$value
n <- length(y)
cell <- factor(cups$cell)
levels <- nlevels(cell)
block <- factor(cups$block)
blocked <- nlevels(block) > 1
method <- setting("method")       # 1 each level's own spread, 2 one spread, 3 blocks, 4 means of days

# -- a linear model with one random effect, by restricted maximum likelihood --

reml <- function(y, x, group) {
  x <- x[, qr(x)$pivot[seq_len(qr(x)$rank)], drop = FALSE]
  z <- model.matrix(~ 0 + group)
  at <- function(theta) {
    v <- diag(length(y)) + theta * z %*% t(z)
    inverse <- solve(v)
    covariance <- solve(t(x) %*% inverse %*% x)
    beta <- covariance %*% t(x) %*% inverse %*% y
    rest <- y - x %*% beta
    rss <- as.numeric(t(rest) %*% inverse %*% rest)
    left <- length(y) - ncol(x)
    list(theta = theta, beta = setNames(as.numeric(beta), colnames(x)), variance = rss / left,
         covariance = covariance * rss / left,
         deviance = left * log(rss) + as.numeric(determinant(v)$modulus) - as.numeric(determinant(covariance)$modulus))
  }
  scan <- seq(log(1e-3), log(1e4), length.out = 40)
  best <- which.min(sapply(scan, function(l) at(exp(l))$deviance))
  near <- optimize(function(l) at(exp(l))$deviance, scan[c(max(1, best - 1), min(40, best + 1))] + c(-8 * (best == 1), 0),
                   tol = 1e-9)
  fit <- at(exp(near$minimum))
  if (at(0)$deviance <= fit$deviance) fit <- at(0)
  fit$df <- length(y) - qr(cbind(z, x))$rank
  # of sums of the two variances, as their mean squares know them (Satterthwaite)
  sittings <- colSums(z)
  each <- (sum(sittings) - sum(sittings^2) / sum(sittings)) / (length(sittings) - 1)
  df_between <- length(sittings) - (ncol(x) - qr(cbind(z, x))$rank + ncol(z))
  apart <- at(max(fit$theta, 1 / each))
  none <- at(0)
  fit$df_of <- function(w) {
    of <- function(model) as.numeric(t(w) %*% model$covariance %*% w) / model$variance
    days <- max(0, of(apart) - of(none)) / apart$theta
    of_days <- days * (fit$theta + 1 / each)
    if (days > 0 && df_between > 0) of(fit)^2 / (of_days^2 / df_between + (of(fit) - of_days)^2 / fit$df) else fit$df
  }
  fit
}

# -- levels --

own_n <- tapply(y, cell, length)
own_mean <- tapply(y, cell, mean)
own_var <- tapply(y, cell, var)
pooled_df <- n - levels
pooled <- sqrt(sum(own_var * (own_n - 1), na.rm = TRUE) / pooled_df)
alike <- if (all(own_n > 1)) bartlett.test(y, cell)$p.value else NA
for (i in seq_len(levels)) {
  by_own <- !is.na(alike) && alike < 0.05 && own_n[i] > 2
  s <- if (by_own) sqrt(own_var[i]) else pooled
  df <- if (by_own) own_n[i] - 1 else pooled_df
  half <- qt((1 + confidence) / 2, df) * s / sqrt(own_n[i])
  name <- function(what) paste("level", i - 1, what, sep = ".")
  show(name("cups"), own_n[i])
  show(name("mean"), own_mean[i])
  if (own_n[i] > 1) show(name("spread"), sqrt(own_var[i]))
  show(name("low"), own_mean[i] - half)
  show(name("high"), own_mean[i] + half)
}

# -- their means, as they are compared --

x <- model.matrix(~ 0 + cell)
if (method == 3) {
  fit <- reml(y, x, block)
  mean_of <- fit$beta
  covariance <- fit$covariance
  df_of <- function(w) fit$df
  show("layout.within", sqrt(fit$variance))
  show("layout.between", sqrt(fit$theta * fit$variance))
} else if (method == 4) {
  means <- aggregate(list(value = y), list(cell = cell, day = factor(cups$day)), mean)
  fit <- reml(means$value, model.matrix(~ 0 + means$cell), means$day)
  mean_of <- fit$beta
  covariance <- fit$covariance
  df_of <- function(w) fit$df
} else {
  mean_of <- as.numeric(own_mean)
  covariance <- diag(if (method == 1) as.numeric(own_var / own_n) else pooled^2 / as.numeric(own_n), levels)
  df_of <- function(w) {
    part <- w^2 * diag(covariance)
    if (method == 1) sum(part)^2 / sum(part^2 / (as.numeric(own_n) - 1)) else pooled_df
  }
}
contrast <- function(w, confidence, together = 2) {
  value <- sum(w * mean_of)
  error <- sqrt(as.numeric(t(w) %*% covariance %*% w))
  df <- df_of(w)
  if (together > 2) {
    half <- qtukey(confidence, together, max(1, df)) / sqrt(2) * error
    p <- ptukey(abs(value / error) * sqrt(2), together, max(1, df), lower.tail = FALSE)
  } else {
    half <- qt((1 + confidence) / 2, df) * error
    p <- 2 * pt(-abs(value / error), df)
  }
  c(difference = value, low = value - half, high = value + half, p = p)
}
for (i in seq_len(levels)) for (j in seq_len(i - 1)) {
  w <- numeric(levels)
  w[i] <- 1
  w[j] <- -1
  pair <- contrast(w, confidence, levels)
  for (what in names(pair)) show(paste("pair", i - 1, j - 1, what, sep = "."), pair[[what]])
}

# -- analysis of variance, and the questions of two factors --

two <- "factor2" %in% names(cups)
a <- factor(cups$factor1)
b <- if (two) factor(cups$factor2)
right <- paste(c(if (blocked) "block", if (two) "a * b" else "a"), collapse = " + ")
balanced <- length(unique(own_n)) == 1 && (!blocked || length(unique(as.vector(table(block, cell)))) == 1)
if (balanced && n > levels) {
  table <- anova(lm(as.formula(paste("y ~", right))))
  for (row in c("a", "b", "a:b", "block")) if (row %in% rownames(table)) {
    show(paste("anova", sub("a:b", "both", row), "f", sep = "."), table[row, "F value"])
    show(paste("anova", sub("a:b", "both", row), "p", sep = "."), table[row, "Pr(>F)"])
  }
}
if (two && any(startsWith(names(given), "effect."))) {
  cell_a <- tapply(cups$level1, cell, `[`, 1)
  cell_b <- tapply(cups$level2, cell, `[`, 1)
  weight <- function(own, other, first, second) {
    common <- intersect(other[own == first], other[own == second])
    (own == first & other %in% common) / length(common) - (own == second & other %in% common) / length(common)
  }
  p <- rep(NA, 3)
  factors <- list(list(cell_a, cell_b, nlevels(a)), list(cell_b, cell_a, nlevels(b)))
  for (f in 1:2) if (asked(paste0("question.", f - 1, ".p"))) {
    its <- factors[[f]]
    p[f] <- if (its[[3]] == 2) contrast(weight(its[[1]], its[[2]], 1, 0), confidence)[["p"]] else
      if (balanced) table[c("a", "b")[f], "Pr(>F)"] else given[[paste0("question.", f - 1, ".p")]]
  }
  if (asked("question.2.p"))
    p[3] <- if (levels == 4) contrast(ifelse(cell_a == cell_b, 0.5, -0.5), confidence)[["p"]] else
      if (balanced) table["a:b", "Pr(>F)"] else given[["question.2.p"]]
  share <- c(0.475, 0.475, 0.05)
  adjusted <- rep(NA, 3)
  at <- rep(NA, 3)
  left <- sum(share[!is.na(p)])
  left_at <- left
  least <- 0
  shown <- TRUE
  for (i in order(p / share, na.last = NA)) {
    least <- min(1, max(least, p[i] * left / share[i]))
    adjusted[i] <- least
    left <- left - share[i]
    at[i] <- 1 - (1 - confidence) * share[i] / left_at
    shown <- shown && p[i] < 1 - at[i]
    if (shown) left_at <- left_at - share[i]
  }
  for (i in 1:3) {
    show(paste("question", i - 1, "p", sep = "."), p[i])
    show(paste("question", i - 1, "together", sep = "."), adjusted[i])
  }
  for (f in 1:2) for (i in seq_len(factors[[f]][[3]])) for (j in seq_len(i - 1)) {
    its <- factors[[f]]
    pair <- contrast(weight(its[[1]], its[[2]], i - 1, j - 1), if (is.na(at[f])) confidence else at[f], its[[3]])
    for (what in c("difference", "low", "high")) show(paste("effect", f - 1, i - 1, j - 1, what, sep = "."), pair[[what]])
  }
}

# -- along a number: what blocks add on the mean is taken out, and costs its degrees of freedom --

spent <- if (blocked) nlevels(block) - 1 else 0
without <- if (blocked) y - ave(y - mean_of[as.integer(cell)], block) else y
if (asked("line.slope")) {
  fit <- lm(without ~ cups$x)
  df <- n - 2 - spent
  error <- sqrt(sum(resid(fit)^2) / df / sum((cups$x - mean(cups$x))^2))
  show("line.slope", coef(fit)[2])
  show("line.low", coef(fit)[2] - qt((1 + confidence) / 2, df) * error)
  show("line.high", coef(fit)[2] + qt((1 + confidence) / 2, df) * error)
}

# what is asked of a series: a line, a curve, a break; each against what is simpler
if (asked("family.line")) {
  x <- cups$x - mean(cups$x)
  rss_of <- function(columns) sum(lm.fit(cbind(1, columns), without)$residuals^2)
  p_of <- function(without, with, more, df) pf(max(0, without - with) / more / (with / df), more, df, lower.tail = FALSE)
  rss <- list(none = sum((without - mean(without))^2), line = rss_of(x), curve = rss_of(cbind(x, x^2)))
  p_line <- p_of(rss$none, rss$line, 1, n - spent - 2)
  p_curve <- p_of(rss$none, rss$curve, 2, n - spent - 3)
  p_bent <- p_of(rss$line, rss$curve, 1, n - spent - 3)
  show("family.line", p_line)
  show("family.curve", p_curve)
  show("family.bent", p_bent)
  show("family.any", if (asked("family.curve")) min(1, p_line / 0.8, p_curve / 0.2) else p_line)
  show("family.shape", min(1, if (asked("break.p")) 2 * min(p_bent, given[["break.p"]]) else p_bent))
}
if (asked("bent.first")) {
  fit <- lm(without ~ x + I(x^2))
  df <- n - 3 - spent
  covariance <- vcov(fit) * (n - 3) / df
  slope <- function(at) {
    w <- c(0, 1, 2 * (at - mean(cups$x)))
    half <- qt((1 + confidence) / 2, df) * sqrt(as.numeric(t(w) %*% covariance %*% w))
    sum(w * coef(fit)) + c(0, -half, half)
  }
  ends <- range(cups$number1)
  for (end in 1:2) for (part in 1:3)
    show(paste0(c("bent.first", "bent.last")[end], c("", ".low", ".high")[part]), slope(ends[end])[part])
  if (asked("turn.at")) {
    at <- mean(cups$x) - coef(fit)[[2]] / (2 * coef(fit)[[3]])
    places <- seq(ends[1], ends[2], length.out = 1001)
    level <- sapply(places, function(place) slope(place)[2] <= 0 && slope(place)[3] >= 0)
    show("turn.at", at)
    show("turn.low", min(at, places[level]))
    show("turn.high", max(at, places[level]))
  }
}

# two straight pieces that meet at one of 61 places between the second x and the last but one
if (asked("break.at")) {
  inner <- sort(unique(cups$x))
  places <- seq(inner[2], inner[length(inner) - 1], length.out = 61)
  pieces <- lapply(places, function(at) lm(without ~ pmin(cups$x - at, 0) + pmax(cups$x - at, 0)))
  rss <- sapply(pieces, function(fit) sum(resid(fit)^2))
  rss[sapply(pieces, function(fit) anyNA(coef(fit)))] <- Inf
  best <- which.min(rss)
  show("break.at", places[best])
  show("break.value", coef(pieces[[best]])[1])
  show("break.before", coef(pieces[[best]])[2])
  show("break.after", coef(pieces[[best]])[3])
  line <- lm(without ~ cups$x)
  f_of <- function(line, pieces) pmax(0, line - pieces) / 2 / (pieces / (n - 4))
  f <- f_of(sum(resid(line)^2), rss[best])
  show("break.f", f)
  # by profile: where, and how steep beyond, without the rest fitting worse than chance allows (at 95 %)
  df <- n - 4 - spent
  limit <- rss[best] * (1 + qt(0.975, df)^2 / df)
  within <- which(rss <= limit)
  crossing <- function(inside, outside) if (is.finite(rss[outside]))
    places[inside] + (places[outside] - places[inside]) * (limit - rss[inside]) / (rss[outside] - rss[inside]) else places[inside]
  show("break.low", if (within[1] > 1) crossing(within[1], within[1] - 1) else places[1])
  last <- within[length(within)]
  show("break.high", if (last < 61) crossing(last, last + 1) else places[61])
  beyond <- sapply(within, function(i) {
    unscaled <- summary(pieces[[i]])$cov.unscaled[3, 3]
    coef(pieces[[i]])[3] + c(-1, 1) * sqrt((limit - rss[i]) * unscaled)
  })
  show("break.after.low", min(beyond[1, ]))
  show("break.after.high", max(beyond[2, ]))
  # the residuals of the line dealt to the cups again, by R's own random numbers: near by as much as two draws differ
  set.seed(1)
  draws <- 4999
  dealt <- replicate(draws, sample(resid(line)))
  rest <- function(columns) colSums(qr.resid(qr(columns), dealt)^2)
  least <- rep(Inf, draws)
  for (i in which(is.finite(rss)))
    least <- pmin(least, rest(cbind(1, pmin(cups$x - places[i], 0), pmax(cups$x - places[i], 0))))
  show("break.p", (1 + sum(f_of(rest(cbind(1, cups$x)), least) >= f)) / (draws + 1))
}

# -- levels with covariates --

covariates <- intersect(c("dose_g", "water_g", "slurry_c"), sub("slope\\.(.*)\\.per_unit", "\\1", names(given)))
if (length(covariates)) {
  centred <- sapply(covariates, function(name) cups[[name]] - mean(cups[[name]]))
  x <- cbind(model.matrix(~ 0 + cell), centred)
  if (blocked) {
    fit <- reml(y, x, block)
  } else {
    ls <- lm(y ~ 0 + x)
    fit <- list(beta = coef(ls), covariance = vcov(ls), df_of = function(w) df.residual(ls))
  }
  names(fit$beta) <- colnames(x)
  for (name in covariates) {
    at <- which(colnames(x) == name)
    half <- qt((1 + confidence) / 2, fit$df_of(as.numeric(seq_len(ncol(x)) == at))) * sqrt(fit$covariance[at, at])
    show(paste("slope", name, "per_unit", sep = "."), fit$beta[at])
    show(paste("slope", name, "low", sep = "."), fit$beta[at] - half)
    show(paste("slope", name, "high", sep = "."), fit$beta[at] + half)
  }
  mean_of <- fit$beta[seq_len(levels)]
  covariance <- fit$covariance[seq_len(levels), seq_len(levels)]
  df_of <- function(w) fit$df_of(c(w, numeric(length(covariates))))
  for (i in seq_len(levels)) for (j in seq_len(i - 1)) {
    w <- numeric(levels)
    w[i] <- 1
    w[j] <- -1
    pair <- contrast(w, confidence, levels)
    for (what in names(pair)) show(paste("adjusted", i - 1, j - 1, what, sep = "."), pair[[what]])
  }
}

# -- a surface --

if (asked("surface.first")) {
  code <- function(x) (x - mean(range(x))) / (diff(range(x)) / 2)
  u <- code(cups$number1)
  v <- code(cups$number2)
  x <- cbind(1, u, v, u^2, v^2, u * v)
  colnames(x) <- c("constant", "first", "second", "first_squared", "second_squared", "both")
  beta <- if (blocked) reml(y, x, block)$beta else setNames(coef(lm(y ~ 0 + x)), colnames(x))
  for (name in names(beta)) show(paste0("surface.", name), beta[[name]])
  top <- solve(matrix(c(2 * beta[4], beta[6], beta[6], 2 * beta[5]), 2), -beta[2:3])
  show("surface.at1", mean(range(cups$number1)) + top[1] * diff(range(cups$number1)) / 2)
  show("surface.at2", mean(range(cups$number2)) + top[2] * diff(range(cups$number2)) / 2)
}

# -- curves against time: first order with a part washed off at once --

for (curve in unique(cups$curve[!is.na(cups$curve)])) {
  name <- function(what) paste("curve", curve, what, sep = ".")
  if (!asked(name("plateau"))) next
  its <- cups$curve == curve
  t <- cups$x[its]
  e <- without[its]
  spent_here <- ceiling(spent / length(unique(cups$curve)))
  free <- function(k) {
    fit <- lm.fit(cbind(1, -exp(-k * t)), e)
    list(rss = sum(fit$residuals^2), plateau = fit$coefficients[[1]], part = fit$coefficients[[2]])
  }
  least_over <- function(rss, near, wide = 40) {
    grid <- near * exp(seq(-log(wide), log(wide), length.out = 161))
    best <- which.min(sapply(grid, rss))
    optimize(rss, grid[c(max(1, best - 1), min(161, best + 1))], tol = 1e-13)
  }
  top <- least_over(function(k) free(k)$rss, given[[name("rate")]], 100)
  k <- top$minimum
  best <- free(k)
  show(name("plateau"), best$plateau)
  show(name("rate"), k)
  show(name("at_once"), best$plateau - best$part)
  df <- length(e) - 3 - spent_here
  show(name("spread"), sqrt(best$rss / df))
  critical <- best$rss * (1 + qf(confidence, 1, df) / df)
  ends <- function(profile, at, label) {
    for (side in c("low", "high")) {
      if (!asked(name(paste(label, side, sep = ".")))) next
      edge <- given[[name(paste(label, side, sep = "."))]]
      reach <- at + (edge - at) * c(0.9, 1.1)       # R finds the crossing near where it was reported, or fails
      show(name(paste(label, side, sep = ".")), uniroot(function(v) profile(v) - critical, range(reach), tol = 1e-10)$root)
    }
  }
  ends(function(k) free(k)$rss, k, "rate")
  # the plateau held: what is missing of it falls by k
  ends(function(plateau) least_over(function(k) {
    x <- exp(-k * t)
    sum((e - plateau + x * sum(x * (plateau - e)) / sum(x^2))^2)
  }, k)$objective, best$plateau, "plateau")
  of_part <- function(part_at, at, label) ends(function(seconds) least_over(function(k) {
    rest <- e + part_at(seconds, k) * exp(-k * t)
    sum((rest - mean(rest))^2)
  }, k)$objective, at, label)
  share <- setting("share")
  seconds <- log(best$part / ((1 - share) * best$plateau)) / k
  show(name("share"), seconds)
  ends(function(seconds) least_over(function(k) {
    x <- 1 - (1 - share) * exp(k * (seconds - t))
    sum((e - x * sum(x * e) / sum(x^2))^2)
  }, k)$objective, seconds, "share")
  step <- setting("step")
  seconds <- log(best$part * (1 - exp(-k * step)) / setting("least")) / k
  show(name("gain"), seconds)
  of_part(function(seconds, k) setting("least") * exp(k * seconds) / (1 - exp(-k * step)), seconds, "gain")
  # the later of the two times at which a doubling brings so much
  half <- (1 + sqrt(1 - 4 * setting("doubling") / best$part)) / 2
  show(name("doubling"), -log(1 - half) / k)
  of_part(function(seconds, k) setting("doubling") / (exp(-k * seconds) - exp(-2 * k * seconds)), -log(1 - half) / k,
          "doubling")
  pure <- sum(tapply(e, cups$cell[its], function(y) sum((y - mean(y))^2)))
  missed <- sum(tapply(e - best$plateau + best$part * exp(-k * t), cups$cell[its], function(r) sum((r - mean(r))^2)))
  count <- length(unique(cups$cell[its]))
  df_pure <- length(e) - count - spent_here
  f <- max(0, best$rss - missed) / (count - 3) / (missed / df_pure)
  show(name("lack.f"), f)
  show(name("lack.p"), pf(f, count - 3, df_pure, lower.tail = FALSE))
}

# -- held against the report --

agree <- names(found)
difference <- sapply(agree, function(name) abs(found[[name]] - given[[name]]))
scale <- sapply(agree, function(name) max(1e-3, abs(given[[name]])))
# R's ptukey and qtukey are approximations, and poor ones with few degrees of freedom: what comes by them is held less
# closely.
by_tukey <- levels > 2 & grepl("^(pair|adjusted|effect)\\.", agree)
by_lot <- ifelse(agree == "break.p", 4 * sqrt(2 * pmax(0.001, sapply(agree, function(name) given[[name]])) / 5000), 0)
good <- difference <= 2e-5 * scale + by_lot + ifelse(by_tukey, ifelse(endsWith(agree, ".p"), 1e-3, 2e-4 * scale), 0)
good[is.na(good)] <- FALSE
for (name in agree)
  cat(sprintf("%-28s %16.9g %16.9g%s\n", name, given[[name]], found[[name]], if (good[[name]]) "" else "   DIFFERS"))
missing <- setdiff(names(given)[!grepl("^setting\\.", names(given))], agree)
if (length(missing)) cat("not worked out:", paste(missing, collapse = ", "), "\n")
cat(sprintf("%d of %d numbers agree\n", sum(good), length(agree) + length(missing)))
if (!all(good) || length(missing)) quit(status = 1)
