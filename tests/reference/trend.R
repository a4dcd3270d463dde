# Second opinion on trends: R answers what test_trend.c compares with.  Each line of the file:
#   line|curve AT x,y ...     coefficients of x^0 ..., mean at AT, its standard error, rss, slope there and its error
#   break AT x,y ...          rss of two pieces that meet at AT, slopes before and after, standard error of the latter
table_of <- function(words) do.call(rbind, lapply(strsplit(words, ","), as.numeric))
for (line in readLines(commandArgs(trailingOnly = TRUE)[1])) {
  words <- strsplit(line, " ")[[1]]
  at <- as.numeric(words[2]); m <- table_of(words[-(1:2)]); x <- m[, 1]; y <- m[, 2]
  if (words[1] == "break") {
    fit <- lm(y ~ pmin(x - at, 0) + pmax(x - at, 0))
    s <- summary(fit)$coefficients
    answer <- c(deviance(fit), s[2, 1], s[3, 1], s[3, 2] * sqrt(df.residual(fit)))
  } else {
    degree <- if (words[1] == "line") 1 else 2
    fit <- lm(y ~ poly(x, degree, raw = TRUE))
    p <- predict(fit, data.frame(x = at), se.fit = TRUE)
    slope <- c(0, 1, 2 * at)[seq_len(degree + 1)]
    answer <- c(coef(fit), p$fit, p$se.fit, deviance(fit), sum(slope * coef(fit)),
                sqrt(drop(slope %*% vcov(fit) %*% slope)))
  }
  cat(sprintf("%.12g", answer), "\n")
}
