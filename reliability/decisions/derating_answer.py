"""What derating answers: the coefficients, the bound along the stress, the level allowed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reliability.decisions.answer_notes import declared_text
from reliability.decisions.bank import Discharge
from reliability.decisions.found_out import FoundOut
from reliability.decisions.parts import Seen
from reliability.decisions.question import Answer, Count, Level
from reliability.decisions.slot_tests import SlotTest
from reliability.decisions.stress_checks import StressChecks
from reliability.life.second_opinion import StressOpinion
from reliability.words import level_number, percent_text, so_many_shots, stress_text, volts_text

NAN = float("nan")


@dataclass(frozen=True)
class CoefficientBound:
    """A stress coefficient with one-sided bounds.

    ``form`` power: n in life ~ V^-n; arrhenius: activation energy in eV; linear: change of ln life
    a unit; categorical: ln life less that of the most frequent level.
    """

    column: str
    form: str
    estimate: float
    lower: float
    upper: float


@dataclass(frozen=True)
class CurvePoint:
    """Life at one level of the stress, by which 1 - survival has failed.

    ``impulse_Ns`` is the impulse bit times the promised (lower) life; ``impulse_lower_Ns`` takes the
    lower limit of the impulse bit too.
    """

    level: float
    shots: float
    lower: float
    extrapolated: bool
    energy_J: float
    impulse_Ns: float
    impulse_lower_Ns: float


@dataclass(frozen=True)
class Allowed:
    """The highest level of the stress solved for, nan where none can be allowed.

    Attributes
    ----------
    level : float
    charge_V, ratio, energy_J : float
        Where it is the charge voltage: the same, its ratio to the rated voltage, and the energy of a
        shot; else nan.
    """

    level: float = NAN
    charge_V: float = NAN
    ratio: float = NAN
    energy_J: float = NAN


@dataclass(frozen=True)
class Residual:
    """A standardised residual of log life, and where the family expects it (see ``residuals``)."""

    residual: float
    expected: float


@dataclass(frozen=True)
class DeratingAnswer(Answer):
    """How far to derate.

    Attributes
    ----------
    family : str
    n, failed : number
    shape, sigma, loglik : float
    coefficients : tuple of CoefficientBound
    allowed : Allowed
    curve : tuple of CurvePoint
    shots, survival, confidence, bound
        What was asked; ``shots`` nan where only the model was.
    use : dict
        Levels at which the other stresses were held.
    column : str
        The stress that was solved for.
    tested : (float, float)
        Its range in the records.
    best_total : CurvePoint or None
        Point of the curve with the largest total impulse over the promised life.
    discharge : Discharge or None
    checks : StressChecks or None
    seen : tuple of Seen
        The data, at their levels.
    residuals : tuple of Residual
    second_opinion : StressOpinion or None
        Where it was asked for.
    more : tuple of SlotTest
        Tests that would raise the voltage, where the promise engine speaks.
    no_early_failures : bool
        Whether it was declared that no hazard falls with shots.
    found : tuple of FoundOut
        What would lengthen the promise at that voltage without the bench, where the promise engine speaks.

    Examples
    --------
    >>> import reliability as rl
    >>> q = rl.Derate(slot=("main_capacitor",), part=("film-a",), stress=("charge_V:power",), shots=3000, bound="likelihood")
    >>> a = rl.ask(q, rl.demo())
    >>> 1000 < a.allowed.charge_V < 1700 and a.coefficients[0].form == "power"
    True
    """

    family: str
    n: Count
    failed: Count
    shape: float
    sigma: float
    loglik: float
    coefficients: tuple[CoefficientBound, ...]
    allowed: Allowed
    curve: tuple[CurvePoint, ...]
    shots: float
    survival: float
    confidence: float
    bound: str
    use: dict[str, Level]
    column: str
    tested: tuple[float, float]
    best_total: CurvePoint | None = None
    discharge: Discharge | None = None
    checks: StressChecks | None = None
    mc_error: float = 0.0
    seen: tuple[Seen, ...] = ()
    residuals: tuple[Residual, ...] = ()
    second_opinion: StressOpinion | None = None
    more: tuple[SlotTest, ...] = ()
    no_early_failures: bool = False
    found: tuple[FoundOut, ...] = ()

    @property
    def answered(self) -> bool:
        """Whether a level could be allowed, if one was asked for."""
        return not np.isfinite(self.shots) or bool(np.isfinite(self.allowed.level))

    @property
    def mixed(self) -> bool:
        """Whether parts of several kinds stand for one: a note says which, and what to do."""
        return any(n.code == "parts_mixed" for n in self.notes)

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        part = f"part {self.use['part']}" if "part" in self.use else ""
        of_part = f" of {part}" if part else ""
        if not np.isfinite(self.shots):
            c = self.coefficients[0]
            return f"Life{of_part} depends on {c.column} with coefficient {c.estimate:.3g} ({c.lower:.3g} to {c.upper:.3g})."
        level = self.allowed.level
        want = (
            f"{so_many_shots(self.shots)} with survival {percent_text(self.survival)} at "
            f"{percent_text(self.confidence)} confidence"
        )
        name = self.column.replace("_", " ")
        declared = declared_text(self.no_early_failures)
        if not np.isfinite(level):
            mixed = ", parts mixed," if self.mixed else of_part
            return f"{declared}No {stress_text(self.column)} can be allowed from these data{mixed} for {want}."
        if self.column != "charge_V":
            mixed = ", parts mixed" if self.mixed else f", {part}" if part else ""
            return f"Allow at most {level_number(level)} ({name}{mixed}) for {want}."
        more = [part] if part else []
        more += ["parts mixed"] if self.mixed else []
        ratio, energy = self.allowed.ratio, self.allowed.energy_J
        more += [f"{percent_text(ratio)} of rated"] if np.isfinite(ratio) else []
        more += [f"{energy:.3g} J a shot"] if np.isfinite(energy) else []
        detail = f" ({', '.join(more)})" if more else ""
        return f"{declared}Charge to at most {volts_text(level)}{detail} for {want}."
