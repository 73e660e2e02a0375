"""The ledger's checks, each a test; and that the ledger itself is honest."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from reliability import shipped
from reliability.ledger import SEEN, by_how_seen, carry_out, checks, half_digit, ours, suites
from reliability.life.basis import basis_value, handbook_weibull_basis
from reliability.life.fit import fit_life
from reliability.life.mean_life import mean_life
from reliability.notes import BadInput, CannotAnswer
from reliability.records import LifeRecords
from reliability.wear.trend import modified_growth, reversal_chances, reversals

ROOT = Path(__file__).parents[1]


@pytest.mark.parametrize("check", checks(), ids=lambda c: c.id.replace("/", ": "))
def test_agrees(check):
    """Source and how it was seen stand in the row."""
    out = carry_out(check)
    assert out.agrees, f"{check.source}: {check.printed}, ours {out.ours!r}, {check.why}"


def test_the_ledger_is_large_and_says_how_it_knows():
    assert len(checks()) >= 40 and sum(by_how_seen().values()) == len(checks())
    assert by_how_seen()["read"] + by_how_seen()["run"] >= 40
    assert all(c.source and c.seen in SEEN for c in checks())


def test_a_wrong_value_is_found():
    """One check of each kind, its printed value moved by two units of the last digit."""
    for check in {c.key: c for c in checks() if c.allow is None}.values():
        for step in (-4, 4):
            wrong = float(check.printed) + step * half_digit(check.printed)
            moved = replace(check, printed=repr(wrong), allow=check.tolerance, why="moved")
            assert not carry_out(moved).agrees, check.id
    loose = [c for c in checks() if c.allow is not None]
    assert all(c.why for c in loose) and len(loose) < len(checks()) / 4


def test_suites_are_there():
    for s in suites():
        file, name = s.test.split("::")
        assert f"def {name}(" in (ROOT / file).read_text()


def test_a_missing_data_set_is_said(monkeypatch, tmp_path):
    monkeypatch.setattr(shipped, "DATASETS", tmp_path)
    ours._sheet.cache_clear()
    with pytest.raises(CannotAnswer, match="not part of this installation"):
        carry_out(next(c for c in checks() if c.inputs.name == "genfan"))


@pytest.mark.parametrize("b", [0.5, 1.0, 1.8])
def test_modified_exponent_has_no_bias_and_limits_hold(b):
    """Given the count, events are uniform to the power 1/b (any textbook); 4,000 watches of 12 events:
    mean within 4 standard errors, each 90 % limit kept within 3 % (the printed limits are approximate)."""
    rng = np.random.default_rng(3)
    fits = [modified_growth(1000 * rng.random(12) ** (1 / b), 1000.0) for _ in range(4000)]
    got = np.array([f.b for f in fits])
    assert got.mean() == pytest.approx(b, abs=4 * got.std() / np.sqrt(got.size))
    # the watch is fixed and its count is Poisson: draw that for the rate's limits
    a = 12 / 1000**b
    truth = 1 / (a * b * 1000 ** (b - 1))
    low = high = n = 0
    for _ in range(4000):
        k = rng.poisson(12)
        if k >= 3:
            f = modified_growth(1000 * rng.random(k) ** (1 / b), 1000.0)
            low, high, n = low + (f.lower <= truth), high + (f.upper >= truth), n + 1
    assert 0.87 <= low / n <= 0.96 and 0.87 <= high / n <= 0.96


def test_reversal_chances_by_kendall():
    """Reversals are concordant pairs: exact tail of Kendall's tau in scipy."""
    rng = np.random.default_rng(2)
    for n in (5, 8, 11):
        gaps = rng.permutation(n) + 1.0
        got = reversals(np.cumsum(gaps))
        tau = stats.kendalltau(np.arange(n), gaps, method="exact", alternative="greater")
        assert got.rarer_p == pytest.approx(tau.pvalue, rel=1e-9)
    assert reversal_chances(6).sum() == pytest.approx(1.0)


def test_what_these_refuse():
    with pytest.raises(CannotAnswer):
        modified_growth(np.array([1.0, 2.0]), 3.0)
    with pytest.raises(CannotAnswer):
        modified_growth(np.array([1.0, 2.0, 4.0]), 3.0)
    with pytest.raises(CannotAnswer):
        reversals(np.array([1.0, 2.0]))
    for bad in (
        (0.0, 1),
        (10.0, -1),
        (10.0, 1, 1.0),
        (10.0, 0, 0.9, "failure"),
        (10.0, 1, 0.9, "x"),
    ):
        with pytest.raises(BadInput):
            mean_life(*bad)
    r = LifeRecords.of([10.0, 20.0, 30.0], [10.0, 20.0, np.inf])
    with pytest.raises(BadInput):
        basis_value(r, "C")
    with pytest.raises(CannotAnswer):
        handbook_weibull_basis(fit_life(r), "B")


@pytest.mark.parametrize("failures", [1, 3])
def test_mean_life_limits_hold(failures):
    """Failure-terminated: exact, so 20,000 tests keep them at 90 % within 4 standard errors."""
    rng = np.random.default_rng(1)
    totals = rng.gamma(failures, 1.0, 20000)
    kept = np.mean([mean_life(t, failures, 0.9, "failure").lower <= 1 for t in totals])
    assert kept == pytest.approx(0.9, abs=4 * np.sqrt(0.09 / 20000))
