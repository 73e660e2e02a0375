"""What a bundle says of itself: name, version, date, people, sources, licence."""

from __future__ import annotations

import os
import re
import uuid
from dataclasses import dataclass, field
from datetime import UTC, date, datetime

from reliability.licences import Licence, named
from reliability.notes import BadInput

ROLES = ("creator", "contact", "rightsHolder", "dataCurator")
"""Roles that the Data Package standard, version 2, names as useful."""
_NAME = re.compile(r"[a-z0-9._-]+")
_ORCID = re.compile(r"(\d{4}-){3}\d{3}[\dX]")
_VERSION = re.compile(r"(0|[1-9]\d*)(\.(0|[1-9]\d*)){2}(-[0-9A-Za-z.-]+)?(\+[0-9A-Za-z.-]+)?")
_SPACE = uuid.UUID("6f1a4f0e-5a53-5b0c-9f1e-0d6a5c1f7b21")


def check_orcid(orcid: str) -> str:
    """An ORCID in its plain form, checked by its check digit.

    Raises
    ------
    BadInput

    Notes
    -----
    ISO/IEC 7064:2003, MOD 11-2, as ORCID uses it.
    """
    plain = orcid.strip().removeprefix("https://orcid.org/").removeprefix("http://orcid.org/")
    if not _ORCID.fullmatch(plain):
        raise BadInput(f"{orcid!r} is not an ORCID; it reads like 0000-0000-0000-000X")
    total = 0
    for digit in plain.replace("-", "")[:-1]:
        total = (total + int(digit)) * 2
    check = (12 - total % 11) % 11
    if plain[-1] != ("X" if check == 10 else str(check)):
        raise BadInput(f"the ORCID {plain} has a wrong check digit: a digit is mistyped")
    return plain


@dataclass(frozen=True)
class Contributor:
    """Who gave the data: a builder's code, a group or (if they wish so) a person.

    Attributes
    ----------
    title : str
        As it is to be shown and cited.
    roles : tuple of str
        Of ``ROLES``.
    orcid : str
        Of a person, optional.
    """

    title: str
    roles: tuple[str, ...] = ("creator",)
    orcid: str = ""

    def __post_init__(self) -> None:
        if not self.title.strip():
            raise BadInput("a contributor needs a title to be cited by")
        wrong = [r for r in self.roles if r not in ROLES]
        if wrong or not self.roles:
            raise BadInput(f"{wrong or 'no role'}: allowed roles are {', '.join(ROLES)}")
        if self.orcid:
            object.__setattr__(self, "orcid", check_orcid(self.orcid))

    @property
    def url(self) -> str:
        """Address of the ORCID, or ""."""
        return f"https://orcid.org/{self.orcid}" if self.orcid else ""


@dataclass(frozen=True)
class Source:
    """Where data come from: a contribution of a pool, a paper, a report."""

    title: str
    path: str = ""
    version: str = ""


@dataclass(frozen=True)
class About:
    """What a bundle says of itself.

    Attributes
    ----------
    name : str
        Lower case letters, digits, ``-``, ``_`` and ``.``.
    licence : str
        An identifier such as CC0-1.0.
    title, description : str
        Default: made of the name and the builders.
    version : str
        As of Semantic Versioning.
    created : str
        Date (YYYY-MM-DD) or time with zone (RFC 3339); "": see ``date_of``.
    id : str
        Globally unique, such as a DOI's address; "": worked out from name, version and content.
    contributors : tuple of Contributor
        Default: the builders, as creators.
    sources : tuple of Source
    keywords : tuple of str
    """

    name: str
    licence: str
    title: str = ""
    description: str = ""
    version: str = "1.0.0"
    created: str = ""
    id: str = ""
    contributors: tuple[Contributor, ...] = ()
    sources: tuple[Source, ...] = ()
    keywords: tuple[str, ...] = field(
        default=("pulsed plasma thruster", "life data", "reliability")
    )

    def __post_init__(self) -> None:
        if not _NAME.fullmatch(self.name):
            raise BadInput(
                f"a bundle's name has lower case letters, digits, '-', '_' and '.', not {self.name!r}"
            )
        named(self.licence)
        if not _VERSION.fullmatch(self.version):
            raise BadInput(f"{self.version!r} is not a version such as 1.0.0")
        if self.created:
            object.__setattr__(self, "created", _moment(self.created))

    @property
    def terms(self) -> Licence:
        """The licence with its title and address."""
        return named(self.licence)


def _moment(text: str) -> str:
    """A date or time as RFC 3339 in UTC, whole seconds."""
    try:
        if len(text) == 10:
            return date.fromisoformat(text).isoformat() + "T00:00:00Z"
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is None:
            raise ValueError
    except ValueError:
        raise BadInput(
            f"{text!r} is not a date; allowed: YYYY-MM-DD, or a time with its zone (RFC 3339)"
        ) from None
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def date_of(about: About, dates: list[str]) -> str:
    """When the bundle was made: as told; else SOURCE_DATE_EPOCH (the convention of reproducible
    builds); else the latest ``date`` in the records; else today (UTC)."""
    if about.created:
        return about.created
    epoch = os.environ.get("SOURCE_DATE_EPOCH", "")
    if epoch.isdigit():
        return datetime.fromtimestamp(int(epoch), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    known = []
    for d in dates:
        try:
            known.append(date.fromisoformat(d[:10]).isoformat())
        except ValueError:
            continue  # free text in the date column says nothing here
    return _moment(max(known) if known else datetime.now(UTC).date().isoformat())


def identifier(about: About, hashes: list[str]) -> str:
    """The bundle's id: as told, or a name-based UUID (RFC 9562, version 5) of its content."""
    if about.id:
        return about.id
    text = "\n".join([about.name, about.version, *sorted(hashes)])
    return uuid.uuid5(_SPACE, text).urn
