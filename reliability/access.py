"""Who may do what: people as their provider knows them, programs by token; three roles.

Kept as ``access.json`` beside the store, readable by its owner only. Tokens of programs are kept as hashes
only. Who somebody is, of those who sign in, is told by ``reliability.people``.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import hmac
import json
import os
import re
import secrets
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from reliability.notes import BadInput

ROLES = ("none", "reader", "contributor", "maintainer")
"""each may do what those before it may: read; give data that wait; accept, decline and add"""
FILE = "access.json"
OWNER = "owner"
"""who has started a service without sign-in, by whichever way they ask"""
DAYS = 365
"""a token runs out after so many days unless another end is asked for"""
LONGEST = 3650


@dataclass(frozen=True)
class Who:
    """Whom a token stands for.

    Attributes
    ----------
    name : str
        Of the token; "" for one that is not known, taken back or run out.
    role : str
    builder : str
        The only builder whose data it may give; "" for any.
    until : str
        Last day, ISO 8601, UTC; "" for a token of an older version, without an end.
    ended : bool
        Known, but run out.
    """

    name: str = ""
    role: str = "none"
    builder: str = ""
    until: str = ""
    ended: bool = False

    def refuse_foreign(self, builders: Iterable[str]) -> None:
        """Raises BadInput if a bound token brings data of another builder."""
        other = sorted({str(b) for b in builders} - {self.builder})
        if self.builder and other:
            raise BadInput(
                f"the token {self.name} gives data of builder {self.builder} only, not of {', '.join(other[:5])}"
            )


@dataclass(frozen=True)
class Token:
    """What is kept of a token."""

    sha256: str
    role: str
    builder: str = ""
    until: str = ""

    def over(self, today: dt.date) -> bool:
        """Whether its last day is past."""
        return bool(self.until) and dt.date.fromisoformat(self.until) < today


@dataclass(frozen=True)
class Access:
    """Roles of people and tokens.

    Attributes
    ----------
    people : dict
        E-mail address in lower case, or ``ISSUER|SUBJECT``: role.
    bound : dict
        E-mail address: the ``ISSUER|SUBJECT`` it belongs to since its first sign-in.
    since : dict
        E-mail address or ``ISSUER|SUBJECT``: sign-ins before this time (seconds, epoch) are ended.
    ended : dict
        Sign-ins ended by signing out (their hash): when they would have run out by themselves.
    tokens : dict
        Name: Token.
    anyone : str
        Role of whoever has signed in and is not named; ``none`` unless set.
    """

    people: dict[str, str] = field(default_factory=dict)
    tokens: dict[str, Token] = field(default_factory=dict)
    anyone: str = "none"
    bound: dict[str, str] = field(default_factory=dict)
    since: dict[str, float] = field(default_factory=dict)
    ended: dict[str, float] = field(default_factory=dict)

    def of_token(self, token: str, today: dt.date | None = None) -> Who:
        """Whom a token stands for; the role is ``none`` for one that is not known or has run out."""
        digest = hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()
        found = Who()
        for name, kept in self.tokens.items():
            if hmac.compare_digest(kept.sha256, digest):
                if kept.over(today or dt.datetime.now(dt.UTC).date()):
                    found = Who(until=kept.until, ended=True)
                else:
                    found = Who(name, kept.role, kept.builder, kept.until)
        return found


def may(role: str, needed: str) -> bool:
    """Whether a role suffices."""
    return ROLES.index(role) >= ROLES.index(needed)


# printable ASCII; no '|', which stands between issuer and subject
_ADDRESS = re.compile(r"[!-?A-{}~]+@[!-?A-{}~]+")


def plain_address(text: str) -> str:
    """An e-mail address as it is compared: in lower case; "" for what is none in plain ASCII.

    Other letters look like these, and some become these in lower case (U+212A, the Kelvin sign, a k):
    somebody else's address would be another's here (Unicode Technical Report 36, section 2).
    """
    return text.lower() if _ADDRESS.fullmatch(text) else ""


# --- kept -----------------------------------------------------------------------------------


def _role(role: Any) -> str:
    if role not in ROLES:
        raise BadInput(f"a role is one of {', '.join(ROLES)}, not {role!r}")
    return str(role)


def _token(raw: Mapping[str, Any]) -> Token:
    until = str(raw.get("until", ""))
    if until:
        dt.date.fromisoformat(until)
    return Token(str(raw["sha256"]), _role(raw["role"]), str(raw.get("builder", "")), until)


def load_access(folder: Path) -> Access:
    """Read the roles of a store's folder.

    Raises
    ------
    BadInput
        If the file is damaged or others may change it: then nobody has a role, rather than everybody.
    """
    path = folder / FILE
    try:
        text = path.read_text()
    except FileNotFoundError:
        return Access()
    except (OSError, UnicodeDecodeError) as e:
        raise BadInput(f"{path} cannot be read as roles ({e}); mend or remove it") from None
    refuse_open_file(path)
    try:
        raw = json.loads(text)
        return Access(
            people={plain_address(k) or str(k): _role(v) for k, v in raw["people"].items()},
            tokens={str(k): _token(v) for k, v in raw["tokens"].items()},
            anyone=_role(raw["anyone"]),
            bound={str(k): str(v) for k, v in raw.get("bound", {}).items()},
            since={str(k): float(v) for k, v in raw.get("since", {}).items()},
            ended={str(k): float(v) for k, v in raw.get("ended", {}).items()},
        )  # fmt: skip
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, BadInput) as e:
        raise BadInput(f"{path} cannot be read as roles ({e}); mend or remove it") from None


def refuse_open_file(path: Path) -> None:
    """Raises BadInput if accounts other than the owner's may read or change a file of secrets."""
    if os.name != "posix":
        return
    info = path.stat()
    if info.st_mode & 0o077:
        raise BadInput(
            f"{path} can be read or changed by other accounts (mode {info.st_mode & 0o777:o}); "
            f"its secrets may be known: make new ones, or at least: chmod 600 {path}"
        )
    if info.st_uid not in (os.getuid(), 0):
        raise BadInput(f"{path} belongs to another account; it must be your own")


def write_private(path: Path, text: str) -> None:
    """Write a file of secrets, whole or not at all, readable by its owner only. Raises BadInput."""
    draft = path.with_name(f".{path.name}.{secrets.token_hex(6)}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as f:
            f.write(text)
            f.flush()
            os.fsync(f.fileno())
        draft.replace(path)
    except OSError as e:
        with contextlib.suppress(OSError):
            draft.unlink()
        raise BadInput(f"cannot write {path}: {e.strerror}") from None


def save_access(access: Access, folder: Path) -> None:
    """Write the roles, whole or not at all, readable by the owner only. Raises BadInput."""
    text = {
        "people": access.people, "tokens": {k: asdict(v) for k, v in access.tokens.items()},
        "anyone": access.anyone, "bound": access.bound, "since": access.since, "ended": access.ended,
    }  # fmt: skip
    write_private(folder / FILE, json.dumps(text, indent=1) + "\n")


@contextlib.contextmanager
def changing(folder: Path) -> Iterator[Callable[[Callable[[Access], Access]], Access]]:
    """Read, change and write the roles while no other process does. Raises BadInput."""
    import fcntl

    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        place = os.open(folder, os.O_RDONLY)
    except OSError as e:
        raise BadInput(f"cannot write {folder / FILE}: {e.strerror}") from None
    try:
        fcntl.flock(place, fcntl.LOCK_EX)

        def change(step: Callable[[Access], Access]) -> Access:
            after = step(load_access(folder))
            save_access(after, folder)
            return after

        yield change
    finally:
        os.close(place)


# --- changes --------------------------------------------------------------------------------


def with_person(access: Access, name: str, role: str) -> Access:
    """The same with a person's role; their sign-ins so far are ended if it changes.

    ``name`` is an e-mail address, ``ISSUER|SUBJECT``, or ``anyone`` for whoever signs in. Giving an
    address a role again lets it be bound anew. Raises BadInput.
    """
    _role(role)
    if name == "anyone":
        return replace(access, anyone=role)
    key = _named(name.strip())
    people = {k: v for k, v in access.people.items() if k != key}
    if role != "none" or access.anyone != "none":
        people[key] = role  # none is kept where anyone has a role: this person has not
    since = dict(access.since)
    if access.people.get(key, access.anyone) != role:
        since[key] = time.time()
        if key in access.bound:
            since[access.bound[key]] = since[key]
    bound = {k: v for k, v in access.bound.items() if k != key}
    return replace(access, people=people, since=since, bound=bound)


def _named(name: str) -> str:
    """A person's name as it is kept: address or ISSUER|SUBJECT. Raises BadInput."""
    if "|" in name:
        if not name.startswith(("https://", "http://")):
            raise BadInput(
                f"a subject is named ISSUER|SUBJECT, the issuer an address, not {name!r}"
            )
        return name
    if "@" in name and not name.isascii():
        raise BadInput(
            f"{name!a} has other letters than ASCII, which look alike; name this person ISSUER|SUBJECT"
        )
    key = plain_address(name)
    if not key:
        raise BadInput(
            f"a person is named by e-mail address, ISSUER|SUBJECT, or 'anyone', not {name!r}"
        )
    return key


def with_token(
    access: Access, name: str, role: str, *, days: int = DAYS, builder: str = ""
) -> tuple[Access, str]:
    """The same with a new token, and the token itself, which is shown once.

    ``days`` until it runs out; ``builder`` binds it to the data of one builder. Raises BadInput, also
    where there is a token of that name: a program may be using it.
    """
    _role(role)
    if not name.strip() or not name.isprintable() or len(name) > 100:
        raise BadInput("a token needs a name, of at most 100 printable characters")
    if name in access.tokens:
        raise BadInput(
            f"there is a token {name!r} already; --remove-token takes it back, in the same command too"
        )
    if not 1 <= days <= LONGEST:
        raise BadInput(f"a token lasts 1 to {LONGEST} days, not {days}")
    if builder and role == "maintainer":
        raise BadInput("a maintainer decides on everybody's data: such a token has no builder")
    token = secrets.token_urlsafe(32)
    until = (dt.datetime.now(dt.UTC).date() + dt.timedelta(days)).isoformat()
    kept = Token(hashlib.sha256(token.encode()).hexdigest(), role, builder.strip(), until)
    return replace(access, tokens={**access.tokens, name: kept}), token


def without_token(access: Access, name: str) -> Access:
    """The same less a token. Raises BadInput if there is none of that name."""
    if name not in access.tokens:
        raise BadInput(f"no token {name!r}; there are: {', '.join(access.tokens) or 'none'}")
    return replace(access, tokens={k: v for k, v in access.tokens.items() if k != name})
