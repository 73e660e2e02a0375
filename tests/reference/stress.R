# Stress models by R's survreg on published data; writes stress_results.csv. R 4.2.2, survival 3.5-3.
library(survival)
k <- 8.617333262e-5
a <- survreg(Surv(time) ~ log(voltage), data = ifluid, control = list(rel.tolerance = 1e-14))
d <- transform(imotor, x = 1 / (k * (temp + 273.15)))
b <- survreg(Surv(time, status) ~ x, data = d, dist = "lognormal", control = list(rel.tolerance = 1e-14))
out <- c(ifluid_n = -unname(coef(a)[2]), ifluid_sigma = a$scale, imotor_Ea = unname(coef(b)[2]),
         imotor_sigma = b$scale, imotor_loglik = b$loglik[2])
writeLines(sprintf("%s,%.14g", names(out), out), "stress_results.csv")
