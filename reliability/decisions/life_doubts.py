"""What speaks against a family of lives: it comes first in the answer, and the lower bound is then the safer one.

Doubts: early failures that stand apart, a fit that chance alone seldom makes as poor, families that fit
alike and differ by more than the bound, a share failed that so few units cannot show. Beside them stands what
holds without any family: the share that outlasts the first failure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from reliability.histories import lives_of
from reliability.life.bounds import Bound, Bounder
from reliability.life.fit import LifeFit
from reliability.life.goodness import FamilyScore
from reliability.notes import Note
from reliability.records import LifeRecords
from reliability.slots.exposure import UNNAMED, Asked, slot_data
from reliability.slots.promise import ModuleModel
from reliability.words import percent_text, shots_text, so_many_shots

POOR = 0.05
"""Monte-Carlo p of a fit below which it is poor"""
ALIKE = 2.0
"""log likelihoods that differ by no more than this fit alike (a choice: about the 5 % point of a ratio)"""
MOST_UNITS, MOST_FAILURES = 5000, 300
"""more than these, and the records show by themselves whether early failures stand apart"""


@dataclass(frozen=True)
class FirstFailure:
    """What holds without a family: of all units the share ``lower`` or more outlasts ``shots``, the first failure.

    ``units`` were watched from new and still good then: all of them had lasted, so the share s that does
    so has s^units uniform, or larger where some were stopped before.
    """

    shots: float
    units: float
    lower: float


def first_failure(records: LifeRecords, confidence: float) -> FirstFailure | None:
    """The share that outlasts the first failure, at the confidence; None where no unit watched from new failed."""
    whole = lives_of(records)
    fresh = whole.shots_from == 0
    dead = fresh & whole.failed
    if not dead.any():
        return None
    shots = float(whole.shots_good[dead].min())
    units = float(whole.count[fresh & (whole.shots_good >= shots)].sum())
    return FirstFailure(shots, units, float((1 - confidence) ** (1 / units)))


def first_failure_note(found: FirstFailure | None, confidence: float) -> tuple[Note, ...]:
    """The same in words."""
    if found is None or found.shots <= 0:
        return ()
    text = (
        f"Without any family of lives: at least {percent_text(found.lower)} of units outlast {so_many_shots(found.shots)}, the first "
        f"failure among {found.units:g} ({percent_text(confidence)} confidence)."
    )
    return (Note("first_failure", text),)


@dataclass(frozen=True)
class Fitted:
    """A family's fit of records, how well it does (p; nan where not tested), and all families'."""

    records: LifeRecords
    fit: LifeFit
    bounder: Bounder
    p: float
    families: Sequence[FamilyScore]


class Doubts:
    """Doubts about a fit, and the safer bounds that go with them.

    Parameters
    ----------
    found : Fitted
    fraction : float
        Least share failed that is asked for.
    seed : int

    Attributes
    ----------
    words : str
        What comes before the answer; "" where there is no doubt.
    early : tuple of str
        The slot, if early failures stand apart.
    """

    def __init__(self, found: Fitted, fraction: float, seed: int) -> None:
        self.found, self.seed = found, seed
        r = found.records
        few_enough = r.units <= MOST_UNITS and r.failures <= MOST_FAILURES
        self._model = self._slot() if few_enough else None
        self.early = tuple(self._model.early_seen()) if self._model else ()
        self._others = self._that_differ(fraction)
        said = []
        if found.p < POOR:
            said.append(f"The {found.fit.family.name} family fits poorly (p = {found.p:.3f}).")
        if self._others:
            names = ", ".join(s.family for s in self._others)
            said.append(f"Families that fit alike differ by more than the bound ({names}).")
        if fraction < 1 / (2 * (r.units + 1)):
            said.append(
                f"{percent_text(fraction)} failed lies below what {r.units:g} units can show: it rests on the family alone."
            )
        self.words = " ".join(said)

    def __bool__(self) -> bool:
        return bool(self.words or self.early)

    def _slot(self) -> ModuleModel | None:
        name = str(self.found.records.slot[0]) or UNNAMED
        data = slot_data(name, self.found.records, Asked())
        return ModuleModel([data], seed=self.seed) if data.units.end.size else None

    def _that_differ(self, fraction: float) -> list[FamilyScore]:
        """Families that fit alike whose life is below the bound."""
        f = self.found
        low = f.bounder.quantile(fraction).lower
        alike = [
            s for s in f.families
            if s.fit is not None and s.family != f.fit.family.name and s.loglik > f.fit.loglik - ALIKE
        ]  # fmt: skip
        return [s for s in alike if s.fit is not None and s.fit.quantile(fraction) < low]

    def quantile(self, fraction: float) -> Bound:
        """Shots at which ``fraction`` has failed; the lower bound the least of the models'."""
        b, c = self.found.bounder.quantile(fraction), self.found.bounder.confidence
        lows = [o.quantile(fraction).lower for o in self._bounders()]
        if self._model:
            lows.append(self._model.promise(1 - fraction, c))
        return replace(b, lower=min([b.lower, *lows]))

    def survival(self, shots: float) -> Bound:
        """Survival at ``shots``; the lower bound the least of the models'."""
        b, c = self.found.bounder.survival(shots), self.found.bounder.confidence
        lows = [o.survival(shots).lower for o in self._bounders()]
        if self._model:
            lows.append(self._model.lower(shots, c))
        return replace(b, lower=min([b.lower, *lows]))

    def _bounders(self) -> list[Bounder]:
        b = self.found.bounder
        return [
            Bounder(self.found.records, s.fit, b.confidence, "calibrated", self.seed)
            for s in self._others
            if s.fit is not None
        ]

    def note(self, plain: float, safer: float) -> tuple[Note, ...]:
        """How far the doubts moved the first lower bound."""
        if not safer < plain:
            return ()
        text = (
            f"The lower bound is the least of what is in question: by the {self.found.fit.family.name} family alone it would be "
            f"{so_many_shots(plain)}, not {shots_text(safer)} (families that fit alike, and the slot's own model, in which early "
            "failures or chance may stand beside wear-out)."
        )
        return (Note("safer_bound", text),)
