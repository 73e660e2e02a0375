"""Each control of each page on the invented demo, with a value that changes the answer.

``test_controls`` fails where a control is on a page and not here, or here and not on the page; where a setting has
neither control nor a place in ``BY_LINK``; where a change leaves the sentence as it was though nothing here says so,
or changes it though something does.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

from reliability.words import ends_so_far


@dataclass(frozen=True)
class Change:
    """What is typed or picked, and what it does.

    Attributes
    ----------
    value : object
    settings : dict, optional
        What it makes of the question (default: the setting of the control's name, with the value).
    beside : dict
        Settings that the address has besides, without which the control would have no effect.
    page : dict
        What the page itself says once it is changed.
    leads : str
        The view that it leads to.
    says : callable, optional
        A text elsewhere on the page, from the answer, where the sentence stays as it is.
    column : (table, column, callable), optional
        A column of a table, from the answer, likewise.
    why : str
        Why nothing that can be read changes.
    """

    value: object
    settings: dict | None = None
    beside: dict = field(default_factory=dict)
    page: dict = field(default_factory=dict)
    leads: str = ""
    says: Callable | None = None
    column: tuple[str, str, Callable] | None = None
    why: str = ""


@dataclass(frozen=True)
class View:
    """A page with its address, the question that it asks, what the page itself says of it, and its controls.

    A control on the page may be tried in another view of the same question.
    """

    path: str
    question: str
    base: dict
    changes: dict


def one(name, value):
    """A label of a setting that may have several."""
    return Change(value, {name: (value,)})


def point(value, **more):
    """The operating point as one text."""
    return Change(value, {"use": (value,)}, **more)


def level(column, value, **more):
    """A control of one column of the operating point."""
    return Change(value, {"use": (f"{column}={value}",)}, **more)


def quiet(value, name, title, of):
    """A change that a table alone shows."""
    return Change(value, column=(name, title, of))


def plans(value, column, name):
    """A column of the table of the named plans of a mission."""
    return quiet(
        value,
        "plans",
        column,
        lambda a: [getattr(p, name) for p in (a.best, a.lightest, a.quickest) if p is not None],
    )


def bank(p):
    """A bank as the page names it."""
    return f"{p.part}, {p.parallel} parallel x {p.series} series"


CAPACITOR = {"slot": ("main_capacitor",)}
IGNITER = {"slot": ("igniter",)}
ON_BOARD = {"module": "kite-01", "shots": 1000.0}
UNIT = "kite/kite-01/main_capacitor/mai1"
PRICED = {"unit_cost": 100.0, "day_cost": 100.0}
CONFIDENCE = {"confidence": Change(0.9)}
PICKS = {**CONFIDENCE, "builder": one("builder", "nova"), "part": one("part", "film-a")}
VOLTAGE = {"use_pairs_charge_V": level("charge_V", 1400), "use_pairs": point("charge_V=1300")}
BURNED_IN = {"no_early_failures": Change(True)}
MONEY = {
    "days": Change(0.1),
    "budget": Change(200, beside=PRICED),
    "stands": Change(4),
    "rate_hz": Change(1),
    "survival": Change(0.95),
    "setup_hours": Change(10),
}
VIEWS = {
    "design": View("", "module", {}, {
        "look": Change("a module on record", leads="on record"),
        "at": Change(500, {"at": (500.0,)}, says=lambda a: ends_so_far(1 - a.survival[0].estimate, 1 - a.survival[0].lower, "such modules")),
        "use_pairs_part": level("part", "film-a"),
        "use_pairs_temp_C": level("temp_C", 35),
        "units_pairs_ignition_capacitor": Change(2, {"units": ("ignition_capacitor=2",)}),
        "units_pairs_main_capacitor": Change(3, {"units": ("main_capacitor=3",)}),
        "units_pairs": Change("igniter=3", {"units": ("igniter=3",)}),
        "slot": one("slot", "main_capacitor"),
        "fraction": Change(0.2),
        **VOLTAGE, **BURNED_IN, **PICKS,
    }),
    "on record": View("?look=a+module+on+record", "flight", {**ON_BOARD, "brief": True}, {
        "look": Change("a design", leads="design"),
        "module": Change("nova-01"),
        "shots": Change(500),
        "survival": Change(0.95),
        "use_pairs_temp_C": level("temp_C", 35),
        **VOLTAGE, **BURNED_IN, **CONFIDENCE,
    }),
    "life curves": View("life_curves", "life", CAPACITOR, {
        "slot": one("slot", "igniter"),
        "use_pairs_part": level("part", "mica-c"),
        "family": Change("lognormal", beside=IGNITER),
        "mode": Change("short"),
        **VOLTAGE, **BURNED_IN, **PICKS,
    }),
    "history": View("history", "history", {}, {
        "builder": one("builder", "nova"), "module": one("module", "kite-02"), "unit": Change(UNIT),
    }),
    "a unit's history": View(f"history?unit={UNIT}", "history", {"unit": UNIT}, {
        "unit": Change("kite/kite-02/main_capacitor/mai1"),
        "confidence": Change(0.9, why="only the dashed limit in its picture moves, which test_figures reads"),
    }),
    "failure modes": View("failure_modes", "modes", CAPACITOR, {
        "slot": one("slot", "igniter"),
        "builder": one("builder", "nova"), "part": one("part", "film-a"),
        "family": quiet("lognormal", "mode", "shots, 10 % failed", lambda a: [m.shots for m in a.modes]),
        "confidence": quiet(0.9, "mode", "lower", lambda a: [m.lower for m in a.modes]),
    }),
    "wear": View("wear", "wear", {}, {
        "quantity": Change("fuel_mass_mg"), "limit_factor": Change(0.9), "path": Change("power"), **CONFIDENCE,
    }),
    "misfires": View("misfires", "misfires", {}, {"builder": one("builder", "nova"), **CONFIDENCE}),
    "derating": View("derating", "derate", {**CAPACITOR, "shots": 3000.0}, {
        "kind": Change("An impulse or a velocity change", leads="a mission"),
        "shots": Change(2000),
        "slot": one("slot", "igniter"),
        "survival": Change(0.95),
        "stress": one("stress", "temp_C:arrhenius"),
        "use": point("temp_C=35", beside={"stress": ("charge_V:power", "temp_C:arrhenius")}),
        "bound": Change("likelihood"),
        "parallel": Change(4),
        "series": Change(2),
        "capacitance_uf": Change(1),
        "rated_v": Change(3000),
        "impulse": Change("0.65@0.2^1.2", says=lambda a: "Trade: voltage against total impulse"),
        "impulse_readings": Change(True, says=lambda a: "Trade: voltage against total impulse"),
        "prior": Change("film", beside={"where": ("charge_V=1400",)}),
        "new_builder": Change(True, beside={"family": "lognormal"}),
        "second_opinion": Change(True, says=lambda a: a.second_opinion.sentence),
        **BURNED_IN, **PICKS,
    }),
    "a mission": View("derating?kind=mission&shots=3000", "derate_mission", {**CAPACITOR, "shots": 3000.0}, {
        "kind": Change("A life in shots", leads="derating"),
        "shots": Change(2000),
        "slot": one("slot", "igniter"),
        "survival": Change(0.95),
        "rate_hz": plans(0.2, "days", "days"),
        "duty": plans(0.5, "days", "days"),
        "use": point("charge_V=1300"),
        "capacitors": quiet(1, "banks", "bank", lambda a: [bank(b.best) for b in a.banks if b.best is not None]),
        "parallel": Change(2),
        "series": Change(2),
        "within_days": Change(1),
        "power_w": Change(0.1),
        "efficiency": plans(0.5, "A at supply", "bus_A"),
        "bus_v": plans(5, "A at supply", "bus_A"),
        "capacitance_uf": Change(1),
        "rated_v": Change(3000),
        "unequal": quiet(0.1, "banks", "margin", lambda a: [b.best.margin for b in a.banks if b.best is not None]),
        **CONFIDENCE, "builder": one("builder", "nova"), "part": one("part", "mica-c"),
    }),
    "a mission in impulse": View("derating?kind=mission&total_impulse=0.001", "derate_mission", {**CAPACITOR, "total_impulse": 0.001}, {
        "total_impulse": Change(0.002), "impulse": Change("0.65@0.2^1.2+-10%"),
    }),
    "a mission in velocity": View("derating?kind=mission&delta_v=0.001&mass=1", "derate_mission", {**CAPACITOR, "delta_v": 0.001, "mass": 1.0}, {
        "delta_v": Change(0.002), "mass": Change(2),
    }),
    "choose between": View("comparison", "compare", {**CAPACITOR, "by": "part"}, {
        "slot": Change("igniter", IGNITER, page={"by": "builder"}),
        "by": Change("builder"),
        "first": Change("ceramic-b", beside={"first": "film-a", "second": "mica-c"}),
        "second": Change("ceramic-b", beside={"first": "film-a", "second": "mica-c"}),
        "builder": Change("orca", {"builder": ("orca",), "by": "voltage"}, beside={"by": "voltage"}),
        "part": Change("film-a", {"part": ("film-a",), "by": "builder"}, beside={"by": "builder"}),
        **VOLTAGE, **CONFIDENCE,
    }),
    "flight": View("flight", "flight", ON_BOARD, {
        "mission": Change("days", leads="flight for days"),
        "module": Change("nova-01"),
        "shots": Change(500),
        "survival": Change(0.95),
        "units": Change(3),
        "working": Change(2, beside={"units": 3}),
        "leg": Change("1200=0.7 1400=0.3", {"leg": ("1200=0.7", "1400=0.3")}),
        **VOLTAGE, **BURNED_IN, **CONFIDENCE,
    }),
    "flight for an impulse": View("flight?mission=total+impulse", "flight", {"module": "kite-01", "total_impulse": 0.001, "impulse_bit": 0.65}, {
        "total_impulse": Change(0.0005), "impulse_bit": Change(0.5),
    }),
    "flight for a velocity": View("flight?mission=velocity+change", "flight", {"module": "kite-01", "delta_v": 0.001, "mass": 1.0, "impulse_bit": 0.65}, {
        "delta_v": Change(0.0005), "mass": Change(2), "impulse_bit": Change(0.5),
    }),
    "flight for days": View("flight?mission=days", "flight", {"module": "kite-01", "days": 1.0}, {
        "mission": Change("shots", leads="flight"),
        "days": Change(0.02), "rate_hz": Change(0.2), "duty": Change(0.5),
    }),
    "what is worth testing": View("campaign", "next_test", {}, {
        "kind": Change("Show a life", leads="show a life"),
        "units": Change(2),
        "slot": one("slot", "main_capacitor"),
        "unit_cost": Change(300, beside={**PRICED, "budget": 500.0}),
        "day_cost": Change(9000, beside={**PRICED, "budget": 500.0}),
        **MONEY, **VOLTAGE, **PICKS,
    }),
    "show a life": View("campaign?kind=demonstrate", "demonstrate", {**CAPACITOR, "demonstrate_shots": 1000.0}, {
        "kind": Change("Learn the life at a low voltage", leads="learn a life"),
        "demonstrate_shots": Change(500),
        "slot": one("slot", "igniter"),
        "use_pairs_part": level("part", "mica-c"),
        "units": Change(2),
        "failures": Change(1),
        "shape": Change(3),
        "unit_cost": quiet(100, "plans", "cost", lambda a: [p.cost for p in (a.best, *(p for p in a.plans if p != a.best))]),
        "day_cost": quiet(100, "plans", "cost", lambda a: [p.cost for p in (a.best, *(p for p in a.plans if p != a.best))]),
        **MONEY, **VOLTAGE, **PICKS,
    }),
    "learn a life": View("campaign?kind=accelerate", "accelerate", {**CAPACITOR, "accelerate_to": 1012.0}, {
        "kind": Change("What is worth testing next", leads="what is worth testing"),
        "slot": one("slot", "igniter"),
        "accelerate_to": Change(900),
        "units": Change(10),
        "days_each": Change(0.5),
        "unit_cost": quiet(100, "learning_plans", "cost", lambda a: [p.cost for p in (a.best, *(p for p in a.plans if p != a.best))]),
        "day_cost": quiet(100, "learning_plans", "cost", lambda a: [p.cost for p in (a.best, *(p for p in a.plans if p != a.best))]),
        **MONEY, **PICKS,
    }),
    "builders": View("builders", "builders", CAPACITOR, {
        "slot": one("slot", "igniter"),
        "second_opinion": Change(True, says=lambda a: a.second_opinion.sentence),
        **VOLTAGE, **PICKS, "builder": one("builder", "nova"),
    }),
}  # fmt: skip
"""by a name of their own"""
NO_QUESTION = {
    "records": "files and forms: test_dashboard and test_door", "decisions": "kept answers: tests/test_decided.py",
    "guide": "words only",
}  # fmt: skip
"""pages that ask no question: where they are tried"""
_ALL = {"received", "where", "with_published", "seed"}
BY_LINK = {
    "module": {*_ALL, "as_tested"},
    "flight": {*_ALL, "brief", "builder", "part", "slot"},
    "life": {*_ALL, "as_tested", "at", "bound", "fraction", "keep", "next"},
    "history": {*_ALL - {"seed"}, "most", "part", "slot"},
    "modes": {*_ALL, "bound", "fraction"},
    "wear": {"builder", "limit", "received", "seed", "slot"},
    "misfires": {"received"},
    "derate": {*_ALL, "family", "inductance_nh", "resistance_mohm", "unequal"},
    "derate_mission": _ALL,
    "compare": {*_ALL, "family", "fraction"},
    "next_test": _ALL,
    "demonstrate": {*_ALL, "burn_in", "shots_each"},
    "accelerate": {*_ALL, "levels", "most_units", "stress", "use"},
    "builders": {*_ALL, "family", "fraction", "plain", "stress"},
}
"""settings without a control: an address or a command says them (test_links)"""


def page_of(view):
    """The page's name in the address; of the first page, nothing."""
    return view.path.partition("?")[0]


def touched(question):
    """Settings of a question that some control changes."""
    found = set()
    for view in VIEWS.values():
        if view.question == question:
            for name, change in view.changes.items():
                found |= set() if change.leads else set(change.settings or {name})
    return found
