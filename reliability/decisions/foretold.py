"""Lives that the records leave open, as laws to simulate a test by and the target of its bound."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np

from reliability.decisions.answer_notes import carried_notes, left_out_notes
from reliability.decisions.unit_life import UnitLife
from reliability.life.design import Laws, Plan
from reliability.life.families import WEIBULL, Family
from reliability.life.stress import StressFit
from reliability.life.targets import LogQuantile
from reliability.notes import Note
from reliability.slots.exposure import Array

DRAWS = 600
LEAST = 1e-9
"""least failures of life that a drawn law is reckoned with where the cut of its bound is told"""


@dataclass(frozen=True)
class Test:
    """What a test is simulated by.

    Attributes
    ----------
    family : Family
        That its bound will take.
    laws : Laws
    target : LogQuantile
        The life bounded.
    x : dict of level to array
        Covariates at each stress level.
    centre : float
        Of log shots.
    """

    family: Family
    laws: Laws
    target: LogQuantile
    x: dict[float, Array]
    centre: float


def test_of(life: UnitLife, fraction: float, x: Mapping[float, float]) -> Test:
    """By the draws of a slot's model at its voltage of use.

    ``x`` are levels tested as ln(V / V_use); none where the test runs at the voltage of use. Units live by all
    causes; the bound takes a Weibull, and its cut is told by the main cause.
    """
    d = life.causes[life.main]
    centre = float(np.log(d.scale))
    rows = [d.shape, np.log(np.maximum(d.gamma, LEAST) * d.unit)]
    rows += [d.shape * d.exponent] if x else []

    def lives(plan: Plan, rng: np.random.Generator) -> Array:
        at = plan.x[:, 0] if x else np.zeros(1)
        groups = [
            life.lives(partial(_pace, float(v)), int(n), rng)
            for v, n in zip(at, plan.units, strict=True)
        ]
        return np.log(np.concatenate(groups)) - centre

    target = LogQuantile(float(WEIBULL.quantile(np.asarray(fraction))), (0.0,) if x else ())
    laws = Laws(np.stack(rows), np.log(life.quantile(fraction)) - centre, lives)
    return Test(WEIBULL, laws, target, {v: np.array([at]) for v, at in x.items()}, centre)


def _pace(at: float, exponent: Array) -> Array:
    """Shots at the voltage of use that one at ln(V / V_use) = ``at`` is worth."""
    return np.asarray(np.exp(exponent * at))


def normal_laws(fit: StressFit, seed: int) -> Array:
    """Parameters about a stress model's estimate, normal with its covariance, (p, draws)."""
    rng = np.random.default_rng([seed, 11])
    drawn = rng.multivariate_normal(fit.phi[:, 0], fit.cov, 2 * DRAWS).T
    # 1 over the scale of the logs is above 0; a normal draw need not be
    return np.asarray(drawn[:, drawn[0] > 0.1 * fit.phi[0, 0]][:, :DRAWS])


def reduced(
    fit: StressFit, column: str, x: Mapping[float, Array], target: LogQuantile, phi: Array
) -> Test:
    """Only the accelerated column stays a free effect: the others are the same in every unit planned."""
    j = next(i for i, c in enumerate(fit.design) if c.term.column == column and not c.level)
    held = next(iter(x.values()))
    shift = sum(held[i] * phi[2 + i] for i in range(len(fit.design)) if i != j)
    laws = Laws(np.stack([phi[0], phi[1] + shift, phi[2 + j]]))
    own = {v: a[[j]] for v, a in x.items()}
    return Test(fit.family, laws, LogQuantile(target.z, (target.x[j],)), own, fit.sample.centre)


def life_notes(life: UnitLife) -> tuple[Note, ...]:
    """What is to be known of lives drawn by a slot's model."""
    text = "Widths are simulated over the lives that the records leave open; they change with them."
    notes = [Note("from_present_records", text), *carried_notes(life.used.carried)]
    notes += left_out_notes([life.used])
    if not life.failed:
        text = f"No unit of {life.slot} has failed: half a failure is reckoned (Jeffreys' prior of a rate)."
        notes.append(Note("half_failure", text))
    return tuple(notes)
