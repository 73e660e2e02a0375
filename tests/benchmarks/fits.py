"""Speed of the engine, in one run: fits a second against loops over general-purpose libraries.

    python tests/benchmarks/fits.py

10,000 samples of 12 units, time-censored. The libraries' loops are timed on 100 samples. The floor is one
exponential a record and step. Agreement is shown on those samples; R's is in tests/test_reference_r.py.
"""

from __future__ import annotations

import time
import warnings

import lifelines
import numpy as np
from scipy import stats

from reliability.life.engine import fit_batch
from reliability.life.families import LOGLOGISTIC, LOGNORMAL, WEIBULL
from reliability.life.sample import Rows, Sample
from reliability.life.targets import LogQuantile


def best(f, times=7):
    out = []
    for _ in range(times):
        t = time.perf_counter()
        value = f()
        out.append(time.perf_counter() - t)
    return min(out), value


def main() -> None:
    rng = np.random.default_rng(1)
    n, b = 12, 10_000
    t = rng.weibull(2.0, (n, 3 * b))
    end = 0.65
    d = (t <= end).astype(float)
    keep = np.flatnonzero(d.sum(axis=0) >= 2)[:b]
    t, d = np.minimum(t, end)[:, keep], d[:, keep]
    sample = Sample(b, Rows(np.log(t), np.empty((0, n, 1)), d=d), None, None)
    seconds, fit = best(lambda: fit_batch(WEIBULL, sample))
    w = np.random.default_rng(0).normal(size=(n, 2000))
    out = np.empty_like(w)
    exponential, _ = best(lambda: [np.exp(w, out=out) for _ in range(50)])
    exponential /= 50 * w.size
    print(
        f"engine, Weibull: {b} fits of {n} in {seconds:.4f} s ({fit.steps / b:.1f} steps a fit, {fit.converged.mean():.4f} converged)"
    )
    print(
        f"  floor of one exponential a record and step: {seconds / (exponential * fit.steps * n):.1f} times"
    )
    for fam in (LOGNORMAL, LOGLOGISTIC):
        s, _ = best(lambda fam=fam: fit_batch(fam, sample), 3)
        print(f"engine, {fam.name}: {s:.4f} s")
    target = LogQuantile(float(WEIBULL.quantile(np.array(0.1))))
    s, _ = best(lambda: fit_batch(WEIBULL, sample, target.held(-1.2), fit.phi), 3)
    print(f"engine, Weibull with the 10 % life held: {s:.4f} s")
    m = 100
    warnings.simplefilter("ignore")
    start = time.perf_counter()
    theirs = [lifelines.WeibullFitter().fit(t[:, i], d[:, i]) for i in range(m)]
    loop = (time.perf_counter() - start) * b / m
    worst = max(abs(x.rho_ / fit.phi[0, i] - 1) for i, x in enumerate(theirs))
    print(
        f"lifelines loop: {loop:.0f} s for {b} (from {m}); the engine is {loop / seconds:,.0f} times as fast; largest difference in shape {worst:.1e}"
    )
    start = time.perf_counter()
    for i in range(m):
        stats.weibull_min.fit(
            stats.CensoredData(uncensored=t[d[:, i] > 0, i], right=t[d[:, i] == 0, i]), floc=0
        )
    loop = (time.perf_counter() - start) * b / m
    print(
        f"scipy loop: {loop:.0f} s for {b} (from {m}); the engine is {loop / seconds:,.0f} times as fast"
    )


if __name__ == "__main__":
    main()
