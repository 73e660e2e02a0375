# Valve seat replacements (Nelson 1995): writes the events and survfit's mean cumulative count.
# R 4.2.2, survival 3.5-3. Ties at one count on one engine are kept as one step of size 2.
library(survival)
v <- valveSeat
write.csv(v, "valve_seat.csv", row.names = FALSE)
# counting-process form; tied replacements of an engine are set a thousandth of a day apart
v <- v[order(v$id, v$time, -v$status), ]
start <- stop <- numeric(nrow(v))
for (i in unique(v$id)) {
  k <- which(v$id == i)
  t <- v$time[k]
  for (j in seq_along(k)[-1]) if (t[j] <= t[j - 1]) t[j] <- t[j - 1] + 0.001
  stop[k] <- t
  start[k] <- c(0, t[-length(t)])
}
f <- survfit(Surv(start, stop, v$status) ~ 1, id = v$id)
s <- summary(f, times = c(100, 200, 300, 400, 500, 600), extend = TRUE)
out <- data.frame(time = s$time, cumhaz = s$cumhaz, se = s$std.chaz)
write.csv(format(out, digits = 15), "valve_seat_results.csv", row.names = FALSE, quote = FALSE)
