"""Whether the stress model fits: residuals of the units where the family expects them."""

from __future__ import annotations

import numpy as np

from reliability.decisions.derating_answer import Residual
from reliability.histories import lives_of
from reliability.life.empirical import kaplan_meier
from reliability.life.families import family
from reliability.life.stress import StressFit
from reliability.records import LifeRecords


def residuals(fit: StressFit) -> tuple[Residual, ...]:
    """Standardised residuals against the family's quantiles of their product-limit curve.

    Of units whose stress changed on the way the residual is that of their cumulative exposure.
    Failures between inspections stand at their last good count; units found dead at their first
    inspection have no residual to plot.
    """
    lives = lives_of(fit.records)
    seen = lives.shots_good > 0
    w, failed = fit.residuals()[0][seen], lives.failed[seen]
    if not failed.any():
        return ()
    t = np.exp(np.clip(w, -40, 40))
    curve = kaplan_meier(LifeRecords.of(t, np.where(failed, t, np.inf)))
    before = np.concatenate(([1.0], curve.survival[:-1]))
    middle = np.clip(0.5 * (before + curve.survival), 1e-6, 1 - 1e-6)
    expected = family(fit.family.name).quantile(1 - middle)
    rows = zip(np.log(curve.shots), expected, strict=True)
    return tuple(Residual(float(a), float(b)) for a, b in list(rows)[:1000])
