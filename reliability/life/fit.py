"""One fitted life model: maximum likelihood, its parameters, curves and notes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.histories import lives_of
from reliability.life.engine import fit_batch, information
from reliability.life.existence import check_existence
from reliability.life.families import Family, family
from reliability.life.sample import Sample, sample_of
from reliability.notes import CannotAnswer, Note
from reliability.records import LifeRecords

Array = NDArray[np.float64]


class NoMaximum(CannotAnswer):
    """The likelihood has no maximum on these data; ``code`` says which case it is."""

    def __init__(self, code: str, reason: str) -> None:
        super().__init__(reason)
        self.code = code


@dataclass(frozen=True)
class LifeFit:
    """A fitted log-location-scale life model without covariates.

    Attributes
    ----------
    family : Family
    mu, sigma : float
        Log-location and log-scale: ln T = mu + sigma W. For the Weibull, shape = 1/sigma and
        scale = exp(mu); for the lognormal mu and sigma are mean and standard deviation of ln T.
    loglik : float
        Of the density in shots, as R's ``survreg`` prints it.
    cov : array (2, 2)
        Covariance of (mu, ln sigma) from the observed information.
    n, failed : float
        Units and failed units.
    phi : array (2, 1)
        The same parameters as the engine holds them, on logs less ``sample.centre``.
    sample : Sample
        What was fitted.
    notes : tuple of Note
    """

    family: Family
    mu: float
    sigma: float
    loglik: float
    cov: Array
    n: float
    failed: float
    phi: Array
    sample: Sample
    notes: tuple[Note, ...] = ()

    @property
    def shape(self) -> float:
        """1/sigma; the Weibull and log-logistic shape."""
        return 1.0 / self.sigma

    @property
    def scale(self) -> float:
        """exp(mu): characteristic life (Weibull), median (lognormal, log-logistic)."""
        return float(np.exp(self.mu))

    @property
    def parameters(self) -> int:
        """Number of fitted parameters."""
        return 2 if self.family.shape_free else 1

    def quantile(self, fraction: float) -> float:
        """Count at which ``fraction`` of units has failed."""
        return float(np.exp(self.mu + self.sigma * self.family.quantile(np.asarray(fraction))))

    def survival(self, shots: Array | float) -> Array:
        """Survival at these counts."""
        with np.errstate(divide="ignore"):
            w = (np.log(np.asarray(shots, float)) - self.mu) / self.sigma
        return self.family.survival(w)


def few_failure_notes(failed: float) -> tuple[Note, ...]:
    """Warnings that go with a small number of failures."""
    if failed > 3:
        return ()
    text = (
        f"Only {failed:g} failure{'s' if failed != 1 else ''}: the bounds rest on very little. What "
        "narrows them most: more units on test, a sourced prior on the shape, pooled builders, or "
        "a test at higher stress."
    )
    if failed <= 2:
        text += (
            " With 2 or fewer failures the bound keeps its confidence over repeated tests of "
            "this design, but less often among those tests that end with so few."
        )
    return (Note("few_failures", text),)


def log_jacobian(records: LifeRecords) -> float:
    """Sum of ln t over exact failures: from densities in ln t to densities in t."""
    e = records.exact
    return float((records.count[e] * np.log(records.shots_good[e])).sum())


def fit_life(records: LifeRecords, family_name: str = "weibull") -> LifeFit:
    """Fit one family to life records by maximum likelihood.

    Parameters
    ----------
    records : LifeRecords
        Stretches of one unit count as one life, whatever the stress.
    family_name : str
        ``weibull``, ``lognormal``, ``loglogistic`` or ``exponential``.

    Returns
    -------
    LifeFit

    Raises
    ------
    NoMaximum
        If these data have no maximum of the likelihood; the message says why.
    BadInput
        If records of one unit contradict each other.
    ValueError
        For an unknown family.

    Notes
    -----
    Likelihood of censored, truncated and grouped lives: Lawless (2003), sec. 2.2 to 2.4 and 5.1.
    The counts are centred on the log scale, so the result does not depend on their unit.

    Examples
    --------
    >>> r = LifeRecords.of([10.0, 20.0, 30.0], [10.0, 20.0, 30.0])
    >>> round(fit_life(r, "exponential").scale, 6)
    20.0
    """
    fam = family(family_name)
    records = lives_of(records)
    existence = check_existence(records, fam.shape_free)
    if not existence.exists:
        raise NoMaximum(existence.code, existence.reason)
    sample = sample_of(records)
    result = fit_batch(fam, sample, tol=1e-19, max_iter=200)
    if not result.converged[0]:
        if result.runaway[0] and result.phi[0, 0] < 1e-3:
            raise NoMaximum(
                "no_trend",
                "Units seen failed were not the older ones: the likelihood grows without end as "
                "the shape goes to 0, so no life model of this kind fits these data.",
            )
        raise NoMaximum(
            "no_convergence",
            "The likelihood of these data has no maximum that could be found inside the allowed "
            "range of shapes; late entry with few failures does this. Add records.",
        )
    phi = result.phi
    beta, alpha = float(phi[0, 0]), float(phi[1, 0])
    mu, sigma = -alpha / beta + sample.centre, 1.0 / beta
    return LifeFit(
        fam,
        mu,
        sigma,
        float(result.loglik[0]) - log_jacobian(records),
        _covariance(fam, sample, phi),
        records.units,
        records.failures,
        phi,
        sample,
        few_failure_notes(records.failures),
    )


FLAT = 1e8
"""variance of an engine parameter (of the order of 1 where the data say anything) that means: unknown"""


def phi_covariance(fam: Family, sample: Sample, phi: Array) -> Array:
    """Covariance (p, p) of the engine's parameters from the observed information.

    Raises
    ------
    NoMaximum
        Where the likelihood is flat in some direction: Newton then stopped on its way to infinity.
    """
    info = information(fam, sample, phi)
    free = slice(0, None) if fam.shape_free else slice(1, None)
    cov = np.zeros_like(info)
    try:
        cov[free, free] = np.linalg.inv(info[free, free])
    except np.linalg.LinAlgError:
        cov[:] = np.inf
    if not (np.diag(cov) < FLAT).all():
        raise NoMaximum(
            "flat_likelihood",
            "The likelihood of these data is flat in one direction, so no fit can be told from another; late entry "
            "with few failures does this. Add records of units watched from new.",
        )
    return cov


def _covariance(fam: Family, sample: Sample, phi: Array) -> Array:
    """Covariance of (mu, ln sigma) by the delta method."""
    beta, alpha = phi[0, 0], phi[1, 0]
    jac = np.array([[alpha / beta**2, -1.0 / beta], [-1.0 / beta, 0.0]])
    return jac @ phi_covariance(fam, sample, phi) @ jac.T
