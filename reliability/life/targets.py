"""What a bound is asked for: quantile, survival, shape or coefficient, each as a linear hypothesis.

A target has a value ``v`` on an unbounded scale, so that no bound can leave its range: the log of
a quantile, the standardised log life at a count (survival is ``S0(v)``), the log of
``beta = 1/sigma``, or a location coefficient.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.life.families import Family
from reliability.life.likelihood import Held

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LogQuantile:
    """Log of the count (less the sample's centre) at which a fraction has failed.

    Attributes
    ----------
    z : float
        Standard quantile of the family at that fraction.
    x : tuple of float
        Covariates of the item asked about, without intercept.
    """

    z: float
    x: tuple[float, ...] = ()

    def value(self, phi: Array) -> Array:
        """Value at parameters (p, B), (B,)."""
        return (self.z - _location(phi, self.x)) / phi[0]

    def held(self, v: Array | float) -> Held:
        """The hypothesis that the value is ``v``."""
        coef: dict[int, Array | float] = {0: -np.asarray(v, float)}
        coef |= {2 + j: -x for j, x in enumerate(self.x)}
        return Held(1, self.z, coef)

    def gradient(self, phi: Array) -> Array:
        """Derivative in phi, (p,)."""
        v = self.value(phi)[0]
        return np.concatenate(([-v], [-1.0], -np.asarray(self.x))) / phi[0, 0]


@dataclass(frozen=True)
class LogLife:
    """Standardised log life at a count: survival there is S0(v), so larger v is worse.

    Attributes
    ----------
    y : float
        Log count less the sample's centre.
    x : tuple of float
        Covariates of the item asked about, without intercept.
    """

    y: float
    x: tuple[float, ...] = ()

    def value(self, phi: Array) -> Array:
        """Value at parameters (p, B), (B,)."""
        return phi[0] * self.y + _location(phi, self.x)

    def held(self, v: Array | float) -> Held:
        """The hypothesis that the value is ``v``."""
        coef: dict[int, Array | float] = {0: -self.y}
        coef |= {2 + j: -x for j, x in enumerate(self.x)}
        return Held(1, np.asarray(v, float), coef)

    def gradient(self, phi: Array) -> Array:
        """Derivative in phi, (p,)."""
        return np.concatenate(([self.y], [1.0], self.x))


@dataclass(frozen=True)
class LogShape:
    """Log of beta = 1/sigma (the Weibull shape)."""

    def value(self, phi: Array) -> Array:
        """Value at parameters (p, B), (B,)."""
        return np.log(phi[0])

    def held(self, v: Array | float) -> Held:
        """The hypothesis that the value is ``v``."""
        return Held(0, np.exp(v))

    def gradient(self, phi: Array) -> Array:
        """Derivative in phi, (p,)."""
        out = np.zeros(phi.shape[0])
        out[0] = 1.0 / phi[0, 0]
        return out


@dataclass(frozen=True)
class Coefficient:
    """Location coefficient of covariate j (0-based, without intercept) in log life."""

    j: int

    def value(self, phi: Array) -> Array:
        """Value at parameters (p, B), (B,)."""
        return -phi[2 + self.j] / phi[0]

    def held(self, v: Array | float) -> Held:
        """The hypothesis that the value is ``v``."""
        return Held(2 + self.j, 0.0, {0: -np.asarray(v, float)})

    def gradient(self, phi: Array) -> Array:
        """Derivative in phi, (p,)."""
        out = np.zeros(phi.shape[0])
        out[0] = phi[2 + self.j, 0] / phi[0, 0] ** 2
        out[2 + self.j] = -1.0 / phi[0, 0]
        return out


Target = LogQuantile | LogLife | LogShape | Coefficient


def quantile_target(family: Family, fraction: float, x: tuple[float, ...] = ()) -> LogQuantile:
    """Target for the count at which ``fraction`` of units has failed."""
    return LogQuantile(float(family.quantile(np.asarray(fraction))), x)


def _location(phi: Array, x: tuple[float, ...]) -> Array:
    out = phi[1]
    for j, xj in enumerate(x):
        out = out + xj * phi[2 + j]
    return out
