"""Who has signed in, by what the provider says of them, and what they may do here.

Who somebody is is said by issuer and subject of the OpenID Connect ID token (OpenID Connect Core 1.0,
section 5.7: no other claims are unique and stable); an e-mail address counts only where ``email_verified``
is true, and belongs to the first subject that brought it.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from reliability.access import Access, changing, load_access, plain_address


@dataclass(frozen=True)
class Person:
    """Who signed in, from the claims of the provider.

    Attributes
    ----------
    key : str
        ``ISSUER|SUBJECT``.
    address : str
        The verified e-mail address (see ``plain_address``); "" if the provider does not say ``true``.
    claimed : str
        The address as claimed, verified or not, for words only.
    issued, expires : float
        Seconds, epoch.
    session : str
        Hash that tells this sign-in from any other.
    """

    key: str
    address: str
    claimed: str
    issued: float
    expires: float
    session: str

    @property
    def shown(self) -> str:
        """Name for screens: what they call themselves, verified or not."""
        return self.claimed or self.key

    @property
    def logged(self) -> str:
        """Name for the log of deeds: only what is sure."""
        return f"{self.address} ({self.key})" if self.address else self.key


def _seconds(value: Any) -> float:
    """A time claim; 0 for anything that is not a plain number (a bool or text is none)."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return 0.0
    return float(value) if 0 < value < 1e12 else 0.0


def person_of(claims: Mapping[str, Any]) -> Person | None:
    """Who the claims of an ID token are of; None if they do not say issuer and subject."""
    issuer, subject = claims.get("iss"), claims.get("sub")
    if not (isinstance(issuer, str) and isinstance(subject, str) and issuer and subject):
        return None
    if "|" in issuer or len(issuer) + len(subject) > 1000:
        return None
    email = claims.get("email")
    claimed = email if isinstance(email, str) else ""
    # true is the JSON boolean: not the text "true", not 1, not left out
    address = plain_address(claimed) if claims.get("email_verified") is True else ""
    issued, expires = _seconds(claims.get("iat")), _seconds(claims.get("exp"))
    parts = [issuer, subject, issued, expires, *(str(claims.get(k, "")) for k in _ONE_SIGN_IN)]
    session = hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:32]
    return Person(f"{issuer}|{subject}", address, claimed, issued, expires, session)


_ONE_SIGN_IN = ("nonce", "jti", "sid", "at_hash", "auth_time")


def standing(access: Access, person: Person, now: float | None = None) -> tuple[str, str]:
    """Role of somebody who signed in, and why it is ``none`` if it is ("" otherwise)."""
    if person.expires < (time.time() if now is None else now):
        return "none", "run out"
    owner = access.bound.get(person.address)
    taken = bool(owner) and owner != person.key
    names = [person.key] + ([person.address] if person.address and not taken else [])
    # a sign-in from before a change of role does not count on
    since = max((access.since.get(n, 0.0) for n in names), default=0.0)
    if person.session in access.ended or person.issued < int(since):
        return "none", "ended"
    for name in names:
        if name in access.people:
            return access.people[name], ""
    if taken:
        return "none", "taken"
    if access.anyone != "none":
        return access.anyone, ""
    unverified = person.claimed and not person.address
    return "none", "not verified" if unverified else "no role"


def role_of_person(folder: Path, claims: Mapping[str, Any]) -> tuple[str, str]:
    """Role by the roles kept now, and why it is none; an address is bound at its first sign-in.

    Raises
    ------
    BadInput
        If the roles cannot be read, or the binding cannot be kept: then nobody gets in by it.
    """
    person = person_of(claims)
    if person is None:
        return "none", "nobody"
    access = load_access(folder)
    role, why = standing(access, person)
    by_address = person.address in access.people and person.key not in access.people
    if role != "none" and by_address and person.address not in access.bound:
        with changing(folder) as change:
            change(lambda a: _bind(a, person))
        return standing(load_access(folder), person)
    return role, why


def _bind(access: Access, person: Person) -> Access:
    if person.address in access.bound:
        return access
    return replace(access, bound={**access.bound, person.address: person.key})


def end_sign_in(folder: Path, claims: Mapping[str, Any]) -> None:
    """Sign-out: this sign-in counts no more, whatever cookie is kept of it. Raises BadInput."""
    person = person_of(claims)
    if person is None:
        return
    with changing(folder) as change:
        change(lambda a: _end(a, person))


def _end(access: Access, person: Person) -> Access:
    now = time.time()
    ended = {k: v for k, v in access.ended.items() if v > now}
    if person.expires > now:
        ended[person.session] = person.expires
    return replace(access, ended=ended)
