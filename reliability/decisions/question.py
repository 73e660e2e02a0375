"""A question is a decision's settings as data: what every shell shows, reads and asks.

Each setting has a type, a range, a default, a unit and a help text. Options of the command line,
parameters of the API, controls and addresses of the pages, the keys under which answers are kept and
the command that asks the same again all derive from them.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal, TypeVar

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from reliability.notes import BadInput, NoEffect, Note
from reliability.pool import Basis, Pool
from reliability.records import LifeRecords

Family = Literal["weibull", "lognormal", "loglogistic", "exponential"]
BoundMethod = Literal["calibrated", "likelihood", "wald"]
Count = int | float
MOST_SHOTS = 1e15
"""more shots than any question is about"""
# columns that hold numbers, by the life sheet
STRESSES = (
    "charge_V", "energy_J", "peak_A", "rate_Hz", "temp_C", "pressure_Pa", "rated_V", "capacitance_uF", "reversal",
)  # fmt: skip
OF_A_POINT = ("charge_V", "temp_C", "rate_Hz", "part")
"""columns that say an operating point"""
Level = float | str


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What every answer carries.

    Attributes
    ----------
    notes : tuple of Note
        Grave ones first.
    asked : dict
        The question with all its settings, enough to ask it again.
    basis : Basis

    Examples
    --------
    >>> import reliability as rl
    >>> issubclass(rl.LifeAnswer, rl.Answer)
    True
    """

    notes: tuple[Note, ...] = ()
    asked: dict[str, Any] = field(default_factory=dict)
    basis: Basis = field(default_factory=Basis)

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        raise NotImplementedError

    @property
    def borrowed(self) -> tuple[str, ...]:
        """Builders beside those asked of on whose records a part of it rests."""
        return ()

    @property
    def answered(self) -> bool:
        """Whether what was asked could be answered (else only a part of it is here)."""
        return True


TAIL = 1e-6
"""shares and confidences stay so far from 0 and 1"""
LONGEST = 500
"""characters of one text in a question"""


def setting(
    default: Any, text: str, *, unit: str = "", of: str = "", hint: str = "", most: int = 200, **rules: Any
) -> Any:  # fmt: skip
    """A setting of a question.

    Parameters
    ----------
    default
        Its value unless given; ``...`` if it must be given.
    text : str
        Help, one sentence.
    unit : str
    of : str
        Column of the records whose values can be chosen.
    hint : str
        What stands for the value in help, such as ``SLOT=N``.
    most : int
        Times that a list may be given.
    **rules
        ``gt``, ``ge``, ``lt``, ``le`` of a number. A share or confidence that ends at 0 or 1 ends short
        of it by ``TAIL``: farther out nothing here can be worked out.
    """
    if rules.get("lt") == 1:
        del rules["lt"]
        rules["le"] = 1 - TAIL
        if rules.get("gt") == 0:
            del rules["gt"]
            rules["ge"] = TAIL
    if isinstance(default, tuple):
        rules["max_length"] = most
    more: dict[str, Any] = {k: v for k, v in (("unit", unit), ("of", of), ("hint", hint)) if v}
    return Field(default, description=text, json_schema_extra=more or None, **rules)


def confidence_setting(default: float = 0.95, text: str = "One-sided confidence.") -> Any:
    """The confidence, above 0.5 and short of 1."""
    return setting(default, text, gt=0.5, le=0.99999)


def burned_in_setting() -> Any:
    """The declaration that early failures are out."""
    return setting(
        False,
        "Declare units burned in: no hazard falls with shots. Refused where early failures were seen. If it is false, bounds break their "
        "word: in simulation 95 % ones were true in 66 % at shape 0.7, in 23 % with 17 % of weak units.",
    )


class Question(BaseModel):
    """Settings of a decision; build one, then ask it of a pool.

    ``name`` is stable, ``text`` says what is asked, ``command`` is the command that asks it (default
    ``name``), ``needs`` the kinds of sheet it uses, ``bounds`` those of its filters beyond which it looks at no life
    record (slot, builder), ``answer_type`` what answers it.

    Raises
    ------
    BadInput
        On building, for a setting that is unknown, missing or out of range: which, and what is allowed.

    Examples
    --------
    >>> import reliability as rl
    >>> rl.Life(at=(500,)).changed()
    {'at': [500.0]}
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
    name: ClassVar[str]
    text: ClassVar[str]
    command: ClassVar[str] = ""
    needs: ClassVar[tuple[str, ...]] = ("life",)
    bounds: ClassVar[tuple[str, ...]] = ()
    answer_type: ClassVar[type[Answer]]

    def __init__(self, **given: Any) -> None:
        for name, value in given.items():
            for text in value if isinstance(value, (tuple, list)) else (value,):
                if isinstance(text, str) and len(text) > LONGEST:
                    raise BadInput(f"{name[:40]} is longer than {LONGEST} characters")
        try:
            super().__init__(**given)
        except ValidationError as e:
            raise BadInput(in_words(type(self), e)) from None

    def answer(self, pool: Pool) -> Answer:
        """The answer from a pool. Raises BadInput, CannotAnswer."""
        raise NotImplementedError

    @classmethod
    def settings(cls) -> dict[str, dict[str, Any]]:
        """JSON schema of each setting, by name; not to be changed."""
        return _settings_of(cls)

    def asked(self) -> dict[str, Any]:
        """The question as plain data."""
        return {"question": self.name, **self.model_dump(mode="json")}

    def changed(self) -> dict[str, Any]:
        """Settings that differ from their defaults."""
        fields = type(self).model_fields
        return {
            k: v
            for k, v in self.model_dump(mode="json").items()
            if fields[k].is_required() or v != _plain(fields[k].get_default())
        }


@functools.cache
def _settings_of(cls: type[Question]) -> dict[str, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = cls.model_json_schema()["properties"]
    return found


def _plain(value: Any) -> Any:
    return list(value) if isinstance(value, tuple) else value


def allowed(schema: dict[str, Any]) -> str:
    """What a setting allows, in words."""
    kind = core(schema)
    if "enum" in kind:
        return f"one of {', '.join(map(str, kind['enum']))}"
    if kind.get("type") == "boolean":
        return "true or false"
    if kind.get("type") not in ("number", "integer"):
        return "a text"
    limits = [
        f"{words} {kind[key]:.9g}"
        for key, words in (
            ("exclusiveMinimum", "above"), ("minimum", "at least"),
            ("exclusiveMaximum", "below"), ("maximum", "at most"),
        )
        if key in kind
    ]  # fmt: skip
    noun = "a number" if kind["type"] == "number" else "a whole number"
    return f"{noun} {' and '.join(limits)}".rstrip()


def core(schema: dict[str, Any]) -> dict[str, Any]:
    """The schema of one value: of the items of a list, of what is given where nothing may be."""
    if "anyOf" in schema:
        schema = next(s for s in schema["anyOf"] if s.get("type") != "null")
    return dict(schema["items"]) if schema.get("type") == "array" else schema


def in_words(cls: type[Question], error: ValidationError) -> str:
    """The first fault of a question: which setting, what is allowed, what was given."""
    fault = error.errors()[0]
    schemas = cls.settings()
    name = str(fault["loc"][0]) if fault["loc"] else ""
    if fault["type"] == "extra_forbidden":
        return f"no setting {name[:40]!r}; there are: {', '.join(sorted(schemas))}"
    schema = schemas.get(name, {})
    if fault["type"] == "missing":
        return f"{name} is missing: {schema.get('description', '')}"
    given = fault["input"]
    if fault["type"] == "too_long":
        return f"{name} is given {len(given):,} times; at most {schema['maxItems']} times"
    return f"{name} is {allowed(schema)}, not {given if isinstance(given, (int, float)) else str(given)[:40]!r}"


Q = TypeVar("Q", bound=Question)


def refuse_unless(holds: bool, what: str, needs: str) -> None:
    """A setting that would have no effect is refused. Raises BadInput."""
    if not holds:
        raise NoEffect(f"{what} has no effect here: {needs}")


class OnRecords(Question):
    """Settings that choose life records."""

    bounds: ClassVar[tuple[str, ...]] = ("slot", "builder")

    slot: tuple[str, ...] = setting((), "Only this slot.", of="slot")
    part: tuple[str, ...] = setting((), "Only this part.", of="part")
    builder: tuple[str, ...] = setting((), "Only this builder.", of="builder")
    where: tuple[str, ...] = setting(
        (), "Only records for which this holds; also <= >= < > !=.", hint="COLUMN=VALUE", most=20
    )
    received: bool = setting(False, "Include contributions that wait to be accepted.")
    with_published: bool = setting(
        False, "Add lives from papers and agency reports, and say how far they move the bound."
    )

    def chosen(self, pool: Pool) -> LifeRecords:
        """The pool's records under these filters, on the safe side. Raises BadInput, CannotAnswer.

        Units taken out because they looked bad (``removed`` is ``suspect``) count as failed there.
        """
        return self.as_recorded(pool).suspects_failed()

    def as_recorded(self, pool: Pool) -> LifeRecords:
        """The same with such units as good as they were last seen. Raises BadInput, CannotAnswer."""
        from reliability.filters import choose

        return choose(
            pool.records,
            slot=self.slot,
            part=self.part,
            builder=self.builder,
            conditions=self.where,
        )


def pairs(texts: tuple[str, ...], name: str, example: str) -> dict[str, str]:
    """``left=right`` texts as a dict. Raises BadInput."""
    out = {}
    for text in texts:
        left, sign, right = text.partition("=")
        if not (left.strip() and sign and right.strip()):
            raise BadInput(f"cannot read {name} {text[:60]!r}; allowed: {example}")
        if left.strip() in out:
            raise BadInput(f"{name} names {left.strip()[:40]} twice; once is allowed")
        out[left.strip()] = right.strip()
    return out


def levels(texts: tuple[str, ...], known: tuple[str, ...] = ()) -> dict[str, Level]:
    """``column=level`` texts, numbers where they are numbers.

    Raises
    ------
    BadInput
        For a level that is none, or a column that is none of those ``known`` (where they are said).
    """
    given = pairs(texts, "use", "column=level, such as temp_C=25")
    for column in given:
        if known and column not in known:
            raise BadInput(f"use names {' or '.join(known)} here, not {column[:40]!r}")
    return {column: _level(column, value) for column, value in given.items()}


def _level(column: str, value: str) -> Level:
    """A level as a number within what is physical, or as a text where the column holds texts."""
    try:
        level = float(value)
    except ValueError:
        if column in STRESSES:
            raise BadInput(f"{column} is a number, not {value[:40]!r}") from None
        return value
    low = -273.15 if column == "temp_C" else 0.0
    if not np.isfinite(level) or (column in STRESSES and not low < level < 1e9):
        raise BadInput(f"{column} is a number above {low:g} and below 1e9, not {value[:40]!r}")
    return level


def numbers(values: Any) -> tuple[float, ...]:
    """An array as plain numbers, as answers hold them."""
    return tuple(float(v) for v in np.asarray(values, float).ravel())
