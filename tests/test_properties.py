"""Properties that hold for any data (hypothesis): sheets survive the way out and in, the likelihood
equals a plain sum over units by scipy, answers do not depend on the unit of shots."""

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy import stats

from reliability.decisions.life import life
from reliability.life.fit import NoMaximum, fit_life
from reliability.notes import CannotAnswer
from reliability.records import LifeRecords
from reliability.sheets.life import read_life
from reliability.sheets.side import read_contribution
from reliability.sheets.table import SheetError
from reliability.sheets.write import life_csv

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


FAMILIES = {
    "weibull": lambda mu, s: stats.weibull_min(1 / s, scale=math.exp(mu)),
    "lognormal": lambda mu, s: stats.lognorm(s, scale=math.exp(mu)),
    "loglogistic": lambda mu, s: stats.fisk(1 / s, scale=math.exp(mu)),
}


@pytest.mark.parametrize("name", list(FAMILIES))
@SETTINGS
@given(rows=samples)
def test_likelihood_is_the_sum_over_units(name, rows):
    """scipy's own density and survival, unit by unit; and no nearby parameters do better."""
    r = records_of(rows)
    try:
        fit = fit_life(r, name)
    except NoMaximum:
        return

    def total(mu, s):
        d = FAMILIES[name](mu, s)
        out = 0.0
        for good, failed, begun, n in rows:
            if failed == good:
                one = d.logpdf(good)
            elif math.isinf(failed):
                one = d.logsf(good)
            else:
                one = math.log(max(d.sf(good) - d.sf(failed), 1e-300))
            out += n * (one - d.logsf(begun))
        return out

    here = total(fit.mu, fit.sigma)
    assert fit.loglik == pytest.approx(here, rel=1e-7, abs=1e-5)
    for dm, ds in ((0.01, 0), (-0.01, 0), (0, 0.01), (0, -0.01)):
        assert total(fit.mu + dm * fit.sigma, fit.sigma * math.exp(ds)) <= here + 1e-6


@SETTINGS
@given(rows=samples, factor=st.sampled_from((1e-6, 1e-3, 0.37, 1e3, 1e9)))
def test_unit_of_shots_changes_nothing(rows, factor):
    """Shots counted in thousands give the same answer in thousands."""
    scaled = [(g * factor, f * factor, b * factor, n) for g, f, b, n in rows]
    try:
        a = life(records_of(rows), bound="likelihood", check_fit=False)
    except CannotAnswer:
        with pytest.raises(CannotAnswer):
            life(records_of(scaled), bound="likelihood", check_fit=False)
        return
    b = life(records_of(scaled), bound="likelihood", check_fit=False)
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
