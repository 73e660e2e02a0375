"""What a statement carries for later: enough to ask the same again, and to see what has changed since."""

from __future__ import annotations

import base64
import binascii
import json
import re
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from reliability.ask.answers import FlightAnswer
from reliability.notes import BadInput

_MARK = "shotlife-statement."
_FOUND = re.compile(rb"shotlife-statement\.([A-Za-z0-9+/=]{40,400000})")
LARGEST = 50_000_000


@dataclass(frozen=True)
class Seal:
    """What a statement rests on.

    Attributes
    ----------
    made, by : str
        Date (ISO 8601) and who made it.
    asked : dict
        The question with all its settings.
    sentence, store, method : str
        The answer; state of the store, version of the methods.
    rests_on : list of [number or file, sha256]
    """

    made: str
    by: str
    asked: dict[str, Any]
    sentence: str
    store: str
    method: str
    rests_on: list[list[str]]


def seal_of(a: FlightAnswer, made: str, by: str) -> Seal:
    """The seal of an answer."""
    b = a.basis
    rests = [[str(s.id if s.id is not None else s.file), s.sha256] for s in (*b.contributions, *b.files)]  # fmt: skip
    return Seal(made, by, dict(a.asked), a.sentence, b.store, b.method, rests)


def as_text(seal: Seal) -> str:
    """The seal as one word that any file can carry."""
    content = json.dumps(asdict(seal), sort_keys=True, ensure_ascii=True).encode()
    return _MARK + base64.b64encode(content).decode()


def read_seal(path: Path) -> Seal:
    """The seal in a statement, HTML or PDF. Raises BadInput where there is none that can be read."""
    try:
        content = path.read_bytes() if path.stat().st_size <= LARGEST else b""
    except OSError as e:
        raise BadInput(f"{path.name} cannot be read: {e.strerror}") from None
    found = _FOUND.search(content)
    if found is None:
        raise BadInput(f"{path.name} carries no seal: only statements made by 'shotlife report' or the dashboard can be verified")  # fmt: skip
    try:
        said = json.loads(base64.b64decode(found[1], validate=True))
        seal = Seal(**said)
        sound = isinstance(seal.asked, dict) and all(len(r) == 2 for r in seal.rests_on)
    except (ValueError, TypeError, binascii.Error):
        sound = False
    if not sound:
        raise BadInput(f"the seal of {path.name} is damaged")
    return seal
