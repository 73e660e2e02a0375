"""What can be asked: each question's parameters, and the decision that answers it."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from reliability.notes import BadInput, CannotAnswer
from reliability.store import Store

_NUMBER = re.compile(r"^-?(0|[1-9]\d*)(\.\d+)?([eE][+-]?\d+)?$")


@dataclass(frozen=True)
class Parameter:
    """A query parameter.

    Attributes
    ----------
    name, text : str
    kind : str
        ``number`` or ``string``.
    many : bool
        Whether it may be repeated.
    required : bool
    choices : tuple of str
    above, below : float
        Limits of a number, both excluded.
    default : optional
    """

    name: str
    text: str
    kind: str = "string"
    many: bool = False
    required: bool = False
    choices: tuple[str, ...] = ()
    above: float = -math.inf
    below: float = math.inf
    default: Any = None

    def read(self, given: list[str]) -> Any:
        """The value of what was given. Raises BadInput."""
        if not given:
            if self.required:
                raise BadInput(f"{self.name} is missing: {self.text}")
            return () if self.many else self.default
        if len(given) > 1 and not self.many:
            raise BadInput(f"{self.name} is given {len(given)} times; once is allowed")
        values = [self._one(v) for v in given]
        return tuple(values) if self.many else values[0]

    def _one(self, text: str) -> Any:
        if self.choices and text not in self.choices:
            raise BadInput(f"{self.name} is one of {', '.join(self.choices)}, not {text[:40]!r}")
        if self.kind == "string":
            if not text.strip():
                raise BadInput(f"{self.name} is empty")
            return text
        value = float(text) if _NUMBER.match(text) else math.nan
        if not self.above < value < self.below:
            limits = f"above {self.above:g}" if self.above > -math.inf else "any"
            limits += f" and below {self.below:g}" if self.below < math.inf else ""
            raise BadInput(f"{self.name} is a number, {limits}, not {text[:40]!r}")
        return value


FAMILY = Parameter(
    "family",
    "Life model.",
    choices=("weibull", "lognormal", "loglogistic", "exponential"),
    default="weibull",
)
BOUND = Parameter(
    "bound", "Kind of bound.", choices=("calibrated", "likelihood", "wald"), default="calibrated"
)
CONFIDENCE = Parameter(
    "confidence", "One-sided confidence.", "number", above=0.5, below=1, default=0.95
)
SURVIVAL = Parameter("survival", "Survival wanted.", "number", above=0, below=1, default=0.9)
SHOTS = Parameter("shots", "Shots of the mission.", "number", required=True, above=0, below=1e15)
AT = Parameter(
    "at", "Counts at which survival is wanted.", "number", many=True, above=0, below=1e15
)
FILTERS = (
    Parameter("slot", "Only this slot.", many=True),
    Parameter("part", "Only this part.", many=True),
    Parameter("builder", "Only this builder.", many=True),
    Parameter("where", "Only records for which column=value holds; also <= >= < > !=.", many=True),
)  # fmt: skip
STRESS = Parameter(
    "stress", "COLUMN:FORM, such as charge_V:power; forms power, arrhenius, linear.", many=True
)


@dataclass(frozen=True)
class Question:
    """A question that the API answers.

    Attributes
    ----------
    text : str
    parameters : tuple of Parameter
    answer : callable
        From the store and the values to the decision's dataclass.
    shape : str
        Module and name of that dataclass, for the document of the API.
    """

    text: str
    parameters: tuple[Parameter, ...]
    answer: Callable[[Store, dict[str, Any]], Any]
    shape: str


def read_parameters(question: Question, given: Mapping[str, list[str]]) -> dict[str, Any]:
    """Values of all parameters. Raises BadInput for unknown or wrong ones."""
    known = {p.name for p in question.parameters}
    unknown = [k for k in given if k not in known]
    if unknown:
        raise BadInput(
            f"no parameter {unknown[0][:40]!r}; there are: {', '.join(sorted(known)) or 'none'}"
        )
    return {p.name: p.read(given.get(p.name, [])) for p in question.parameters}


def _records(store: Store, v: dict[str, Any]) -> Any:
    from reliability.sheets.filters import choose

    records = store.records() if store.exists else None
    if records is None or not len(records):
        raise CannotAnswer("the store holds no accepted records yet")
    return choose(
        records, slot=v["slot"], part=v["part"], builder=v["builder"], conditions=v["where"]
    )


def _model(v: dict[str, Any]) -> dict[str, Any]:
    return {"family_name": v["family"], "bound": v["bound"], "confidence": v["confidence"]}


def _life(store: Store, v: dict[str, Any]) -> Any:
    from reliability.decisions.life import life

    return life(
        _records(store, v), mode=v["mode"] or "", at=v["at"], fractions=v["fraction"] or (0.1,), **_model(v)
    )  # fmt: skip


def _modes(store: Store, v: dict[str, Any]) -> Any:
    from reliability.decisions.modes import modes

    return modes(_records(store, v), **_model(v))


def _module(store: Store, v: dict[str, Any]) -> Any:
    from reliability.decisions.module import module

    return module(_records(store, v), at=v["at"], **_model(v))


def _derate(store: Store, v: dict[str, Any]) -> Any:
    from reliability.decisions.derating import derate

    return derate(
        _records(store, v), list(v["stress"]), shots=v["shots"], survival=v["survival"], **_model(v)
    )


def _flight(store: Store, v: dict[str, Any]) -> Any:
    from reliability.decisions.flight import flight

    return flight(
        _records(store, v), v["module"], v["shots"], survival=v["survival"],
        family_name=v["family"], confidence=v["confidence"],
    )  # fmt: skip


def _builders(store: Store, v: dict[str, Any]) -> Any:
    from reliability.decisions.builders import builders

    return builders(
        _records(store, v), stress=list(v["stress"]) or None, family_name=v["family"], confidence=v["confidence"]
    )  # fmt: skip


def _side(store: Store, kind: str) -> Any:
    from reliability.store.intake import kept_side

    return kept_side(store, kind) if store.exists else None


def _wear(store: Store, v: dict[str, Any]) -> Any:
    from reliability.decisions.wear import wear

    found = _side(store, "wear")
    if found is None:
        raise CannotAnswer("the store holds no wear sheet yet")
    return wear(found, v["quantity"], limit=v["limit"], confidence=v["confidence"])


def _misfires(store: Store, v: dict[str, Any]) -> Any:
    from reliability.decisions.wear import misfires

    found = _side(store, "misfires")
    if found is None:
        raise CannotAnswer("the store holds no misfire sheet yet")
    return misfires(found, v["confidence"], _side(store, "ignition"))


def _contributions(store: Store, v: dict[str, Any]) -> Any:
    return {"contributions": store.contributions() if store.exists else []}


_D = "reliability.decisions"
QUESTIONS: dict[str, Question] = {
    "life": Question(
        "Life of units: parameters, lives and survival, with bounds.",
        (*FILTERS, FAMILY, BOUND, CONFIDENCE, AT, Parameter("mode", "Only failures of this mode count."),
         Parameter("fraction", "Share failed for which the life is wanted.", "number", many=True, above=0, below=1)),
        _life, f"{_D}.life:LifeAnswer",
    ),
    "modes": Question("What ends the units: each failure mode by itself.", (*FILTERS, FAMILY, BOUND, CONFIDENCE), _modes, f"{_D}.modes:ModesAnswer"),
    "module": Question("Life of a whole module, and which slot ends it.", (*FILTERS, FAMILY, BOUND, CONFIDENCE, AT), _module, f"{_D}.module:ModuleAnswer"),
    "derate": Question("The stress that lasts the mission.", (*FILTERS, FAMILY, BOUND, CONFIDENCE, STRESS, SHOTS, SURVIVAL), _derate, f"{_D}.derating:DeratingAnswer"),
    "flight": Question(
        "What to promise for one flight module, given its burn-in.",
        (*FILTERS, FAMILY, CONFIDENCE, SHOTS, SURVIVAL, Parameter("module", "Name of the module.", required=True)),
        _flight, f"{_D}.flight:FlightAnswer",
    ),
    "builders": Question("Do builders' data agree, and how are they pooled?", (*FILTERS, FAMILY, CONFIDENCE, STRESS), _builders, f"{_D}.builders:BuildersAnswer"),
    "wear": Question(
        "Shots left until a measured quantity meets its limit.",
        (CONFIDENCE, Parameter("quantity", "Measured quantity.", default="capacitance_uF"), Parameter("limit", "Limit as a value.", "number")),
        _wear, f"{_D}.wear:WearAnswer",
    ),
    "misfires": Question("Misfires: chance a shot, trend, comparison of igniters.", (CONFIDENCE,), _misfires, f"{_D}.wear:MisfireAnswer"),
    "contributions": Question("What is stored, and what waits.", (), _contributions, "reliability.store.store:Contribution"),
}  # fmt: skip
