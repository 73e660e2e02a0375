"""Names beside curves of steps: no other curve, and no other name, passes through the words."""

from itertools import pairwise

import altair as alt
import numpy as np
import pytest

from reliability.figures.steps import Steps, step_layers


def curves(rng, n):
    """Survival curves that lie apart from the middle on, each with its own end."""
    out = []
    for i in range(n):
        at = np.sort(rng.uniform(0, 1000, 12)) + 1
        out.append(Steps(f"kind {i}", 1.0, list(zip(at, np.linspace(0.98, 0.1 + 0.8 * i / n, 12), strict=True))))  # fmt: skip
    return out


def names(given):
    """Where each name is put: (shots, share)."""
    layers = step_layers(given, alt.X("at:Q"), alt.Y("y:Q"), "k")
    texts = [x.to_dict() for x in layers if x.to_dict()["mark"]["type"] == "text"]
    rows = [next(iter(t["datasets"].values()))[0] if "datasets" in t else t["data"]["values"][0] for t in texts]  # fmt: skip
    return {r["text"]: (r["at"], r["y"]) for r in rows}


@pytest.mark.parametrize("seed", range(20))
def test_no_curve_and_no_other_name_passes_through_a_name(seed):
    given = curves(np.random.default_rng(seed), 3)
    found = names(given)
    assert set(found) == {c.name for c in given}
    for c in given:
        at, y = found[c.name]
        assert (at, y) in [tuple(p) for p in c.points]  # a name stands at a step of its own curve
        middle = y + 0.03
        for other in given:
            if other is c:
                continue
            steps = [(0.0, other.begin), *other.points]
            for (a, v), (b, _) in pairwise(steps):
                if a < at + 60 and b > at:
                    assert abs(v - middle) > 0.02, (c.name, other.name)
    places = sorted(found.values())
    assert all(abs(a[0] - b[0]) > 60 or abs(a[1] - b[1]) > 0.05 for a, b in pairwise(places))


def test_curves_without_a_step_have_no_name_to_place():
    assert names([Steps("none", 1.0, [(0.0, 1.0)])]) == {"none": (0.0, 1.0)}
    assert step_layers([], alt.X("at:Q"), alt.Y("y:Q"), "k") == []
