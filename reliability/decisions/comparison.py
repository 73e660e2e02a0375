"""Which of two to choose: parts, fuels, revisions, lots, builders, voltages or pools, on the same footing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pydantic import model_validator

from reliability.decisions.answer_notes import looked_bad_notes
from reliability.decisions.comparison_answer import By, CompareAnswer
from reliability.decisions.comparison_choices import choices_in, others_than, what_differs
from reliability.decisions.comparison_labels import compare_labels
from reliability.decisions.comparison_pools import compare_pools, two_pools
from reliability.decisions.comparison_sides import Footing
from reliability.decisions.comparison_voltage import compare_voltages, two_voltages
from reliability.decisions.life import Life
from reliability.decisions.on_board import refuse_ambiguous
from reliability.decisions.question import (
    OF_A_POINT,
    Family,
    OnRecords,
    confidence_setting,
    levels,
    refuse_unless,
    setting,
)
from reliability.filters import choose
from reliability.notes import BadInput
from reliability.pool import Pool
from reliability.records import LifeRecords


class Compare(OnRecords):
    """Which of two to choose: two parts, fuels, revisions, lots, builders, voltages or pools on the same footing.

    The ratio of their lives, and the promise of each as the question of life has it: the ratio of labels at a common
    shape, with the voltage allowed for where it was varied; of two voltages by the slot's model; of two pools that of
    the units they do not share.

    Examples
    --------
    >>> Compare(by="builder", first="kite", second="nova").changed()
    {'by': 'builder', 'first': 'kite', 'second': 'nova'}
    """

    name = "compare"
    text = "Which of two parts, fuels, revisions, lots, builders, voltages or pools to choose."
    answer_type = CompareAnswer

    by: By | None = setting(
        None, "What the two differ in; by pool they are the records that a promise rests on. Default: what first and second are "
        "labels of, else the first of part, builder, lot, fuel, revision, voltage of which there are two.",
    )  # fmt: skip
    first: str = setting(
        "",
        "The one: a label, a voltage, or a pool: builders joined by +, or all. Default: of the two with most units (of equal "
        "ones the first by name) the larger; of two voltages the lower.",
    )
    second: str = setting("", "The other.")
    confidence: float = confidence_setting()
    fraction: float = setting(0.1, "Share failed of the lives shown.", gt=0, lt=1)
    family: Family = setting("weibull", "Family of the life model.")
    use: tuple[str, ...] = setting(
        (), "Operating point at which both are shown, such as charge_V=1400 (default: the commonest of the one with fewer units, "
        "of parts one that both have).", hint="COLUMN=LEVEL", most=20,
    )  # fmt: skip
    seed: int = setting(1, "Seed of simulations.", ge=0)

    @model_validator(mode="after")
    def _sound(self) -> Compare:
        levels(self.use, OF_A_POINT)
        if (self.first == "") != (self.second == ""):
            raise BadInput(
                f"{'first' if self.second else 'second'} is missing: name both or neither"
            )
        if self.first and self.first == self.second:
            raise BadInput(f"second is another than first, not {self.second[:40]!r} again")
        if self.by == "voltage":
            told = "two voltages are compared by the slot's own model, which takes Weibull lives"
            refuse_unless(self.family == "weibull", "family", told)
        return self

    def answer(self, pool: Pool) -> CompareAnswer:
        """The two compared.

        Raises
        ------
        BadInput
            Where records of one of them are missing.
        CannotAnswer
            Where there are not two of anything, or the records cannot tell them apart from the voltage, have no fit, or do
            not carry one of them.
        """
        records = self.chosen(pool)
        slots = sorted(set(records.slot.tolist()))
        if len(slots) > 1:
            raise BadInput(
                f"slot is missing: two are compared in one slot; there are: {', '.join(slots)}"
            )
        if self.by is None:
            by = what_differs(records, self.first, self.second)
            return Compare(**self.model_dump() | {"by": by}).answer(pool)
        if self.by == "voltage":
            return self._voltages(pool, records)
        if self.by == "pool":
            return self._pools(pool, records)
        names = _two(records, self)
        if self.by == "module":
            for name in names:
                refuse_ambiguous(records.select(records.module == name), name)
        return compare_labels(
            pool, records, self._life(records), levels(self.use), self._footing(names)
        )

    def _voltages(self, pool: Pool, records: LifeRecords) -> CompareAnswer:
        volts = two_voltages(records, self.first, self.second)
        others = choose(pool.records, builder=self.builder).suspects_failed()
        others = others.select(others.slot != records.slot[0])
        names = (f"{volts[0]:.10g}", f"{volts[1]:.10g}")
        found = compare_voltages(records, others, volts, levels(self.use), self._footing(names))
        return replace(found, notes=found.notes + looked_bad_notes(self.as_recorded(pool)))

    def _pools(self, pool: Pool, records: LifeRecords) -> CompareAnswer:
        names = two_pools(records, self.first, self.second)
        return compare_pools(
            pool, records, self._life(records), levels(self.use), self._footing(names)
        )

    def _life(self, records: LifeRecords) -> Life:
        """The question that is asked of each of the two."""
        return Life(
            slot=(str(records.slot[0]),), part=self.part, builder=self.builder, where=self.where, family=self.family,
            confidence=self.confidence, fraction=(self.fraction,), seed=self.seed,
        )  # fmt: skip

    def _footing(self, names: tuple[str, str]) -> Footing:
        assert self.by is not None
        return Footing(self.by, names, self.fraction, self.confidence, self.family, self.seed)


def _only(found: Sequence[str], by: By) -> str:
    """What there is where there are not two."""
    who = "all units" if by == "builder" else "all units that say one"
    return f"{who} are of {found[0]}" if found else f"no unit says its {by}"


def _two(records: LifeRecords, q: Compare) -> tuple[str, str]:
    """The two labels; raise BadInput where there are not both."""
    assert q.by is not None
    found = choices_in(records)[q.by]
    known = ", ".join(sorted(found)) or "none"
    if q.first:
        for name, given in (("first", q.first), ("second", q.second)):
            if given not in found:
                raise BadInput(
                    f"{name} is one of {known}, not {given[:40]!r}{others_than(records, q.by)}"
                )
        return q.first, q.second
    if len(found) < 2:
        raise BadInput(
            f"There are not two to compare by {q.by}: {_only(found, q.by)}{others_than(records, q.by)}."
        )
    return found[0], found[1]
