# Days as random blocks by nlme, for questions of lines "value level block" with a blank line behind each question.
# Prints for each: sd between, sd within, restricted log likelihood, then effect, standard error, df, p of each level
# against the first.
library(nlme)
lines <- readLines(commandArgs(TRUE)[1])
ends <- which(lines == "")
from <- 1
for (end in ends) {
  d <- read.table(text = lines[from:(end - 1)], col.names = c("y", "level", "block"))
  from <- end + 1
  d$level <- factor(d$level)
  fit <- lme(y ~ level, random = ~ 1 | block, data = d, method = "REML",
             control = lmeControl(opt = "optim", reltol = 1e-12, maxIter = 500, msMaxIter = 500))
  cat(sprintf("%.12g", c(as.numeric(VarCorr(fit)[1:2, 2]), as.numeric(logLik(fit)))), "\n")
  table <- summary(fit)$tTable[-1, , drop = FALSE]
  for (row in seq_len(nrow(table)))
    cat(sprintf("%.12g", table[row, c("Value", "Std.Error", "DF", "p-value")]), "\n")
}
