"""What ends the units: each failure mode by itself, and how often it comes first."""

from __future__ import annotations

from dataclasses import dataclass

from pydantic import model_validator

from reliability.decisions.answer_notes import looked_bad_notes
from reliability.decisions.life import varying_stresses
from reliability.decisions.parts import Numbers
from reliability.decisions.question import (
    Answer,
    BoundMethod,
    Count,
    Family,
    OnRecords,
    confidence_setting,
    numbers,
    refuse_unless,
    setting,
)
from reliability.decisions.unknown_causes import joint_modes, shares_by_mode
from reliability.life.bounds import Bounder
from reliability.life.causes import unclear
from reliability.life.fit import NoMaximum, fit_life
from reliability.life.incidence import Incidence, cumulative_incidence
from reliability.life.masked import MaskedFit
from reliability.life.masked_bounds import MaskedBounder, unknown_note
from reliability.notes import CannotAnswer, Note
from reliability.pool import Pool
from reliability.records import UNKNOWN, LifeRecords
from reliability.words import (
    capital,
    counted,
    percent_text,
    range_text,
    so_many_shots,
    stress_text,
    whole,
)

NAN = float("nan")


BEYOND_COUNTING = 1e12
"""shots; an upper bound beyond (95,000 years at a shot in three seconds) is none"""


@dataclass(frozen=True)
class ModeLife:
    """One failure mode: its own life with the other modes removed, and its share as tested.

    Failures of unknown mode, or of one of several, are shared out between the modes that they may have
    been, where these can be fitted together; they stand as a row that counts them and no more.

    Attributes
    ----------
    mode : str
    failed : number
    shape, shots, lower, upper : float
        Cause-specific Weibull (or other) shape, and the count by which ``fraction`` would have
        failed if this were the only mode, with bounds; nan where it cannot be fitted.
    incidence, incidence_lower, incidence_upper : float
        Probability that a unit has failed by this mode at the last observed failure.
    shares : tuple of float
        The same at each count of the answer's ``at``; empty where its failures are shared out.
    reason : str
        Why there is no fit, else "".
    """

    mode: str
    failed: Count
    shape: float
    shots: float
    lower: float
    upper: float
    incidence: float
    incidence_lower: float
    incidence_upper: float
    shares: Numbers
    reason: str = ""


@dataclass(frozen=True)
class ModesAnswer(Answer):
    """Failure modes, most frequent first; see ``ModeLife``. ``at`` are the counts with a failure.

    Examples
    --------
    >>> import reliability as rl
    >>> a = rl.ask(rl.Modes(slot=("igniter",)), rl.demo())
    >>> sum(m.failed for m in a.modes) == a.failed
    True
    """

    family: str
    n: Count
    failed: Count
    fraction: float
    confidence: float
    bound: str
    horizon: float
    modes: tuple[ModeLife, ...]
    at: Numbers

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        named = [m for m in self.modes if m.mode != UNKNOWN and "|" not in m.mode]
        if not named:
            return (
                f"No failure has a known mode: {self.failed:g} of {self.n:g} units failed, "
                f"{percent_text(self.modes[0].incidence)} of units by {so_many_shots(self.horizon)}."
            )
        top = named[0]
        rest = "" if len(named) == 1 else f" (one of {len(named)} modes)"
        return (
            f"Most often units end by {top.mode.replace('_', ' ')}{rest}: {top.failed:g} of "
            f"{self.failed:g} failures, "
            f"{percent_text(top.incidence)} of units by {so_many_shots(self.horizon)}."
        )


class Modes(OnRecords):
    """What ends the units: each failure mode by itself, and how often it comes first.

    Shares are counted, without a model, of the units as they were tested; that is why this question takes no operating
    point: at another voltage nothing was counted. Records of one voltage: where=charge_V=1400. The life of one mode at an
    operating point, by the slot's model: life with mode and use.

    Examples
    --------
    >>> Modes(fraction=0.5).fraction
    0.5
    """

    name = "modes"
    text = "What ends the units: each failure mode by itself."
    answer_type = ModesAnswer

    family: Family = setting("weibull", "Family of the life model.")
    fraction: float = setting(0.1, "Share failed of the life shown.", gt=0, lt=1)
    confidence: float = confidence_setting()
    bound: BoundMethod = setting("likelihood", "Kind of bound.")
    seed: int = setting(1, "Seed of simulations.", ge=0)

    @model_validator(mode="after")
    def _sound(self) -> Modes:
        simulated = self.bound == "calibrated"
        refuse_unless(self.seed == 1 or simulated, "seed", "only calibrated bounds are simulated")
        return self

    def answer(self, pool: Pool) -> ModesAnswer:
        """Failure modes of the pool's units under the filters.

        Raises
        ------
        CannotAnswer
            If nothing failed.
        """
        records = self.chosen(pool)
        if not records.failed.any():
            raise CannotAnswer("No unit has failed, so there is no failure mode to look at yet.")
        joint = _joint(records, self.family)
        refuse_unless(
            joint is None or self.bound != "wald", "bound wald", "failures of unknown mode are shared out; "
            "allowed: calibrated, likelihood",
        )  # fmt: skip
        shared = records if joint is None else shares_by_mode(records, joint)
        curve = cumulative_incidence(shared, self.confidence)
        rows = [_mode_life(records, curve, mode, self, joint) for mode in curve.by_mode]
        rows.sort(key=lambda r: (-r.failed, r.mode))
        if joint is not None:
            rows += _shared_out(records)
        return ModesAnswer(
            self.family, whole(records.units), whole(records.failures), self.fraction, self.confidence, self.bound,
            float(curve.shots[-1]), tuple(rows), numbers(curve.shots),
            notes=_notes(records, curve, joint, self.fraction) + looked_bad_notes(self.as_recorded(pool)),
        )  # fmt: skip


def _joint(records: LifeRecords, family: str) -> MaskedFit | None:
    """All modes together where some failures are of unknown mode and the modes can be told apart."""
    if not unclear(records).any():
        return None
    try:
        return joint_modes(records, family)
    except CannotAnswer:
        return None


def _shared_out(records: LifeRecords) -> list[ModeLife]:
    """Rows that count the failures which were shared out."""
    masked = unclear(records)
    out = []
    for mode in sorted(set(records.mode[masked].tolist())):
        k = records.count[masked & (records.mode == mode)].sum()
        text = "Shared out between the modes that it may have been."
        out.append(ModeLife(mode, whole(k), NAN, NAN, NAN, NAN, NAN, NAN, NAN, (), text))
    return out


def _mode_life(
    records: LifeRecords, curve: Incidence, mode: str, q: Modes, joint: MaskedFit | None
) -> ModeLife:
    """One mode, others censored; and its share among them."""
    own = records.of_mode(mode)
    shape = shots = lower = upper = NAN
    reason = ""
    try:
        if joint is not None:
            i = joint.index(mode)
            shape = float(joint.phi[i][0, 0])
            b = MaskedBounder(joint, i, q.confidence, q.seed, q.bound).quantile(q.fraction)
        else:
            fit = fit_life(own, q.family)
            shape = fit.shape
            b = Bounder(own, fit, q.confidence, q.bound, q.seed).quantile(q.fraction)
        shots, lower = b.estimate, b.lower
        upper = b.upper if b.upper < BEYOND_COUNTING else float("inf")
    except NoMaximum as e:
        reason = str(e)
    share, low, high = (float(v[mode][-1]) for v in (curve.by_mode, curve.lower, curve.upper))
    return ModeLife(
        mode, whole(own.failures), shape, shots, lower, upper, share, low, high,
        numbers(curve.by_mode[mode]), reason,
    )  # fmt: skip


def _notes(
    records: LifeRecords, curve: Incidence, joint: MaskedFit | None, fraction: float
) -> tuple[Note, ...]:
    notes: list[Note] = []
    if joint is not None:
        for i in range(len(joint.causes)):
            notes += unknown_note(joint, i, fraction)
    elif UNKNOWN in curve.by_mode:
        k = records.count[records.failed & (records.mode == UNKNOWN)].sum()
        notes.append(
            Note(
                "modes_unknown",
                f"{counted(k, 'failure')} of no known mode: a row by themselves. Each may belong to any other mode, "
                "whose life would then be shorter.",
            )
        )
    if curve.assumed_exact:
        notes.append(
            Note(
                "inspection_counts",
                "The incidence curve counts failures found at an inspection at that inspection.",
            )
        )
    notes += [
        Note(
            "stress_mixed",
            f"{capital(stress_text(name))} ranges from {range_text(name, lo, hi)}: shares and lives are of the mixture as tested. One mode at one voltage: "
            "life with mode and use.",
        )
        for name, lo, hi in varying_stresses(records)
    ]
    slots = sorted(set(records.slot.tolist()) - {""})
    if len(slots) > 1:
        notes.append(
            Note(
                "slots_mixed",
                f"These records mix {len(slots)} slots; a mode competes only within its slot. Choose "
                "one slot, or see the module's life for the whole.",
            )
        )
    return tuple(notes)
