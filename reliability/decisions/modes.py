"""What ends the units: each failure mode by itself, and how often it comes first."""

from __future__ import annotations

from dataclasses import dataclass, field

from reliability.decisions.answer import percent_text, shots_text, whole
from reliability.decisions.life import NOT_SHOWN, check_settings
from reliability.life.bounds import Bounder
from reliability.life.fit import NoMaximum, fit_life
from reliability.life.incidence import Incidence, cumulative_incidence
from reliability.notes import CannotAnswer, Note
from reliability.records import UNKNOWN, LifeRecords


@dataclass(frozen=True)
class ModeLife:
    """One failure mode: its own life with the other modes removed, and its share as tested.

    Attributes
    ----------
    mode : str
    failed : int or float
    shape, shots, lower, upper : float
        Cause-specific Weibull (or other) shape, and the count by which ``fraction`` would have
        failed if this were the only mode, with bounds; nan where it cannot be fitted.
    incidence, incidence_lower, incidence_upper : float
        Probability that a unit has failed by this mode at the last observed failure.
    reason : str
        Why there is no fit, else "".
    """

    mode: str
    failed: float
    shape: float
    shots: float
    lower: float
    upper: float
    incidence: float
    incidence_lower: float
    incidence_upper: float
    reason: str = ""


@dataclass(frozen=True)
class ModesAnswer:
    """Answer to ``modes``; see ``ModeLife``."""

    family: str
    n: float
    failed: float
    fraction: float
    confidence: float
    bound: str
    horizon: float
    modes: tuple[ModeLife, ...]
    notes: tuple[Note, ...]
    curve: Incidence | None = field(default=None, metadata=NOT_SHOWN)

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        top = self.modes[0]
        rest = "" if len(self.modes) == 1 else f" (one of {len(self.modes)} modes)"
        return (
            f"Most often units end by {top.mode.replace('_', ' ')}{rest}: {top.failed:g} of "
            f"{self.failed:g} failures, "
            f"{percent_text(top.incidence)} of units by {shots_text(self.horizon)} shots."
        )


def modes(
    records: LifeRecords,
    family_name: str = "weibull",
    *,
    fraction: float = 0.1,
    confidence: float = 0.95,
    bound: str = "likelihood",
    seed: int = 1,
) -> ModesAnswer:
    """Failure modes of the units in these records, most frequent first.

    Raises
    ------
    CannotAnswer
        If nothing failed.
    """
    check_settings(family_name, confidence, bound, [fraction], [])
    if not records.failed.any():
        raise CannotAnswer("No unit has failed, so there is no failure mode to look at yet.")
    curve = cumulative_incidence(records, confidence)
    rows = []
    notes: list[Note] = []
    for mode in curve.by_mode:
        own = records.of_mode(mode)
        shape = shots = lower = upper = float("nan")
        reason = ""
        try:
            fit = fit_life(own, family_name)
            b = Bounder(own, fit, confidence, bound, seed).quantile(fraction)
            shape, shots, lower, upper = fit.shape, b.estimate, b.lower, b.upper
        except NoMaximum as e:
            reason = str(e)
        rows.append(
            ModeLife(
                mode, whole(own.failures), shape, shots, lower, upper,
                float(curve.by_mode[mode][-1]),
                float(curve.lower[mode][-1]), float(curve.upper[mode][-1]), reason,
            )
        )  # fmt: skip
    if UNKNOWN in curve.by_mode:
        k = records.count[records.failed & (records.mode == UNKNOWN)].sum()
        notes.append(
            Note(
                "modes_unknown",
                f"{k:g} failures have no known mode. They stand as a row of their own; each may belong "
                "to any other mode, whose life would then be shorter.",
            )
        )
    if curve.assumed_exact:
        notes.append(
            Note(
                "inspection_counts",
                "The incidence curve counts failures found at an inspection at that inspection.",
            )
        )
    slots = sorted(set(records.slot.tolist()) - {""})
    if len(slots) > 1:
        notes.append(
            Note(
                "slots_mixed",
                f"These records mix {len(slots)} slots; a mode competes only within its slot. Choose "
                "one slot, or see the module's life for the whole.",
            )
        )
    rows.sort(key=lambda r: (-r.failed, r.mode))
    return ModesAnswer(
        family_name, whole(records.units), whole(records.failures), fraction, confidence, bound,
        float(curve.shots[-1]), tuple(rows), tuple(notes), curve,
    )  # fmt: skip
