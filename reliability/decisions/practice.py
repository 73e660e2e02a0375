"""What others do and have found: derating practice by dielectric, and priors for how life
depends on stress. Reference only; never our answer."""

from __future__ import annotations

from dataclasses import dataclass

from reliability.notes import BadInput


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


@dataclass(frozen=True)
class StressPrior:
    """Normal prior on a stress coefficient, cut at 0.

    Attributes
    ----------
    name : str
    form : str
        ``power`` (exponent n) or ``arrhenius`` (activation energy in eV).
    mean, sd : float
    source : str
    """

    name: str
    form: str
    mean: float
    sd: float
    source: str


PRIORS: tuple[StressPrior, ...] = (
    StressPrior(
        "ceramic", "power", 3.5, 1.0,
        "form of Prokopowicz & Vaskas (1969); n about 3, 2 to 7 seen (Sci. Rep. 14, 616, 2024); "
        "8:1 at twice the rated voltage in the military general specification is n = 3.0",
    ),
    StressPrior(
        "film", "power", 7.5, 1.0,
        "pulse discharge film: 6 to 9 in practitioners' use, 7.5 often quoted (from memory); a "
        "maker's lifetime page gives the form",
    ),
    StressPrior(
        "mica", "power", 7.9, 1.5,
        "MIL-PRF-39001: 25:1 at 150 % of rated voltage, n = 7.94; spread is a choice",
    ),
    StressPrior(
        "ceramic", "arrhenius", 1.25, 0.2,
        "1.0 eV (oxygen vacancies) to 1.5 eV (Sci. Rep. 14, 616, 2024)",
    ),
)  # fmt: skip


def prior_for(name: str, form: str) -> StressPrior:
    """The named prior for that form of stress.

    ``name`` may also be ``mean,sd``, given by the user.

    Raises
    ------
    BadInput
        If there is none of that name; the message lists them.
    """
    for p in PRIORS:
        if p.name == name and p.form == form:
            return p
    mean, comma, sd = name.partition(",")
    try:
        if comma and float(sd) > 0:
            return StressPrior("given", form, float(mean), float(sd), "given by the user")
    except ValueError:
        pass
    known = ", ".join(p.name for p in PRIORS if p.form == form)
    raise BadInput(f"no prior {name!r} for a {form} stress; allowed: {known or 'none'}, or mean,sd")
