"""Questions from texts, as command lines, addresses and query strings give them, and back."""

from __future__ import annotations

import re
import shlex
from collections.abc import Mapping, Sequence
from typing import Any, TypeVar

from reliability.ask.sources import AnySource, Files, Stored, usual_path
from reliability.decisions.question import LONGEST, Question, allowed, core
from reliability.notes import BadInput

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,4})?", re.ASCII)
Q = TypeVar("Q", bound=Question)


def is_list(schema: Mapping[str, Any]) -> bool:
    """Whether a setting may be given several times."""
    return schema.get("type") == "array"


def is_flag(schema: Mapping[str, Any]) -> bool:
    """Whether a setting is on or off."""
    return schema.get("type") == "boolean"


def from_texts(cls: type[Q], given: Mapping[str, Sequence[str]]) -> Q:
    """A question from texts; settings that are not given keep their defaults.

    Raises
    ------
    BadInput
        For the first setting that is unknown, given too often, or cannot be read.
    """
    return cls(**read_texts(cls, given))


def read_texts(cls: type[Question], given: Mapping[str, Sequence[str]]) -> dict[str, Any]:
    """Settings from texts, each by itself. Raises BadInput as ``from_texts`` does."""
    schemas = cls.settings()
    values: dict[str, Any] = {}
    for name, texts in given.items():
        if name not in schemas:
            raise BadInput(f"no setting {name[:40]!r}; there are: {', '.join(sorted(schemas))}")
        schema = schemas[name]
        most = schema["maxItems"] if is_list(schema) else 1
        if len(texts) > most:
            times = "once is allowed" if most == 1 else f"at most {most} times"
            raise BadInput(f"{name} is given {len(texts)} times; {times}")
        read = [_value(name, t, core(schema)) for t in texts]
        if read:
            values[name] = tuple(read) if is_list(schema) else read[0]
    return values


def _value(name: str, text: str, schema: dict[str, Any]) -> Any:
    if len(text) > LONGEST:
        raise BadInput(f"{name} is longer than {LONGEST} characters")
    kind = schema.get("type")
    if kind == "boolean":
        if text not in ("true", "false"):
            raise BadInput(f"{name} is true or false, not {text[:40]!r}")
        return text == "true"
    if kind in ("number", "integer"):
        if not _NUMBER.fullmatch(text.strip()):
            raise BadInput(f"{name} is {allowed(schema)}, not {text[:40]!r}")
        value = float(text)
        return (
            int(value) if kind == "integer" and value.is_integer() and abs(value) < 1e15 else value
        )
    if not text.strip():
        raise BadInput(f"{name} is empty")
    return text


def to_texts(question: Question) -> dict[str, list[str]]:
    """The settings that differ from their defaults, as texts."""

    def text(v: Any) -> str:
        if isinstance(v, bool):
            return str(v).lower()
        if isinstance(v, float):
            short = f"{v:.15g}"
            return short if float(short) == v else repr(v)
        return str(v)

    return {
        k: [text(x) for x in v] if isinstance(v, list) else [text(v)]
        for k, v in question.changed().items()
        if v is not None and v != []
    }


def option(name: str) -> str:
    """A setting's option on the command line."""
    return "--" + name.replace("_", "-")


def again(question: Question, source: AnySource | None = None, command: str = "") -> str:
    """The command that asks the same question again.

    ``command`` stands for the question's own where another uses it, such as ``report``. The store is named
    unless it is the one that every command takes by itself.
    """
    words = ["shotlife", *(command or question.command or question.name).split()]
    if isinstance(source, Files):
        for path in source.paths:
            words += ["--from", str(path)]
    elif isinstance(source, Stored) and source.path != usual_path():
        words += ["--store", str(source.path)]
    schemas = question.settings()
    for name, texts in to_texts(question).items():
        if is_flag(schemas[name]):
            words.append(option(name))
            continue
        for text in texts:
            words += [f"{option(name)}={text}"] if text.startswith("-") else [option(name), text]
    return shlex.join(words)
