# Log-rank tests by R's survdiff on logrank_data.csv. R 4.2.2, survival 3.5-3.
library(survival)
d <- read.csv("logrank_data.csv")
a <- survdiff(Surv(time, dead) ~ group, data = d)
b <- survdiff(Surv(time, dead) ~ group, data = d, rho = 1)
writeLines(sprintf("%s,%.14g", c("chisq_rho0", "chisq_rho1"), c(a$chisq, b$chisq)), "survdiff_results.csv")
