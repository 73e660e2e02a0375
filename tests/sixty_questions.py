"""Sixty questions in a builder's words, the command for each, and what is true by ``demo_truth``.

A lower bound must be at most the truth and not uselessly far below it, an estimate near it; what cannot be
answered must be refused for the reason given. Invented, as the demo is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

import tests.demo_truth as truth

CAP = "--slot main_capacitor"
FILM = f"{CAP} --part film-a"
Check = Callable[["Reply"], None]


@dataclass(frozen=True)
class Reply:
    """What came back: JSON (empty where there is none), and all words on the screen."""

    answer: dict[str, Any]
    words: str

    def at(self, path: str) -> Any:
        """A value of the JSON, such as ``slots.main_capacitor.promise``: lists by index or by a name in them."""
        found: Any = self.answer
        for step in path.split("."):
            if isinstance(found, list) and step.isdigit():
                found = found[int(step)]
            elif isinstance(found, list):
                named = [x for x in found if isinstance(x, dict) and step in map(str, x.values())]
                found = named[0]
            else:
                found = found[step]
        return found


@dataclass(frozen=True)
class Asked:
    """One question: a builder's words, the command, what must hold of the reply, and the exit code."""

    words: str
    command: str
    checks: tuple[Check, ...]
    code: int = 0
    empty: bool = False
    """whether it is asked of an empty store instead of the demo"""


def bound(path: str, true: float, within: float = 3.0) -> Check:
    """A lower bound: at most the truth, at least the truth over ``within``."""

    def check(reply: Reply) -> None:
        value = reply.at(path)
        assert true / within <= value <= true, f"{path} is {value:.5g}, true is {true:.5g}"

    return check


def near(path: str, true: float, times: float = 1.35) -> Check:
    """An estimate within a factor of the truth."""

    def check(reply: Reply) -> None:
        value = reply.at(path)
        assert 1 / times <= value / true <= times, f"{path} is {value:.5g}, true is {true:.5g}"

    return check


def between(low: str, true: float, high: str) -> Check:
    """A truth between two bounds."""

    def check(reply: Reply) -> None:
        assert reply.at(low) <= true <= reply.at(high), f"{reply.at(low)}, {true}, {reply.at(high)}"

    return check


def is_(path: str, value: object) -> Check:
    """A value as it must be."""

    def check(reply: Reply) -> None:
        assert reply.at(path) == value, f"{path} is {reply.at(path)!r}"

    return check


def at_most(path: str, value: float) -> Check:
    """A limit kept."""

    def check(reply: Reply) -> None:
        assert reply.at(path) <= value, f"{path} is {reply.at(path)!r}"

    return check


def says(*texts: str) -> Check:
    """Words that must stand on the screen."""

    def check(reply: Reply) -> None:
        for text in texts:
            assert text in reply.words, f"{text!r} is not said: {reply.words[:400]}"

    return check


def at_least(path: str, value: float) -> Check:
    """As much as that, or more."""

    def check(reply: Reply) -> None:
        assert reply.at(path) >= value, f"{path} is {reply.at(path)!r}"

    return check


def plan_chance(off: float = 0.15, builder: str = "") -> Check:
    """The chance to pass of the plan, at that much from the true one of its units and stretches."""

    def check(reply: Reply) -> None:
        best = reply.at("best")
        steps = [(s["charge_V"], s["shots"]) for s in best["stretches"]]
        true = truth.pass_chance(best["units"], best["failures_allowed"], steps, builder=builder)
        assert abs(best["pass_estimated"] - true) <= off, f"{best['pass_estimated']}, true {true}"

    return check


def mission_true(impulse_Ns: float) -> Check:
    """The plan for an impulse: needed shots near the true ones, promised ones at most what 90 % of such banks last."""

    def check(reply: Reply) -> None:
        p = reply.at("best")
        assert p["series"] == 1
        need = truth.shots_for(impulse_Ns, p["charge_V"], p["part"], p["parallel"])
        life = truth.bank_life(0.1, p["charge_V"], p["part"], p["parallel"])
        assert need / 1.1 <= p["needed"] <= need * 1.1, f"needed {p['needed']}, true {need}"
        assert life / 4 <= p["promised"] <= life, f"promised {p['promised']}, true {life}"
        assert need <= life

    return check


LIFE = (
    Asked("How many shots do nine of ten of kite's modules last at 1,400 V?",
          "module --builder kite --use charge_V=1400",
          (bound("life.lower", truth.module_life(0.1, 1400, builder="kite"), 4),
           near("life.shots", truth.module_life(0.1, 1400, builder="kite"), 1.7))),
    Asked("Which part ends a module flown at 1,600 V?", "module --use charge_V=1600",
          (is_("slots.0.slot", "main_capacitor"), near("slots.0.ends_module", truth.ends_module("main_capacitor", 1600), 1.05))),
    Asked("Half of the modules with film capacitors last how long at 1,200 V?", "module --use charge_V=1200 --use part=film-a",
          (near("median", truth.module_life(0.5, 1200), 1.5),)),
    Asked("What share of modules is alive after 500 shots at 1,500 V?", "module --use charge_V=1500 --at 500",
          (between("survival.0.lower", truth.module_survival(500, 1500), "survival.0.upper"),)),
    Asked("My module has four igniters, any of them failing ends it. How long at 1,300 V?",
          "module --use charge_V=1300 --units igniter=4",
          (bound("life.lower", truth.module_life(0.1, 1300, copies={"igniter": 4}), 4),)),
    Asked("How long do nine of ten film capacitor banks last at 1,400 V?", f"life {FILM} --use charge_V=1400",
          (between("quantiles.0.lower", truth.slot_life("main_capacitor", 0.1), "quantiles.0.upper"),)),
    Asked("Do igniters survive 3,000 shots?", "life --slot igniter --at 3000",
          (between("survival.0.lower", float(np.exp(-truth.hazard("igniter", 3000, 1400))), "survival.0.upper"),)),
    Asked("How long does the fuel rod last? None has failed.", "life --slot fuel",
          (bound("quantiles.0.lower", truth.slot_life("fuel", 0.1), 12), says("from 0 failures")), 3),
    Asked("How long does a switch last, nine of ten of them?", "life --slot switch",
          (between("quantiles.0.lower", truth.slot_life("switch", 0.1), "quantiles.0.upper"),)),
    Asked("How many more failures by a short than by loss of capacitance?", f"modes {CAP}",
          (is_("modes.0.mode", "short"), says("short"))),
    Asked("When is a fifth of the capacitance gone?", "wear --quantity capacitance_uF",
          (near("new_unit.median", 0.2 / truth.TRUTH["capacitance_loss_per_shot_share"], 1.3),)),
    Asked("How much fuel does a shot take?", "wear --quantity fuel_mass_mg",
          (near("slope", -truth.TRUTH["fuel_mg_per_shot"], 1.05),)),
    Asked("Do misfires come ever faster?", "misfires",
          (near("growth.b", truth.TRUTH["misfire_exponent"], 1.2), says("ever faster"))),
    Asked("Ten volts more on the igniter: how much less often does it misfire?", "misfires",
          (between("ignition.odds_per_10V.lower", truth.TRUTH["misfire_odds_for_10_V_more"], "ignition.odds_per_10V.upper"),)),
)  # fmt: skip

DERATE = (
    Asked("How high may I charge film capacitors to do 3,000 shots?", f"derate {FILM} --stress charge_V:power --shots 3000",
          (bound("allowed.charge_V", truth.allowed_V(3000, 0.9), 1.15),)),
    Asked("And 1,000 shots, with 99 % sure to last?", f"derate {FILM} --stress charge_V:power --shots 1000 --survival 0.99",
          (bound("allowed.charge_V", truth.allowed_V(1000, 0.99), 1.35),)),
    Asked("Ceramic ones for 2,000 shots?", f"derate {CAP} --part ceramic-b --shots 2000",
          (bound("allowed.charge_V", truth.allowed_V(2000, 0.9, "ceramic-b", "moss"), 1.35),)),
    Asked("Only one capacitor instead of two in parallel, for 3,000 shots?",
          f"derate {FILM} --stress charge_V:power --shots 3000 --parallel 1",
          (bound("allowed.charge_V", truth.allowed_V(3000, 0.9, units=1), 1.15),)),
    Asked("Half a picosecond of life, I mean: 0 shots?", f"derate {FILM} --shots 0", (says("shots is a number above 0"),), 2),
    Asked("How fast does life fall with the voltage?", f"derate {FILM} --stress charge_V:power",
          (between("coefficients.0.lower", truth.TRUTH["main_capacitor_exponent"], "coefficients.0.upper"),)),
    Asked("A million shots on film?", f"derate {FILM} --stress charge_V:power --shots 1000000",
          (is_("allowed.charge_V", None), says("can be allowed from these data for 1,000,000 shots")), 3),
    Asked("I need 2 mN s in all. What do I build?", f"derate {CAP} --total-impulse 0.002", (mission_true(0.002),)),
    Asked("3 cm/s for a satellite of 100 g: which voltage, which bank?", f"derate {CAP} --delta-v 0.03 --mass 0.1 --capacitors 8",
          (mission_true(0.003),)),
    Asked("1 m/s for 250 g, can that be done?", f"derate {CAP} --delta-v 1 --mass 0.25",
          (says("No plan looked at meets 1 m/s of 0.25 kg (0.25 N s)"),), 3),
    Asked("2 mN s within an hour of firing?", f"derate {CAP} --total-impulse 0.002 --within-days 0.04", (says("No plan looked at within 0.04 days"),), 3),
    Asked("1 mN s with a tenth of a watt?", f"derate {CAP} --total-impulse 0.001 --power-w 0.1",
          (mission_true(0.001), at_most("best.average_W", 0.1 + 1e-9))),
    Asked("I need 20 m/s but do not say the mass.", f"derate {CAP} --delta-v 20", (says("mass"),), 2),
    Asked("Two film capacitors at 1,100 V: do they last 2,500 shots?",
          f"derate {FILM} --shots 2500 --parallel 2 --series 1 --rate-hz 0.3333 --use charge_V=1100",
          (bound("best.promised", truth.bank_life(0.1, 1100, "film-a", 2), 3), is_("passes", True))),
)  # fmt: skip

FLIGHT = (
    Asked("What can I promise for kite-01, as it was burnt in?", "flight --module kite-01 --shots 500 --brief",
          (near("survival.estimate", truth.aged_survival(500, dict.fromkeys(truth.SLOTS, 3338.0), 1200, 1200, "kite"), 1.05),
           bound("survival.lower", truth.aged_survival(500, dict.fromkeys(truth.SLOTS, 3338.0), 1200, 1200, "kite"), 1.25))),
    Asked("The same flown at 1,400 V?", "flight --module kite-01 --shots 200 --use charge_V=1400 --brief",
          (bound("survival.lower", truth.aged_survival(200, dict.fromkeys(truth.SLOTS, 3338.0), 1200, 1400, "kite"), 1.35),)),
    Asked("Two of them fly, one must work for 1,000 shots.", "flight --module kite-01 --shots 1000 --units 2 --working 1 --brief",
          (bound("several.one_lower", 1 - (1 - truth.aged_survival(1000, dict.fromkeys(truth.SLOTS, 3338.0), 1200, 1200, "kite")) ** 2, 1.4),)),
    Asked("Three fly and all must last 300 shots.", "flight --module kite-01 --shots 300 --units 3 --brief",
          (bound("several.all_lower", truth.aged_survival(300, dict.fromkeys(truth.SLOTS, 3338.0), 1200, 1200, "kite") ** 3, 1.5),)),
    Asked("Is it safer at 1,100 V? Two days at a twentieth of the time.", "flight --module kite-01 --days 2 --duty 0.05 --use charge_V=1100 --brief",
          (is_("mission_shots", 2880.0),)),
    Asked("And flown at 3 kV?", "flight --module kite-01 --shots 100 --use charge_V=3000 --brief", (says("no law is trusted that far"),), 3),
    Asked("And hot, at 85 deg C?", "flight --module kite-01 --shots 100 --use temp_C=85 --brief", (says("temperature is not known"),), 3),
    Asked("What of my module zebra-9?", "flight --module zebra-9 --shots 100", (says("zebra-9"),), 2),
    Asked("What would help most before the flight?", "flight --module kite-01 --shots 500",
          (says("promise"), near("more.0.gain_a_day", 100, 20))),
)  # fmt: skip

PLANS = (
    Asked("Show 90 % at 400 shots and 1,200 V: how many units?", f"campaign --demonstrate-shots 400 {FILM} --use charge_V=1200",
          (is_("recommended", True), plan_chance())),
    Asked("I have five units.", f"campaign --demonstrate-shots 400 {FILM} --use charge_V=1200 --units 5",
          (at_most("best.units", 5), plan_chance())),
    Asked("I have 300 euros; a unit costs 40, a day 10.",
          f"campaign --demonstrate-shots 500 {FILM} --use charge_V=1200 --budget 300 --unit-cost 40 --day-cost 10",
          (at_most("best.cost", 300), plan_chance())),
    Asked("300 euros, prices not said.", f"campaign --demonstrate-shots 500 {FILM} --use charge_V=1200 --budget 300",
          (says("money limits nothing"),), 2),
    Asked("Only half a day of bench, two stands.", f"campaign --demonstrate-shots 500 {FILM} --use charge_V=1200 --days 0.5 --stands 2",
          (at_most("best.bench_days", 0.5), plan_chance())),
    Asked("Show 5,000 shots at 1,600 V.", f"campaign --demonstrate-shots 5000 {FILM} --use charge_V=1600",
          (is_("recommended", False), plan_chance(0.01), says("with a fair chance")), 3),
    Asked("Show 1,000 shots at 1,600 V with three units.", f"campaign --demonstrate-shots 1000 {FILM} --use charge_V=1600 --units 3",
          (says("what can be shown is"), plan_chance(0.05)), 3),
    Asked("One minute of bench.", f"campaign --demonstrate-shots 1000 {FILM} --days 0.0007", (says("No plan keeps"),), 3),
    Asked("Nothing on record yet: how many units, each as long as the mission?", "campaign --demonstrate-shots 1000",
          (is_("units", 29), is_("best.pass_estimated", None)), empty=True),
    Asked("Minus two units.", f"campaign --demonstrate-shots 100 {FILM} --units -2", (says("units"),), 2),
    Asked("Which test at higher voltages tells most about 1,100 V?", f"campaign --accelerate-to 1100 {FILM}",
          (is_("column", "charge_V"), at_most("best.bench_days", 12 * 0.2 + 18 / 24 + 1e-6), at_least("gain", 1.0))),
    Asked("At 2,600 V, which nobody tested.", f"campaign --demonstrate-shots 100 {FILM} --use charge_V=2600",
          (says("no law is trusted that far"), is_("best.pass_estimated", None))),
)  # fmt: skip

CHOICES = (
    Asked("Film or ceramic?", f"compare {CAP} --first film-a --second ceramic-b",
          (between("lower", 1 / 0.6, "upper"),)),
    Asked("Mica or film?", f"compare {CAP} --first mica-c --second film-a", (near("ratio", 1.4 * truth.factor("orca"), 1.4),)),
    Asked("Revision A or B?", f"compare {FILM} --by revision --builder kite --builder lynx --builder nova --first A --second B",
          (between("lower", 1.0, "upper"), says("not shown to differ"))),
    Asked("Does nova build better than kite?", f"compare {FILM} --by builder --first nova --second kite",
          (between("lower", truth.factor("nova") / truth.factor("kite"), "upper"),)),
    Asked("1,200 V or 1,500 V?", f"compare {FILM} --by voltage --first 1200 --second 1500",
          (between("lower", (1500 / 1200) ** truth.TRUTH["main_capacitor_exponent"], "upper"), bound("first.lower", truth.slot_life("main_capacitor", 0.1, 1200), 3.5))),
    Asked("Rest on kite's records, or on everybody's?", f"compare {FILM} --by pool --first kite --second all --use charge_V=1500",
          (bound("first.lower", truth.slot_life("main_capacitor", 0.1, 1500) * truth.factor("kite"), 3.5), between("lower", truth.factor("kite"), "upper"))),
    Asked("Film or paper?", f"compare {CAP} --first film-a --second paper", (says("second is one of"),), 2),
    Asked("Do the builders agree?", f"builders {FILM}", (says("not shown to differ"), near("pool_shots", truth.slot_life("main_capacitor", 0.1, 1500), 1.6))),
    Asked("How long do a new builder's film capacitors last?", f"builders {FILM} --builder kite --builder lynx --builder nova",
          (bound("new_builder.lower", truth.slot_life("main_capacitor", 0.1, 1400), 3),)),
    Asked("Is moss's igniter worse at sparking?", "misfires", (near("groups.0.ratio", truth.TRUTH["misfire_ratio_moss"], 1.4),)),
)  # fmt: skip

ODD = (
    Asked("Life of the warp coil?", "life --slot warp_coil", (says("warp_coil"),), 2),
    Asked("How sure: 100 %?", "module --confidence 1", (says("confidence is a number"),), 2),
    Asked("At the pressure of Mars?", "module --use pressure_Pa=600", (says("use names charge_V or temp_C or rate_Hz or part"),), 2),
)  # fmt: skip

QUESTIONS = (*LIFE, *DERATE, *FLIGHT, *PLANS, *CHOICES, *ODD)
