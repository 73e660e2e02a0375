# Fits seeded random data sets with R's survreg; the results are committed beside the data.
#   Rscript survreg.R random_sets.csv survreg_results.csv
# R 4.2.2, package survival 3.5-3.
library(survival)
args <- commandArgs(TRUE)
d <- read.csv(args[1])
out <- list()
for (id in unique(d$set)) {
  s <- d[d$set == id, ]
  left <- ifelse(s$good == 0, NA, s$good)
  right <- s$failed
  for (dist in c("weibull", "lognormal", "loglogistic", "exponential")) {
    warned <- FALSE
    f <- withCallingHandlers(survreg(Surv(left, right, type = "interval2") ~ 1, weights = s$count, dist = dist,
                 control = survreg.control(maxiter = 200, rel.tolerance = 1e-14)),
                 warning = function(w) { warned <<- TRUE; invokeRestart("muffleWarning") })
    v <- f$var
    out[[length(out) + 1]] <- data.frame(
      set = id, dist = dist, mu = unname(coef(f)), sigma = f$scale, loglik = f$loglik[1], warned = warned,
      var_mu = v[1, 1], var_log_sigma = if (dist == "exponential") 0 else v[2, 2])
  }
}
write.csv(format(do.call(rbind, out), digits = 15), args[2], row.names = FALSE, quote = FALSE)
