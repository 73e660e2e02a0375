"""Actual coverage of one-sided bounds by simulation.

    python tests/benchmarks/coverage.py [--replicates 5000] [--cells quick|all] [--out FILE]

For every cell of a grid (units, expected failures, observation scheme, shape) many tests are
drawn from a known truth; each is put through the bound and we count how often the 95 % lower bound
on the 10 % life lies at or below its true value. A bound found by inverting a test covers the
truth exactly when the test does not reject the truth, so the calibrated bound is tested at the
truth (one simulation of ``--draws`` samples a test) instead of solved for. The lower bound on
survival *at* the 10 % life is the same hypothesis and covers in the same tests.

Monte-Carlo error of a coverage near 0.95 with 5,000 replicates: 0.3 %.
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from reliability.life.bounds import Bounder
from reliability.life.calibrated import batch_roots, simulated_roots
from reliability.life.engine import fit_batch
from reliability.life.families import family
from reliability.life.fit import NoMaximum, fit_life
from reliability.life.quadrature import plane
from reliability.life.sample import sample_of
from reliability.life.scheme import kind_of, scheme_of
from reliability.life.signed_root import signed_root
from reliability.life.targets import LogQuantile
from reliability.records import LifeRecords

SCALE = 5000.0
SCHEMES = ("complete", "failure", "time", "inspected", "late", "random")


def draw(scheme: str, n: int, failures: int, shape: float, fam: str, rng) -> LifeRecords:
    """One test of n units in which about ``failures`` fail (truth: shape 1/sigma, scale SCALE)."""
    f = family(fam)

    def lives(size, after=0.0):
        with np.errstate(divide="ignore"):
            w0 = (np.log(after) - np.log(SCALE)) * shape
        ls = np.log(rng.random(size)) + (f.survive(np.asarray(w0))[0] if after > 0 else 0.0)
        return np.exp(np.log(SCALE) + f.log_sf_inverse(ls) / shape)

    end = float(np.exp(np.log(SCALE) + f.quantile(np.array(min(failures / n, 0.999))) / shape))
    if scheme == "complete":
        t = lives(n)
        return LifeRecords.of(t, t)
    if scheme == "failure":
        t = lives(n)
        stop = np.sort(t)[failures - 1]
        return LifeRecords.of(np.minimum(t, stop), np.where(t <= stop, t, np.inf))
    if scheme == "time":
        t = lives(n)
        return LifeRecords.of(np.minimum(t, end), np.where(t <= end, t, np.inf))
    if scheme == "inspected":
        t = lives(n)
        grid = end * np.arange(1, 11) / 10
        at = np.searchsorted(grid, t)
        edges = np.concatenate(([0.0], grid, [np.inf]))
        return LifeRecords.of(edges[at], edges[at + 1])
    if scheme == "late":
        # every second unit comes on test with a third of the test length behind it
        begun = np.where(np.arange(n) % 2 == 1, end / 3, 0.0)
        t = np.array([lives((), b) for b in begun])
        return LifeRecords.of(np.minimum(t, end), np.where(t <= end, t, np.inf), shots_from=begun)
    if scheme == "random":
        t = lives(n)
        # stops spread evenly so that the expected share of failures is kept
        stop = end * rng.uniform(0.4, 1.9, n)
        return LifeRecords.of(np.minimum(t, stop), np.where(t <= stop, t, np.inf))
    raise ValueError(scheme)


def one(records: LifeRecords, fam: str, truth: float, draws: int, seed: int) -> dict[str, bool]:
    """Which bounds cover the truth on one test."""
    f = family(fam)
    out = {}
    target = LogQuantile(float(f.quantile(np.array(0.1))))
    try:
        fit = fit_life(records, fam)
        b = Bounder(records, fit, 0.95, "likelihood")
        v = truth - fit.sample.centre
        est = float(target.value(fit.phi)[0])
        out["wald"] = est - 1.6448536 * b.standard_error(target) <= v
        r, phi_v = signed_root(f, fit.sample, target, np.array([v]), fit.phi, b.loglik)
        out["likelihood"] = bool(r[0] <= 1.6448536)
        sample, observed = fit.sample, float(r[0])
    except NoMaximum:
        # no estimate: the uncalibrated methods give no bound at all
        out["wald"] = out["likelihood"] = False
        if not records.failed.any():
            return {"wald": True, "likelihood": True, "calibrated": True}
        sample = sample_of(records)
        v = truth - sample.centre
        start = np.array([[1.0], [0.0]])
        phi_v = fit_batch(f, sample, target.held(v), start).phi
        observed = float(batch_roots(f, sample, target, v, phi_v)[0])
        fit = None
    if kind_of(records) != "other" and fit is not None:
        out["calibrated"] = plane(f, sample, fit.phi).probability_below(target, v) >= 0.05
    else:
        scheme = scheme_of(records, centre=sample.centre)
        roots = simulated_roots(f, scheme, target, v, phi_v, draws, np.random.default_rng(seed))
        out["calibrated"] = bool((1 + (roots >= observed).sum()) / (1 + draws) > 0.05)
    return out


def cell(args) -> tuple:
    scheme, n, failures, shape, true_family, fit_family, replicates, draws = args
    rng = np.random.default_rng([n, failures, int(shape * 10), SCHEMES.index(scheme)])
    f = family(true_family)
    truth = float(np.log(SCALE) + f.quantile(np.array(0.1)) / shape)
    hits = {"wald": 0, "likelihood": 0, "calibrated": 0}
    seen = 0.0
    for i in range(replicates):
        records = draw(scheme, n, failures, shape, true_family, rng)
        seen += records.failures
        for k, ok in one(records, fit_family, truth, draws, i).items():
            hits[k] += ok
    return args, {k: h / replicates for k, h in hits.items()}, seen / replicates


def grid(kind: str) -> list[tuple]:
    """Cells: scheme, n, expected failures, shape, true family, fitted family."""
    designs = [(5, 5), (8, 4), (12, 3), (12, 4), (20, 10)]
    out = []
    for scheme in SCHEMES:
        for n, r in designs:
            if (scheme == "complete") != (n == r):
                continue
            for shape in (0.8, 2.0, 5.0) if kind == "all" else (2.0,):
                out.append((scheme, n, r, shape, "weibull", "weibull"))
    if kind == "all":
        out += [("complete", 10, 10, s, "weibull", "weibull") for s in (0.8, 2.0, 5.0)]
        out += [(s, 12, 2, 2.0, "weibull", "weibull") for s in ("failure", "time")]
        out += [
            (s, 12, 4, 2.0, f, f)
            for f in ("lognormal", "loglogistic")
            for s in ("time", "inspected")
        ]
        out += [
            ("time", 12, 4, 2.0, "lognormal", "weibull"),
            ("time", 20, 10, 2.0, "lognormal", "weibull"),
        ]
        out += [
            ("time", 12, 4, 2.0, "weibull", "lognormal"),
            ("time", 20, 10, 2.0, "weibull", "lognormal"),
        ]
    return out


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    p.add_argument("--replicates", type=int, default=5000)
    p.add_argument("--draws", type=int, default=399)
    p.add_argument("--cells", choices=("quick", "all"), default="quick")
    p.add_argument("--only", choices=SCHEMES)
    p.add_argument("--jobs", type=int, default=2)
    a = p.parse_args()
    cells = [c for c in grid(a.cells) if a.only in (None, c[0])]
    print(f"95 % lower bound on the 10 % life; {a.replicates} tests a cell", flush=True)
    print(
        "| scheme | n | failures (seen) | shape | truth | fitted | wald | likelihood | calibrated | s.e. |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|", flush=True)
    began = time.time()
    with ProcessPoolExecutor(a.jobs) as pool:
        for args, cover, seen in pool.map(cell, [(*c, a.replicates, a.draws) for c in cells]):
            s, n, r, shape, tf, ff = args[:6]
            se = np.sqrt(0.95 * 0.05 / a.replicates)
            print(
                f"| {s} | {n} | {r} ({seen:.1f}) | {shape:g} | {tf} | {ff} | {cover['wald']:.1%} | "
                f"{cover['likelihood']:.1%} | {cover['calibrated']:.1%} | {se:.1%} |",
                flush=True,
            )
    print(f"\n{time.time() - began:.0f} s")


if __name__ == "__main__":
    main()
