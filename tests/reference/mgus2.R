# Writes mgus2.csv (times and competing events) and prints survfit's curves. R 4.2.2, survival 3.5-3.
library(survival)
etime <- with(mgus2, ifelse(pstat == 0, futime, ptime))
event <- with(mgus2, ifelse(pstat == 0, 2 * death, 1))
event <- factor(event, 0:2, labels = c("censor", "pcm", "death"))
keep <- etime > 0
write.csv(data.frame(time = etime, event = event)[keep, ], "mgus2.csv", row.names = FALSE, quote = FALSE)
f <- survfit(Surv(etime, event) ~ 1)
print(summary(f, times = c(60, 120, 240)), digits = 7)
