"""Priors by name for how life depends on a stress: sourced ones, or as the user gives them."""

from __future__ import annotations

from reliability.notes import BadInput
from reliability.published_facts import SourcedPrior, sourced_priors


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
