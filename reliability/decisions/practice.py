"""What others do and have found: derating practice by dielectric, and priors for how life
depends on stress. Reference only; never our answer."""

from __future__ import annotations

from dataclasses import dataclass

from reliability.notes import BadInput
from reliability.published_facts import SourcedPrior, sourced_priors


@dataclass(frozen=True)
class DeratingPractice:
    """A published ratio of applied to rated voltage.

    Attributes
    ----------
    dielectric, ratio, source
    """

    dielectric: str
    ratio: float
    source: str


PRACTICE: tuple[DeratingPractice, ...] = (
    DeratingPractice("ceramic", 0.60, "ECSS-Q-ST-30-11C, capacitor tables; value from memory"),
    DeratingPractice("film", 0.60, "ECSS-Q-ST-30-11C, capacitor tables; value from memory"),
    DeratingPractice("mica", 0.60, "ECSS-Q-ST-30-11C, capacitor tables; value from memory"),
    DeratingPractice("glass", 0.50, "EEE-INST-002, section C1; value from memory"),
)
"""The ratio applies to DC plus peak AC and is meant for steady working, not for pulse discharge."""


def practice_for(dielectric: str) -> DeratingPractice | None:
    """The reference ratio of a dielectric, None if there is none. Raises BadInput if unknown."""
    if not dielectric:
        return None
    for p in PRACTICE:
        if p.dielectric == dielectric:
            return p
    known = ", ".join(p.dielectric for p in PRACTICE)
    raise BadInput(f"no derating practice known for {dielectric!r}; there is: {known}")


def prior_for(name: str, form: str, column: str = "") -> SourcedPrior:
    """The named prior for that form of stress, of that column if one is given.

    ``name`` may also be ``mean,sd``, given by the user.

    Raises
    ------
    BadInput
        If there is none of that name; the message lists them.
    """
    fitting = [p for p in sourced_priors() if p.form == form and column in ("", p.column)]
    for p in fitting:
        if p.name == name:
            return p
    mean, comma, sd = name.partition(",")
    try:
        if comma and float(sd) > 0:
            return SourcedPrior(
                "given", column, form, float(mean), float(sd), "given by the user", "given", "all of it"
            )  # fmt: skip
    except ValueError:
        pass
    known = ", ".join(p.name for p in fitting)
    of = f"{column}:{form}" if column else form
    raise BadInput(f"no prior {name!r} for a {of} stress; allowed: {known or 'none'}, or mean,sd")
