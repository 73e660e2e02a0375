"""Twenty questions more, as ``thirty_questions``: limits, banks, several modules, what no record says, files without a store.

``{demo}`` is the folder of the demo; ``{no_volts}`` a sheet of kite's without charge voltages.
"""

from __future__ import annotations

import numpy as np

import tests.demo_truth as truth
from tests.sixty_questions import CAP, FILM, Asked, at_most, between, bound, plan_chance, says
from tests.thirty_questions import KITE, left

AT_1300 = "--use charge_V=1300"

POINTS = (
    Asked("Is 1,300 V all right for 2,000 shots of a module?", f"module {AT_1300} --at 2000",
          (between("survival.0.lower", truth.module_survival(2000, 1300), "survival.0.upper"),)),
    Asked("And for the capacitor alone?", f"life {FILM} {AT_1300} --at 2000",
          (between("survival.0.lower", float(np.exp(-truth.hazard(truth.CAPACITOR, 2000, 1300))), "survival.0.upper"),)),
    Asked("The same asked of derate.", f"derate {FILM} --shots 2000 {AT_1300}", (says("is what is solved for"),), 2),
    Asked("A bank of three for 2,000 shots: how high?", f"derate {FILM} --stress charge_V:power --shots 2000 --parallel 3",
          (bound("allowed.charge_V", truth.allowed_V(2000, 0.9, units=3), 1.2),)),
    Asked("Three such banks in my module, at 1,300 V?", f"module {AT_1300} --use part=film-a --units main_capacitor=3",
          (bound("life.lower", truth.module_life(0.1, 1300, copies={truth.CAPACITOR: 3}), 4),)),
    Asked("At 30 deg C and 1,300 V?", f"module --use temp_C=30 {AT_1300}", (bound("life.lower", truth.module_life(0.1, 1300), 4),)),
    Asked("In an oven of 300 deg C?", f"module --use temp_C=300 {AT_1300}",
          (says("how life depends on temperature is not known"),), 3),
    Asked("After half a year in storage?", "module --use storage_days=200", (says("use names charge_V or temp_C"),), 2),
    Asked("Igniters at 1,300 V? Nobody wrote their voltage down.", f"life --slot igniter {AT_1300}",
          (says("no record of igniter says it"),), 2),
    Asked("Which fuel lasts longer, PTFE or one never tried?", "compare --slot fuel --by fuel --first ptfe --second wax",
          (says("second is one of ptfe"),), 2),
    Asked("When is the capacitance at 0.7 uF? (Some began below.)", "wear --quantity capacitance_uF --limit 0.7",
          (says("units began past this limit", "limit_factor"),)),
)  # fmt: skip

FLIGHTS = (
    Asked("Two fly, both are needed for 400 shots.", f"{KITE} --shots 400 --units 2 --working 2",
          (bound("several.enough_lower", left(400, (1200, 1.0)) ** 2, 1.35), says("all 2 modules"))),
    Asked("Two must work; how many fly I do not say.", f"{KITE} --shots 400 --working 2", (says("it goes with units"),), 2),
    Asked("A year in orbit, firing a ten-thousandth of the time.", f"{KITE} --days 365 --duty 0.0001",
          (bound("survival.lower", left(1051.2, (1200, 1.0)), 1.35), says("365 days"))),
    Asked("0.2 mN s with it; what a shot gives I do not say.", f"{KITE} --total-impulse 0.0002", (says("needs the impulse bit"),), 2),
)  # fmt: skip

LIMITED = (
    Asked("One euro, and a unit costs 30.", "campaign --budget 1 --unit-cost 30", (says("one unit costs 30"),), 3),
    Asked("Forty euros, and a unit costs 30.", f"campaign --budget 40 --unit-cost 30 {AT_1300}", (at_most("tests.0.units", 1),)),
    Asked("Show 300 shots at 1,300 V: a day, four stands, 500 euros.",
          f"campaign --demonstrate-shots 300 {FILM} {AT_1300} --days 1 --stands 4 --budget 500 --unit-cost 20 --day-cost 100",
          (at_most("best.cost", 500), at_most("best.bench_days", 1), plan_chance())),
    Asked("A bound within three at 1,300 V, in a day.", f"campaign --within-factor 3 {FILM} {AT_1300} --days 1",
          (says("too few units fail"),), 3),
    Asked("Tests at several voltages for igniters?", "campaign --accelerate-to 1300 --slot igniter",
          (says("No stress column varies"),), 3),
)  # fmt: skip

FILES = (
    Asked("How long does my module live? (No store, no voltages written down.)", "module --from {no_volts}",
          (says("No record of the main capacitor says its charge voltage"),)),
    Asked("And at 1,300 V?", f"module --from {{no_volts}} {AT_1300}", (says("no record says it"),), 2),
    Asked("How high may I charge, by the same sheet?", f"derate --from {{no_volts}} {CAP} --shots 500",
          (says("Add charge_V to the sheets"),), 3),
    Asked("kite-01 at 1,300 V, by kite's sheet alone.",
          f"{KITE} --from {{demo}}/life_kite.csv --shots 100 {AT_1300}", (bound("survival.lower", left(100, (1300, 1.0)), 1.1),)),
    Asked("What is at 1,200 V against 1,300 V, by the same sheet?", f"compare --from {{demo}}/life_kite.csv {CAP} --by voltage --first 1200 --second 1300",
          (between("lower", (1300 / 1200) ** truth.TRUTH["main_capacitor_exponent"], "upper"),)),
    Asked("A sheet that is not there.", "module --from {demo}/none.csv", (says("there is no such file"),), 2),
)  # fmt: skip

MORE = (*POINTS, *FLIGHTS, *LIMITED, *FILES)
