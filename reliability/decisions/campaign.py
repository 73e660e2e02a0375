"""Which test to run next: what each plan proves or teaches, how long it takes and what it costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from reliability.decisions.answer import percent_text, shots_text
from reliability.decisions.life import NOT_SHOWN
from reliability.life.bounds import Bounder
from reliability.life.design import pass_probability, shots_each, success_run
from reliability.life.fit import NoMaximum, fit_life
from reliability.life.priors import exposure
from reliability.notes import BadInput, Note
from reliability.records import LifeRecords

NAN = float("nan")
SECONDS_A_DAY = 86400.0


@dataclass(frozen=True)
class Bench:
    """What a test takes.

    Attributes
    ----------
    rate_Hz : float
        Shots a second (about one in three seconds is usual; common practice).
    stands : int
        Units that can run at once.
    unit_cost, day_cost : float
        Price of a unit and of a bench day, any currency.
    """

    rate_Hz: float = 1 / 3
    stands: int = 1
    unit_cost: float = 0.0
    day_cost: float = 0.0

    def days(self, units: int, shots: float) -> float:
        """Bench days for so many units of so many shots each."""
        return float(np.ceil(units / self.stands) * shots / self.rate_Hz / SECONDS_A_DAY)

    def cost(self, units: int, shots: float) -> float:
        """Cost of such a test."""
        return units * self.unit_cost + self.days(units, shots) * self.day_cost


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
class CampaignAnswer:
    """Answer to ``campaign`` for a demonstration test.

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
    notes : tuple of Note
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
    notes: tuple[Note, ...]
    truth: tuple[float, float, float] | None = field(default=None, metadata=NOT_SHOWN)

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


def _check(shots: float, survival: float, confidence: float, shape: float, failures: int) -> None:
    if not shots > 0:
        raise BadInput("the shots to demonstrate must be above 0")
    if not 0 < survival < 1:
        raise BadInput("survival must lie between 0 and 1, such as 0.9")
    if not 0.5 <= confidence < 1:
        raise BadInput("confidence must lie between 0.5 and 1, such as 0.9")
    if not 0.05 <= shape <= 50:
        raise BadInput("the shape must lie between 0.05 and 50")
    if failures < 0 or failures > 1000:
        raise BadInput("allowed failures must be 0 or more")


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


def demonstration(
    shots: float,
    survival: float,
    confidence: float = 0.9,
    *,
    shape: float = 1.0,
    test_shots: float = NAN,
    units: int | None = None,
    failures: int = 0,
    bench: Bench | None = None,
    budget: float = NAN,
    records: LifeRecords | None = None,
    burn_in: float = 0.0,
) -> CampaignAnswer:
    """Plan a test that demonstrates survival at a number of shots.

    Parameters
    ----------
    shots : float
        N, the life to demonstrate.
    survival, confidence : float
        R and C.
    shape : float
        Assumed Weibull shape b.
    test_shots : float
        T, shots each unit runs, burn-in included; default N (or what ``units`` need).
    units : int, optional
        Units there are; then T is found.
    failures : int
        Failures allowed.
    bench : Bench, optional
    budget : float
        Most cost, for naming the best plan.
    records : LifeRecords, optional
        Present records, for the chance to pass.
    burn_in : float
        Shots each unit has already, which count towards T and need no bench time.

    Raises
    ------
    BadInput
    """
    _check(shots, survival, confidence, shape, failures)
    bench = bench or Bench()
    if not (bench.rate_Hz > 0 and bench.stands >= 1):
        raise BadInput("the rate must be above 0 and there must be a stand")
    if units is not None:
        if units <= failures:
            raise BadInput("there must be more units than allowed failures")
        length = shots_each(survival, confidence, units, shots, shape, failures)
        n = units
    else:
        length = test_shots if np.isfinite(test_shots) else shots
        if not length > 0:
            raise BadInput("the shots each must be above 0")
        try:
            n = success_run(survival, confidence, failures, (length / shots) ** shape)
        except OverflowError:
            raise BadInput(
                "that test is so short that more than ten million units would be needed"
            ) from None
    truth = _truths(records, confidence)

    def plan(count: int, each: float, allowed: int) -> DemonstrationPlan:
        chance = [NAN, NAN, NAN]
        if truth is not None:
            for i, (b, a) in enumerate(truth):
                alive = np.exp(-((each / a) ** b) + ((burn_in / a) ** b))
                chance[i] = pass_probability(count, allowed, float(alive))
        run = max(each - burn_in, 0.0)
        return DemonstrationPlan(
            count, each, allowed, bench.days(count, run), bench.cost(count, run), *chance
        )

    main = plan(n, length, failures)
    plans = _alternatives(plan, survival, confidence, shots, shape, n)
    best = None
    if np.isfinite(budget):
        affordable = [p for p in (main, *plans) if p.cost <= budget]
        if affordable:
            best = max(affordable, key=lambda p: (np.nan_to_num(p.pass_estimated), -p.cost))
    notes = _notes(shape, length, shots, truth, burn_in, np.isfinite(budget) and best is None)
    sens = []
    for b in sorted({round(0.7 * shape, 3), shape, round(1.4 * shape, 3)}):
        if units is not None:
            sens.append(Sensitivity(b, n, shots_each(survival, confidence, n, shots, b, failures)))
        else:
            sens.append(
                Sensitivity(
                    b, success_run(survival, confidence, failures, (length / shots) ** b), length
                )
            )
    return CampaignAnswer(
        n, length, failures, shots, survival, confidence, shape, main.bench_days, main.cost,
        main.pass_estimated, main.pass_optimistic, main.pass_pessimistic, plans, best, tuple(sens), notes,
    )  # fmt: skip


def _alternatives(
    plan: object, survival: float, confidence: float, shots: float, shape: float, n: int
) -> tuple[DemonstrationPlan, ...]:
    """Fewer units for longer, more for less, and with failures allowed."""
    assert callable(plan)
    out = []
    for allowed in (0, 1, 2):
        for count in sorted({allowed + 2, allowed + 4, 8, 12, n // 2, n, 2 * n}):
            if allowed < count <= 5000:
                out.append(
                    plan(
                        count,
                        shots_each(survival, confidence, count, shots, shape, allowed),
                        allowed,
                    )
                )
    out.sort(key=lambda p: (p.bench_days, p.units))
    return tuple(out)


def _notes(
    shape: float, length: float, shots: float, truth: object, burn_in: float, nothing: bool
) -> tuple[Note, ...]:
    notes = [
        Note(
            "assumed_shape",
            f"The plan rests on a Weibull shape of {shape:g}"
            + ("; at full length it does not matter." if abs(length - shots) < 1e-9 * shots else
               ": a longer test of fewer units needs the shape to be at least that, a shorter one at most that."),
        )
    ]  # fmt: skip
    if truth is None:
        notes.append(Note("no_truth", "No records to judge by, so no chance to pass is given."))
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
class Progress:
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
    """

    failures: float
    shown: float
    needed_each: float
    go_on_passes: float
    advice: str


def progress(
    records: LifeRecords, shots: float, survival: float, confidence: float, shape: float,
    truth: tuple[float, float] | None = None,
) -> Progress:  # fmt: skip
    """Stop now or go on? Exposure so far against what is needed, with the failures seen.

    With the shape assumed, exposure sum((t/N)^b) is that of an exponential life: with r failures the
    survival is shown at confidence C when exposure * -ln R >= chi2(C; 2r + 2)/2 (Epstein & Sobel 1953).
    """
    from scipy.special import gammainc, gammaincinv

    _check(shots, survival, confidence, shape, 0)
    top = float(records.shots_good.max())
    run = exposure(records, shape) * (top / shots) ** shape
    r = records.failures
    hazard = -np.log(survival)
    shown = float(gammainc(r + 1, run * hazard))
    need = float(gammaincinv(r + 1, confidence)) / hazard
    good = records.count[records.right].sum()
    if shown >= confidence:
        return Progress(r, shown, 0.0, 1.0, "Stop: the requirement is shown.")
    if good == 0:
        return Progress(r, shown, NAN, 0.0, "Stop: no unit is left to go on; start a new test.")
    at = records.shots_good[records.right]
    weight = records.count[records.right]
    lo, hi = 0.0, 100 * shots
    for _ in range(100):
        mid = 0.5 * (lo + hi)
        gain = (weight * (((at + mid) / shots) ** shape - (at / shots) ** shape)).sum()
        lo, hi = (mid, hi) if run + gain < need else (lo, mid)
    chance = NAN
    if truth is not None:
        b, a = truth
        chance = float(np.exp(-(weight * (((at + hi) / a) ** b - (at / a) ** b)).sum()))
    advice = (
        f"Go on: {shots_text(hi)} shots more on each of {good:g} good units show it if none fails."
    )
    if np.isfinite(chance) and chance < 0.2:
        advice = f"Stop and think: {shots_text(hi)} shots more would be needed, and as life is estimated that succeeds with probability {percent_text(chance)} only."
    return Progress(r, shown, hi, chance, advice)


def plan_rows(
    units: int, builder: str, slot: str, stress: Sequence[dict[str, float]] = ()
) -> list[dict[str, object]]:
    """An empty life sheet for a plan: one row a unit, ready to fill in."""
    out = []
    for i in range(units):
        row: dict[str, object] = {
            "builder": builder, "module": f"plan-{i + 1:02d}", "slot": slot, "unit": f"u{i + 1}",
            "shots_from": "", "shots_good": "", "shots_failed": "", "mode": "",
        }  # fmt: skip
        row |= stress[i] if i < len(stress) else {}
        out.append(row)
    return out
