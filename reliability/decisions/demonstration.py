"""Tests that demonstrate a life: what each plan proves, how long it takes and what it costs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from pydantic import model_validator
from scipy.optimize import brentq
from scipy.special import gammainc, gammaincinv

from reliability.decisions.bench import OnBench
from reliability.decisions.question import (
    Answer,
    OnRecords,
    confidence_setting,
    refuse_unless,
    setting,
)
from reliability.life.bounds import Bounder
from reliability.life.design import pass_probability, shots_each, success_run
from reliability.life.fit import NoMaximum, fit_life
from reliability.life.priors import exposure
from reliability.notes import BadInput, Note
from reliability.pool import Pool
from reliability.records import LifeRecords
from reliability.words import percent_text, shots_text

NAN = float("nan")


@dataclass(frozen=True)
class DemonstrationPlan:
    """One way to show the requirement.

    Attributes
    ----------
    units, failures_allowed : int
    shots_each : float
    bench_days, cost : float
    pass_estimated, pass_optimistic, pass_pessimistic : float
        Chance to pass if life is as estimated, as its upper bound, as its lower bound; nan without
        records.
    """

    units: int
    shots_each: float
    failures_allowed: int
    bench_days: float
    cost: float
    pass_estimated: float
    pass_optimistic: float
    pass_pessimistic: float


@dataclass(frozen=True)
class Sensitivity:
    """Units needed if the true shape is another one."""

    shape: float
    units: int
    shots_each: float


@dataclass(frozen=True)
class DemonstrationAnswer(Answer):
    """A test that demonstrates survival at a number of shots.

    Attributes
    ----------
    units, failures_allowed : int
    shots_each : float
    demonstrate_shots, survival, confidence, shape : float
        What is to be shown, and the assumed shape.
    bench_days, cost : float
    plans : tuple of DemonstrationPlan
        Alternatives, cheapest in bench time first.
    best : DemonstrationPlan or None
        Cheapest within the budget with the best chance to pass; None without a budget.
    sensitivity : tuple of Sensitivity

    Examples
    --------
    >>> import reliability as rl
    >>> rl.ask(rl.Demonstrate(demonstrate_shots=1000), rl.Pool()).units
    22
    """

    units: int
    shots_each: float
    failures_allowed: int
    demonstrate_shots: float
    survival: float
    confidence: float
    shape: float
    bench_days: float
    cost: float
    pass_estimated: float
    pass_optimistic: float
    pass_pessimistic: float
    plans: tuple[DemonstrationPlan, ...]
    best: DemonstrationPlan | None
    sensitivity: tuple[Sensitivity, ...]

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        fail = (
            "no failure"
            if self.failures_allowed == 0
            else f"at most {self.failures_allowed} failing"
        )
        text = (
            f"Run {self.units} units for {shots_text(self.shots_each)} shots each with {fail}: that shows "
            f"{percent_text(self.survival)} survival at {shots_text(self.demonstrate_shots)} shots with "
            f"{percent_text(self.confidence)} confidence, in {self.bench_days:.1f} bench days"
        )
        if np.isfinite(self.pass_estimated):
            text += (
                f"; as things stand it passes with probability {percent_text(self.pass_estimated)}"
            )
        return text + "."


def _truths(
    records: LifeRecords | None, confidence: float
) -> tuple[tuple[float, float], ...] | None:
    """(shape, scale) as estimated, optimistic, pessimistic: the scale at its bounds."""
    if records is None or not len(records):
        return None
    try:
        fit = fit_life(records)
    except NoMaximum:
        return None
    b = Bounder(records, fit, confidence, "likelihood").scale()
    return (fit.shape, b.estimate), (fit.shape, b.upper), (fit.shape, b.lower)


class Demonstrate(OnRecords, OnBench):
    """Which test shows a required life: so many units, so many shots, so many failures allowed.

    With records, each plan's chance to pass is given.

    Examples
    --------
    >>> Demonstrate(demonstrate_shots=1000, survival=0.95).answer(Pool()).units  # success run
    45
    """

    name = "demonstrate"
    text = "A test that shows survival at a number of shots."
    command = "campaign"
    answer_type = DemonstrationAnswer

    demonstrate_shots: float = setting(
        ..., "Show survival at so many shots.", unit="shots", hint="N", gt=0, lt=1e15
    )
    survival: float = setting(0.9, "Survival to show.", gt=0, lt=1)
    confidence: float = confidence_setting(text="Confidence to show it with, one-sided.")
    shape: float = setting(1.0, "Assumed Weibull shape.", ge=0.05, le=50)
    shots_each: float | None = setting(
        None, "Shots each unit runs, burn-in included (default: the life).", unit="shots", gt=0
    )
    units: int | None = setting(
        None, "Units there are; the shots each are then found.", ge=1, le=1_000_000
    )
    failures: int = setting(0, "Failures allowed.", ge=0, le=1000)
    burn_in: float = setting(0.0, "Shots each unit has already.", unit="shots", ge=0)
    budget: float | None = setting(None, "Most cost; names the best plan within it.", ge=0)

    @model_validator(mode="after")
    def _sound(self) -> Demonstrate:
        refuse_unless(
            self.shots_each is None or self.units is None,
            "shots_each",
            "units says how long they run",
        )
        if self.units is not None and self.units <= self.failures:
            raise BadInput("units is more than the failures allowed")
        return self

    def answer(self, pool: Pool) -> DemonstrationAnswer:
        """The plan, its alternatives, and their chances. Raises BadInput."""
        records = None if pool.life is None or not len(pool.life) else self.chosen(pool)
        mixed = records is not None and len(set(records.slot.tolist())) > 1
        return demonstration(self, None if mixed else records, mixed)


def demonstration(
    q: Demonstrate, records: LifeRecords | None = None, mixed: bool = False
) -> DemonstrationAnswer:
    """Plan a demonstration; see ``Demonstrate.answer``. ``mixed``: records of several slots were left out."""
    length, n = _size(q)
    truth = _truths(records, q.confidence)
    planner = _Planner(q, truth)
    main = planner.plan(n, length, q.failures)
    plans = planner.alternatives(n)
    best = None
    if q.budget is not None:
        affordable = [p for p in (main, *plans) if p.cost <= q.budget]
        if affordable:
            best = max(affordable, key=lambda p: (np.nan_to_num(p.pass_estimated), -p.cost))
    notes = _notes(q, length, truth, q.budget is not None and best is None, mixed)
    return DemonstrationAnswer(
        n, length, q.failures, q.demonstrate_shots, q.survival, q.confidence, q.shape, main.bench_days, main.cost,
        main.pass_estimated, main.pass_optimistic, main.pass_pessimistic, plans, best, _sensitivity(q, n, length),
        notes=notes,
    )  # fmt: skip


def _size(q: Demonstrate) -> tuple[float, int]:
    """Shots each and units of the plan asked for."""
    if q.units is not None:
        each = shots_each(
            q.survival, q.confidence, q.units, q.demonstrate_shots, q.shape, q.failures
        )
        return each, q.units
    length = q.demonstrate_shots if q.shots_each is None else q.shots_each
    try:
        n = success_run(
            q.survival, q.confidence, q.failures, (length / q.demonstrate_shots) ** q.shape
        )
    except OverflowError:
        raise BadInput(
            "that test is so short that more than ten million units would be needed"
        ) from None
    return length, n


def _sensitivity(q: Demonstrate, n: int, length: float) -> tuple[Sensitivity, ...]:
    """Units, or shots each, if the true shape is another one."""
    out = []
    for b in sorted({round(0.7 * q.shape, 3), q.shape, round(1.4 * q.shape, 3)}):
        if q.units is not None:
            each = shots_each(q.survival, q.confidence, n, q.demonstrate_shots, b, q.failures)
            out.append(Sensitivity(b, n, each))
        else:
            units = success_run(
                q.survival, q.confidence, q.failures, (length / q.demonstrate_shots) ** b
            )
            out.append(Sensitivity(b, units, length))
    return tuple(out)


class _Planner:
    """Plans that show the same, with their chances to pass under the present estimate."""

    def __init__(self, q: Demonstrate, truth: tuple[tuple[float, float], ...] | None) -> None:
        self.q, self.truth, self.bench = q, truth, q.bench()

    def plan(self, count: int, each: float, allowed: int) -> DemonstrationPlan:
        """One plan."""
        chance = [NAN, NAN, NAN]
        for i, (b, a) in enumerate(self.truth or ()):
            alive = np.exp(-((each / a) ** b) + ((self.q.burn_in / a) ** b))
            chance[i] = pass_probability(count, allowed, float(alive))
        run = max(each - self.q.burn_in, 0.0)
        days, cost = self.bench.days(count, run), self.bench.cost(count, run)
        return DemonstrationPlan(count, each, allowed, days, cost, *chance)

    def alternatives(self, n: int) -> tuple[DemonstrationPlan, ...]:
        """Fewer units for longer, more for less, and with failures allowed."""
        q, out = self.q, []
        for allowed in (0, 1, 2):
            for count in sorted({allowed + 2, allowed + 4, 8, 12, n // 2, n, 2 * n}):
                if allowed < count <= 5000:
                    each = shots_each(
                        q.survival, q.confidence, count, q.demonstrate_shots, q.shape, allowed
                    )
                    out.append(self.plan(count, each, allowed))
        return tuple(sorted(out, key=lambda p: (p.bench_days, p.units)))


def _notes(
    q: Demonstrate, length: float, truth: object, nothing: bool, mixed: bool
) -> tuple[Note, ...]:
    shape, shots, burn_in = q.shape, q.demonstrate_shots, q.burn_in
    notes = [
        Note(
            "assumed_shape",
            f"The plan rests on a Weibull shape of {shape:g}"
            + ("; at full length it does not matter." if abs(length - shots) < 1e-9 * shots else
               ": a longer test of fewer units needs the shape to be at least that, a shorter one at most that."),
        )
    ]  # fmt: skip
    if truth is None:
        text = (
            "The records are of several slots: choose one, and the chance to pass is given."
            if mixed
            else "No records to judge by, so no chance to pass is given."
        )
        notes.append(Note("no_truth", text))
    if burn_in > 0:
        notes.append(
            Note(
                "burn_in",
                f"{burn_in:g} shots of burn-in count towards each unit's shots, given that it was watched then.",
            )
        )
    if length > 3 * shots:
        notes.append(
            Note(
                "long_test",
                "The test is over three times the life to be shown: wear-out of other slots may come first.",
            )
        )
    if nothing:
        notes.append(
            Note(
                "over_budget",
                "No plan fits the budget; allow less survival or confidence, or add stands.",
            )
        )
    return tuple(notes)


@dataclass(frozen=True)
class ProgressAnswer(Answer):
    """How a running demonstration stands.

    Attributes
    ----------
    failures : float
        So far.
    shown : float
        Confidence with which the survival is shown by now.
    needed_each : float
        Shots more for each good unit until it is shown, if none fails.
    go_on_passes : float
        Chance that none fails until then, if life is as estimated; nan without an estimate.
    advice : str

    Examples
    --------
    >>> import reliability as rl
    >>> q = rl.Progress(demonstrate_shots=500, slot=("fuel",))
    >>> 0 <= rl.ask(q, rl.demo()).shown <= 1
    True
    """

    failures: float
    shown: float
    needed_each: float
    go_on_passes: float
    advice: str

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        return f"{self.advice} Shown by now with confidence {self.shown:.3f}; {self.failures:g} failed."


class Progress(OnRecords):
    """Judge the records as a running demonstration: stop or go on?

    Examples
    --------
    >>> Progress(demonstrate_shots=1000).command
    'campaign --progress'
    """

    name = "progress"
    text = "A running demonstration: stop or go on?"
    command = "campaign --progress"
    answer_type = ProgressAnswer

    demonstrate_shots: float = setting(
        ..., "Show survival at so many shots.", unit="shots", hint="N", gt=0, lt=1e15
    )
    survival: float = setting(0.9, "Survival to show.", gt=0, lt=1)
    confidence: float = confidence_setting(text="Confidence to show it with, one-sided.")
    shape: float = setting(1.0, "Assumed Weibull shape.", ge=0.05, le=50)

    def answer(self, pool: Pool) -> ProgressAnswer:
        """How the test stands. Raises BadInput, CannotAnswer."""
        records = self.chosen(pool)
        truths = _truths(records, self.confidence)
        return progress(records, self, truths[0] if truths else None)


def progress(
    records: LifeRecords, q: Progress, truth: tuple[float, float] | None = None
) -> ProgressAnswer:
    """Stop now or go on? Exposure so far against what is needed, with the failures seen.

    With the shape assumed, exposure sum((t/N)^b) is that of an exponential life: with r failures the
    survival is shown at confidence C when exposure * -ln R >= chi2(C; 2r + 2)/2 (Epstein & Sobel 1953).
    ``truth`` is the estimated shape and scale.
    """
    shots, shape = q.demonstrate_shots, q.shape
    top = float(records.shots_good.max())
    run = exposure(records, shape) * (top / shots) ** shape
    r = records.failures
    hazard = -np.log(q.survival)
    shown = float(gammainc(r + 1, run * hazard))
    need = float(gammaincinv(r + 1, q.confidence)) / hazard
    good = records.count[records.right].sum()
    if shown >= q.confidence:
        return ProgressAnswer(r, shown, 0.0, 1.0, "Stop: the requirement is shown.")
    if good == 0:
        text = "Stop: no unit is left to go on; start a new test."
        return ProgressAnswer(r, shown, NAN, 0.0, text)
    at, weight = records.shots_good[records.right], records.count[records.right]

    def lacking(more: float) -> float:
        gain = (weight * (((at + more) / shots) ** shape - (at / shots) ** shape)).sum()
        return float(need - run - gain)

    far = shots
    while lacking(far) > 0:
        far *= 2
    more = float(brentq(lacking, 0.0, far))
    chance = NAN
    if truth is not None:
        b, a = truth
        chance = float(np.exp(-(weight * (((at + more) / a) ** b - (at / a) ** b)).sum()))
    advice = f"Go on: {shots_text(more)} shots more on each of {good:g} good units show it if none fails."
    if np.isfinite(chance) and chance < 0.2:
        advice = f"Stop and think: {shots_text(more)} shots more would be needed, and as life is estimated that succeeds with probability {percent_text(chance)} only."
    return ProgressAnswer(r, shown, more, chance, advice)
