"""Choose between two: against the F distribution of exponential lives, and simulated truths."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from reliability.notes import BadInput, CannotAnswer
from reliability.records import LifeRecords
from tests.asking import asked
from tests.command import run

DEMO = Path(__file__).parents[1] / "datasets" / "demo"
INF = float("inf")


def two(rng, ratio=1.0, each=10, end=INF, shape=1.0, volts=None):
    """Lives of parts a and b, a's ``ratio`` times as long."""
    part = np.repeat(["a", "b"], each)
    t = 3000 * np.where(part == "a", ratio, 1.0) * rng.weibull(shape, 2 * each)
    v = {} if volts is None else {"charge_V": volts}
    return LifeRecords.of(np.minimum(t, end), np.where(t <= end, t, INF), part=part, covariates=v)


def test_exponential_lives_have_the_bounds_of_the_f_distribution():
    """Complete samples: the ratio of means over the true one is F(2n, 2m) (Lawless 2003, sec. 4.5; any textbook)."""
    r = two(np.random.default_rng(3), 2.0, 9)
    a = asked("compare", r, first="a", second="b", family="exponential")
    means = [r.shots_good[r.part == p].mean() for p in ("a", "b")]
    ratio = means[0] / means[1]
    cut = stats.f.ppf(0.95, 18, 18)
    assert a.ratio == pytest.approx(ratio, rel=1e-6)
    assert (a.lower, a.upper) == pytest.approx((ratio / cut, ratio * cut), rel=0.03)
    assert a.sure == pytest.approx(stats.f.cdf(ratio, 18, 18), abs=0.02)


def test_the_other_way_round_is_the_inverse():
    r = two(np.random.default_rng(4), 3.0, 8, end=4000)
    a, b = (asked("compare", r, first=x, second=y) for x, y in (("a", "b"), ("b", "a")))
    assert (b.ratio, b.lower, b.upper) == pytest.approx((1 / a.ratio, 1 / a.upper, 1 / a.lower))
    assert (a.first.lower, a.sure) == (b.second.lower, b.sure)


def test_curves_are_of_the_common_voltage():
    """Exactly scattered lives at two voltages: moved by the fitted exponent, alike parts' curves lie together."""
    volts = np.tile([1200.0, 1600.0], 8)
    t = 3000 * (volts / 1400) ** -7.0 * np.repeat([0.7, 0.9, 1.0, 1.2], 4)
    part = np.tile(["a", "a", "b", "b"], 4)
    r = LifeRecords.of(t, t, part=part, covariates={"charge_V": volts})
    a = asked("compare", r, use=["charge_V=1400"])
    assert a.moved
    for side in (a.first, a.second):
        seen = [s.shots for s in side.empirical if s.shots > 0]
        np.testing.assert_allclose(seen[-8::2], [2100, 2700, 3000, 3600], rtol=1e-3)
    plain = asked("compare", LifeRecords.of(t, t, part=part))
    assert not plain.moved


def test_false_alarms_and_differences():
    """Of alike parts some 10 % are called different (5 % to each side; 99.5 % point of the binomial at 60:
    13), of parts that differ threefold most are."""
    alarms = sum(
        asked("compare", two(np.random.default_rng(s), end=4000, shape=2.0)).shown
        for s in range(60)
    )
    assert 0 < alarms <= 13
    found = [
        asked("compare", two(np.random.default_rng(s), 3.0, end=9000, shape=2.0)) for s in range(10)
    ]
    assert sum(a.shown for a in found) >= 8


def test_not_shown_to_differ_never_reads_as_alike():
    r = two(np.random.default_rng(1), each=5, shape=2.0)
    a = asked("compare", r)
    assert not a.shown and "not shown to differ, nor to be alike" in a.sentence
    low, high = (a.lower, a.upper) if a.ratio > 1 else (1 / a.upper, 1 / a.lower)
    assert "agree" not in a.sentence and f"from {low:.2f} to {high:.2f}" in a.sentence


def test_voltage_is_allowed_for_and_what_cannot_be_told_apart_is_refused():
    rng = np.random.default_rng(5)
    volts = np.tile([1200.0, 1600.0], 10)
    t = 3000 * (volts / 1400) ** -7.0 * rng.weibull(2, 20)
    part = np.repeat(["a", "b"], 10)
    a = asked(
        "compare",
        LifeRecords.of(t, t, part=part, covariates={"charge_V": volts}),
        use=["charge_V=1300"],
    )
    assert a.at == {"charge_V": 1300.0} and a.lower < 1 < a.upper
    apart = np.repeat([1200.0, 1600.0], 10)
    with pytest.raises(CannotAnswer, match="changed together"):
        asked("compare", LifeRecords.of(t, t, part=part, covariates={"charge_V": apart}))


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"first": "a"}, "second is missing"),
        ({"first": "a", "second": "a"}, "another than first"),
        ({"first": "a", "second": "zz"}, "second is one of a, b"),
        ({"by": "fuel"}, "fuel"),
        ({"use": ["charge_V=1300"]}, "use has no effect"),
    ],
)
def test_what_cannot_be_compared_is_said(settings, words):
    with pytest.raises(BadInput, match=words):
        asked("compare", two(np.random.default_rng(1)), **settings)


def test_command_says_what_its_json_holds():
    words = ["compare", "--from", DEMO / "life_kite.csv", "--slot", "main_capacitor", "--from", DEMO / "life_nova.csv", "--by", "builder"]  # fmt: skip
    out = json.loads(run(*words, "--json").stdout)
    text = run(*words).stdout
    assert out["sentence"] in text and f"{out['ratio']:.3g}" in text
    run("compare", "--from", DEMO / "life_kite.csv", "--by", "builder", code=2)
