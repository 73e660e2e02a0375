"""Failures with several suspects in the model of a module: against the likelihood as it is written, and in answers."""

import numpy as np
import pytest
from scipy.optimize import minimize

from reliability.records import LifeRecords, join
from reliability.slots import grid
from reliability.slots.exposure import Asked, slot_data
from reliability.slots.grid import SHAPES, best
from reliability.slots.promise import ModuleModel
from reliability.slots.suspects import SuspectedModel, module_model

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


def test_height_is_the_likelihood_as_written():
    """Product of survivals times the sum of the suspects' hazards (Flehinger et al. 2002), maximised by scipy
    over both rates at the grid's shapes."""
    r = modules(1)
    m = module_model(slots_of(r))
    assert isinstance(m, SuspectedModel) and len(m.events) >= 3
    shapes = [SHAPES[int(best(c)[1][0])] for c in m.cells]
    t = {s: r.shots_good[r.slot == s] / m.scale for s in SLOTS}
    known = {s: (r.failed & (r.event == ""))[r.slot == s] for s in SLOTS}
    hidden = (r.event != "")[r.slot == SLOTS[0]]

    def minus(theta):
        out = 0.0
        hazards = {}
        for s, b, rate in zip(SLOTS, shapes, np.exp(theta), strict=True):
            hazards[s] = rate * b * t[s] ** (b - 1)
            out += np.log(hazards[s][known[s]]).sum() - (rate * t[s] ** b).sum()
            out -= grid.penalty(m.slots[0])[list(SHAPES).index(b), 0]
        return -(out + np.log(sum(h[hidden] for h in hazards.values())).sum())

    found = minimize(
        minus, [0.0, 0.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-10}
    )
    assert m.heights[0] == pytest.approx(-found.fun, abs=2e-4)
    rates = [c.failures[0] / c.exposure[int(best(c)[1][0]), 0] for c in m.cells]
    assert np.log(rates) == pytest.approx(found.x, abs=0.02)


def test_known_causes_are_the_usual_model():
    r = modules(2, unknown=0.0)
    assert type(module_model(slots_of(r))) is ModuleModel


def test_shares_add_up_and_a_lone_suspect_is_the_failure():
    r = modules(3)
    m = module_model(slots_of(r))
    assert sum(m.reckoned().values()) == pytest.approx(len(m.events))
    assert all(w.sum() == pytest.approx(1.0) for w in m.shares)
    alone = module_model(slots_of(r)[:1])
    assert alone.reckoned() == {"main_capacitor": pytest.approx(len(m.events))}
    plain = ModuleModel(
        [slot_data("main_capacitor", r.select(r.slot == "main_capacitor"), Asked())]
    )
    assert alone.life(0.1) == pytest.approx(plain.life(0.1))


def test_not_knowing_shortens_the_promise_and_counting_twice_does_more():
    """Each suspect counted as failed is the habit that this replaces: it doubles the hidden failures."""
    r = modules(4, n=30)
    m = module_model(slots_of(r))
    cut = m.cut(0.9, 0.95)
    here = m.promise(0.9, cut)
    assert here <= m.as_if_known(0.9, cut) * 1.001
    twice = ModuleModel(slots_of(r))
    assert twice.life(0.5) < 0.95 * m.life(0.5)


def test_join_keeps_events():
    r = modules(5)
    assert (join([r, r.select(np.zeros(len(r), bool))]).event == r.event).all()
