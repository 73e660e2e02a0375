"""The second opinion without a family, against R's coxph, theory and simulation."""

import csv
from pathlib import Path

import numpy as np
import pytest

import reliability
from reliability.ask.asking import ask
from reliability.ask.sources import Files
from reliability.decisions.builders import Builders
from reliability.decisions.derating import Derate
from reliability.decisions.derating_parts import DerateParts
from reliability.life.second_opinion import (
    Design,
    Parametric,
    cox_of_groups,
    cox_of_stress,
)
from reliability.life.stress import fit_stress, parse_term
from reliability.notes import BadInput, CannotAnswer
from reliability.records import LifeRecords

REFERENCE = Path(__file__).parent / "reference"
INF = float("inf")


def data(late):
    with open(REFERENCE / "cox_data.csv") as f:
        rows = list(csv.DictReader(f))
    time = np.array([float(r["time"]) for r in rows])
    dead = np.array([r["dead"] == "1" for r in rows])
    begun = np.array([float(r["entry"]) for r in rows]) * late
    volts = np.exp([float(r["x"]) for r in rows])
    builder, module = (np.array([r[k] for r in rows], dtype=object) for k in ("builder", "module"))
    records = LifeRecords.of(
        time, np.where(dead, time, INF), shots_from=begun, covariates={"charge_V": volts}
    )
    return records, builder, module


def results():
    """R 4.2.2, survival 3.5-3 (tests/reference/cox.R)."""
    text = (REFERENCE / "cox_results.csv").read_text().split()
    return {k: float(v) for k, v in (line.split(",") for line in text)}


def error(opinion):
    """Standard error from a 95 % one-sided bound."""
    return (opinion.upper - opinion.coefficient) / 1.6448536269514722


@pytest.mark.parametrize(
    ("late", "name", "spread"), [(0, "plain", "plain_robust"), (1, "late", "late_jackknife")]
)
def test_stress_with_strata_clusters_and_late_entry_as_coxph(late, name, spread):
    records, builder, module = data(late)
    a = cox_of_stress(records, "charge_V", design=Design(builder, module))
    r = results()
    assert a.coefficient == pytest.approx(r[name], rel=1e-6)
    assert error(a) == pytest.approx(r[spread], rel=1e-5)
    assert (a.proportional_p is None) == bool(late)


def test_builders_adjusted_for_voltage_as_coxph():
    records, builder, _ = data(0)
    a = cox_of_groups(records, builder, {"ln V": np.log(records.covariates["charge_V"])})
    r = results()
    assert a.groups[0] == "a"
    assert np.log(a.hazard_ratio["b"]) == pytest.approx(r["builder_b"], rel=1e-6)
    assert np.log(a.hazard_ratio["c"]) == pytest.approx(r["builder_c"], abs=1e-7)
    assert a.p == pytest.approx(r["builders_p"], rel=1e-6)


def lives(seed, exponent=6.0, shape=2.0, n=300, late=False):
    g = np.random.default_rng(seed)
    volts = np.repeat([1200.0, 1400.0, 1600.0], n // 3)
    life = 5000 * (volts / 1400) ** -exponent * g.weibull(shape, n)
    stop = g.uniform(1000, 12000, n)
    begun = np.where(g.random(n) < 0.5, 0.3 * stop, 0.0) if late else np.zeros(n)
    kept = np.minimum(life, stop) > begun
    life, stop, begun, volts = life[kept], stop[kept], begun[kept], volts[kept]
    return LifeRecords.of(
        np.minimum(life, stop), np.where(life <= stop, life, INF), shots_from=begun, covariates={"charge_V": volts}
    )  # fmt: skip


@pytest.mark.parametrize("late", [False, True])
def test_weibull_stress_model_is_supported(late):
    """Weibull lives: the coefficient of ln V is n times the shape (Kalbfleisch & Prentice 2002, 2.3.4)."""
    records = lives(3, late=late)
    fit = fit_stress(records, [parse_term("charge_V:power")], "weibull")
    a = cox_of_stress(
        records, "charge_V", Parametric(fit.coefficients[0], 1 / fit.sigma), Design(confidence=0.99)
    )
    assert a.expected == pytest.approx(12, rel=0.15)
    assert a.supports and "agrees" in a.sentence


def test_a_wrong_exponent_is_not_supported():
    a = cox_of_stress(lives(3), "charge_V", Parametric(3.0, 2.0))
    assert not a.supports and "does not agree" in a.sentence
    assert cox_of_stress(lives(3), "charge_V", Parametric(6.0, 2.0, "lognormal")).supports is None


def test_bounds_keep_their_confidence():
    """Each bound by itself 95 %, at 60 units; 60 sets, so 51 or more of 60 with chance 0.997."""
    held = [0, 0]
    for seed in range(60):
        a = cox_of_stress(lives(100 + seed, n=60), "charge_V")
        held[0] += a.lower <= 12
        held[1] += a.upper >= 12
    assert min(held) >= 51


def test_crossing_hazards_are_noticed():
    """Shape 0.7 at one voltage, 4 at the other: hazards are anything but proportional."""
    g = np.random.default_rng(5)
    t = np.concatenate((3000 * g.weibull(0.7, 80), 3000 * g.weibull(4, 80)))
    records = LifeRecords.of(t, t, covariates={"charge_V": np.repeat([1200.0, 1600.0], 80)})
    a = cox_of_stress(records, "charge_V")
    assert a.proportional_p < 1e-4
    assert a.notes[0].code == "not_proportional"


def test_counts_are_units():
    t, v = [100, 200, 300, 400, 500, 600.0], [1600, 1400, 1600, 1200, 1400, 1200.0]
    count = [1, 2, 1, 3, 1, 2]
    many = LifeRecords.of(t, t, count=count, covariates={"charge_V": v})
    each = LifeRecords.of(
        np.repeat(t, count), np.repeat(t, count), covariates={"charge_V": np.repeat(v, count)}
    )
    a, b = cox_of_stress(many, "charge_V"), cox_of_stress(each, "charge_V")
    assert (a.coefficient, a.lower) == pytest.approx((b.coefficient, b.lower))


@pytest.mark.parametrize(
    ("t", "failed", "v", "words"),
    [
        ([1, 2, 3, 4, 5], [1, 1, 0, 0, 0], [1, 2, 1, 2, 1], "2 failures"),
        ([1, 2, 3, 4, 5], [1, 1, 1, 0, 0], [2, 2, 2, 2, 2], "did not differ"),
        ([1, 2, 3, 4, 5], [1, 1, 1, 0, 0], [3, 3, 3, 2, 2], "highest charge_V"),
        ([1, 2, 3, 4, 5], [1, 1, 1, 1, 0], [1, 2, 3, 4, 5], "lowest charge_V"),
    ],
)  # fmt: skip
def test_what_cannot_be_answered_is_said(t, failed, v, words):
    t = np.array(t, float)
    records = LifeRecords.of(t, np.where(failed, t, INF), covariates={"charge_V": v})
    with pytest.raises(CannotAnswer, match=words):
        cox_of_stress(records, "charge_V")


def test_unknown_or_impossible_columns_and_silent_groups_are_refused():
    records = LifeRecords.of([1, 2, 3, 4.0], [1, 2, 3, 4.0], covariates={"charge_V": [0, 1, 2, 3]})
    with pytest.raises(BadInput, match="no column"):
        cox_of_stress(records, "peak_A")
    with pytest.raises(BadInput, match="above 0"):
        cox_of_stress(records, "charge_V")
    groups = np.array(["a", "a", "a", "b"], dtype=object)
    with pytest.raises(CannotAnswer, match="no failure in b"):
        cox_of_groups(LifeRecords.of([1, 2, 3, 4.0], [1, 2, 3, INF]), groups)
    with pytest.raises(CannotAnswer, match="two groups"):
        cox_of_groups(records, np.array(["a"] * 4, dtype=object))
    with pytest.raises(CannotAnswer, match="one cluster"):
        cox_of_groups(
            LifeRecords.of([1, 2, 3, 4.0], [1, 2, 3, 4.0]), groups, design=Design(clusters=np.array(["m"] * 4, dtype=object))
        )  # fmt: skip


def demo(name="life_*.csv"):
    folder = Path(__file__).parents[1] / "datasets" / "demo"
    return Files(tuple(sorted(folder.glob(name))))


def test_derate_asks_it_by_name_in_strata_of_parts():
    """The demo's lives follow V^-7 by its generator, whatever the part."""
    q = {
        "slot": ("main_capacitor",),
        "stress": ("charge_V:power", "part:categorical"),
        "bound": "likelihood",
    }
    assert ask(Derate(**q), demo()).second_opinion is None
    a = ask(Derate(**q, second_opinion=True), demo())
    found = a.second_opinion
    assert found.lower < 7 * a.shape < found.upper and found.supports
    assert found.expected == pytest.approx(a.coefficients[0].estimate * a.shape)


def test_derate_with_another_stress_is_not_compared():
    q = Derate(
        slot=("main_capacitor",), part=("film-a",), stress=("charge_V:power", "temp_C:linear"),
        bound="likelihood", second_opinion=True,
    )  # fmt: skip
    a = ask(q, demo())
    assert a.second_opinion.expected is None
    assert "second_opinion_partial" in [n.code for n in a.notes]


def test_builders_ask_it_by_name():
    a = ask(Builders(slot=("main_capacitor",), second_opinion=True), demo())
    found = a.second_opinion
    assert found.groups == tuple(sorted(b.builder for b in a.builders))
    assert all(found.lower[g] < found.hazard_ratio[g] < found.upper[g] for g in found.groups[1:])


def test_parts_side_by_side_refuse_it():
    q = DerateParts(slot=("main_capacitor",), shots=800, second_opinion=True)
    with pytest.raises(BadInput, match="one part"):
        ask(q, demo())


def test_parts_that_stand_for_one_are_said_first():
    q = {
        "slot": ("main_capacitor",),
        "shots": 3000,
        "stress": ("charge_V:power",),
        "bound": "likelihood",
    }
    mixed = ask(Derate(**q, part=("film-a", "ceramic-b")), demo())
    assert "parts_mixed" in [n.code for n in mixed.notes[:3]] and "parts mixed" in mixed.sentence
    one = ask(Derate(**q, part=("film-a",)), demo())
    assert "parts_mixed" not in [n.code for n in one.notes] and "mixed" not in one.sentence


def test_of_several_parts_the_commonest_is_derated_and_named():
    """As module and life take it; counted from the demo's records."""
    q = {"slot": ("main_capacitor",), "shots": 3000, "stress": ("charge_V:power",), "bound": "likelihood"}  # fmt: skip
    r = reliability.demo().records
    parts = r.part[r.slot == "main_capacitor"].tolist()
    most = max(sorted(set(parts)), key=parts.count)
    a = ask(Derate(**q), demo())
    assert f"part {most}" in a.sentence and a.use["part"] == most
    assert a.allowed.charge_V == ask(Derate(**q, part=(most,)), demo()).allowed.charge_V
    (note,) = [n.text for n in a.notes if n.code == "one_part"]
    assert all(p in note for p in set(parts))
    other = next(p for p in sorted(set(parts)) if p != most)
    said = ask(Derate(**q, use=(f"part={other}",)), demo())
    assert said.allowed.charge_V == ask(Derate(**q, part=(other,)), demo()).allowed.charge_V
    with pytest.raises(CannotAnswer, match="was tested in no main capacitor"):
        ask(Derate(**q, use=("part=none",)), demo())
    by_term = ask(Derate(**q | {"stress": ("charge_V:power", "part:categorical")}), demo())
    assert by_term.n > a.n and "one_part" not in [n.code for n in by_term.notes]
