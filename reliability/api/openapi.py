"""The OpenAPI 3.1 document of the API, made from the questions and the types of their answers."""

from __future__ import annotations

import functools
from typing import Any

from pydantic import TypeAdapter
from pydantic.json_schema import GenerateJsonSchema

from reliability import __version__
from reliability.api.giving_openapi import giving_paths
from reliability.api.schemas import COMMON, Answers, add, described
from reliability.ask.plain import adapter
from reliability.ask.questions import QUESTIONS, question_class
from reliability.decisions.question import LONGEST, Question, core


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
    answer = add(kept, adapter(cls.answer_type), Answers)
    settings = add(kept, TypeAdapter(cls), GenerateJsonSchema)
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
            "responses": {"200": described("The answer.", {"$ref": f"#/components/schemas/{name}"}), **COMMON},
            "security": [{}, {"token": []}],
        }
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
                    "responses": {"200": described("It runs.", health)}}
        }
    }  # fmt: skip
    for name in QUESTIONS:
        paths[f"/api/v1/{name}"] = _question(question_class(name), kept)
    paths |= giving_paths(kept)
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
