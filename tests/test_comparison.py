"""Choose between two: against the F distribution of exponential lives, scipy, and simulated truths."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, stats

from reliability.decisions.comparison_choices import what_differs
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
    """Exactly scattered lives at two voltages: moved by the exponent of each one's own model, alike parts' curves lie
    together, but for what its prior pulls (less than 0.5 % here)."""
    volts = np.tile([1200.0, 1600.0], 8)
    t = 3000 * (volts / 1400) ** -7.0 * np.repeat([0.7, 0.9, 1.0, 1.2], 4)
    part = np.tile(["a", "a", "b", "b"], 4)
    r = LifeRecords.of(t, t, part=part, covariates={"charge_V": volts})
    a = asked("compare", r, use=["charge_V=1400"])
    assert a.moved
    for side in (a.first, a.second):
        seen = [s.shots for s in side.empirical if s.shots > 0]
        np.testing.assert_allclose(seen[-8::2], [2100, 2700, 3000, 3600], rtol=5e-3)
    plain = asked("compare", LifeRecords.of(t, t, part=part))
    assert not plain.moved


SIDES = {
    "several voltages": {"volts": np.tile([1200.0, 1400.0, 1400.0, 1600.0], 4)},
    "one voltage": {"volts": np.full(16, 1400.0)},
    "no voltage": {},
}


@pytest.mark.parametrize("by", ["part", "builder", "lot"])
@pytest.mark.parametrize("tests", list(SIDES))
def test_what_is_promised_of_the_two_is_what_life_says(tests, by):
    """To the last digit, at the same operating point; with few failures too."""
    for seed, end in ((2, INF), (3, 1500.0)):
        r = two(np.random.default_rng(seed), 1.5, 8, end, 2.0, **SIDES[tests])
        named = {"labels": {"lot": r.part}} if by == "lot" else {by: r.part}
        r = replace(r, **{"part": np.full(16, "film", object), **named})
        a = asked("compare", r, by=by, first="a", second="b")
        use = [f"{k}={v}" for k, v in a.at.items()]
        for side in (a.first, a.second):
            own = {by: [side.name]} if by != "lot" else {"where": [f"lot={side.name}"]}
            alone = asked("life", r, use=use, **own)
            q = alone.quantiles[0]
            assert (side.shots, side.lower, side.n, side.failed) == (
                q.shots,
                q.lower,
                alone.n,
                alone.failed,
            )
            assert side.curve == alone.curve
        assert f"{a.first.lower:,.0f}" in a.sentence or a.first.lower < 1000


def test_promises_stand_where_the_ratio_cannot_be_told():
    """Refused, with what is promised of each."""
    apart = np.repeat([1200.0, 1400.0], 8)
    r = two(np.random.default_rng(7), 1.0, 8, shape=2.0, volts=apart)
    with pytest.raises(CannotAnswer, match="changed together") as e:
        asked("compare", r)
    assert not e.value.partial.told and e.value.partial.first.lower > 0
    assert (
        "shots at 1,400 V" in e.value.partial.sentence
        or "shots at 1,200 V" in e.value.partial.sentence
    )
    none = LifeRecords.of(np.full(8, 3000.0), np.full(8, INF), part=np.repeat(["a", "b"], 4))
    with pytest.raises(CannotAnswer, match="No unit of a or b has failed") as e:
        asked("compare", none)
    assert e.value.partial.first.lower > 0


def test_one_part_that_both_have_is_compared_between_builders():
    """As life and module do: the commonest part; of two builders one that both have tested."""
    rng = np.random.default_rng(9)
    t = 3000 * rng.weibull(2.0, 24)
    part = np.array(["x"] * 8 + ["y"] * 4 + ["y"] * 4 + ["z"] * 8)
    r = LifeRecords.of(t, t, part=part, builder=np.repeat(["kite", "moss"], 12), covariates={"charge_V": np.full(24, 1400.0)})  # fmt: skip
    a = asked("compare", r, by="builder")
    assert a.at["part"] == "y" and {a.first.n, a.second.n} == {4}
    b = asked("compare", r.select(part != "y"), by="builder")
    assert "part" not in b.at and "parts_mixed" in [n.code for n in b.notes]
    with pytest.raises(BadInput, match="use says no part"):
        asked("compare", r, by="part", use=["part=x"])


def test_another_family_is_that_of_the_ratio():
    volts = np.tile([1200.0, 1600.0], 8)
    r = two(np.random.default_rng(5), 1.0, 8, shape=2.0, volts=volts)
    a, b = (asked("compare", r, family=f) for f in ("lognormal", "weibull"))
    assert a.ratio != b.ratio and a.first.lower == b.first.lower
    assert "family_of_ratio" in [n.code for n in a.notes]


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
        ({"use": ["charge_V=1300"]}, "use charge_V has no effect"),
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


def at_voltages(rng, volts, each, exponent=7.0, shape=2.0, end=INF, builder=None):
    """Capacitors run at each of some voltages; life ~ V^-exponent, 3,000 shots at 1,400 V."""
    v = np.repeat(volts, each)
    t = 3000 * (v / 1400) ** -exponent * rng.weibull(shape, v.size)
    n = v.size
    who = ["a"] * n if builder is None else builder
    return LifeRecords.of(
        np.minimum(t, end), np.where(t <= end, t, INF), slot=["main_capacitor"] * n, part=["film"] * n, builder=who,
        module=[f"m{k}" for k in range(n)], unit=[f"u{k}" for k in range(n)], covariates={"charge_V": v},
    )  # fmt: skip


def profile_of_exponent(r, cut):
    """Exponent of life ~ V^-n of complete Weibull lives by scipy: estimate and profile likelihood bounds."""
    x, y = -np.log(r.covariates["charge_V"] / 1400), np.log(r.shots_good)

    def loss(p, n):
        z = (y - p[0] - n * x) / np.exp(p[1])
        return -float((z - np.exp(z) - p[1]).sum())

    def best(n):
        return optimize.minimize(loss, [8.0, -0.7], args=(n,), method="Nelder-Mead",
                                 options={"xatol": 1e-8, "fatol": 1e-9}).fun  # fmt: skip

    top = optimize.minimize_scalar(best, bounds=(3, 11), method="bounded", options={"xatol": 1e-6})
    edge = [
        optimize.brentq(lambda n: 2 * (best(n) - top.fun) - cut, *ends, xtol=1e-4)
        for ends in ((top.x - 4, top.x), (top.x, top.x + 4))
    ]
    return top.x, *edge


def test_two_voltages_have_the_ratio_of_the_power_law():
    """150 complete lives at three voltages: the draws' ratio against (V2 / V1)^n with n and its profile likelihood
    bounds by scipy (one-sided 95 %: 2.706, the chi-square's 90 % point). The prior, normal(7, 4), hardly counts."""
    r = at_voltages(np.random.default_rng(8), [1200.0, 1400.0, 1600.0], 50)
    a = asked("compare", r, by="voltage", first="1200", second="1500")
    want = [(1500 / 1200) ** n for n in profile_of_exponent(r, stats.chi2.ppf(0.9, 1))]
    assert [a.ratio, a.lower, a.upper] == pytest.approx(want, rel=0.02)
    assert a.sure > 0.999 and a.shown and a.ratio == pytest.approx(a.first.shots / a.second.shots)


def test_a_voltage_has_the_numbers_that_life_has_there():
    """One number, one place: each side is what life says at that voltage, and what the module of that slot says."""
    r = at_voltages(np.random.default_rng(2), [1200.0, 1500.0], 6, end=6000)
    a = asked("compare", r, by="voltage", first="1300", second="1500")
    for side, volts in ((a.first, 1300), (a.second, 1500)):
        there = asked("life", r, use=[f"charge_V={volts}"])
        q = there.quantiles[0]
        assert (side.shots, side.lower) == pytest.approx((q.shots, q.lower), rel=1e-5)
        assert (side.n, side.failed) == (there.n, there.failed)
        assert side.curve.shots == pytest.approx(there.curve.shots, rel=1e-5)
        whole = asked("module", r, use=[f"charge_V={volts}"])
        assert side.lower == pytest.approx(whole.life.lower, rel=1e-5)


def test_the_other_voltage_first_is_the_inverse():
    r = at_voltages(np.random.default_rng(6), [1200.0, 1500.0], 6, end=6000)
    a, b = (asked("compare", r, by="voltage", first=x, second=y)
            for x, y in (("1200", "1600"), ("1600", "1200")))  # fmt: skip
    assert (b.ratio, b.lower, b.upper) == pytest.approx((1 / a.ratio, 1 / a.upper, 1 / a.lower), rel=1e-5)  # fmt: skip
    assert a.first.lower == pytest.approx(b.second.lower, rel=1e-5)
    assert a.sentence.split(". ")[0] == b.sentence.split(". ")[0]


def test_tests_at_one_voltage_leave_the_ratio_to_the_prior():
    """Normal(7, 4) cut to 0 to 16 (scipy): its quantiles are the bounds, to half a step of the exponents looked at (1);
    what would tell more is said."""
    r = at_voltages(np.random.default_rng(4), [1400.0], 10)
    a = asked("compare", r, by="voltage", first="1400", second="1600")
    prior = stats.truncnorm((0 - 7) / 4, (16 - 7) / 4, 7, 4)
    told = np.log([a.lower, a.upper]) / np.log(1600 / 1400)
    assert told == pytest.approx(prior.ppf([0.05, 0.95]), abs=0.5)
    codes = {n.code: n.text for n in a.notes}
    assert "comes from a prior" in codes["extrapolated"]
    assert "tests at two voltages" in codes["would_help"]
    whole = asked("module", r, use=["charge_V=1400"])
    assert a.first.lower == pytest.approx(whole.life.lower, rel=0.02)


def test_by_default_the_two_voltages_with_most_units():
    r = at_voltages(np.random.default_rng(4), [1300.0, 1300.0, 1500.0, 1500.0, 1600.0], 4)
    a = asked("compare", r, by="voltage")
    assert (a.first.name, a.second.name) == ("1,300 V", "1,500 V")


@pytest.mark.parametrize(
    ("settings", "words", "error"),
    [
        ({"first": "1200", "second": "2600"}, "no law is trusted that far", CannotAnswer),
        ({"first": "1400", "second": "1405"}, "differs from first by 1% or more", BadInput),
        ({"first": "high", "second": "1400"}, "first is a voltage above 0", BadInput),
        ({"first": "1200", "second": "1400", "use": ["charge_V=1300"]}, "no charge_V where by is voltage", BadInput),
        ({"first": "1200", "second": "1400", "use": ["temp_C=20"]}, "use temp_C has no effect", BadInput),
        ({"first": "1200", "second": "1400", "use": ["part=mica"]}, "part mica was tested in no", CannotAnswer),
        ({"first": "1200", "second": "1400", "family": "lognormal"}, "family has no effect", BadInput),
        ({}, "name both", BadInput),
    ],
)  # fmt: skip
def test_voltages_that_cannot_be_compared_are_said(settings, words, error):
    volts = [1200.0, 1400.0] if settings else [1400.0]
    r = at_voltages(np.random.default_rng(1), volts, 5)
    with pytest.raises(error, match=words):
        asked("compare", r, by="voltage", **settings)


def test_where_nothing_failed_both_promises_are_left_and_no_ratio():
    r = at_voltages(np.random.default_rng(1), [1200.0, 1400.0], 5, end=50)
    with pytest.raises(CannotAnswer, match="nothing tells how its life goes") as e:
        asked("compare", r, by="voltage", first="1200", second="1400")
    a = e.value.partial
    assert not a.answered and a.first.lower >= a.second.lower > 0
    assert "times" not in a.sentence and "at 1,200 V" in a.sentence


def of_two_builders(rng, ratio, each, shape=1.0):
    r = two(rng, ratio, each, shape=shape)
    return LifeRecords.of(r.shots_good, r.shots_failed, builder=r.part, slot=["igniter"] * (2 * each),
                          module=[f"m{k}" for k in range(2 * each)])  # fmt: skip


def test_one_pool_within_another_has_the_f_distribution_of_what_is_apart():
    """a's records against all: the ratio is a's over the rest, with the F distribution's bounds (Lawless 2003, sec. 4.5)."""
    r = of_two_builders(np.random.default_rng(3), 2.0, 9)
    a = asked("compare", r, by="pool", first="a", second="all", family="exponential")
    means = [r.shots_good[r.builder == b].mean() for b in ("a", "b")]
    cut = stats.f.ppf(0.95, 18, 18)
    assert a.of == ("a", "the rest")
    assert a.ratio == pytest.approx(means[0] / means[1], rel=1e-6)
    assert (a.lower, a.upper) == pytest.approx((a.ratio / cut, a.ratio * cut), rel=0.03)
    # exact: 2 T / chi-square with twice the failures (Epstein & Sobel 1953), of a's and of all records
    for side, own in ((a.first, r.builder == "a"), (a.second, r.builder != "")):
        exact = -np.log(0.9) * 2 * r.shots_good[own].sum() / stats.chi2.ppf(0.95, 2 * own.sum())
        assert side.lower == pytest.approx(exact, rel=0.02)


def test_a_pool_has_the_numbers_that_life_has_on_it():
    rng = np.random.default_rng(5)
    volts = [1200.0, 1500.0]
    r = at_voltages(rng, volts, 12, end=8000, builder=np.tile(["a", "b", "c"], 8))
    a = asked("compare", r, by="pool", first="a", second="a+b", use=["charge_V=1300"])
    for side, builders in ((a.first, ["a"]), (a.second, ["a", "b"])):
        q = asked("life", r, builder=builders, use=["charge_V=1300"]).quantiles[0]
        assert (side.shots, side.lower) == (q.shots, q.lower)
    apart = asked("compare", r, by="builder", first="a", second="b")
    assert (a.ratio, a.lower, a.upper) == pytest.approx((apart.ratio, apart.lower, apart.upper))
    both = asked("compare", r, by="pool", first="a+c", second="b+c", use=["charge_V=1300"])
    assert both.of == ("the rest of a+c", "the rest of b+c")
    assert both.ratio == pytest.approx(a.ratio)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"first": "a", "second": "z"}, "second is all, or one or more .* of a, b, not 'z'"),
        ({"first": "all", "second": "a+b"}, "the same builders again"),
        ({"first": "a"}, "second is missing"),
        ({"first": "a", "second": "all", "use": ["pressure_Pa=3"]}, "use names charge_V"),
    ],
)
def test_pools_that_cannot_be_compared_are_said(settings, words):
    with pytest.raises(BadInput, match=words):
        asked("compare", of_two_builders(np.random.default_rng(1), 2.0, 5), by="pool", **settings)


def test_a_pool_that_does_not_carry_the_point_is_refused_and_an_untold_ratio_leaves_both_promises():
    rng = np.random.default_rng(9)
    r = at_voltages(rng, [1200.0, 1500.0], 8, builder=np.repeat(["a", "b"], 8))
    with pytest.raises(CannotAnswer, match="On a: main_capacitor: 2,000 V is more than"):
        asked("compare", r, by="pool", first="a", second="all", use=["charge_V=2000"])
    # each builder at a voltage of its own
    with pytest.raises(CannotAnswer, match=r"cannot be told: .*changed together") as e:
        asked("compare", r, by="pool", first="a", second="all", use=["charge_V=1200"])
    a = e.value.partial
    want = asked("life", r, builder=["a"], use=["charge_V=1200"]).quantiles[0]
    assert (a.first.lower, a.told, a.answered) == (want.lower, False, False)


def test_commands_of_voltages_and_pools_exit_as_they_should():
    words = [
        "compare",
        "--from",
        DEMO / "life_kite.csv",
        "--slot",
        "main_capacitor",
        "--from",
        DEMO / "life_nova.csv",
    ]
    for more in (["--by", "voltage", "--first", "1300", "--second", "1600"], ["--by", "pool", "--first", "kite", "--second", "all"]):  # fmt: skip
        out = json.loads(run(*words, *more, "--json").stdout)
        text = run(*words, *more).stdout
        least = out["lower"] if out["ratio"] > 1 else 1 / out["upper"]
        assert out["sentence"] in text and f"{least:.3g}" in text
    text = run(*words, "--by", "voltage", "--first", "1300", "--second", "5000", code=3)
    assert "no law is trusted that far" in text.stderr


def units(**columns):
    """Eight igniters, half of them failed, with these labels or voltages."""
    volts = columns.pop("charge_V", None)
    return LifeRecords.of(
        [900, 1100, 1300, 1500] * 2, [900, 1100, INF, INF] * 2, slot=["igniter"] * 8, unit=[f"u{k}" for k in range(8)],
        module=[f"m{k}" for k in range(8)], covariates={} if volts is None else {"charge_V": volts},
        **({"builder": ["ash"] * 8} | columns),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("columns", "by"),
    [
        ({"part": ["a", "b"] * 4, "builder": ["ash", "elm"] * 4}, "part"),
        ({"part": ["a"] * 8, "builder": ["ash", "elm"] * 4}, "builder"),
        ({"part": ["a"] * 8, "lot": ["l1", "l2"] * 4}, "lot"),
        ({"part": ["a"] * 8, "charge_V": np.tile([1200.0, 1400.0], 4)}, "voltage"),
    ],
)
def test_what_two_differ_in_is_by_default_what_there_are_two_of(columns, by):
    assert what_differs(units(**columns), "", "") == by


@pytest.mark.parametrize(
    ("first", "second", "by"),
    [("elm", "ash", "builder"), ("1200", "1400", "voltage"), ("1250", "1300", "voltage"), ("ash", "all", "pool"), ("m0", "m1", "module")],
)  # fmt: skip
def test_two_that_are_named_say_themselves_what_they_differ_in(first, second, by):
    r = units(
        part=["a", "b"] * 4,
        builder=["ash", "elm"] * 4,
        charge_V=[1200.0, 1200.0, 1400.0, 1400.0] * 2,
    )
    assert what_differs(r, first, second) == by


def test_two_that_are_not_two_of_anything_are_refused():
    with pytest.raises(BadInput, match="two of one kind: part"):
        asked("compare", units(part=["a", "b"] * 4), first="oak", second="yew")


def test_where_there_are_not_two_of_anything_it_says_which_records_would_help():
    r = units(part=["a"] * 8, charge_V=np.full(8, 1400.0))
    with pytest.raises(CannotAnswer) as e:
        asked("compare", r)
    said = str(e.value)
    for words in (
        "8 units of the igniter",
        "one part (a)",
        "one builder (ash)",
        "1,400 V",
        "another part",
        "by module",
    ):
        assert words in said
    with pytest.raises(
        BadInput,
        match=r"There are not two to compare by lot: no unit says its lot; there are two or more by module.",
    ):
        asked("compare", r, by="lot")


def test_a_share_of_simulations_is_never_certainty():
    r = at_voltages(np.random.default_rng(8), [1200.0, 1600.0], 40)
    a = asked("compare", r, by="voltage", first="1200", second="1600")
    assert a.sure == 1.0 and a.sure_text == "more than 99.9 %"
