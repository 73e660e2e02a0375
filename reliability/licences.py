"""Licences of contributions: which may be combined and published, and under what.

Reading of the licences' own texts by laymen, kept on the careful side; no legal advice.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from reliability.notes import BadInput


@dataclass(frozen=True)
class Licence:
    """An open licence that data may carry.

    Attributes
    ----------
    id : str
        Identifier of the SPDX list.
    title, url : str
    package : str
        Identifier of the Open Definition, which Data Packages use.
    attribution, share_alike : bool
        Whether users must name the givers; whether results must carry the same licence.
    """

    id: str
    title: str
    url: str
    package: str
    attribution: bool
    share_alike: bool


LICENCES: tuple[Licence, ...] = (
    Licence(
        "CC0-1.0", "Creative Commons Zero v1.0 Universal",
        "https://creativecommons.org/publicdomain/zero/1.0/", "CC0-1.0", False, False,
    ),
    Licence(
        "PDDL-1.0", "Open Data Commons Public Domain Dedication and License v1.0",
        "https://opendatacommons.org/licenses/pddl/1-0/", "ODC-PDDL-1.0", False, False,
    ),
    Licence(
        "CC-BY-4.0", "Creative Commons Attribution 4.0 International",
        "https://creativecommons.org/licenses/by/4.0/", "CC-BY-4.0", True, False,
    ),
    Licence(
        "CC-BY-SA-4.0", "Creative Commons Attribution-ShareAlike 4.0 International",
        "https://creativecommons.org/licenses/by-sa/4.0/", "CC-BY-SA-4.0", True, True,
    ),
    Licence(
        "ODbL-1.0", "Open Data Commons Open Database License v1.0",
        "https://opendatacommons.org/licenses/odbl/1-0/", "ODbL-1.0", True, True,
    ),
)  # fmt: skip
_OTHER_NAMES = {"odc-pddl-1.0": "PDDL-1.0", "cc-zero": "CC0-1.0", "cc0": "CC0-1.0"}


def known() -> str:
    """The identifiers that are known, for messages."""
    return ", ".join(x.id for x in LICENCES)


def licence_of(name: str) -> Licence | None:
    """The licence of that identifier (any case), None for an unknown or empty one."""
    wanted = _OTHER_NAMES.get(name.strip().lower(), name.strip()).lower()
    return next((x for x in LICENCES if x.id.lower() == wanted), None)


def named(name: str) -> Licence:
    """The licence of that identifier. Raises BadInput, which lists those that are known."""
    found = licence_of(name)
    if found is None:
        raise BadInput(f"{name!r} is not a licence known here; allowed: {known()}")
    return found


def given_under(own: str, said: str) -> str:
    """The licence of a contribution: its own, or what its giver says where it has none.

    Raises
    ------
    BadInput
        If it has one and another is said: only who gave it may change that.
    """
    if own and said and (licence_of(own) or own) != (licence_of(said) or said):
        raise BadInput(
            f"it says itself that it is given under {own}, which nobody but its givers may change to {said}; leave "
            "the licence out, or ask them for another bundle"
        )
    return own or said


def apart_text(name: str) -> str:
    """What to know of a licence that cannot be combined with others here; "" for those that can."""
    if licence_of(name):
        return ""
    what = f"{name} is not among the licences" if name else "No licence is given, none of those"
    return (
        f"{what} that can be combined and published here: {known()}. It counts at home; a pool with it cannot be "
        "published."
    )


@dataclass(frozen=True)
class Combined:
    """Whether contributions may be published as one, and how.

    Attributes
    ----------
    may_publish : bool
    licence : Licence or None
        Under which the whole may be given; None if it may not.
    text : str
        The same as a sentence, with what is in the way or what must be observed.
    """

    may_publish: bool
    licence: Licence | None
    text: str


def combine(names: Iterable[str]) -> Combined:
    """What contributions under these licences may become together.

    Parameters
    ----------
    names : iterable of str
        A licence each; an empty or unknown one counts as not given.

    Raises
    ------
    BadInput
        Without a single contribution.

    Notes
    -----
    From the licences' texts: public domain dedications go with everything; attribution goes into
    attribution and into Creative Commons share-alike; CC-BY-SA and ODbL each ask for themselves, so
    they exclude each other; CC-BY 4.0 forbids effective technological measures where ODbL allows a
    parallel copy, so it is not put under ODbL without the giver's leave (from memory).
    """
    names = list(names)
    if not names:
        raise BadInput("no contribution, so nothing to combine")
    if not all(names):
        return Combined(
            False, None,
            "Not to be published: where no licence is given nobody may pass the data on. Ask the giver for one of: "
            f"{known()}. Use at home is another matter.",
        )  # fmt: skip
    unknown = sorted({n for n in names if licence_of(n) is None})
    if unknown:
        return Combined(
            False, None,
            f"Not to be published as one: {', '.join(unknown)} is not among the licences that can be combined here. "
            f"Leave out what came under it, or ask the giver for one of: {known()}.",
        )  # fmt: skip
    ids = {named(n).id for n in names}
    free = {x.id for x in LICENCES if not x.attribution}
    bound = ids - free
    if not bound:
        return Combined(
            True, named("CC0-1.0"), "May be published as CC0-1.0; naming the givers is good custom."
        )
    if bound == {"CC-BY-4.0"}:
        return Combined(
            True, named("CC-BY-4.0"), "May be published as CC-BY-4.0; the givers must be named."
        )
    if bound <= {"CC-BY-4.0", "CC-BY-SA-4.0"}:
        return Combined(
            True, named("CC-BY-SA-4.0"),
            "May be published as CC-BY-SA-4.0 only; the givers must be named.",
        )  # fmt: skip
    if bound == {"ODbL-1.0"}:
        return Combined(
            True, named("ODbL-1.0"), "May be published as ODbL-1.0 only; the givers must be named."
        )
    return Combined(
        False, None,
        f"Not to be published as one: {' and '.join(sorted(bound))} each put conditions on the whole that the other "
        "does not meet. Publish them apart, or ask the givers for a common licence.",
    )  # fmt: skip
