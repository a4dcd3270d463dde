# Second opinion on the comparisons: R answers what test_comparison.c compares with.
# Each line of the file named on the command line is a question; its answers are printed on one line.
#   welch CONFIDENCE MARGIN n_a values...      t df p low high, TOST p
#   two-way values,a,b,block ...               type II by dropping: SS df F p for a, b, a:b, block; residual SS df
#   tukey values,a ...                         for each pair (in order of levels) difference low high p
#   blocks values,a,block ...                  of y ~ a + block, each pair: difference, its standard error; then the spread
#   range Q K DF                               ptukey upper tail, qtukey 0.95
#   power DELTA SD N ALPHA                     power of a two-sample t; delta that has power 0.8
numbers <- function(words) as.numeric(words)
table_of <- function(words) do.call(rbind, lapply(strsplit(words, ","), as.numeric))
show <- function(values) cat(sprintf("%.12g", values), "\n")
ss <- function(formula, data) { m <- lm(formula, data); c(deviance(m), df.residual(m)) }
for (line in readLines(commandArgs(trailingOnly = TRUE)[1])) {
  words <- strsplit(line, " ")[[1]]
  rest <- words[-1]
  if (words[1] == "welch") {
    v <- numbers(rest); n <- v[3]; x <- v[4:(3 + n)]; y <- v[(4 + n):length(v)]
    w <- t.test(x, y, conf.level = v[1])
    show(c(w$statistic, w$parameter, w$p.value, w$conf.int,
           max(t.test(x, y, mu = -v[2], alternative = "greater")$p.value,
               t.test(x, y, mu = v[2], alternative = "less")$p.value)))
  } else if (words[1] == "two-way") {
    m <- table_of(rest)
    d <- data.frame(y = m[, 1], a = factor(m[, 2]), b = factor(m[, 3]), k = factor(m[, 4]))
    full <- ss(y ~ k + a * b, d); add <- ss(y ~ k + a + b, d)
    against <- function(less, more) {
      s <- less[1] - more[1]; f <- less[2] - more[2]; ratio <- (s / f) / (full[1] / full[2])
      c(s, f, ratio, pf(ratio, f, full[2], lower.tail = FALSE))
    }
    show(c(against(ss(y ~ k + b, d), add), against(ss(y ~ k + a, d), add), against(add, full),
           against(ss(y ~ a + b, d), add), full))
  } else if (words[1] == "tukey") {
    m <- table_of(rest)
    t <- TukeyHSD(aov(y ~ a, data.frame(y = m[, 1], a = factor(m[, 2]))))$a
    show(as.vector(t(t)))
  } else if (words[1] == "blocks") {
    m <- table_of(rest)
    fit <- lm(y ~ a + k, data.frame(y = m[, 1], a = factor(m[, 2]), k = factor(m[, 3])))
    levels <- sort(unique(m[, 2])); b <- coef(fit); v <- vcov(fit); out <- c()
    for (i in levels) for (j in levels[levels > i]) {
      w <- 0 * b
      if (i > 0) w[paste0("a", i)] <- -1
      w[paste0("a", j)] <- 1
      out <- c(out, sum(w * b), sqrt(as.numeric(t(w) %*% v %*% w)))
    }
    show(c(out, sigma(fit)))
  } else if (words[1] == "range") {
    v <- numbers(rest)
    show(c(ptukey(v[1], v[2], v[3], lower.tail = FALSE), qtukey(0.95, v[2], v[3])))
  } else {
    v <- numbers(rest)
    show(c(power.t.test(n = v[3], delta = v[1], sd = v[2], sig.level = v[4], strict = TRUE)$power,
           power.t.test(n = v[3], power = 0.8, sd = v[2], sig.level = v[4], strict = TRUE, tol = 1e-10)$delta))
  }
}
