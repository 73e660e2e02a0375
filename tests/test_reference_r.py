"""Agreement with R's survreg (R 4.2.2, survival 3.5-3) on 240 seeded data sets.

Scripts and results: tests/reference/make_random_sets.py, survreg.R, survreg_results.csv.
"""

import csv
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest

from reliability.life.fit import NoMaximum, fit_life
from reliability.records import LifeRecords

HERE = Path(__file__).parent / "reference"


def load_sets():
    out = defaultdict(list)
    with (HERE / "random_sets.csv").open() as f:
        for row in csv.DictReader(f):
            out[int(row["set"])].append(
                (
                    float(row["good"]),
                    float(row["failed"] or "inf"),
                    float(row["count"]),
                    row["kind"],
                )
            )
    return out


def load_results():
    with (HERE / "survreg_results.csv").open() as f:
        return [{k.strip(): v.strip() for k, v in row.items()} for row in csv.DictReader(f)]


SETS = load_sets()
RESULTS = load_results()


def records_of(rows, factor=1.0):
    good, failed, count, _ = zip(*rows)
    return LifeRecords.of(np.array(good) * factor, np.array(failed) * factor, count=count)


@pytest.mark.parametrize("family", ["weibull", "lognormal", "loglogistic", "exponential"])
def test_agrees_with_survreg(family):
    compared = 0
    for r in (r for r in RESULTS if r["dist"] == family):
        try:
            fit = fit_life(records_of(SETS[int(r["set"])]), family)
        except NoMaximum as e:
            # no maximum inside: survreg must have run off towards an infinite sigma
            assert e.code == "no_trend" and float(r["sigma"]) > 1e4
            continue
        loglik = float(r["loglik"])
        if r["warned"] == "TRUE":
            # survreg itself did not converge: ours must then be at least as likely
            assert fit.loglik >= loglik - 1e-8
            continue
        compared += 1
        assert fit.loglik == pytest.approx(loglik, rel=1e-8, abs=1e-8), r
        assert fit.mu == pytest.approx(float(r["mu"]), rel=1e-6, abs=1e-6), r
        assert fit.sigma == pytest.approx(float(r["sigma"]), rel=1e-6), r
        assert fit.cov[0, 0] == pytest.approx(float(r["var_mu"]), rel=1e-5), r
        if family != "exponential":
            assert fit.cov[1, 1] == pytest.approx(float(r["var_log_sigma"]), rel=1e-5), r
    assert compared >= 230


def test_every_kind_of_censoring_is_covered():
    exact = right = left = interval = counts = 0
    for rows in SETS.values():
        r = records_of(rows)
        exact += r.exact.any()
        right += r.right.any()
        left += r.left.any()
        interval += r.interval.any()
        counts += (r.count > 1).any()
    assert min(exact, right, left, interval, counts) >= 40
    assert len(SETS) >= 200


@pytest.mark.parametrize("factor", [1e-6, 1e3, 1e9])
@pytest.mark.parametrize("family", ["weibull", "lognormal", "loglogistic", "exponential"])
def test_unit_of_shots_does_not_matter(factor, family):
    """The scale scales, the shape stays (property of any log-location-scale model)."""
    for number in list(SETS)[::12]:
        one = fit_life(records_of(SETS[number]), family)
        other = fit_life(records_of(SETS[number], factor), family)
        assert other.shape == pytest.approx(one.shape, rel=1e-9)
        assert other.scale == pytest.approx(one.scale * factor, rel=1e-9)
