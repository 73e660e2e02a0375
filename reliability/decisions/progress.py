"""A running demonstration: stop or go on?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import gammainc, gammaincinv

from reliability.decisions.question import Answer, OnRecords, confidence_setting, setting
from reliability.histories import lives_of
from reliability.life.fit import NoMaximum, fit_life
from reliability.life.priors import exposure
from reliability.pool import Pool
from reliability.records import LifeRecords
from reliability.words import percent_text, so_many_shots

NAN = float("nan")


def _estimate(records: LifeRecords) -> tuple[float, float] | None:
    """(shape, scale) as estimated; None where there is no estimate."""
    try:
        fit = fit_life(records)
    except NoMaximum:
        return None
    return fit.shape, fit.scale


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
        return f"{self.advice} Shown by now with confidence {percent_text(self.shown)}; {self.failures:g} failed."


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
        records = lives_of(self.chosen(pool))
        return progress(records, self, _estimate(records))


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
    # beyond e^700 it is shown, whatever the shape
    run = 0.0
    if top > 0:
        run = exposure(records, shape) * float(np.exp(min(shape * np.log(top / shots), 700.0)))
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
    advice = (
        f"Go on: {so_many_shots(more)} more on each of {good:g} good units show it if none fails."
    )
    if np.isfinite(chance) and chance < 0.2:
        advice = f"Stop and think: {so_many_shots(more)} more would be needed, and as life is estimated that succeeds with probability {percent_text(chance)} only."
    return ProgressAnswer(r, shown, more, chance, advice)
