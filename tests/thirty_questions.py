"""Thirty further questions in a builder's words, as ``sixty_questions``: what must hold is true by ``demo_truth``."""

from __future__ import annotations

import csv

import numpy as np
from scipy.stats import binom

import tests.demo_truth as truth
from tests.sixty_questions import (
    CAP,
    FILM,
    Asked,
    Check,
    Reply,
    at_most,
    between,
    bound,
    mission_true,
    plan_chance,
    says,
)

AGES = dict.fromkeys(truth.SLOTS, 3338.0)  # kite-01, burnt in at 1,200 V
KITE = "flight --module kite-01 --brief"


def left(shots: float, *legs: tuple[float, float]) -> float:
    """True survival of kite-01 over so many more shots: legs of (volts, share of the shots)."""
    total = 0.0
    for slot, age in AGES.items():
        pace = sum(s * (v / 1200) ** truth.TRUTH["main_capacitor_exponent"] for v, s in legs)
        worth = pace if slot == truth.CAPACITOR else 1.0
        ends = (age, age + worth * shots)
        before, after = (truth.hazard(slot, n, 1200, builder="kite") for n in ends)
        total += after - before
    return float(np.exp(-total))


def lasts(survival: float, *legs: tuple[float, float]) -> float:
    """Shots that kite-01 truly survives with that chance."""
    low, high = 1e-3, 1e6
    for _ in range(80):
        middle = (low * high) ** 0.5
        low, high = (middle, high) if left(middle, *legs) > survival else (low, middle)
    return low


def unlike_chance(slot: str, builder: str) -> Check:
    """No failure: a bound at most the truth, and at least half of what chance alone would allow after as many shots.

    Chi-square for a constant hazard without failure (MIL-HDBK-338B 8.3.2.5.2): -ln(0.9) over -ln(0.05) of the shots
    seen. Half, since the hazard may fall.
    """
    with (truth.DEMO / f"life_{builder}.csv").open() as f:
        rows = [row for row in csv.DictReader(f) if row["slot"] == slot]
    assert not any(row["shots_failed"] for row in rows)
    seen = sum(float(row["shots_good"]) - float(row["shots_from"] or 0) for row in rows)
    chance = seen * np.log(0.9) / np.log(0.05)
    true = truth.slot_life(slot, 0.1)
    return bound("quantiles.0.lower", true, 2 * true / chance)


def next_chance(volts: float, off: float = 0.25) -> Check:
    """The chance that nothing fails in the test of capacitors recommended, at that much from the true one."""

    def check(reply: Reply) -> None:
        t = reply.at("tests.0")
        assert t["slot"] == truth.CAPACITOR
        true = truth.pass_chance(t["units"], 0, [(volts, t["shots"])])
        assert abs(t["survives_it"] - true) <= off, f"{t['survives_it']}, true {true}"

    return check


def money(unit: float, day: float, most: float) -> Check:
    """No test costs more."""

    def check(reply: Reply) -> None:
        costs = [t["units"] * unit + t["days"] * day for t in reply.at("tests")]
        assert costs and max(costs) <= most * (1 + 1e-9), costs

    return check


def failures_expected(volts: float, times: float = 1.6) -> Check:
    """Failures that the plan expects, within a factor of the true number."""

    def check(reply: Reply) -> None:
        best = reply.at("best")
        dead = 1 - np.exp(-truth.hazard(truth.CAPACITOR, best["shots"][0], volts))
        ratio = best["failures"] / (best["units"][0] * dead)
        assert 1 / times <= ratio <= times, f"{best['failures']} expected, true over it {ratio}"

    return check


def ratio(a: str, of_a: str, b: str, of_b: str) -> float:
    """True life of one part by its builder over that of another."""
    part = truth.TRUTH["part_factor"]
    return float(part[a] * truth.factor(of_a) / (part[b] * truth.factor(of_b)))


LIFE = (
    Asked("No rod of moss's has failed. What do I know?", "life --slot fuel --builder moss",
          (unlike_chance("fuel", "moss"), says("What would help most")), 3),
    Asked("Are ceramic banks alive after 500 shots at 1,300 V?", f"life {CAP} --part ceramic-b --use charge_V=1300 --at 500",
          (between("survival.0.lower", float(np.exp(-truth.hazard(truth.CAPACITOR, 500, 1300, "ceramic-b", "moss"))), "survival.0.upper"),)),
    Asked("If only the igniter could fail, how long do nine of ten modules last?", "module --slot igniter",
          (bound("life.lower", truth.slot_life("igniter", 0.1), 3),)),
    Asked("What share of moss's modules is alive after 300 shots at 1,500 V?", "module --builder moss --use charge_V=1500 --at 300",
          (between("survival.0.lower", truth.module_survival(300, 1500, "ceramic-b", "moss"), "survival.0.upper"),)),
    Asked("How long do nine of ten of orca's modules last at 1,400 V?", "module --builder orca --use charge_V=1400",
          (bound("life.lower", truth.module_life(0.1, 1400, "mica-c", "orca"), 8),)),
    Asked("And 99 of 100 modules at 1,300 V?", "module --use charge_V=1300 --fraction 0.01",
          (bound("life.lower", truth.module_life(0.01, 1300), 10),)),
    Asked("My module at 2,600 V, which nobody tested?", "module --use charge_V=2600", (says("no law is trusted that far"),), 3),
)  # fmt: skip

DERATE = (
    Asked("3,000 shots, four in five sure is enough.", f"derate {FILM} --stress charge_V:power --shots 3000 --confidence 0.8",
          (bound("allowed.charge_V", truth.allowed_V(3000, 0.9), 1.12),)),
    Asked("1 mN s with film alone: what do I build?", f"derate {FILM} --total-impulse 0.001", (mission_true(0.001),)),
    Asked("2 cm/s for 100 g with film.", f"derate {FILM} --delta-v 0.02 --mass 0.1", (mission_true(0.002),)),
    Asked("50 mN s with film?", f"derate {FILM} --total-impulse 0.05", (says("No plan looked at meets"),), 3),
)  # fmt: skip

FLIGHT = (
    Asked("Half of the shots at 1,200 V, half at 1,400 V, 300 in all?", f"{KITE} --shots 300 --leg 1200=0.5 --leg 1400=0.5",
          (bound("survival.lower", left(300, (1200, 0.5), (1400, 0.5)), 1.3), says("50 % at 1,200 V"))),
    Asked("All of them at 1,100 V?", f"{KITE} --shots 400 --leg 1100=1", (bound("survival.lower", left(400, (1100, 1.0)), 1.3),)),
    Asked("Half at 1,200 V, the rest I do not say.", f"{KITE} --shots 300 --leg 1200=0.5", (says("add up to 1"),), 2),
    Asked("Three fly, two must last 500 shots.", f"{KITE} --shots 500 --units 3 --working 2",
          (bound("several.enough_lower", float(binom.sf(1, 3, left(500, (1200, 1.0)))), 1.3), says("at least 2 of 3"))),
    Asked("Five fly, all must last 200 shots.", f"{KITE} --shots 200 --units 5", (bound("several.enough_lower", left(200, (1200, 1.0)) ** 5, 1.5),)),
    Asked("Two fly, three must work.", f"{KITE} --shots 200 --units 2 --working 3", (says("working is at most the units"),), 2),
    Asked("Promise with 99 in 100 to last.", f"{KITE} --shots 50 --survival 0.99", (bound("promise.shots", lasts(0.99, (1200, 1.0)), 6),)),
    Asked("What of its own burn-in: does it count?", f"{KITE} --shots 500",
          (bound("promise.shots", lasts(0.9, (1200, 1.0)), 4), says("own burn-in counts as evidence"))),
)  # fmt: skip

PLANS = (
    Asked("Which test next, for 1,600 V?", "campaign --use charge_V=1600 --slot main_capacitor --part film-a", (next_chance(1600),)),
    Asked("Three units and half a day: which test?", "campaign --use charge_V=1400 --days 0.5 --units 3",
          (at_most("tests.0.days", 0.5), at_most("tests.0.units", 3))),
    Asked("100 euros, 30 a unit, 10 a day: which test?", "campaign --use charge_V=1400 --budget 100 --unit-cost 30 --day-cost 10",
          (money(30, 10, 100),)),
    Asked("One second of bench: which test?", "campaign --use charge_V=1400 --days 0.00001", (says("to set it up alone takes more"),), 3),
    Asked("Show 300 shots at 1,400 V with eight units in a day.", f"campaign --demonstrate-shots 300 {FILM} --use charge_V=1400 --units 8 --days 1",
          (at_most("best.units", 8), at_most("best.bench_days", 1), plan_chance())),
    Asked("A bound within a factor of three at 1,400 V?", f"campaign --within-factor 3 {FILM} --use charge_V=1400",
          (at_most("best.factor", 3), failures_expected(1400))),
    Asked("Within a hundredth, with six units?", f"campaign --within-factor 1.01 {FILM} --use charge_V=1400 --most-units 6",
          (says("None of the plans looked at"),), 3),
    Asked("A test for 4 kV?", f"campaign --accelerate-to 4000 {FILM}", (says("no law is trusted that far"),), 3),
)  # fmt: skip

CHOICES = (
    Asked("Ceramic or mica?", f"compare {CAP} --first ceramic-b --second mica-c",
          (between("lower", ratio("ceramic-b", "moss", "mica-c", "orca"), "upper"),)),
    Asked("Does lynx build better than kite?", f"compare {FILM} --by builder --first lynx --second kite",
          (between("lower", truth.factor("lynx") / truth.factor("kite"), "upper"),)),
    Asked("Whose fuel rods last longer? None has failed.", "compare --slot fuel --by builder --first kite --second nova",
          (says("nothing tells how many times as long"),), 3),
)  # fmt: skip

FURTHER = (*LIFE, *DERATE, *FLIGHT, *PLANS, *CHOICES)
