"""A second opinion without a family: Cox regression on stress, and between groups.

Cox (1972, J. R. Statist. Soc. B 34, 187-220) with late entry, strata and clusters, by lifelines.
Under a Weibull life with ``life ~ V^-n`` hazards are proportional and the coefficient of ln V is
n times the shape (Kalbfleisch & Prentice 2002, section 2.3.4); under other families no number of the
stress model corresponds to it.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from reliability.life.families import normal_quantile
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.records import LifeRecords

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]
Labels = NDArray[np.object_]

# a coefficient rests on at least this many failures; more units than this are not expanded
_FAILURES, _UNITS = 3, 20_000
# largest number of groups that the jackknife leaves out in turn
_GROUPS = 50


@dataclass(frozen=True)
class Design:
    """How records hang together.

    Attributes
    ----------
    strata : labels (n,) or None
        Each has a baseline hazard of its own (builders, lots).
    clusters : labels (n,) or None
        Records of one cluster may depend on each other (modules). None: all are independent.
    confidence : float
        Of each bound by itself.
    """

    strata: Labels | None = None
    clusters: Labels | None = None
    confidence: float = 0.95


@dataclass(frozen=True)
class Parametric:
    """What the stress model says: ``life ~ V^-exponent``, its family and its shape (1/sigma)."""

    exponent: float
    shape: float
    family: str = "weibull"


@dataclass(frozen=True)
class StressOpinion:
    """Cox regression of the hazard on ln(stress).

    Attributes
    ----------
    column : str
    units, failed : float
    coefficient, lower, upper : float
        Of ln(stress) in the log hazard, with robust one-sided bounds.
    expected : float or None
        Exponent times shape of a Weibull stress model; None where there is no such number.
    supports : bool or None
        Whether ``expected`` lies within the bounds; None where there is nothing to compare.
    proportional_p : float or None
        Chance of residuals trending so much if hazards are proportional (Grambsch & Therneau 1994);
        None with late entry, of which that test takes no account.
    notes : tuple of Note
    """

    column: str
    units: float
    failed: float
    coefficient: float
    lower: float
    upper: float
    confidence: float
    expected: float | None
    supports: bool | None
    proportional_p: float | None
    notes: tuple[Note, ...] = field(default=())

    @property
    def hazard_ratio(self) -> float:
        """Hazard at 10 % more stress against before."""
        return float(1.1**self.coefficient)

    @property
    def sentence(self) -> str:
        """What it says of the stress model, in words."""
        found = (
            f"Without a family, 10 % more {self.column} multiplies the hazard by {self.hazard_ratio:.3g} "
            f"({1.1**self.lower:.3g} to {1.1**self.upper:.3g})"
        )
        if self.expected is None:
            return found + "."
        would = f"the stress model says {1.1**self.expected:.3g}"
        return f"{found}; {would}: {'that agrees' if self.supports else 'that does not agree'}."


@dataclass(frozen=True)
class GroupOpinion:
    """Cox regression between groups.

    Attributes
    ----------
    groups : tuple of str
        The first is what the others are compared with.
    hazard_ratio, lower, upper : dict of group to float
        Hazard against the first group, with robust one-sided bounds.
    p : float
        Partial likelihood ratio test that all groups share one hazard.
    notes : tuple of Note
    """

    groups: tuple[str, ...]
    hazard_ratio: dict[str, float]
    lower: dict[str, float]
    upper: dict[str, float]
    p: float
    notes: tuple[Note, ...] = field(default=())

    @property
    def sentence(self) -> str:
        """Hazards beside the first group's, in words."""
        first, *rest = self.groups
        each = "; ".join(
            f"{g} {self.hazard_ratio[g]:.3g} ({self.lower[g]:.3g} to {self.upper[g]:.3g})"
            for g in rest
        )
        return f"Without a family, hazard beside that of {first}: {each}; all the same: p = {self.p:.2g}."


def cox_of_stress(
    records: LifeRecords,
    column: str,
    against: Parametric | None = None,
    design: Design | None = None,
) -> StressOpinion:
    """Hazard against ln(stress), beside what a stress model says.

    Parameters
    ----------
    records : LifeRecords
    column : str
        Covariate with values above 0, such as ``charge_V``.
    against : Parametric or None
        Stress model to compare with.
    design : Design or None

    Raises
    ------
    BadInput
        If the covariate is not there or not above 0.
    CannotAnswer
        With fewer than 3 failures, one stress only (in every stratum), or stresses that separate
        failures from survivors, so that the ratio has no upper or lower end.
    """
    design = design or Design()
    if column not in records.covariates:
        raise BadInput(f"the records have no column {column}")
    value = np.asarray(records.covariates[column], float)
    if not (np.isfinite(value) & (value > 0)).all():
        raise BadInput(f"{column} must be known and above 0 in every record")
    frame = _frame(records, {"x": np.log(value)}, design)
    _refuse_separated(frame, column)
    fit = _fit(frame)
    coefficient = float(fit.params_["x"])
    error = float(_robust_errors(frame, fit)["x"])
    lower, upper = _bounds(coefficient, error, design.confidence)
    late = "entry" in frame
    proportional = None if late else _proportional_p(frame, fit)
    expected = against.exponent * against.shape if against and against.family == "weibull" else None
    return StressOpinion(
        column, records.units, records.failures, coefficient, lower, upper, design.confidence, expected,
        None if expected is None else bool(lower <= expected <= upper), proportional,
        _notes(records, against, proportional, late),
    )  # fmt: skip


def cox_of_groups(
    records: LifeRecords,
    labels: Labels,
    adjust: Mapping[str, Array] | None = None,
    design: Design | None = None,
) -> GroupOpinion:
    """Hazards of groups against each other, with other columns taken into account.

    Parameters
    ----------
    records : LifeRecords
    labels : labels (n,)
        The group of each record.
    adjust : mapping of name to array (n,) or None
        Columns that the hazard may depend on besides, such as ln(charge_V).
    design : Design or None

    Raises
    ------
    CannotAnswer
        With fewer than two groups or 3 failures, or if a group without failures has no finite ratio.
    """
    design = design or Design()
    groups = sorted(set(labels.tolist()))
    if len(groups) < 2:
        raise CannotAnswer("a comparison needs two groups")
    silent = [g for g in groups if not records.failed[labels == g].any()]
    if silent:
        raise CannotAnswer(
            f"no failure in {', '.join(silent)}: the hazard ratio to the others has no end"
        )
    others = {f"g{i}": (labels == g).astype(float) for i, g in enumerate(groups[1:])}
    more = {f"x{i}": np.asarray(v, float) for i, v in enumerate((adjust or {}).values())}
    frame = _frame(records, {**others, **more}, design)
    fit = _fit(frame)
    errors = _robust_errors(frame, fit)
    base = _fit(frame.drop(columns=list(others))).log_likelihood_ if more else _null_loglik(fit)
    ratio, low, high = {}, {}, {}
    for name, g in zip(others, groups[1:]):
        b = float(fit.params_[name])
        lower, upper = _bounds(b, float(errors[name]), design.confidence)
        ratio[g], low[g], high[g] = math.exp(b), math.exp(lower), math.exp(upper)
    p = float(chdtrc(len(others), max(2.0 * (fit.log_likelihood_ - base), 0.0)))
    return GroupOpinion(tuple(groups), ratio, low, high, p, _notes(records, None, None, False))


def _frame(records: LifeRecords, columns: Mapping[str, Array], design: Design) -> pd.DataFrame:
    """One row a unit, as lifelines wants it; raises CannotAnswer where no regression is possible."""
    import pandas as pd

    if records.failures < _FAILURES:
        raise CannotAnswer(
            f"{records.failures:g} failures: a Cox regression needs {_FAILURES} or more"
        )
    if records.units > _UNITS:
        raise CannotAnswer(f"more than {_UNITS:,} units: too many for a Cox regression here")
    n = records.shots_good.size
    last = np.where(records.failed, records.shots_failed, records.shots_good)
    frame = pd.DataFrame({**columns, "time": last, "dead": records.failed})
    frame["stratum"] = "" if design.strata is None else design.strata
    frame["cluster"] = np.arange(n) if design.clusters is None else design.clusters
    if (records.shots_from > 0).any():
        frame["entry"] = records.shots_from
    # a unit that was never watched over any shot says nothing
    seen = last > records.shots_from
    times = np.where(seen, records.count, 0).astype(int)
    frame = frame.loc[np.repeat(np.arange(n), times)].reset_index(drop=True)
    if design.clusters is None:
        frame["cluster"] = np.arange(len(frame))
    if frame.cluster.nunique() < 2:
        raise CannotAnswer("all records are of one cluster: nothing to judge the spread by")
    return frame


def _refuse_separated(frame: pd.DataFrame, column: str) -> None:
    """Raise where the partial likelihood of one column has no maximum, or is flat."""
    highest = lowest = True
    varied = False
    for _, own in frame.groupby("stratum"):
        x, t = own.x.to_numpy(), own.time.to_numpy()
        entry = own.entry.to_numpy() if "entry" in own else np.zeros(len(own))
        for i in np.flatnonzero(own.dead.to_numpy()):
            risk = x[(t >= t[i]) & (entry < t[i])]
            varied |= bool(np.ptp(risk) > 0)
            highest &= bool(x[i] >= risk.max())
            lowest &= bool(x[i] <= risk.min())
    if not varied:
        raise CannotAnswer(
            f"{column} did not differ between units on test at the same shots (in the same stratum): "
            "no ratio of hazards can be seen"
        )
    if highest or lowest:
        end = "highest" if highest else "lowest"
        raise CannotAnswer(
            f"every failure was at the {end} {column} then on test: the ratio of hazards has no end. "
            "A failure at another stress would give it one"
        )


def _fit(frame: pd.DataFrame, **more: Any) -> Any:
    """Cox fit of every column that is not about time or grouping."""
    from lifelines import CoxPHFitter  # slow to load: only when asked
    from lifelines.exceptions import ConvergenceError, ConvergenceWarning

    used = frame if "cluster_col" in more else frame.drop(columns="cluster")
    if frame.stratum.nunique() == 1:
        used = used.drop(columns="stratum")
    else:
        more["strata"] = "stratum"
    if "entry" in frame:
        more["entry_col"] = "entry"
    with warnings.catch_warnings():
        warnings.simplefilter("error", ConvergenceWarning)
        try:
            return CoxPHFitter().fit(used, "time", "dead", fit_options={"precision": 1e-10}, **more)
        except (ConvergenceError, ConvergenceWarning, np.linalg.LinAlgError) as e:
            raise CannotAnswer(
                "the Cox regression has no finite answer on these records: columns explain the same, "
                "or separate failures from survivors"
            ) from e


def _robust_errors(frame: pd.DataFrame, fit: Any) -> pd.Series:
    """Standard errors that allow for clusters.

    The sandwich of Lin & Wei (1989, JASA 84, 1074-1078); with late entry, of which lifelines' sandwich
    takes no account, the jackknife that leaves out one cluster at a time (Efron & Stein 1981).
    """
    import pandas as pd

    if "entry" not in frame:
        return _fit(frame, cluster_col="cluster").standard_errors_
    ids = frame.cluster.unique()
    parts = np.array_split(ids, min(len(ids), _GROUPS))
    left_out = pd.DataFrame([_fit(frame[~frame.cluster.isin(p)]).params_ for p in parts])
    k = len(parts)
    return np.sqrt((k - 1) / k * ((left_out - left_out.mean()) ** 2).sum())


def _proportional_p(frame: pd.DataFrame, fit: Any) -> float:
    from lifelines.statistics import proportional_hazard_test

    used = frame.drop(columns="cluster")
    if frame.stratum.nunique() == 1:
        used = used.drop(columns="stratum")
    # of one coefficient, as an array of one
    return float(np.ravel(proportional_hazard_test(fit, used, time_transform="rank").p_value)[0])


def _null_loglik(fit: Any) -> float:
    """Partial log-likelihood with all coefficients 0."""
    return float(fit.log_likelihood_ - fit.log_likelihood_ratio_test().test_statistic / 2)


def _bounds(b: float, error: float, confidence: float) -> tuple[float, float]:
    z = float(normal_quantile(confidence))
    return b - z * error, b + z * error


def _notes(
    records: LifeRecords, against: Parametric | None, proportional: float | None, late: bool
) -> tuple[Note, ...]:
    notes = []
    if proportional is not None and proportional < 0.05:
        notes.append(
            Note(
                "not_proportional",
                f"The ratio of hazards changes with shots (p = {proportional:.2g}): one number for it, "
                "and a shape common to all stresses, are in doubt.",
            )
        )
    if late:
        notes.append(
            Note(
                "proportionality_untested",
                "Whether hazards are proportional was not tested: units entered late.",
            )
        )
    if (records.failed & ~records.exact).any():
        notes.append(
            Note("assumed_exact", "Failures found at an inspection count at that inspection here.")
        )
    if against is not None and against.family != "weibull":
        notes.append(
            Note(
                "no_counterpart",
                f"Under a {against.family} life hazards are not proportional: the ratio is an average "
                "over the test, and no number of the stress model corresponds to it.",
            )
        )
    if records.failures < 10:
        notes.append(
            Note(
                "few_failures",
                f"The bounds of this second opinion are for many failures; here are {records.failures:g}.",
            )
        )
    return tuple(notes)
