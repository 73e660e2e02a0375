"""The grid of what a slot's hazard may look like: shapes and stress coefficients, with penalties.

A unit that fired ``L_l`` shots at stress level ``l`` has the age ``tau(k) = sum_l L_l exp(k . x_l)``
in shots at a reference stress (cumulative exposure; Nelson 1990, Accelerated Testing, ch. 10), and
the cumulative hazard ``lambda tau^beta``. A cell is one ``(beta, k)``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Penalty:
    """Normal penalty on one number, in units of log-likelihood.

    Attributes
    ----------
    mean, sd : float
        Of ln shape, of the voltage exponent, or of the activation energy in eV.
    source : str
        Where it comes from, for people; says "a choice" where it is one.
    """

    mean: float
    sd: float
    source: str

    def of(self, value: Array) -> Array:
        """Half the squared standardised distance."""
        return 0.5 * ((value - self.mean) / self.sd) ** 2


SHAPE_PENALTY = Penalty(
    float(np.log(1.5)), 0.5, "ln shape about ln 1.5, spread 0.5: a choice, checked by simulation"
)


SHAPES = (0.25, 10.0, 40)
"""Lowest and highest shape of the grid and their number."""


@dataclass(frozen=True)
class Cells:
    """All cells of a slot.

    Attributes
    ----------
    beta : array (m,)
        Shapes.
    k : array (e, s)
        Stress coefficients, one column a stress.
    penalty : array (m, e)
    """

    beta: Array
    k: Array
    penalty: Array

    @classmethod
    def of(
        cls,
        shape: Penalty | None = SHAPE_PENALTY,
        stresses: tuple[tuple[Array, Penalty], ...] = (),
        shapes: tuple[float, float, int] = SHAPES,
        fixed_shape: float | None = None,
    ) -> Cells:
        """The product grid.

        Parameters
        ----------
        shape : Penalty or None
        stresses : tuple of (grid, Penalty)
            One a stress.
        shapes : (float, float, int)
            Lowest and highest shape and how many, evenly spaced in logs.
        fixed_shape : float, optional
            Hold the shape here (1: exponential life).
        """
        beta = np.geomspace(*shapes) if fixed_shape is None else np.array([fixed_shape])
        mesh = np.meshgrid(*(g for g, _ in stresses), indexing="ij")
        k = np.stack([m.ravel() for m in mesh], axis=1) if stresses else np.zeros((1, 0))
        pen = np.zeros((beta.size, k.shape[0]))
        if shape is not None and fixed_shape is None:
            pen += shape.of(np.log(beta))[:, None]
        for j, (_, p) in enumerate(stresses):
            pen += p.of(k[:, j])[None, :]
        return cls(beta, k, pen)

    @property
    def shape(self) -> tuple[int, int]:
        """(m, e)."""
        return self.beta.size, self.k.shape[0]

    def factor(self, x: Array) -> Array:
        """ln of the age factor of stress levels, (e, l), for coordinates x (l, s)."""
        return np.asarray(self.k @ x.T)
