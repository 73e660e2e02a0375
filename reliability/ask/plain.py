"""Answers as plain data: JSON for people and programs, and back."""

from __future__ import annotations

import dataclasses
import json
import math
from typing import Any

import numpy as np
from pydantic import BaseModel, TypeAdapter

from reliability.decisions.question import Answer

LAST = ("notes", "asked", "basis")


def plain(value: Any) -> Any:
    """A result as JSON types: dataclasses by field, infinities and nan as null.

    An answer's sentence comes first; its notes, question and basis last.

    Examples
    --------
    >>> import reliability as rl
    >>> rl.plain(rl.Note("few_failures", "2 failures"))
    {'code': 'few_failures', 'text': '2 failures'}
    """
    if isinstance(value, Answer):
        names = [f.name for f in dataclasses.fields(value) if f.name not in LAST]
        return {
            "sentence": value.sentence,
            **{n: plain(getattr(value, n)) for n in (*names, *LAST)},
        }
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, BaseModel):
        return plain(value.model_dump())
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if isinstance(value, np.ndarray):
        return [plain(v) for v in value.tolist()]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


_ADAPTERS: dict[type, TypeAdapter[Any]] = {}


def adapter(cls: type) -> TypeAdapter[Any]:
    """Reads and writes one type of answer; made once, since that takes time."""
    if cls not in _ADAPTERS:
        _ADAPTERS[cls] = TypeAdapter(cls)
    return _ADAPTERS[cls]


def to_text(answer: Answer) -> str:
    """An answer as JSON that gives it back exactly, infinities and nan included."""
    return json.dumps(adapter(type(answer)).dump_python(answer))


def from_text(cls: type[Answer], text: str) -> Answer:
    """An answer from ``to_text``. Raises ValueError if the text is none of that type."""
    found: Answer = adapter(cls).validate_python(json.loads(text))
    return found
