# A surface of the second order by lm, for lines "value x y".  Prints coefficients (constant, x, y, xx, yy, xy, of levels
# coded to -1 .. 1), their standard errors, F and p of the lack of fit against replicates, the stationary point, and the
# value there.
d <- read.table(commandArgs(TRUE)[1], col.names = c("value", "x", "y"))
code <- function(x) (x - mean(range(x))) / (diff(range(x)) / 2)
d$u <- code(d$x)
d$v <- code(d$y)
fit <- lm(value ~ u + v + I(u^2) + I(v^2) + u:v, d)
table <- summary(fit)$coefficients
show <- function(...) cat(sprintf("%.15g", c(...)), "\n")
show(table[, 1])
show(table[, 2])
lack <- anova(fit, lm(value ~ factor(paste(x, y)), d))
show(lack[2, "F"], lack[2, "Pr(>F)"])
b <- coef(fit)
at <- solve(matrix(c(2 * b[4], b[6], b[6], 2 * b[5]), 2), -b[2:3])
show(mean(range(d$x)) + at[1] * diff(range(d$x)) / 2, mean(range(d$y)) + at[2] * diff(range(d$y)) / 2)
show(sum(b * c(1, at, at^2, prod(at))))
