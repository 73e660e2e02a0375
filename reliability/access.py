"""Who may do what: people by e-mail as the sign-in gives it, programs by token; three roles.

Kept as ``access.json`` beside the store. Tokens are kept as hashes only.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from reliability.notes import BadInput

ROLES = ("none", "reader", "contributor", "maintainer")
"""each may do what those before it may: read; give data that wait; accept, decline and add"""
FILE = "access.json"


@dataclass(frozen=True)
class Access:
    """Roles of people and tokens.

    Attributes
    ----------
    people : dict
        E-mail address in lower case: role.
    tokens : dict
        Name: ``sha256`` of the token, and ``role``.
    anyone : str
        Role of whoever has signed in and is not named; ``none`` unless set.
    """

    people: dict[str, str] = field(default_factory=dict)
    tokens: dict[str, dict[str, str]] = field(default_factory=dict)
    anyone: str = "none"

    def of_person(self, email: str) -> str:
        """Role of a signed-in person."""
        return self.people.get(email.strip().lower(), self.anyone)

    def of_token(self, token: str) -> tuple[str, str]:
        """Name and role of a token; ``none`` for one that is not known."""
        digest = hashlib.sha256(token.encode()).hexdigest()
        found = ("", "none")
        for name, kept in self.tokens.items():
            if hmac.compare_digest(kept["sha256"], digest):
                found = (name, kept["role"])
        return found


def may(role: str, needed: str) -> bool:
    """Whether a role suffices."""
    return ROLES.index(role) >= ROLES.index(needed)


def _role(role: Any) -> str:
    if role not in ROLES:
        raise BadInput(f"a role is one of {', '.join(ROLES)}, not {role!r}")
    return str(role)


def load_access(folder: Path) -> Access:
    """Read the roles of a store's folder.

    Raises
    ------
    BadInput
        If the file is damaged: then nobody has a role, rather than everybody.
    """
    path = folder / FILE
    if not path.exists():
        return Access()
    try:
        raw = json.loads(path.read_text())
        people = {str(k).lower(): _role(v) for k, v in raw["people"].items()}
        tokens = {
            str(k): {"sha256": str(v["sha256"]), "role": _role(v["role"])}
            for k, v in raw["tokens"].items()
        }
        return Access(people, tokens, _role(raw["anyone"]))
    except (OSError, ValueError, KeyError, TypeError, AttributeError, BadInput) as e:
        raise BadInput(f"{path} cannot be read as roles ({e}); mend or remove it") from None


def save_access(access: Access, folder: Path) -> None:
    """Write the roles, whole or not at all, readable by the owner only. Raises BadInput."""
    path = folder / FILE
    draft = path.with_suffix(".part")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        text = {"people": access.people, "tokens": access.tokens, "anyone": access.anyone}
        draft.unlink(missing_ok=True)
        with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as f:
            f.write(json.dumps(text, indent=1) + "\n")
        draft.replace(path)
    except OSError as e:
        raise BadInput(f"cannot write {path}: {e.strerror}") from None


def with_person(access: Access, email: str, role: str) -> Access:
    """The same with a person's role; ``anyone`` sets that of whoever signs in. Raises BadInput."""
    _role(role)
    if email == "anyone":
        return replace(access, anyone=role)
    if "@" not in email:
        raise BadInput(f"a person is named by e-mail address, or 'anyone', not {email!r}")
    people = {k: v for k, v in access.people.items() if k != email.lower()}
    if role != "none":
        people[email.lower()] = role
    return replace(access, people=people)


def with_token(access: Access, name: str, role: str) -> tuple[Access, str]:
    """The same with a new token, and the token itself, which is shown once. Raises BadInput."""
    _role(role)
    if not name.strip():
        raise BadInput("a token needs a name")
    token = secrets.token_urlsafe(32)
    kept = {"sha256": hashlib.sha256(token.encode()).hexdigest(), "role": role}
    return replace(access, tokens={**access.tokens, name: kept}), token


def without_token(access: Access, name: str) -> Access:
    """The same less a token. Raises BadInput if there is none of that name."""
    if name not in access.tokens:
        raise BadInput(f"no token {name!r}; there are: {', '.join(access.tokens) or 'none'}")
    return replace(access, tokens={k: v for k, v in access.tokens.items() if k != name})
