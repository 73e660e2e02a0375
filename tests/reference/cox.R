# Cox regressions by R's coxph on cox_data.csv, Efron ties. R 4.2.2, survival 3.5-3.
library(survival)
d <- read.csv("cox_data.csv")
row <- function(name, value) sprintf("%s,%.10g", name, value)
plain <- coxph(Surv(time, dead) ~ x + strata(builder) + cluster(module), data = d)
late <- coxph(Surv(entry, time, dead) ~ x + strata(builder), data = d)
alone <- sapply(unique(d$module), function(m)
  coef(coxph(Surv(entry, time, dead) ~ x + strata(builder), data = d[d$module != m, ])))
k <- length(alone)
groups <- coxph(Surv(time, dead) ~ x + builder, data = d)
less <- coxph(Surv(time, dead) ~ x, data = d)
writeLines(c(
  row("plain", coef(plain)), row("plain_robust", sqrt(vcov(plain))),
  row("late", coef(late)), row("late_jackknife", sqrt((k - 1) / k * sum((alone - mean(alone))^2))),
  row("builder_b", coef(groups)[["builderb"]]), row("builder_c", coef(groups)[["builderc"]]),
  row("builders_p", pchisq(2 * (groups$loglik[2] - less$loglik[2]), 2, lower.tail = FALSE))),
  "cox_results.csv")
