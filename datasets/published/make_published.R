# Writes published life data as life sheets. Run here: Rscript make_published.R
# Needs R with the packages survival and boot. Sources are listed in SOURCES.md.
library(survival)

sheet <- function(file, d, module, slot, unit_of_life) {
  n <- nrow(d)
  base <- data.frame(builder = "published", module = sprintf("%s-%02d", module, seq_len(n)),
                     slot = slot, shots_good = d$good, shots_failed = d$failed)
  more <- d[setdiff(names(d), c("good", "failed"))]
  out <- cbind(base, more, note = unit_of_life)
  write.csv(out, file, row.names = FALSE, na = "", quote = FALSE)
}

d <- with(genfan, data.frame(good = hours, failed = ifelse(status == 1, hours, NA)))
sheet("genfan.csv", d, "fan", "fan", "life in hours")

d <- with(capacitor, data.frame(good = time, failed = ifelse(status == 1, time, NA),
                                charge_V = voltage, temp_C = temperature))
sheet("capacitor.csv", d, "glass", "main_capacitor", "life in hours")

d <- with(ifluid, data.frame(good = time, failed = time, charge_V = 1000 * voltage))
sheet("ifluid.csv", d, "fluid", "insulating_fluid", "life in minutes")

d <- with(imotor, data.frame(good = time, failed = ifelse(status == 1, time, NA), temp_C = temp))
sheet("imotor.csv", d, "motor", "insulation", "life in hours")

good <- turbine[turbine$inspected > turbine$failed, ]
bad <- turbine[turbine$failed > 0, ]
d <- rbind(with(bad, data.frame(good = 0, failed = hours, count = failed)),
           with(good, data.frame(good = hours, failed = NA, count = inspected - failed)))
sheet("turbine.csv", d, "wheel", "wheel", "life in hundreds of hours; each wheel inspected once")

# 167 parts, inspected at 8 times; those not failed were good at the last
edges <- c(0, cracks$days)
d <- rbind(data.frame(good = edges[1:8], failed = edges[2:9], count = cracks$fail),
           data.frame(good = edges[9], failed = NA, count = 167 - sum(cracks$fail)))
sheet("cracks.csv", d, "part", "turbine_part", "life in days; inspected at 8 times")

hours <- boot::aircondit$hours
sheet("aircondit.csv", data.frame(good = hours, failed = hours), "aircon", "air_conditioning",
      "hours between failures")

# Meeker & Escobar 1998, table C.5: bearing cages, grouped ages of 1,703 units
n <- c(288, 148, 1, 124, 1, 111, 1, 106, 99, 110, 114, 119, 127, 1, 1, 123, 93, 47, 41, 27, 1, 11, 6, 1, 2)
f <- c(0, 0, 1, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0, 1, 0, 0, 0, 0)
t <- c(50, 150, 230, 250, 334, 350, 423, 450, 550, 650, 750, 850, 950, 990, 1009, 1050, 1150, 1250,
       1350, 1450, 1510, 1550, 1650, 1850, 2050)
sheet("bearing_cage.csv", data.frame(good = t, failed = ifelse(f == 1, t, NA), count = n), "cage",
      "bearing_cage", "life in hours")

