"""Derating from the mission: the physics against outside facts, the plans against each other and other questions."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from reliability.decisions.bank import Bank
from reliability.decisions.derating_mission import DerateMission
from reliability.decisions.impulse import fit_impulse, impulse_of_records, read_impulse
from reliability.notes import BadInput, CannotAnswer
from reliability.records import LifeRecords, join
from reliability.sheets.life import read_life
from reliability.sheets.wear import read_wear
from tests.asking import asked
from tests.command import run

DEMO = Path(__file__).parents[1] / "datasets" / "demo"


def demo(*builders):
    return join([read_life(DEMO / f"life_{b}.csv").records for b in builders])


@pytest.fixture(scope="module")
def kite():
    return demo("kite")


def planned(records, **settings):
    return asked("derate_mission", records, **{"impulse": "0.65@1^1.2", **settings})


def test_velocity_change_is_on_the_safe_side_of_the_rocket_equation():
    """Krejci, Seifert & Scharlemann (2013), Acta Astronautica 91, 187-193 (abstract, read): a specific impulse of some
    904 s, and 5.1 m/s for a satellite of one unit (1.33 kg, common practice)."""
    speed, mass, exhaust = 5.1, 1.33, 904 * 9.80665
    ours = DerateMission(delta_v=speed, mass=mass).impulse_Ns
    # impulse of the fuel that the rocket equation asks for, m0 (1 - exp(-dv / ve)) at ve
    asked_for = mass * -np.expm1(-speed / exhaust) * exhaust
    assert 0 < ours / asked_for - 1 < 1e-3


def test_shots_needed_and_impulse_bit_of_a_published_thruster():
    """The same paper: 1.7 N s in all from a million discharges at 1.8 J (both read), so 1.7 uN s a shot there."""
    records = LifeRecords.of(
        [1000.0, 1100.0, 900.0, 1500.0] * 2, [1000.0, 1100.0, 900.0, 1500.0] * 2, slot=["main_capacitor"] * 8,
        covariates={"charge_V": np.repeat([1000.0, 900.0], 4), "capacitance_uF": np.full(8, 3.6),
                    "rated_V": np.full(8, 2000.0)},
    )  # fmt: skip
    a = planned(
        records, impulse="1.7@1.8", total_impulse=1.7, use=["charge_V=1000"], parallel=1, series=1
    )
    assert a.best.energy_J == pytest.approx(1.8)
    assert a.best.needed == pytest.approx(1e6)


def test_days_and_power_at_the_pace(kite):
    """Thrust is impulse bit times rate: 0.349 uN of 0.698 uN s at 0.5 Hz (Aerospace 2023, 10(3), 316). Power is energy
    times rate over efficiency: 56 J once a second from 70 W is 0.8 (EO-1, from memory)."""
    a = planned(kite, total_impulse=0.002, rate_hz=0.5, duty=0.2, efficiency=0.8)
    p = a.best
    thrust = 1e-6 * p.impulse_bit_lower_uNs * 0.5
    assert p.days * 86400 * 0.2 * thrust == pytest.approx(0.002)
    assert p.average_W == pytest.approx(p.energy_J * 0.5 * 0.2 / 0.8)
    assert p.bus_A == pytest.approx(p.average_W / 3.3)
    slowed = planned(
        kite, total_impulse=0.002, rate_hz=0.5, duty=0.2, efficiency=0.8, power_w=p.average_W / 4
    )
    assert max(q.average_W for q in slowed.curve) <= p.average_W / 4 * (1 + 1e-12)
    assert slowed.best.days == pytest.approx(4 * p.days)


def test_energy_and_margin_are_what_they_are_called(kite):
    """C V^2 / 2 of the whole bank; needed is total impulse over impulse bit; margin is promised over needed at most."""
    a = planned(kite, total_impulse=0.002, impulse="0.65@1^1.2+-10%")
    for p in [a.best, a.lightest, *a.curve]:
        total = 0.5e-6 * p.parallel / p.series
        assert p.energy_J == pytest.approx(0.5 * total * p.charge_V**2)
        assert p.impulse_bit_uNs == pytest.approx(0.65 * p.energy_J**1.2)
        assert p.needed == pytest.approx(0.002 / (1e-6 * p.impulse_bit_uNs))
        assert p.needed_most == pytest.approx(p.needed / 0.9)
        assert p.margin == pytest.approx(p.promised / p.needed_most)


def test_where_promised_meets_needed_is_the_allowed_voltage(kite):
    """In shots, and for the bank as recorded, the highest voltage that passes is what derate allows."""
    capacitors = kite.select(kite.slot == "main_capacitor")
    a = asked("derate_mission", capacitors, shots=3000, parallel=2, series=1)
    allowed = asked("derate", capacitors, shots=3000).allowed
    assert a.banks[0].highest.charge_V == pytest.approx(allowed.charge_V, rel=1e-6)
    # a bank stated as it is recorded is the bank as recorded
    stated = asked("derate", capacitors, shots=3000, parallel=2).allowed
    assert stated.charge_V == pytest.approx(allowed.charge_V, rel=1e-12)


def test_rating_to_look_for_is_its_own_where_the_bank_just_passes(kite):
    a = planned(kite, total_impulse=0.002)
    for b in (x for x in a.banks if x.highest is not None):
        at = planned(
            kite, total_impulse=0.002, use=[f"charge_V={b.highest.charge_V!r}"], parallel=b.parallel, series=b.series
        )  # fmt: skip
        assert at.look_for.rated_V == pytest.approx(2000.0, rel=1e-3)
        assert at.best.margin == pytest.approx(1.0, rel=1e-3)


def test_best_plans_are_the_best_of_all_looked_at(kite):
    """Against a loop by hand over voltages and banks, each asked for by itself."""
    a = planned(kite, total_impulse=0.002, capacitors=3)
    by_hand = []
    for parallel in (1, 2, 3):
        for volts in np.linspace(1200, 1600, 9):
            try:
                one = planned(
                    kite,
                    total_impulse=0.002,
                    parallel=parallel,
                    series=1,
                    use=[f"charge_V={volts}"],
                )
            except CannotAnswer as e:
                one = e.partial
            by_hand.append(one.best)
    assert a.best.margin >= max(p.margin for p in by_hand) * (1 - 1e-9)
    passing = [p for p in by_hand if p.passes]
    assert a.lightest.parallel * a.lightest.series <= min(p.parallel for p in passing)
    assert a.quickest.days <= min(p.days for p in passing) * (1 + 1e-9)


def test_more_asked_never_gains(kite):
    def margin(**more):
        a = asked_or_partial(
            kite,
            **{
                "total_impulse": 0.002,
                "parallel": 2,
                "series": 1,
                "use": ["charge_V=2600" if "series" in more else "charge_V=1300"],
                **more,
            },
        )
        return a.best.margin

    usual = margin()
    harder = [
        margin(total_impulse=0.004), margin(survival=0.95), margin(confidence=0.99), margin(impulse="0.65@1^1.2+-20%"),
        margin(series=2, unequal=0.2),
    ]  # fmt: skip
    assert all(m <= usual * (1 + 1e-9) for m in harder[:4])
    assert harder[4] < margin(series=2)


def asked_or_partial(records, **settings):
    try:
        return planned(records, **settings)
    except CannotAnswer as e:
        return e.partial


def test_hazards_of_a_bank_add():
    """First short of k equal capacitors: the smallest of k lives. A record that is a bank of two stands for two."""
    rng = np.random.default_rng(3)
    lives = rng.weibull(2.4, (200_000, 4))
    at = 0.3
    single, four = (lives[:, :k].min(axis=1) > at for k in (1, 4))
    assert Bank(1.0, 4).record_survival(four.mean()) == pytest.approx(single.mean(), abs=2e-3)
    pair = (lives[:, :2].min(axis=1) > at).mean()
    assert Bank(1.0, 4, recorded=(2, 1)).record_survival(four.mean()) == pytest.approx(
        pair, abs=2e-3
    )


def test_impulse_bit_from_a_column_of_the_records():
    """The same pairs of energy and bit give the same law, read as readings or as a column."""
    records, wear = demo("kite", "lynx", "moss", "nova", "orca"), read_wear(DEMO / "wear.csv")
    fit = fit_impulse(wear, records)
    own = wear.of_quantity("impulse_bit_uNs")
    bits = dict(zip(own.module.tolist(), own.value.tolist(), strict=True))
    main = records.select(records.slot == "main_capacitor")
    first = np.array([m not in main.module[:i] for i, m in enumerate(main.module)])
    column = np.array(
        [bits.get(m, np.nan) if f else np.nan for m, f in zip(main.module, first, strict=True)]
    )
    with_bits = replace(main, covariates={**main.covariates, "impulse_bit_uNs": column})
    other = impulse_of_records(with_bits)
    assert other.readings == fit.readings
    assert other.bit_uNs(0.8) == pytest.approx(fit.bit_uNs(0.8), rel=1e-9)
    assert other.lower_uNs(0.8, 0.95) == pytest.approx(fit.lower_uNs(0.8, 0.95), rel=1e-9)


def test_impulse_of_the_demo_covers_its_truth():
    """0.65 uN s at 1 J to the power 1.2 (the demo's truth): within the band of the fit."""
    records, wear = demo("kite", "lynx", "moss", "nova", "orca"), read_wear(DEMO / "wear.csv")
    a = asked(
        "derate_mission",
        records,
        wear=wear,
        total_impulse=0.002,
        slot=["main_capacitor"],
        part=["mica-c"],
    )
    for p in a.curve:
        assert p.impulse_bit_lower_uNs <= 0.65 * p.energy_J**1.2 * 1.01


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ({}, "state the mission once"),
        ({"total_impulse": 1, "shots": 3}, "state the mission once"),
        ({"delta_v": 1}, "mass"),
        ({"total_impulse": 1, "mass": 2}, "no effect"),
        ({"shots": 10, "impulse": "1@1"}, "no effect"),
        ({"total_impulse": 1, "unequal": 0.1, "capacitors": 1}, "no effect"),
        ({"total_impulse": 1, "capacitors": 3, "parallel": 2, "series": 2}, "no effect"),
        ({"total_impulse": 1, "capacitors": 3, "parallel": 4}, "at least 4"),
        ({"total_impulse": 1, "use": ["temp_C=20"]}, "charge_V"),
        ({"total_impulse": 1, "impulse": "0.65"}, "cannot read impulse"),
        ({"total_impulse": 1, "impulse": "0.65@1+-120%"}, "cannot read impulse"),
    ],
)
def test_what_does_not_go_together_is_refused(settings, says):
    with pytest.raises(BadInput, match=says):
        DerateMission(**settings)


def test_what_is_not_carried_is_refused(kite):
    with pytest.raises(CannotAnswer, match="impulse a shot gives is not known"):
        asked("derate_mission", kite, total_impulse=0.002)
    with pytest.raises(CannotAnswer, match="quickest takes"):
        planned(kite, total_impulse=0.002, within_days=0.001)
    with pytest.raises(CannotAnswer, match="keeps all of"):
        planned(kite, total_impulse=0.002, use=["charge_V=100"])
    with pytest.raises(CannotAnswer, match="beyond the tested"):
        planned(kite, total_impulse=0.002, rate_hz=5)
    bare = LifeRecords.of(
        [100.0, 200.0],
        slot=["main_capacitor"] * 2,
        covariates={"charge_V": np.array([1000.0, 1200.0])},
    )
    with pytest.raises(CannotAnswer, match="capacitance"):
        planned(bare, total_impulse=0.002)
    with pytest.raises(BadInput, match="no effect"):
        asked("derate_mission", bare, shots=10, power_w=1)


def test_what_no_plan_meets_is_said_with_what_can_be_met(kite):
    a = asked_or_partial(kite, total_impulse=5.0)
    assert not a.answered and not a.passes and a.best.margin < 1
    assert a.reach == pytest.approx(5.0 * a.best.margin) and "No plan" in a.sentence
    # what it says can be met is met
    met = planned(
        kite, total_impulse=0.999 * a.reach, parallel=a.best.parallel, series=a.best.series
    )
    assert met.answered


def test_band_is_read():
    assert read_impulse("0.65@0.2^1.2+-10%").lower_uNs(0.2, 0.95) == pytest.approx(0.585)
    assert read_impulse("0.65@0.2^1.2").lower_uNs(0.2, 0.95) == pytest.approx(0.65)


def test_command_line():
    files = ("--from", DEMO / "life_kite.csv", "--from", DEMO / "wear.csv")
    out = run("derate", *files, "--delta-v", 0.002, "--mass", 1).stdout
    assert "promised against" in out and "rating" in out
    run("derate", *files, "--total-impulse", 1, code=3)
    run("derate", *files, "--total-impulse", 1, "--compare", code=2)
    run("derate", *files, "--total-impulse", 1, "--stress", "charge_V:power", code=2)
    run("derate", *files, "--shots", 100, "--mass", 1, code=2)
