# Second opinion on trends: R answers what test_trend.c compares with.  Each line of the file:
#   line|curve AT x,y ...     coefficients of x^0 ..., mean at AT, its standard error, rss, slope there and its error
#   break AT x,y ...          rss of two pieces that meet at AT, slopes before and after; by profile over 61 places the
#                             interval of the place and of the slope after
table_of <- function(words) do.call(rbind, lapply(strsplit(words, ","), as.numeric))
for (line in readLines(commandArgs(trailingOnly = TRUE)[1])) {
  words <- strsplit(line, " ")[[1]]
  at <- as.numeric(words[2]); m <- table_of(words[-(1:2)]); x <- m[, 1]; y <- m[, 2]
  if (words[1] == "break") {
    fit <- lm(y ~ pmin(x - at, 0) + pmax(x - at, 0))
    levels <- sort(unique(x)); df <- length(x) - 4
    places <- seq(levels[2], levels[length(levels) - 1], length.out = 61)
    fits <- lapply(places, function(p) lm(y ~ pmin(x - p, 0) + pmax(x - p, 0)))
    rss <- sapply(fits, deviance); limit <- min(rss) * (1 + qt(0.975, df)^2 / df); inside <- rss <= limit
    slope <- sapply(fits, function(f) coef(f)[3])
    half <- sapply(fits, function(f) summary(f)$coefficients[3, 2] / summary(f)$sigma) * sqrt(pmax(limit - rss, 0))
    first <- min(which(inside)); last <- max(which(inside))
    low <- if (first > 1) approx(rss[first - 1:0], places[first - 1:0], limit)$y else places[1]
    high <- if (last < 61) approx(rss[last + 0:1], places[last + 0:1], limit)$y else places[61]
    answer <- c(deviance(fit), coef(fit)[2:3], low, high, min((slope - half)[inside]), max((slope + half)[inside]))
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
