"""Does a harder question ever get a longer promise? Hundreds of seeded random communities.

    python -m tests.benchmarks.monotone [--cases 60]

Compared: higher voltage, confidence, wanted survival, longer mission (must never be longer, exactly);
one more failure-free unit in every slot (reported: the cut is simulated anew, so that it is not exact).
"""

from __future__ import annotations

import argparse
from itertools import pairwise

import numpy as np

from reliability.records import LifeRecords, join
from reliability.slots.model import Point, fresh_module
from reliability.slots.promise import Ask, survival
from tests.test_slots_promise import community, shots_of


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    p.add_argument("--cases", type=int, default=60)
    p.add_argument("--draws", type=int, default=250)
    a = p.parse_args()
    up: dict[str, list[float]] = {
        k: [] for k in ("voltage", "confidence", "survival", "mission", "free unit")
    }
    for seed in range(a.cases):
        r = community(1000 + seed)

        def ask(s: float = 0.9, c: float = 0.95) -> Ask:
            return Ask(s, c, a.draws)

        def compare(name: str, chain: list[float]) -> None:
            up[name] += [np.log((b + 1e-9) / (x + 1e-9)) for x, b in pairwise(chain)]

        first = shots_of(r, ask=ask())
        compare("voltage", [first, *(shots_of(r, v, ask()) for v in (1320.0, 1400.0, 1500.0))])
        compare("confidence", [shots_of(r, ask=ask(c=0.9)), first, shots_of(r, ask=ask(c=0.99))])
        compare("survival", [shots_of(r, ask=ask(0.85)), first])
        m = fresh_module(r, Point({"charge_V": 1300.0}))
        compare("mission", [s.lower for s in survival(m, [100.0, 130.0, 500.0], ask())])
        slots = sorted(set(r.slot.tolist()))
        extra = LifeRecords.of(
            [3000.0] * len(slots), slot=slots, module=["more"] * len(slots), part=["p"] * len(slots),
            covariates={"charge_V": [1300.0] * len(slots)},
        )  # fmt: skip
        compare("free unit", [shots_of(join([r, extra]), ask=ask()), first])
    for name, v in up.items():
        x = np.array(v)
        print(
            f"{name:11s} {x.size:5d} compared, {(x > 1e-9).sum():3d} longer, worst {np.exp(x.max()):.3f} times"
        )


if __name__ == "__main__":
    main()
