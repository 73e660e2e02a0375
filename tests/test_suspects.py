"""Failures with several suspects, and modes, in the model of a module: against exact sums, and in answers."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import gammaln

from reliability.records import LifeRecords, join
from reliability.slots import draws, grid
from reliability.slots.exposure import Asked, slot_data
from reliability.slots.promise import ModuleModel

INF = float("inf")
SLOTS = ("main_capacitor", "switch")
TRUTH = {"main_capacitor": (2.0, 3000.0), "switch": (1.0, 12000.0)}


def modules(seed, n=20, unknown=0.4, end=3500.0):
    """Modules of a capacitor and a switch, run until the first fails or the test ends; of a share of the
    failures it is not known which it was."""
    rng = np.random.default_rng([20261126, seed])
    rows = []
    for m in range(n):
        life = {s: scale * rng.weibull(shape) for s, (shape, scale) in TRUTH.items()}
        first = min(life, key=life.get)
        t = min(life[first], end)
        hidden = life[first] <= end and rng.random() < unknown
        for s in SLOTS:
            dead = life[first] <= end and (hidden or s == first)
            rows.append((f"m{m}", s, t, t if dead else INF, "e1" if hidden else ""))
    module, slot, good, failed, event = zip(*rows, strict=True)
    return LifeRecords.of(
        good, failed, module=module, slot=slot, event=event, builder=["b"] * len(rows),
        unit=[f"{s[:3]}1" for s in slot],
    )  # fmt: skip


def slots_of(records):
    return [slot_data(s, records.select(records.slot == s), Asked()) for s in SLOTS]


def all_failed(slots):
    """The slots with every suspect counted as failed."""
    return [replace(s, units=replace(s.units, suspects={})) for s in slots]


def test_shares_are_the_mean_of_the_posterior_by_direct_sums(monkeypatch):
    """Three hidden failures, shapes held at 1 in both slots: each falls to a slot in the mean by the share
    that the exact sum over all eight readings gives (Flehinger et al. 2002, gamma integrals by hand)."""
    for module in (grid, draws):
        monkeypatch.setattr(module, "SHAPES", np.array([1.0]))
    for chances in ("PLAIN_EARLY", "SEEN_EARLY"):
        monkeypatch.setattr(draws, chances, np.full(4, 1e-13))
    dead = {SLOTS[0]: 6, SLOTS[1]: 2}
    total = dict.fromkeys(SLOTS, 40 * 1000.0)
    # weights of k of 3 hidden failures being the capacitor's: gamma integrals with 1/4 failure before
    k = np.arange(4)
    log = gammaln(dead[SLOTS[0]] + k + grid.HALF) + gammaln(dead[SLOTS[1]] + 3 - k + grid.HALF)
    log -= (dead[SLOTS[0]] + k) * np.log(total[SLOTS[0]]) + (dead[SLOTS[1]] + 3 - k) * np.log(
        total[SLOTS[1]]
    )
    weight = np.exp(log - log.max()) * np.array([1, 3, 3, 1])
    exact = float(weight @ k / weight.sum())
    rows = []
    for m in range(40):
        for s in SLOTS:
            known = m < dead[s] if s == SLOTS[0] else 10 <= m < 10 + dead[s]
            hidden = 20 <= m < 23
            rows.append(
                (f"m{m}", s, 1000.0, 1000.0 if known or hidden else INF, "e" if hidden else "")
            )
    module, slot, good, failed, event = zip(*rows, strict=True)
    r = LifeRecords.of(
        good,
        failed,
        module=module,
        slot=slot,
        event=event,
        builder=["b"] * 80,
        unit=[s[:3] for s in slot],
    )
    means = []
    for seed in range(30):
        own = ModuleModel(slots_of(r), seed=seed).reckoned()
        assert sum(own.values()) == pytest.approx(3)
        means.append(own[SLOTS[0]])
    error = np.std(means) / np.sqrt(len(means))
    assert np.mean(means) == pytest.approx(exact, abs=4 * error)


def test_known_causes_need_no_readings():
    m = ModuleModel(slots_of(modules(2, unknown=0.0)))
    assert m.readings is None and m.suspected() == 0 and m.reckoned() == {}


def test_a_lone_suspect_is_the_failure():
    r = modules(3)
    alone = ModuleModel(slots_of(r)[:1])
    hidden = int((r.event[r.slot == SLOTS[0]] != "").sum())
    assert alone.reckoned() == {"main_capacitor": pytest.approx(hidden)}
    own = r.select(r.slot == SLOTS[0])
    plain = ModuleModel(
        [slot_data(SLOTS[0], replace(own, event=np.full(len(own), "", object)), Asked())]
    )
    assert alone.promise(0.9, 0.95) == pytest.approx(plain.promise(0.9, 0.95), rel=0.05)


def test_not_knowing_shortens_the_promise_and_counting_twice_does_more():
    """Each suspect counted as failed is the habit that this replaces: it doubles the hidden failures."""
    ratios = []
    for seed in range(6):
        m = ModuleModel(slots_of(modules(seed, n=30)))
        ratios.append(m.promise(0.9, 0.95) / m.as_if_known().promise(0.9, 0.95))
        twice = ModuleModel(all_failed(slots_of(modules(seed, n=30))))
        assert twice.life(0.5) < 0.95 * m.life(0.5)
    assert np.median(ratios) < 1.02


def test_recorded_modes_are_hazards_of_their_own():
    """Six shorts along the test and six worn out at its end: as one Weibull the early end is not told."""
    short, worn = np.linspace(300, 4000, 6), np.linspace(4600, 5000, 6)
    t = np.concatenate((short, worn, np.full(8, 5000.0)))
    failed = np.where(np.arange(20) < 12, t, INF)
    mode = ["short"] * 6 + ["worn"] * 6 + [""] * 8
    both = LifeRecords.of(t, failed, slot=["c"] * 20, mode=mode)
    m = ModuleModel([slot_data("c", both, Asked())])
    assert len(m.causes.parts) == 2 and not m.causes.events
    early = m.hazard(0, 400.0)
    # the shorts alone: 6 failures, shape about 1, some 69,000 shots in all
    assert early == pytest.approx(6 * 400 / t.sum(), rel=0.6)
    t = np.concatenate((short, np.linspace(4600, 5000, 8), np.full(8, 5000.0)))
    failed = np.where(np.arange(22) < 14, t, INF)
    mode = ["unknown", *["short"] * 5, *["worn"] * 8, *[""] * 8]
    one_unknown = LifeRecords.of(t, failed, slot=["c"] * 22, mode=mode)
    hidden = ModuleModel([slot_data("c", one_unknown, Asked())])
    assert len(hidden.causes.events) == 1
    # dead at 300 of 5,000 shots: no wear-out
    assert hidden.readings.shares[0][0] > 0.9


def test_join_keeps_events():
    r = modules(5)
    assert (join([r, r.select(np.zeros(len(r), bool))]).event == r.event).all()
