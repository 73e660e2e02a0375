# Survival after each count by R's survfit (Turnbull) on tied_intervals.csv. R 4.2.2, survival 3.5-3.
# Its rule to stop is a change of the curve by 5e-5; here 1e-11, to compare more digits.
library(survival)
solver <- survival:::survfitTurnbull
text <- deparse(body(solver))
stopifnot(sum(grepl("eps > 5e-05", text)) == 1)
body(solver) <- parse(text = sub("eps > 5e-05", "eps > 1e-11", text))[[1]]
assignInNamespace("survfitTurnbull", solver, "survival")
d <- read.csv("tied_intervals.csv")
out <- "set,shots,survival"
for (k in unique(d$set)) {
  s <- d[d$set == k, ]
  s$failed[is.na(s$failed)] <- Inf
  s$good[s$good == 0 & s$failed > 0] <- NA
  t1 <- s$good; t2 <- ifelse(is.infinite(s$failed), NA, s$failed)
  # without an interval (2 of the 50) its Turnbull branch adds a unit of weight 1: Kaplan-Meier there
  known <- if (all(is.infinite(s$failed) | s$failed == s$good)) Surv(t1, is.finite(s$failed)) else
    Surv(t1, t2, type = "interval2")
  fit <- survfit(known ~ 1, weights = s$count)
  at <- sort(unique(c(t1, t2)))
  value <- sapply(at, function(v) { b <- fit$surv[fit$time <= v]; if (length(b)) b[length(b)] else 1 })
  out <- c(out, sprintf("%d,%g,%.12g", k, at, value))
}
writeLines(out, "tied_intervals_results.csv")
