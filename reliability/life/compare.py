"""Two groups: the ratio of their lives, and how sure the difference is."""

from __future__ import annotations

import numpy as np

from reliability.life.bounds import Bound
from reliability.life.calibrated import simulated_roots
from reliability.life.signed_root import signed_root
from reliability.life.stress import StressFit
from reliability.life.stress_bounds import StressBounder
from reliability.life.targets import Coefficient

DRAWS = 1999


class Comparison:
    """Two groups with a common shape (Lawless 2003, sec. 5.2), other stresses adjusted for.

    Parameters
    ----------
    fit : StressFit
        Of the records of the two, ``column`` a categorical term.
    column : str
    names : (str, str)
        The ratio is of the first to the second.
    confidence : float
        One-sided.
    seed : int
    """

    def __init__(
        self, fit: StressFit, column: str, names: tuple[str, str], confidence: float = 0.95, seed: int = 1
    ) -> None:  # fmt: skip
        self.fit, self.column, self.names = fit, column, names
        self.bounder = StressBounder(fit, confidence, "calibrated", seed)
        self.at = next(k for k, c in enumerate(fit.design) if c.level)
        self.turned = fit.design[self.at].level != names[0]

    def ratio(self) -> Bound:
        """Life of the first over the second, at equal shape, with one-sided bounds."""
        b = self.bounder.coefficient(self.at)
        e, lo, hi = (float(v) for v in np.exp([b.estimate, b.lower, b.upper]))
        if self.turned:
            e, lo, hi = 1 / e, 1 / hi, 1 / lo
        return Bound(e, lo, hi, b.mc_error, b.method)

    def sure(self) -> float:
        """1 less the chance, simulated, of a difference as large if the two lived alike.

        Of tests drawn again under the fit in which they do; one-sided, for the one that is estimated better.
        """
        b = self.bounder
        target, zero = Coefficient(self.at), 0.0
        root, phi = signed_root(
            self.fit.family, self.fit.sample, target, np.array([zero]), self.fit.phi, b.loglik
        )
        rng = np.random.default_rng([b.seed, 53])
        draws = int(np.clip(600_000 // max(b.scheme.size, 1), 199, DRAWS))
        roots = simulated_roots(self.fit.family, b.scheme, target, zero, phi, draws, rng)
        roots = roots[np.isfinite(roots)]
        side = 1.0 if root[0] >= 0 else -1.0
        beyond = int((side * roots >= side * float(root[0])).sum())
        return float(1.0 - (1 + beyond) / (1 + roots.size))
