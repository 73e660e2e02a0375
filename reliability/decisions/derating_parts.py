"""Derating answered for each part by itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reliability.decisions.derating import Derate, derate
from reliability.decisions.derating_answer import Allowed
from reliability.decisions.question import Answer, Count, refuse_unless
from reliability.notes import BadInput, CannotAnswer
from reliability.pool import Pool
from reliability.words import counted, level_text, so_many_shots, stress_text, whole


@dataclass(frozen=True)
class PartDerating:
    """One part: its units and failures, what it is allowed, or why nothing is."""

    part: str
    n: Count
    failed: Count
    allowed: Allowed
    reason: str


@dataclass(frozen=True)
class PartsAnswer(Answer):
    """Allowed levels part by part.

    Attributes
    ----------
    shots, survival, confidence : float
    column : str
        The stress solved for.
    parts : tuple of PartDerating

    Examples
    --------
    >>> import reliability as rl
    >>> q = rl.DerateParts(slot=("main_capacitor",), stress=("charge_V:power",), shots=1000, bound="likelihood")
    >>> len(rl.ask(q, rl.demo()).parts)
    3
    """

    shots: float
    survival: float
    confidence: float
    column: str
    parts: tuple[PartDerating, ...]

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        can = [p for p in self.parts if np.isfinite(p.allowed.level)]
        if not can:
            none = f"None of {counted(len(self.parts), 'part')} can"
            if len(self.parts) == 1:
                none = f"The only part, {_name(self.parts[0])}, cannot"
            return f"{none} be allowed a level for {so_many_shots(self.shots)}."
        top = max(can, key=lambda p: p.allowed.level)
        stress, level = stress_text(self.column), level_text(self.column, top.allowed.level)
        for_shots = f"for {so_many_shots(self.shots)}."
        if len(self.parts) == 1:
            return f"The only part, {_name(top)}, is allowed a {stress} of {level} {for_shots}"
        return f"Of {counted(len(self.parts), 'part')}, {_name(top)} is allowed the highest {stress}, {level}, {for_shots}"

    @property
    def answered(self) -> bool:
        """Whether any part is allowed a level."""
        return any(np.isfinite(p.allowed.level) for p in self.parts)


def _name(p: PartDerating) -> str:
    return p.part or "the one without a name"


class DerateParts(Derate):
    """Derating answered for each part by itself, side by side.

    Examples
    --------
    >>> DerateParts(shots=3000).name
    'derate_parts'
    """

    name = "derate_parts"
    text = "How far to derate, for each part by itself."
    answer_type = PartsAnswer  # type: ignore[assignment]

    def answer(self, pool: Pool) -> PartsAnswer:  # type: ignore[override]
        """Allowed levels of every part in the records.

        Raises
        ------
        BadInput
            Without required shots.
        """
        if self.shots is None:
            raise BadInput("shots is missing: the required life")
        refuse_unless(not self.second_opinion, "second_opinion", "ask for one part")
        records, push = self.chosen(pool), self.push(pool, pool.records)
        rows, column = [], "charge_V"
        for part in sorted(set(records.part.tolist())):
            own = records.select(records.part == part)
            units, failed = whole(own.units), whole(own.failures)
            try:
                a = derate(own, self, push)
                reason = "" if a.answered else a.sentence
                column = a.column
                rows.append(PartDerating(part, a.n, a.failed, a.allowed, reason))
            except CannotAnswer as e:
                rows.append(PartDerating(part, units, failed, Allowed(), str(e)))
        return PartsAnswer(self.shots, self.survival, self.confidence, column, tuple(rows))
