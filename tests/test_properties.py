"""Properties that hold for any data (hypothesis): sheets survive the way out and in, the likelihood
equals a plain sum over units in 50-digit arithmetic, answers do not depend on the unit of shots."""

import math
from pathlib import Path

import mpmath
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reliability.life.fit import NoMaximum, fit_life
from reliability.notes import CannotAnswer
from reliability.records import LifeRecords
from reliability.sheets.life import read_life
from reliability.sheets.side import read_contribution
from reliability.sheets.table import SheetError
from reliability.sheets.write import life_csv
from tests.asking import asked

SETTINGS = settings(
    max_examples=60, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck)
)  # fmt: skip
count = st.floats(1, 1e6).map(lambda x: float(f"{x:.6g}"))
word = st.text(
    st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=12
).filter(lambda s: s.strip() == s and not s.startswith(("=", "+", "-", "@", "'")))


@st.composite
def unit(draw):
    """One life record: exact, still good, between inspections or before the first, with late entry."""
    good = draw(count)
    kind = draw(st.sampled_from(("exact", "good", "between", "before")))
    failed = {
        "exact": good,
        "good": math.inf,
        "between": good * draw(st.floats(1.01, 3)),
        "before": good,
    }[kind]
    begun = draw(st.sampled_from((0.0, 0.0, 0.3))) * (0 if kind == "before" else good)
    return (0.0 if kind == "before" else good), failed, begun, draw(st.integers(1, 3))


samples = st.lists(unit(), min_size=3, max_size=25)


def records_of(rows, **more):
    good, failed, begun, n = (np.array(v, float) for v in zip(*rows, strict=True))
    return LifeRecords.of(good, failed, shots_from=begun, count=n, **more)


@SETTINGS
@given(rows=samples, words=st.lists(word, min_size=3, max_size=3), volts=st.floats(1, 5000))
def test_sheet_out_and_in_is_the_same(rows, words, volts):
    builder, module, slot = words
    k = len(rows)
    r = records_of(
        rows, builder=[builder] * k, module=[module] * k, slot=[slot] * k, covariates={"charge_V": [volts] * k}
    )  # fmt: skip
    back = read_life(Path("x.csv"), life_csv(r).encode()).records
    for f in ("shots_good", "shots_failed", "shots_from", "count", "builder", "module", "slot"):
        np.testing.assert_array_equal(getattr(back, f), getattr(r, f))
    np.testing.assert_array_equal(back.covariates["charge_V"], r.covariates["charge_V"])


def log_sf(name, z):
    """ln of the survival function in 50-digit arithmetic."""
    if name == "weibull":
        return -(mpmath.e**z)
    if name == "loglogistic":
        return -mpmath.log1p(mpmath.e**z)
    return mpmath.log(mpmath.ncdf(-z))


def log_density(name, z):
    if name == "weibull":
        return z - mpmath.e**z
    if name == "loglogistic":
        return z - 2 * mpmath.log1p(mpmath.e**z)
    return -z * z / 2 - mpmath.log(2 * mpmath.pi) / 2


def total(name, mu, sigma, rows):
    """The log-likelihood as a plain sum over units (Lawless 2003, sec. 2.2 to 2.4)."""

    def survive(t):
        return log_sf(name, (mpmath.log(t) - mu) / sigma) if t > 0 else mpmath.mpf(0)

    out = mpmath.mpf(0)
    for good, failed, begun, n in rows:
        if failed == good:
            one = log_density(name, (mpmath.log(good) - mu) / sigma) - mpmath.log(sigma * good)
        elif math.isinf(failed):
            one = survive(good)
        else:
            one = mpmath.log(mpmath.e ** survive(good) - mpmath.e ** survive(failed))
        out += n * (one - survive(begun))
    return out


@pytest.mark.parametrize("name", ["weibull", "lognormal", "loglogistic"])
@SETTINGS
@given(rows=samples)
def test_likelihood_is_the_sum_over_units(name, rows):
    """mpmath with 50 digits, unit by unit; and no nearby parameters do better."""
    try:
        fit = fit_life(records_of(rows), name)
    except NoMaximum:
        return
    with mpmath.workdps(50):
        mu, sigma = mpmath.mpf(fit.mu), mpmath.mpf(fit.sigma)
        here = total(name, mu, sigma, rows)
        assert fit.loglik == pytest.approx(float(here), rel=1e-8, abs=1e-6)
        for dm, ds in ((0.01, 0), (-0.01, 0), (0, 0.01), (0, -0.01)):
            assert total(name, mu + dm * sigma, sigma * mpmath.e**ds, rows) <= here + 1e-8


def test_late_entry_that_leaves_the_likelihood_flat():
    """Found by hypothesis: the fit ran towards a scale of 0, its covariance without an inverse."""
    rows = [(1.0, 1.0, 0.3, 2), (0.0, 1.0, 0.0, 1), (3.0, math.inf, 0.9, 1)]
    with pytest.raises(NoMaximum, match="flat"):
        fit_life(records_of(rows), "loglogistic")


@SETTINGS
@given(rows=samples, factor=st.sampled_from((1e-6, 1e-3, 0.37, 1e3, 1e9)))
def test_unit_of_shots_changes_nothing(rows, factor):
    """Shots counted in thousands give the same answer in thousands."""
    scaled = [(g * factor, f * factor, b * factor, n) for g, f, b, n in rows]
    try:
        a = asked("life", records_of(rows), bound="likelihood")
    except CannotAnswer:
        with pytest.raises(CannotAnswer):
            asked("life", records_of(scaled), bound="likelihood")
        return
    b = asked("life", records_of(scaled), bound="likelihood")
    assert b.shape == pytest.approx(a.shape, rel=1e-6)
    assert b.scale == pytest.approx(a.scale * factor, rel=1e-6)
    for q, p in zip(a.quantiles, b.quantiles, strict=True):
        assert p.lower == pytest.approx(q.lower * factor, rel=1e-4)
        assert p.upper == pytest.approx(q.upper * factor, rel=1e-4)
        assert 0 <= p.lower <= p.shots <= p.upper


@settings(SETTINGS, max_examples=400)
@given(
    data=st.binary(max_size=400),
    name=st.sampled_from(("a.csv", "a.parquet", "a.xlsx", "a.zip", "a")),
)
def test_any_bytes_are_refused_in_words(data, name):
    try:
        read_contribution(Path(name), data)
    except SheetError as e:
        assert all(f.message for f in e.faults)


@settings(SETTINGS, max_examples=400)
@given(
    cells=st.lists(
        st.lists(st.text(max_size=12) | st.sampled_from(("1", "igniter", "nan", "-5", "1e999")), min_size=4, max_size=6),
        min_size=1, max_size=6,
    )
)  # fmt: skip
def test_any_cells_are_read_or_refused(cells):
    text = "builder,module,slot,shots_good\n" + "\n".join(",".join(r) for r in cells)
    try:
        sheet, _, _ = read_contribution(Path("a.csv"), text.encode("utf-8", "replace"))
    except SheetError as e:
        assert all(str(f).startswith("a.csv:") for f in e.faults)
    else:
        assert np.isfinite(sheet.records.shots_good).all()
