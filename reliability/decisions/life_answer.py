"""The answer on the life of a group of units."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from reliability.decisions.answer_notes import declared_text, early_text
from reliability.decisions.found_out import FoundOut
from reliability.decisions.life_doubts import FirstFailure
from reliability.decisions.lots import NewLot
from reliability.decisions.more_tests import MoreTest
from reliability.decisions.operating import in_words
from reliability.decisions.parts import Curve, Seen, Step, SurvivalBound
from reliability.decisions.question import Answer, Count, Level
from reliability.decisions.siblings import AsSiblings, borrowed_from
from reliability.life.predict import Prediction
from reliability.life.priors import PriorAndPosterior
from reliability.slots.carried import Carried
from reliability.words import counted, percent_text, shots_text, so_many_shots

NAN = float("nan")
NO_CURVE = Curve()


@dataclass(frozen=True)
class QuantileBound:
    """Shots by which a fraction has failed, with one-sided bounds."""

    fraction: float
    shots: float
    lower: float
    upper: float


@dataclass(frozen=True)
class FamilyChoice:
    """How one family does on the data: log-likelihood, AICc and its Akaike weight; or why it has no fit."""

    family: str
    loglik: float
    aicc: float
    weight: float
    reason: str


@dataclass(frozen=True)
class LifeAnswer(Answer):
    """Life of the units of one group; nan where these data cannot say.

    Attributes
    ----------
    family : str
    n, failed : number
        Units and failures.
    shape, scale, mu, sigma, loglik : float
        See ``LifeFit``.
    confidence : float
        Of each one-sided bound.
    bound : str
        Method asked for; ``prior`` where one or two failures leave the shape to a prior, ``drawn`` by the slot's model.
    quantiles, survival : tuples
    empirical : tuple of Step
        Survival without a family.
    curve : Curve
        Fitted survival with its bounds.
    seen : tuple of Seen
        The data themselves.
    families : tuple of FamilyChoice
        Best first.
    fit_p : float
        Monte-Carlo p of the fit (small = poor); nan where it was not tested.
    mc_error : float
        Largest Monte-Carlo standard error of the log of a bound.
    few : PriorAndPosterior or None
        Prior and posterior, where failures are so few that they are shown.
    mode : str
        Failure mode looked at, "" for all.
    prediction : Prediction or None
        For units still to be made, where asked for.
    new_lot : NewLot or None
        For units of a lot not seen yet, where two lots or more are recorded.
    problem : str
        Why no life could be fitted, else "".
    at : dict
        The operating point, where voltage or part differ between records; else empty.
    carried : tuple of Carried
        What of the operating point the records carry.
    early : tuple of str
        The slot, if early failures stand apart from the rest.
    unclear : number
        Failures beside ``failed`` that may have been of what is asked, or of something else.
    doubts : str
        What else speaks against the family; the lower bounds are then the safer ones.
    first_failure : FirstFailure or None
        What holds without a family.
    more : tuple of MoreTest
    found : tuple of FoundOut
        What would help without the bench.
        Tests that would lengthen the first of the bounds, where it is wide.
    as_siblings : AsSiblings or None
        The first of the bounds if the units fail as their siblings do, where there are siblings enough.
    no_early_failures : bool
        Whether it was declared that no hazard falls with shots.

    Examples
    --------
    >>> import reliability as rl
    >>> a = rl.ask(rl.Life(slot=("igniter",), bound="likelihood"), rl.demo())
    >>> a.quantiles[0].lower < a.quantiles[0].shots < a.quantiles[0].upper
    True
    """

    family: str
    n: Count
    failed: Count
    shape: float
    scale: float
    mu: float
    sigma: float
    loglik: float
    confidence: float
    bound: str
    quantiles: tuple[QuantileBound, ...]
    survival: tuple[SurvivalBound, ...]
    empirical: tuple[Step, ...] = ()
    curve: Curve = NO_CURVE
    seen: tuple[Seen, ...] = ()
    families: tuple[FamilyChoice, ...] = ()
    fit_p: float = NAN
    mc_error: float = 0.0
    few: PriorAndPosterior | None = None
    mode: str = ""
    prediction: Prediction | None = None
    new_lot: NewLot | None = None
    problem: str = ""
    at: dict[str, Level] = field(default_factory=dict)
    carried: tuple[Carried, ...] = ()
    early: tuple[str, ...] = ()
    unclear: Count = 0
    doubts: str = ""
    first_failure: FirstFailure | None = None
    more: tuple[MoreTest, ...] = ()
    found: tuple[FoundOut, ...] = ()
    as_siblings: AsSiblings | None = None
    no_early_failures: bool = False

    @property
    def borrowed(self) -> tuple[str, ...]:
        """Builders on whose shapes the second line rests."""
        return borrowed_from([self.as_siblings])

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        if not self.quantiles:
            return f"{self.failed:g} of {self.n:g} units failed."
        q = self.quantiles[0]
        doubts = self.doubts + " " if self.doubts else ""
        declared = declared_text(self.no_early_failures)
        place = (
            early_text(self.early)
            + doubts
            + declared
            + (f"At {in_words(self.at)}: " if self.at else "")
        )
        share = percent_text(1 - q.fraction)
        more = f", {self.unclear:g} more of unknown cause" if self.unclear else ""
        if not np.isfinite(q.shots):
            return (
                f"{place}{share} of units last at least {so_many_shots(q.lower)} "
                f"(at {percent_text(self.confidence)} confidence); the life itself cannot be told "
                f"from {counted(self.failed, 'failure')} among {counted(self.n, 'unit')}{more}."
            )
        return (
            f"{place}{share} of units last {so_many_shots(q.shots)} or more as estimated, and at least "
            f"{shots_text(q.lower)} at {percent_text(self.confidence)} confidence "
            f"({self.failed:g} of {self.n:g} units failed{more})."
        )

    @property
    def answered(self) -> bool:
        """Whether a life could be fitted."""
        return not self.problem
