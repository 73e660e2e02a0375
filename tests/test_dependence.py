"""Check that slots fail independently: residuals against lifelines, size and power by simulation."""

import numpy as np
import pytest
from lifelines import WeibullFitter

from reliability.life.dependence import fitted_slots, residuals, shared_frailty
from tests.asking import asked
from tests.benchmarks.dependence import community, p_of


def test_residuals_equal_lifelines():
    """Martingale residual d - H(t), H by lifelines' Weibull fit; they add up to 0 at the maximum."""
    slots = fitted_slots(community(np.random.default_rng(1), 40, 0.0))
    for s in slots:
        r = s.records
        theirs = WeibullFitter().fit(r.shots_good, r.failed)
        h = theirs.cumulative_hazard_at_times(r.shots_good).to_numpy()
        np.testing.assert_allclose(residuals(s), r.failed - h, atol=2e-3)
        assert residuals(s).sum() == pytest.approx(0, abs=1e-5)


def test_size_and_power():
    """No alarm beyond its 5 % without a frailty (200 communities: below 9 %), most strong ones found
    (tests/benchmarks/dependence.py has the figures)."""
    rng = np.random.default_rng(3)
    assert np.mean([p_of(rng, 12, 0.0) < 0.05 for _ in range(200)]) < 0.09
    assert np.mean([p_of(rng, 40, 2.0) < 0.05 for _ in range(60)]) > 0.7


def test_shared_frailty_is_said():
    a = asked("module", community(np.random.default_rng(5), 60, 2.0))
    assert a.dependence.p < 0.05
    assert "dependent_slots" in {n.code for n in a.notes}


def test_too_little_to_tell():
    slots = fitted_slots(community(np.random.default_rng(5), 5, 0.0))
    assert np.isnan(shared_frailty(slots).p)
