"""The OpenAPI 3.1 document of the API, made from the questions and the types of their answers."""

from __future__ import annotations

import functools
from typing import Any

from pydantic import TypeAdapter
from pydantic.json_schema import GenerateJsonSchema

from reliability import __version__
from reliability.ask.giving import Taken
from reliability.ask.plain import adapter
from reliability.ask.questions import QUESTIONS, question_class
from reliability.ask.records import Contribution
from reliability.decisions.question import LONGEST, Question, core

SUFFIXES = ("csv", "parquet", "xlsx", "zip")
_REF = "#/components/schemas/{model}"


class _Answers(GenerateJsonSchema):
    """Schemas of answers as they are written: infinities and nan are null, every field is there."""

    def float_schema(self, schema: Any) -> dict[str, Any]:
        return {"type": ["number", "null"]}

    def default_schema(self, schema: Any) -> dict[str, Any]:
        return self.generate_inner(schema["schema"])

    def field_is_required(self, field: Any, total: bool) -> bool:
        return True


def _add(kept: dict[str, Any], found: Any, generator: type[GenerateJsonSchema]) -> dict[str, Any]:
    """The schema of a type; what it is made of goes into ``kept``."""
    schema: dict[str, Any] = found.json_schema(
        ref_template=_REF, mode="serialization", schema_generator=generator
    )
    kept |= schema.pop("$defs", {})
    return schema


def _parameter(name: str, schema: dict[str, Any], required: bool) -> dict[str, Any]:
    one = {
        k: v
        for k, v in core(schema).items()
        if k not in ("title", "hint", "of", "unit", "description")
    }
    if one.get("type") == "string" and "enum" not in one:
        one |= {"minLength": 1, "maxLength": LONGEST, "pattern": "\\S"}
    many = schema.get("type") == "array"
    text = schema.get("description", "") + (f" In {schema['unit']}." if "unit" in schema else "")
    return {
        "name": name, "in": "query", "description": text, "required": required,
        "schema": {"type": "array", "items": one, "maxItems": schema["maxItems"]} if many else one,
        **({"style": "form", "explode": True} if many else {}),
    }  # fmt: skip


def _question(cls: type[Question], kept: dict[str, Any]) -> dict[str, Any]:
    """The operation that asks a question."""
    own = cls.__name__
    answer = _add(kept, adapter(cls.answer_type), _Answers)
    settings = _add(kept, TypeAdapter(cls), GenerateJsonSchema)
    settings["properties"] = {
        "question": {"const": cls.name, "type": "string"},
        **settings["properties"],
    }
    kept[own] = settings
    answer["properties"] |= {
        "asked": {"$ref": f"#/components/schemas/{own}"}, "sentence": {"type": "string"},
    }  # fmt: skip
    answer["required"] = ["sentence", *answer["required"]]
    name = f"{own}Answer"
    kept[name] = answer
    required = {k for k, f in cls.model_fields.items() if f.is_required()}
    return {
        "get": {
            "operationId": cls.name, "summary": cls.text,
            "parameters": [_parameter(k, s, k in required) for k, s in cls.settings().items()],
            "responses": {"200": _said("The answer.", {"$ref": f"#/components/schemas/{name}"}), **_COMMON},
            "security": [{}, {"token": []}],
        }
    }  # fmt: skip


def _said(text: str, schema: dict[str, Any]) -> dict[str, Any]:
    return {"description": text, "content": {"application/json": {"schema": schema}}}


_ERROR = {"$ref": "#/components/schemas/Error"}
_COMMON = {
    "400": _said("A setting breaks a rule; the error says which and what is allowed.", _ERROR),
    "401": _said("A token is needed.", _ERROR),
    "403": _said("The token's role does not suffice.", _ERROR),
    "422": _said("These data cannot answer; what could be worked out stands in partial.", _ERROR),
    "429": _said("Too many questions at once; Retry-After says when to ask again.", _ERROR),
    "503": _said("The store cannot be used now.", _ERROR),
}


def _contributions(kept: dict[str, Any]) -> dict[str, Any]:
    """Listing what is stored, and giving more."""
    one = _add(kept, TypeAdapter(Contribution), _Answers)
    kept["Contribution"] = one
    rows = {"type": "array", "items": {"$ref": "#/components/schemas/Contribution"}}
    listed = {
        "type": "object",
        "properties": {"contributions": rows},
        "required": ["contributions"],
    }
    taken = _add(kept, TypeAdapter(Taken), _Answers)
    name = {
        "type": "string",
        "pattern": "^[A-Za-z0-9][A-Za-z0-9 ._-]{0,99}\\.(" + "|".join(SUFFIXES) + ")$",
    }
    licence = {"type": "string", "minLength": 1, "maxLength": 100, "pattern": "\\S"}
    return {
        "get": {
            "operationId": "contributions", "summary": "What is stored, and what waits.", "parameters": [],
            "responses": {"200": _said("Contributions, oldest first.", listed), **_COMMON},
            "security": [{}, {"token": []}],
        },
        "post": {
            "operationId": "contribute",
            "summary": "Give a sheet or bundle. It waits until a maintainer accepts it; a maintainer's own counts at once.",
            "parameters": [
                {"name": "file", "in": "query", "required": True, "schema": name,
                 "description": "Name of the file; its ending tells the kind."},
                {"name": "licence", "in": "query", "required": False, "schema": licence,
                 "description": "Licence under which the data are given."},
                {"name": "supersedes", "in": "query", "required": False,
                 "schema": {"type": "integer", "minimum": 1, "maximum": 10**9},
                 "description": "Number of the contribution that this one corrects; for maintainers."},
            ],
            "requestBody": {"required": True, "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}}},
            "responses": {
                "200": _said("The same file was given before.", taken), "201": _said("Stored.", taken), **_COMMON,
                "413": _said("The file is too large.", _ERROR),
            },
            "security": [{"token": []}],
        },
    }  # fmt: skip


@functools.cache
def document() -> dict[str, Any]:
    """The document, as served under /api/v1/openapi.json."""
    kept: dict[str, Any] = {}
    health = {
        "type": "object", "required": ["ok", "version"],
        "properties": {"ok": {"type": "boolean"}, "version": {"type": "string"}},
    }  # fmt: skip
    paths: dict[str, Any] = {
        "/api/v1/health": {
            "get": {"operationId": "health", "summary": "Whether the service runs.", "parameters": [],
                    "responses": {"200": _said("It runs.", health)}}
        }
    }  # fmt: skip
    for name in QUESTIONS:
        paths[f"/api/v1/{name}"] = _question(question_class(name), kept)
    paths["/api/v1/contributions"] = _contributions(kept)
    fault = {
        "type": "object", "required": ["file", "row", "column", "message"],
        "properties": {
            "file": {"type": "string"}, "row": {"type": "integer"}, "column": {"type": "string"},
            "message": {"type": "string"},
        },
    }  # fmt: skip
    answers = [
        {"$ref": f"#/components/schemas/{question_class(n).__name__}Answer"} for n in QUESTIONS
    ]
    kept["Error"] = {
        "type": "object", "required": ["error"],
        "properties": {
            "error": {"type": "string"}, "faults": {"type": "array", "items": fault},
            "partial": {"anyOf": [*answers, {"type": "null"}]},
            "asked": {"anyOf": [{"$ref": f"#/components/schemas/{question_class(n).__name__}"} for n in QUESTIONS]},
            "basis": kept["LifeAnswer"]["properties"]["basis"],
        },
    }  # fmt: skip
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "shotlife", "version": __version__,
            "description": "Shot life and reliability statistics. Estimates from test data; no qualification.",
        },
        "paths": paths,
        "components": {
            "schemas": kept,
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
        },
    }  # fmt: skip
