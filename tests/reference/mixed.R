# Sittings as random effects by nlme, or lm where all cups are of one, for questions of lines "value sitting a b" with a
# blank line behind each.  Prints for each: sd between (nan: none), sd within, then value and standard error of the
# constant, a and b; and, of sittings alike in size, the 95 % interval of both spreads from the mean squares (Williams,
# Biometrika 49, 1962), else nan.
library(nlme)
lines <- readLines(commandArgs(TRUE)[1])
from <- 1
show <- function(...) cat(sprintf("%.12g", c(...)), "\n")
for (end in which(lines == "")) {
  d <- read.table(text = lines[from:(end - 1)], col.names = c("y", "sitting", "a", "b"))
  from <- end + 1
  if (length(unique(d$sitting)) < 2) {
    fit <- summary(lm(y ~ a + b, d))
    show(NaN, fit$sigma)
    show(t(fit$coefficients[, 1:2]))
  } else {
    fit <- lme(y ~ a + b, random = ~ 1 | sitting, data = d, method = "REML",
               control = lmeControl(opt = "optim", reltol = 1e-13, maxIter = 500, msMaxIter = 500))
    show(as.numeric(VarCorr(fit)[1:2, 2]))
    show(t(summary(fit)$tTable[, 1:2]))
  }
  n <- unique(table(d$sitting))
  if (length(n) == 1 && length(unique(d$sitting)) > 1 && all(tapply(d$a, d$sitting, mean) == mean(d$a)) &&
      all(tapply(d$b, d$sitting, mean) == mean(d$b))) {
    table <- anova(lm(y ~ factor(sitting) + a + b, d))
    df <- c(table[1, "Df"], table["Residuals", "Df"])
    square <- c(table[1, "Mean Sq"], table["Residuals", "Mean Sq"])
    tail <- c(0.975, 0.025)
    show(sqrt(square[2] * df[2] / qchisq(tail, df[2])),
         sqrt(pmax(0, square[1] - square[2] * qf(tail, df[1], df[2])) / n * df[1] / qchisq(tail, df[1])))
  } else {
    show(rep(NaN, 4))
  }
}
