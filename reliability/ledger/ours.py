"""Our side of the ledger's checks: each key works out one number from data and settings."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from reliability.decisions.bank import discharge
from reliability.decisions.named_prior import prior_for
from reliability.decisions.remaining import Wear
from reliability.life.basis import basis_value, handbook_weibull_basis, normal_factor
from reliability.life.bounds import Bounder
from reliability.life.causes import fit_modes
from reliability.life.design import success_run
from reliability.life.empirical import EmpiricalCurve, empirical_curve
from reliability.life.fit import fit_life
from reliability.life.logrank import log_rank
from reliability.life.mean_life import mean_life, needed_shots
from reliability.life.stress import StressFit, fit_stress, parse_term
from reliability.pool import Pool
from reliability.readings import Recurrences
from reliability.records import LifeRecords
from reliability.sheets.life import read_life
from reliability.sheets.wear import read_wear
from reliability.shipped import dataset
from reliability.wear.misfires import growth, misfire_chance
from reliability.wear.trend import critical_reversals, modified_growth, reversals


@dataclass(frozen=True)
class Inputs:
    """What a check works on.

    Attributes
    ----------
    name : str
        Of the data: a file of the published sets or a table in the ledger; "" for none.
    table : mapping
        The ledger's own columns of that name; empty for a file.
    settings : mapping
    """

    name: str = ""
    table: Mapping[str, Any] = field(default_factory=dict)
    settings: Mapping[str, Any] = field(default_factory=dict)

    def __getitem__(self, key: str) -> Any:
        return self.settings[key]


Ours = Callable[[Inputs], float]
OURS: dict[str, Ours] = {}


def _ours(name: str) -> Callable[[Ours], Ours]:
    def keep(f: Ours) -> Ours:
        OURS[name] = f
        return f

    return keep


def _file(name: str) -> Path:
    return dataset("published", f"{name}.csv")


@cache
def _sheet(name: str) -> LifeRecords:
    return read_life(_file(name)).records


def _records(x: Inputs) -> LifeRecords:
    """Records of a file, or of the ledger's columns good (and failed, count; or withdrawn)."""
    if not x.table:
        return _sheet(x.name)
    good = [float(v) for v in x.table["good"]]
    failed = [float(v) for v in x.table.get("failed", good)]
    if "count" in x.table:
        return LifeRecords.of(good, failed, count=[float(v) for v in x.table["count"]])
    for at, units in zip(good[:], x.table.get("withdrawn", []), strict=False):
        good += [at] * units
        failed += [np.inf] * units
    return LifeRecords.of(good, failed)


@_ours("life fit")
def _life_fit(x: Inputs) -> float:
    fit = fit_life(_records(x), x.settings.get("family", "weibull"))
    return float(getattr(fit, x["give"]))


@_ours("life quantile")
def _life_quantile(x: Inputs) -> float:
    r = _records(x)
    bounder = Bounder(r, fit_life(r), x["confidence"], x["bound"])
    return float(getattr(bounder.quantile(x["fraction"]), x["give"]))


@_ours("basis value")
def _basis(x: Inputs) -> float:
    return basis_value(_records(x), x["kind"], x["family"])


@_ours("handbook basis value")
def _handbook_basis(x: Inputs) -> float:
    return handbook_weibull_basis(fit_life(_records(x)), x["kind"])


_factor_of = cache(normal_factor)


@_ours("normal factor")
def _normal_factor(x: Inputs) -> float:
    return _factor_of(x["units"], x["kind"])


@cache
def _stress(name: str, terms: tuple[str, ...], family: str) -> StressFit:
    return fit_stress(_sheet(name), [parse_term(t) for t in terms], family)


@_ours("stress fit")
def _stress_fit(x: Inputs) -> float:
    fit = _stress(x.name, tuple(x["terms"]), x.settings.get("family", "weibull"))
    give = x["give"]
    return float(fit.coefficients[give]) if isinstance(give, int) else float(getattr(fit, give))


def _step_records(x: Inputs) -> LifeRecords:
    """Stretches of a step-stress test: units at the first level, and units raised to the second at one time."""
    first, raised = ([float(v) for v in x.table[k]] for k in ("first", "raised"))
    low, high = (float(v) for v in x.table["levels"])
    at, n = float(x.table["raised_at"]), len(raised)
    good = [*first, *(at for _ in raised), *raised]
    return LifeRecords.of(
        good, [*first, *(np.inf for _ in raised), *raised],
        shots_from=[*(0.0 for _ in first), *(0.0 for _ in raised), *(at for _ in raised)],
        unit=[*(f"a{i}" for i in range(len(first))), *(2 * [f"b{i}" for i in range(n)])],
        builder=["x"] * len(good), module=["m"] * len(good), slot=["s"] * len(good),
        covariates={"charge_V": np.array([low] * (len(first) + n) + [high] * n)},
    )  # fmt: skip


@_ours("step-stress fit")
def _step_stress(x: Inputs) -> float:
    """Shape, log-likelihood, or the scale at a level (at a constant hazard the mean life)."""
    fit = fit_stress(_step_records(x), [parse_term("charge_V:power")], x["family"])
    if x["give"] == "scale":
        return float(fit.quantile(-np.expm1(-1.0), {"charge_V": float(x["level"])})[0])
    return 1 / fit.sigma if x["give"] == "shape" else fit.loglik


@_ours("masked causes")
def _masked(x: Inputs) -> float:
    """Shape or scale of one cause, or the log-likelihood, where failures may have been of several causes."""
    life = [float(v) for v in x.table["failed"]]
    fit = fit_modes(LifeRecords.of(life, life, mode=["|".join(m) for m in x.table["may_be"]]))
    if x["give"] == "loglik":
        return fit.loglik
    phi = fit.phi[fit.index(x["cause"])][:, 0]
    return float(phi[0] if x["give"] == "shape" else np.exp(fit.centre - phi[1] / phi[0]))


def _curve(x: Inputs) -> EmpiricalCurve:
    return empirical_curve(_records(x))


def _survival(curve: EmpiricalCurve, shots: float) -> float:
    k = int(np.searchsorted(curve.shots, shots, side="right")) - 1
    return 1.0 if k < 0 else float(curve.survival[k])


@_ours("survival curve")
def _survival_at(x: Inputs) -> float:
    return _survival(_curve(x), x["shots"])


@_ours("curve step")
def _curve_step(x: Inputs) -> float:
    curve = _curve(x)
    return _survival(curve, x["after"]) - _survival(curve, x["by"])


@_ours("log-rank chi-square")
def _log_rank(x: Inputs) -> float:
    r = _records(x)
    return log_rank(r, np.array(x.table["group"], object), x.settings.get("rho", 0.0)).chi_square


@_ours("mean life")
def _mean_life(x: Inputs) -> float:
    return float(getattr(mean_life(x["total"], x["failures"], x["confidence"]), x["give"]))


@_ours("test length")
def _needed(x: Inputs) -> float:
    return needed_shots(x["failures"], x["confidence"])


@_ours("success run")
def _success_run(x: Inputs) -> float:
    return float(success_run(x["survival"], x["confidence"], x["failures"]))


@_ours("misfire chance")
def _chance(x: Inputs) -> float:
    return float(getattr(misfire_chance(x["shots"], x["misfires"], x["confidence"]), x["give"]))


@_ours("modified growth")
def _modified(x: Inputs) -> float:
    got = modified_growth(
        np.array(x.table["good"], float), x["end"], x.settings.get("confidence", 0.9)
    )
    return float(getattr(got, x["give"]))


@_ours("growth")
def _growth(x: Inputs) -> float:
    times = x.table["good"]
    events = Recurrences.of(["a"] * len(times), times, ["a"], [x["end"]])
    return float(getattr(growth(events), x["give"]))


@_ours("reversals")
def _reversals(x: Inputs) -> float:
    return float(getattr(reversals(np.array(x.table["good"], float)), x["give"]))


@_ours("critical reversals")
def _critical(x: Inputs) -> float:
    return float(critical_reversals(x["gaps"], x["confidence"]))


@_ours("discharge")
def _discharge(x: Inputs) -> float:
    got = discharge(
        x["charge_V"], x["bank_uF"], x["inductance_nH"], x.settings.get("resistance_mOhm", 0.0)
    )
    return float(getattr(got, x["give"]))


@_ours("acceleration factor")
def _factor(x: Inputs) -> float:
    """Life at the first stresses over life at the second, for coefficients of a stress model."""
    log_ratio = 0.0
    for text, (coefficient, first, second) in x["stresses"].items():
        term = parse_term(text)
        log_ratio += coefficient * float(term.transform(first) - term.transform(second))
    return float(np.exp(log_ratio))


@_ours("prior mean")
def _prior(x: Inputs) -> float:
    return prior_for(x["prior"], x["form"]).mean


@_ours("degradation crossing")
def _crossing(x: Inputs) -> float:
    """Count at which a unit of the published paths meets the limit, borrowing from the others."""
    answer = _wear(x.name, x["quantity"], x["limit"])
    unit = next(u for u in answer.units if u.unit.rsplit("/", 1)[1] == x["unit"])
    return float(x["read_to"] + unit.estimate)


@cache
def _wear(name: str, quantity: str, limit: float) -> Any:
    return Wear(quantity=quantity, limit=limit).answer(Pool(wear=read_wear(_file(name))))
