"""Life against stress: censored regression of log life on voltage, temperature and more.

``ln T = b0 + sum of terms + sigma W``. Terms:

* ``column:power``      life ~ stress^-n; the estimate is n
* ``column:arrhenius``  life ~ exp(Ea / kT), column in degrees Celsius; the estimate is Ea in eV
* ``column:linear``     the estimate is the change of ln life per unit
* ``column:categorical`` each level's ln life less the most frequent level's

and products of two numeric terms, ``a:power*b:arrhenius``. Sources: Nelson (1990), Accelerated
Testing, ch. 2 and 5; Meeker & Escobar (1998), ch. 17 to 19. k = 8.617333262e-5 eV/K (CODATA).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.histories import histories_of
from reliability.life.engine import fit_batch
from reliability.life.exposure import log_life
from reliability.life.families import Family, family
from reliability.life.fit import few_failure_notes, log_jacobian, phi_covariance
from reliability.life.sample import Sample, doses, sample_of
from reliability.life.targets import LogQuantile
from reliability.life.units import Units, units_of
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.records import LifeRecords

Array = NDArray[np.float64]

BOLTZMANN_EV = 8.617333262e-5
FORMS = ("power", "arrhenius", "linear", "categorical")


@dataclass(frozen=True)
class Term:
    """One term of the stress model.

    Attributes
    ----------
    column, form : str
        For a product, of its first factor.
    other : Term or None
        Second factor of a product.
    """

    column: str
    form: str
    other: Term | None = None

    @property
    def name(self) -> str:
        """As it is written on the command line."""
        own = f"{self.column}:{self.form}"
        return own if self.other is None else f"{own}*{self.other.name}"

    def transform(self, value: Array | float) -> Array:
        """The number whose coefficient is the estimate."""
        v = np.asarray(value, float)
        if self.form == "power":
            return -np.log(v)
        if self.form == "arrhenius":
            return np.asarray(1.0 / (BOLTZMANN_EV * (v + 273.15)))
        return v


def parse_term(text: str) -> Term:
    """Read ``column:form`` or ``column:form*column:form``. Raises BadInput."""
    first, star, second = text.partition("*")
    column, colon, form = first.strip().rpartition(":")
    if not colon or not column or form not in FORMS:
        raise BadInput(
            f"cannot read the stress {text!r}; allowed: column:form with form {', '.join(FORMS)}, "
            "or two of them joined by *"
        )
    if not star:
        return Term(column, form)
    other = parse_term(second)
    if form == "categorical" or other.form == "categorical":
        raise BadInput("products are for numeric terms only")
    return Term(column, form, other)


@dataclass(frozen=True)
class Column:
    """One column of the design: where it comes from and how it was centred and scaled."""

    term: Term
    level: str
    centre: float
    spread: float
    other_centre: float = 0.0

    @property
    def name(self) -> str:
        """Name for people: the term, with the level of a categorical one."""
        return f"{self.term.column}={self.level}" if self.level else self.term.name

    def value(self, stress: Mapping[str, float | str | Array]) -> Array:
        """Centred and scaled value at a stress."""
        if self.term.form == "categorical":
            given = stress[self.term.column]
            raw = np.asarray(np.asarray(given) == self.level, float)
        else:
            raw = self.term.transform(_number(stress, self.term.column))
            if self.term.other is not None:
                second = self.term.other.transform(_number(stress, self.term.other.column))
                raw = (raw - self.centre) * (second - self.other_centre)
                return np.asarray(raw / self.spread)
        return np.asarray((raw - self.centre) / self.spread)


def _number(stress: Mapping[str, float | str | Array], column: str) -> Array:
    return np.asarray(stress[column], float)


@dataclass(frozen=True)
class StressFit:
    """A fitted stress model.

    Attributes
    ----------
    family : Family
    terms : tuple of Term
    design : tuple of Column
    sigma : float
    loglik : float
        Of the density in shots, as R's ``survreg`` prints it.
    coefficients : array (q - 1,)
        One for each design column, in the term's own unit.
    phi : array (p, 1)
        As the engine holds them (centred and scaled columns).
    cov : array (p, p)
        Covariance of ``phi``.
    sample : Sample
    records : LifeRecords
        Those used, one element a stretch: complete in every stress column.
    x : array (n, q - 1)
        Covariates of each record.
    notes : tuple of Note
    units, failures : float
        Units, counts included, and those that failed; a unit counts once however many stretches.
    """

    family: Family
    terms: tuple[Term, ...]
    design: tuple[Column, ...]
    sigma: float
    loglik: float
    coefficients: Array
    phi: Array
    cov: Array
    sample: Sample
    records: LifeRecords
    x: Array
    notes: tuple[Note, ...]
    units: float = 0.0
    failures: float = 0.0

    def at(self, stress: Mapping[str, float | str | Array]) -> tuple[float, ...]:
        """Design values at a stress (each a number, or an array where the stress is one).

        Raises
        ------
        BadInput
            If a column of the model is missing or a level is unknown.
        """
        for term in self.terms:
            for part in (term, *([term.other] if term.other else [])):
                if part.column not in stress:
                    raise BadInput(f"the stress model needs {part.column}; give it with --use")
        return tuple(c.value(stress) for c in self.design)  # type: ignore[misc]

    def tested(self, column: str) -> tuple[float, float]:
        """Lowest and highest level of a numeric stress in the tests."""
        levels = np.asarray(self.records.column(column), float)
        return float(levels.min()), float(levels.max())

    def quantile_target(
        self, fraction: float, stress: Mapping[str, float | str | Array]
    ) -> LogQuantile:
        """Target for the log life at a stress by which ``fraction`` has failed."""
        return LogQuantile(float(self.family.quantile(np.asarray(fraction))), self.at(stress))

    def quantile(self, fraction: float, stress: Mapping[str, float | str | Array]) -> Array:
        """Shots by which ``fraction`` has failed at a stress."""
        v = self.quantile_target(fraction, stress).value(self.phi)
        return np.exp(v + self.sample.centre)

    def residuals(self) -> tuple[Array, Array]:
        """Standardised log residuals w (lower and upper end of what is known) of each unit, (m,) each.

        Of units with stretches at different stresses: the log of their cumulative exposure over sigma.
        """
        units = units_of(self.records, self.x)
        location = self.phi[1, 0] + units.x @ self.phi[2:, 0]
        with np.errstate(divide="ignore"):
            lo = np.log(units.records.shots_good) - self.sample.centre
            hi = np.log(units.records.shots_failed) - self.sample.centre
        low, high = self.phi[0, 0] * lo + location, self.phi[0, 0] * hi + location
        at = np.flatnonzero(units.varying)
        if at.size:
            ends, x = units.stretches(at)
            for w, count in ((low, units.records.shots_good), (high, units.records.shots_failed)):
                dose = doses(ends, count[at][:, None], self.sample.centre)
                w[at] = log_life(x, dose, self.phi)[:, 0]
        return low, high


def usable(records: LifeRecords, terms: Sequence[Term]) -> tuple[LifeRecords, tuple[Note, ...]]:
    """Records that have every stress column; a note says how many were left out."""
    keep = np.ones(len(records), bool)
    for term in terms:
        for part in (term, *([term.other] if term.other else [])):
            try:
                values = records.column(part.column)
            except KeyError:
                raise CannotAnswer(
                    f"No record gives {part.column}; add the column to the life sheets."
                ) from None
            if part.form == "categorical":
                keep &= np.array([bool(str(v)) for v in values])
                continue
            if values.dtype == object:
                raise BadInput(f"{part.column} holds texts; use {part.column}:categorical")
            numeric = np.asarray(values, float)
            keep &= ~np.isnan(numeric)
            if part.form == "power" and (numeric[~np.isnan(numeric)] <= 0).any():
                raise BadInput(
                    f"{part.column} has values of 0 or less; a power needs values above 0"
                )
            if part.form == "arrhenius" and (numeric[~np.isnan(numeric)] <= -273.15).any():
                raise BadInput(f"{part.column} has values below absolute zero")
    if keep.all():
        return records, ()
    if not keep.any():
        raise CannotAnswer("No record gives every stress column of the model.")
    h = histories_of(records)
    # a history is used whole or not at all
    whole = np.bincount(h.unit, ~keep[h.order], len(h)) == 0
    if not whole.any():
        raise CannotAnswer("No unit has every stress column of the model in all its stretches.")
    left = h.records.count[h.last[~whole]].sum()
    note = Note("missing_stress", f"{left:g} units are left out: a stress column is empty there.")
    kept = np.sort(h.select(whole).order)
    return records.select(kept), (note,)


def _design(records: LifeRecords, terms: Sequence[Term]) -> tuple[Column, ...]:
    columns: list[Column] = []
    for term in terms:
        values = records.column(term.column)
        if term.form == "categorical":
            labels = np.array([label_of(v) for v in values], object)
            levels, counts = np.unique(labels.astype(str), return_counts=True)
            if len(levels) < 2:
                raise CannotAnswer(
                    f"All tests have one {term.column}, {levels[0]}: how life depends on it cannot be told. Leave {term.name} "
                    "out of the stresses, or choose more records."
                )
            reference = levels[counts.argmax()]
            for level in levels:
                if level != reference:
                    columns.append(Column(term, str(level), 0.0, 1.0))
            continue
        t = term.transform(np.asarray(values, float))
        centre, spread = float(t.mean()), float(t.std())
        if term.other is None:
            if not spread > 1e-12 * max(abs(centre), 1e-300):
                raise OneLevel(term, float(np.asarray(values, float)[0]))
            columns.append(Column(term, "", centre, spread))
        else:
            u = term.other.transform(np.asarray(records.column(term.other.column), float))
            product = (t - centre) * (u - u.mean())
            columns.append(Column(term, "", centre, float(product.std()) or 1.0, float(u.mean())))
    return tuple(columns)


def label_of(value: object) -> str:
    """A label as records and questions say it: numbers without a needless fraction."""
    return f"{value:g}" if isinstance(value, float) else str(value)


class OneLevel(CannotAnswer):
    """A stress that was tested at one level only."""

    def __init__(self, term: Term, level: float) -> None:
        self.term, self.level = term, level
        super().__init__(
            f"All tests ran at one {term.column}, {level:g}: how life depends on it cannot be told. "
            f"Test some units at another {term.column} (for a capacitor, 15 to 30 % higher brings "
            "failures soon), or give a prior for its exponent."
        )


class ChangedTogether(CannotAnswer):
    """Stress terms that changed together in every test."""


def stress_of(records: LifeRecords, terms: Sequence[Term]) -> dict[str, Array]:
    """The stress columns of the records, as the design wants them."""
    out: dict[str, Array] = {}
    for term in terms:
        for part in (term, *([term.other] if term.other else [])):
            values = records.column(part.column)
            if part.form == "categorical":
                out[part.column] = np.array([label_of(v) for v in values])
            else:
                out[part.column] = np.asarray(values, float)
    return out


def fit_stress(
    records: LifeRecords, terms: Sequence[Term], family_name: str = "weibull"
) -> StressFit:
    """Fit a stress model by maximum likelihood.

    Parameters
    ----------
    records : LifeRecords
    terms : sequence of Term
    family_name : str

    Raises
    ------
    OneLevel
        If a numeric stress was tested at one level only.
    CannotAnswer
        If these data have no maximum of the likelihood, or terms that cannot be told apart.
    BadInput
        For unusable columns.

    Notes
    -----
    Source: Lawless (2003), sec. 6.3; the likelihood is the one of ``fit_life``.
    """
    fam = family(family_name)
    if not terms:
        raise BadInput("give at least one stress term, such as charge_V:power")
    records, notes = usable(records, terms)
    design = _design(records, terms)
    stress = stress_of(records, terms)
    x = np.column_stack([c.value(stress) for c in design])
    full = np.column_stack((np.ones(len(records)), x))
    if np.linalg.matrix_rank(full, tol=1e-8) < full.shape[1]:
        raise ChangedTogether(
            "The stress terms changed together in every test, so their effects cannot be told apart. "
            "Leave a term out, or vary one while the others stay."
        )
    if not records.failed.any():
        raise CannotAnswer(
            "No unit has failed, so nothing can be said on how life depends on stress."
        )
    sample = sample_of(records, x)
    units = units_of(records, x)
    _check_maximum(units, sample, design)
    result = fit_batch(fam, sample, tol=1e-19, max_iter=300)
    if not result.converged[0]:
        raise CannotAnswer(
            "The stress model has no maximum of the likelihood on these data; leave a term out or "
            "add tests."
        )
    phi = result.phi
    beta = float(phi[0, 0])
    spreads = np.array([c.spread for c in design])
    return StressFit(
        fam, tuple(terms), design, 1.0 / beta, float(result.loglik[0]) - log_jacobian(records),
        -phi[2:, 0] / beta / spreads, phi, phi_covariance(fam, sample, phi), sample, records, x,
        notes + few_failure_notes(records.failures), units.records.units, units.records.failures,
    )  # fmt: skip


def _check_maximum(units: Units, sample: Sample, design: tuple[Column, ...]) -> None:
    """Refuse data on which some direction never lowers the likelihood (see ``existence``).

    A linear programme looks for ``d`` with ``u = d_beta y + x.d_gamma`` 0 at exact failures, at
    most 0 where good, at least 0 where failed. With stretches at different stresses ``u`` is the
    largest over stretches, linear only where d_beta is 0: then only such directions are looked for
    here, and a shape that runs away shows in the fit itself.
    """
    from scipy.optimize import linprog

    records = units.records
    full = np.column_stack((np.ones(len(records)), units.x))
    with np.errstate(divide="ignore"):
        good = np.log(records.shots_good) - sample.centre
        failed = np.log(records.shots_failed) - sample.centre
    upper, equal = [], []
    exact = records.exact
    scale = max(np.abs(good[np.isfinite(good)]).max(initial=1e-9), 1e-9)
    for i in np.flatnonzero(exact):
        equal.append(np.concatenate(([good[i] / scale], full[i])))
    for i in np.flatnonzero(~exact & np.isfinite(good)):
        upper.append(np.concatenate(([good[i] / scale], full[i])))
    for i in np.flatnonzero(~exact & np.isfinite(failed)):
        upper.append(-np.concatenate(([failed[i] / scale], full[i])))
    for i in np.flatnonzero(units.varying):
        upper += [np.concatenate(([0.0, 1.0], row)) for row in units.plan(int(i))[1][:-1]]
    p = full.shape[1] + 1
    # slack to be gained anywhere, or a steeper shape, means that there is no maximum
    cost = np.sum(upper, axis=0) if upper else np.zeros(p)
    cost = cost - np.eye(p)[0]
    found = linprog(
        cost,
        A_ub=np.array(upper) if upper else None,
        b_ub=np.zeros(len(upper)) if upper else None,
        A_eq=np.array(equal) if equal else None,
        b_eq=np.zeros(len(equal)) if equal else None,
        bounds=[(0, 0 if units.varying.any() else 1), *[(-1, 1)] * (p - 1)],
    )
    if found.status == 0 and found.fun < -1e-7:
        idle = [c.name for k, c in enumerate(design) if abs(found.x[2 + k]) > 1e-6]
        what = f" ({', '.join(idle)})" if idle else ""
        raise CannotAnswer(
            "Failures fall on too few stress levels to fix the model: some level has none, or all "
            f"could have failed alike{what}. Test longer there, or leave the term out."
        )
