"""The part of the OpenAPI document that is about giving data, and the types its routes answer with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pydantic import TypeAdapter

from reliability.api.schemas import COMMON, ERROR, Answers, add, described
from reliability.ask.change import Effect
from reliability.ask.deeds import ACTS, DeedLog
from reliability.ask.giving import FileReading, Given
from reliability.ask.records import Contribution

SUFFIXES = ("csv", "tsv", "txt", "log", "parquet", "xlsx", "ods", "zip")


@dataclass(frozen=True)
class ReadFile:
    """A file that was read, and what it would change.

    Attributes
    ----------
    ready : bool
        Whether it can be given as it is asked here.
    reading : FileReading
    change : Effect or None
    """

    ready: bool
    reading: FileReading
    change: Effect | None


_FLAG = {"type": "boolean"}
_SHORT = {"type": "string", "minLength": 1, "maxLength": 100, "pattern": "\\S"}
_FILE = {
    "type": "string",
    "pattern": "^[A-Za-z0-9][A-Za-z0-9 ._-]{0,99}\\.(" + "|".join(SUFFIXES) + ")$",
}
_ANSWER = {"type": "string", "pattern": "^[a-z]+:[^=]+=.*\\S$", "maxLength": 1000}
_NUMBER = {"type": "integer", "minimum": 1, "maximum": 999_999_999}
_BODY = {
    "required": True,
    "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
}


def _in(name: str, schema: dict[str, Any], text: str, many: bool = False) -> dict[str, Any]:
    shape = {"type": "array", "items": schema, "maxItems": 200} if many else schema
    out = {
        "name": name,
        "in": "query",
        "required": name in ("file", "act"),
        "description": text,
        "schema": shape,
    }
    return out | ({"style": "form", "explode": True} if many else {})  # fmt: skip


_ABOUT = [
    _in("file", _FILE, "Name of the file; its ending tells the kind."),
    _in("answer", _ANSWER, "An answer to a question of the reading, QUESTION=ANSWER.", True),
    _in("agree", _FLAG, "Agree with every suggestion and change of the reading."),
    _in("supersedes", _NUMBER, "Number of a contribution that this one corrects.", True),
    _in("replace", _FLAG, "It takes the place of all that stands of its builders and kinds."),
]


def giving_paths(kept: dict[str, Any]) -> dict[str, Any]:
    """Operations of giving data; what their types are made of goes into ``kept``."""
    one, read, given, log = (
        add(kept, TypeAdapter(t), Answers) for t in (Contribution, ReadFile, Given, DeedLog)
    )
    kept["Contribution"] = one
    rows = {"type": "array", "items": {"$ref": "#/components/schemas/Contribution"}}
    listed = {
        "type": "object",
        "properties": {"contributions": rows},
        "required": ["contributions"],
    }
    large = described("The file is too large.", ERROR)
    token: list[dict[str, list[str]]] = [{"token": []}]
    return {
        "/api/v1/readings": {
            "post": {
                "operationId": "read_file",
                "summary": "Read a file of any kind: what was read, every change, what is to be answered. Nothing is stored.",
                "parameters": [
                    *_ABOUT, _in("change", _FLAG, "Say what the module's life would be with it."),
                    _in("module", _SHORT, "Whose promise is worked out too, before and after."),
                ],
                "requestBody": _BODY, "security": token,
                "responses": {"200": described("What was read.", read), **COMMON, "413": large},
            }
        },
        "/api/v1/contributions": {
            "get": {
                "operationId": "contributions", "summary": "What is stored, and what waits.", "parameters": [],
                "responses": {"200": described("Contributions, oldest first.", listed), **COMMON}, "security": [{}, *token],
            },
            "post": {
                "operationId": "contribute",
                "summary": "Give a file of any kind. It waits until a maintainer accepts it; a maintainer's own counts at once.",
                "parameters": [
                    *_ABOUT, _in("licence", _SHORT, "Licence under which the data are given."),
                    _in("beside", _FLAG, "Records like those that stand are of other units."),
                ],
                "requestBody": _BODY, "security": token,
                "responses": {
                    "200": described("The same file was given before.", given), "201": described("Stored.", given), **COMMON,
                    "413": large,
                },
            },
        },
        "/api/v1/contributions/{number}": {
            "post": {
                "operationId": "decide",
                "summary": "Accept, decline or withdraw a contribution. Who gave it may withdraw it while it waits.",
                "parameters": [
                    {"name": "number", "in": "path", "required": True, "schema": _NUMBER},
                    _in("act", {"type": "string", "enum": list(ACTS)}, "What is done."),
                    _in("reason", {"type": "string", "maxLength": 500}, "Why."),
                ],
                "responses": {"200": described("The contribution now.", one), **COMMON}, "security": token,
            }
        },
        "/api/v1/deeds": {
            "get": {
                "operationId": "deeds", "summary": "Who gave and decided what; each entry carries the hash of the one before.",
                "parameters": [], "responses": {"200": described("The log, oldest first.", log), **COMMON}, "security": [{}, *token],
            }
        },
    }  # fmt: skip
