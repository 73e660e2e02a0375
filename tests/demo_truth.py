"""What is true in the invented demo: answers worked out from the numbers that it was drawn from, not by the library.

datasets/demo/truth.json says the numbers, datasets/demo/make_demo.py how they make lives: Weibull units,
life of the main capacitor falling with the voltage to a power, times a factor of part and builder.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from scipy.stats import binom

DEMO = Path(__file__).parents[1] / "datasets" / "demo"
TRUTH = json.loads((DEMO / "truth.json").read_text())
CAPACITOR = "main_capacitor"
SLOTS = tuple(TRUTH["slots"])
RECORDED_BANK = 2  # a record of a main capacitor stands for two in parallel
UF_EACH = {"film-a": 0.5, "ceramic-b": 1.0, "mica-c": 0.33}


def factor(builder: str) -> float:
    """Life of that builder's capacitors over the middle one's."""
    return float(np.exp(TRUTH["builder_log_effect"].get(builder, 0.0)))


def scale(slot: str, volts: float, part: str, builder: str) -> float:
    """Characteristic life of a slot, shots."""
    out = TRUTH["slots"][slot]["scale"]
    if slot == CAPACITOR:
        out *= (volts / TRUTH["reference_V"]) ** -TRUTH["main_capacitor_exponent"]
        out *= TRUTH["part_factor"][part] * factor(builder)
    return float(out)


def hazard(slot: str, shots: float, volts: float, part: str = "film-a", builder: str = "") -> float:
    """Cumulative hazard of a new slot."""
    return float((shots / scale(slot, volts, part, builder)) ** TRUTH["slots"][slot]["shape"])


def slot_life(slot: str, fraction: float, volts: float = 1400.0, part: str = "film-a", builder: str = "") -> float:  # fmt: skip
    """Shots by which a share of the units of a slot has failed."""
    shape = TRUTH["slots"][slot]["shape"]
    return scale(slot, volts, part, builder) * float(-np.log1p(-fraction)) ** (1 / shape)


def module_survival(shots: float, volts: float, part: str = "film-a", builder: str = "", copies: dict[str, int] | None = None) -> float:  # fmt: skip
    """Chance that a new module lasts so many shots: none of its slots has failed."""
    copies = copies or {}
    total = sum(copies.get(s, 1) * hazard(s, shots, volts, part, builder) for s in SLOTS)
    return float(np.exp(-total))


def module_life(fraction: float, volts: float, part: str = "film-a", builder: str = "", copies: dict[str, int] | None = None) -> float:  # fmt: skip
    """Shots by which a share of new modules has failed."""
    low, high = 1.0, 1e6
    for _ in range(80):
        middle = (low * high) ** 0.5
        alive = module_survival(middle, volts, part, builder, copies)
        low, high = (middle, high) if alive > 1 - fraction else (low, middle)
    return low


def aged_survival(shots: float, ages: dict[str, float], volts: float, flown: float, builder: str = "") -> float:  # fmt: skip
    """Chance that a burnt-in module lasts so many more shots: ages by slot, at ``volts``; the mission at ``flown``."""
    total = 0.0
    for slot, age in ages.items():
        worth = (flown / volts) ** TRUTH["main_capacitor_exponent"] if slot == CAPACITOR else 1.0
        total += hazard(slot, age + worth * shots, volts, builder=builder)
        total -= hazard(slot, age, volts, builder=builder)
    return float(np.exp(-total))


def allowed_V(shots: float, survival: float, part: str = "film-a", builder: str = "", units: int = RECORDED_BANK) -> float:  # fmt: skip
    """Highest voltage at which that share of banks of so many in parallel lasts so many shots."""
    alive = -np.log(survival) * RECORDED_BANK / units
    at_reference = scale(CAPACITOR, TRUTH["reference_V"], part, builder)
    life = at_reference * alive ** (1 / TRUTH["slots"][CAPACITOR]["shape"])
    return float(TRUTH["reference_V"] * (life / shots) ** (1 / TRUTH["main_capacitor_exponent"]))


def bit_uNs(energy_J: float) -> float:
    """Impulse of a shot."""
    return float(TRUTH["impulse_uNs_at_1_J"] * energy_J ** TRUTH["impulse_exponent"])


def shots_for(impulse_Ns: float, volts: float, part: str, parallel: int) -> float:
    """Shots that an impulse needs of a bank in parallel."""
    energy = 0.5e-6 * UF_EACH[part] * parallel * volts**2
    return impulse_Ns / (1e-6 * bit_uNs(energy))


def bank_life(fraction: float, volts: float, part: str, parallel: int) -> float:
    """Shots by which a share of banks of so many in parallel has failed; the first short ends one."""
    hazard_of_record = -np.log1p(-fraction) * RECORDED_BANK / parallel
    shape = TRUTH["slots"][CAPACITOR]["shape"]
    return scale(CAPACITOR, volts, part, "") * float(hazard_of_record ** (1 / shape))


def pass_chance(units: int, allowed: int, stretches: list[tuple[float, float]], part: str = "film-a", builder: str = "") -> float:  # fmt: skip
    """Chance that at most so many main capacitors fail in a test: stretches of (volts, shots) in turn."""
    reference = TRUTH["reference_V"]
    spent = sum(s * (v / reference) ** TRUTH["main_capacitor_exponent"] for v, s in stretches)
    alive = float(np.exp(-hazard(CAPACITOR, spent, reference, part, builder)))
    return float(binom.cdf(allowed, units, 1 - alive))


def ends_module(slot: str, volts: float) -> float:
    """Chance that this slot is the one that ends a new module, by integration."""
    shots = np.geomspace(1e-2, 1e6, 2_000)
    alive = np.array([module_survival(s, volts) for s in shots])
    own = np.array([hazard(slot, s, volts) for s in shots])
    return float((0.5 * (alive[1:] + alive[:-1]) * np.diff(own)).sum())
