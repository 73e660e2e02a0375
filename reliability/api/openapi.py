"""The OpenAPI 3.1 document of the API, made from the questions and the answers' dataclasses."""

from __future__ import annotations

import dataclasses
import importlib
import math
import types
import typing
from typing import Any

import numpy as np

from reliability import __version__
from reliability.api.questions import QUESTIONS, Parameter

SUFFIXES = ("csv", "parquet", "xlsx", "zip")


def _type(hint: Any, kept: dict[str, Any]) -> dict[str, Any]:
    """JSON schema of a type hint; dataclasses go into ``kept``."""
    origin = typing.get_origin(hint)
    args = typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        parts = [_type(a, kept) for a in args if a is not type(None)]
        return {"anyOf": [*parts, {"type": "null"}]} if type(None) in args else {"anyOf": parts}
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        return _record(hint, kept)
    if hint is bool:
        return {"type": "boolean"}
    if hint in (int, float):
        # infinities and nan are written as null
        return {"type": ["number", "null"]}
    if hint is str:
        return {"type": "string"}
    if origin in (tuple, list) or hint is np.ndarray or origin is np.ndarray:
        inner = [a for a in args if a is not Ellipsis]
        if origin is tuple and len(args) == 2 and args[1] is Ellipsis:
            return {"type": "array", "items": _type(inner[0], kept)}
        return {"type": "array"}
    if origin is dict or hint is dict:
        return {"type": "object"}
    return {}


def _record(cls: type, kept: dict[str, Any]) -> dict[str, Any]:
    name = cls.__name__
    if name not in kept:
        kept[name] = {}  # stands in while it is being made
        hints = typing.get_type_hints(cls)
        fields = {}
        for f in dataclasses.fields(cls):
            shown = f.metadata.get("json", f.name)
            if shown is not False:
                fields[shown] = _type(hints[f.name], kept)
        kept[name] = {
            "type": "object", "description": (cls.__doc__ or "").strip().split("\n")[0],
            "properties": fields, "required": list(fields),
        }  # fmt: skip
    return {"$ref": f"#/components/schemas/{name}"}


def _parameter(p: Parameter) -> dict[str, Any]:
    one: dict[str, Any] = {"type": p.kind}
    if p.kind == "string":
        one |= {"enum": list(p.choices)} if p.choices else {"minLength": 1, "pattern": "\\S"}
    if p.above > -math.inf:
        one["exclusiveMinimum"] = p.above
    if p.below < math.inf:
        one["exclusiveMaximum"] = p.below
    if p.default is not None:
        one["default"] = p.default
    schema = {"type": "array", "items": one} if p.many else one
    return {
        "name": p.name, "in": "query", "description": p.text, "required": p.required, "schema": schema,
        **({"style": "form", "explode": True} if p.many else {}),
    }  # fmt: skip


def _said(text: str, schema: dict[str, Any]) -> dict[str, Any]:
    return {"description": text, "content": {"application/json": {"schema": schema}}}


def document() -> dict[str, Any]:
    """The document, as served under /api/v1/openapi.json."""
    kept: dict[str, Any] = {}
    error = {"type": "object", "properties": {"error": {"type": "string"}}, "required": ["error"]}
    kept["Error"] = error
    ref = {"$ref": "#/components/schemas/Error"}
    common = {
        "400": _said("A parameter breaks a rule; the error says which and what is allowed.", ref),
        "401": _said("A token is needed.", ref),
        "403": _said("The token's role does not suffice.", ref),
        "422": _said("These data cannot answer; what could be worked out stands in partial.", ref),
        "503": _said("The store cannot be used now.", ref),
    }
    paths: dict[str, Any] = {
        "/api/v1/health": {
            "get": {"operationId": "health", "summary": "Whether the service runs.", "parameters": [], "responses": {
                "200": _said("It runs.", {"type": "object", "required": ["ok", "version"]})}}
        }
    }  # fmt: skip
    for name, q in QUESTIONS.items():
        module, _, cls = q.shape.partition(":")
        shape = _record(getattr(importlib.import_module(module), cls), kept)
        if name == "contributions":
            shape = {
                "type": "object", "properties": {"contributions": {"type": "array", "items": shape}},
                "required": ["contributions"],
            }  # fmt: skip
        paths[f"/api/v1/{name}"] = {
            "get": {
                "operationId": name, "summary": q.text, "parameters": [_parameter(p) for p in q.parameters],
                "responses": {"200": _said("The answer.", shape), **common}, "security": [{}, {"token": []}],
            }
        }  # fmt: skip
    taken = _record(importlib.import_module("reliability.store.intake").Taken, kept)
    paths["/api/v1/contributions"]["post"] = {
        "operationId": "contribute",
        "summary": "Give a sheet or bundle. It waits until a maintainer accepts it; a maintainer's own counts at once.",
        "parameters": [
            _parameter(Parameter("file", "Name of the file; its ending tells the kind.", required=True))
            | {"schema": {"type": "string", "pattern": "^[A-Za-z0-9][A-Za-z0-9 ._-]{0,99}\\.(" + "|".join(SUFFIXES) + ")$"}},
            _parameter(Parameter("licence", "Licence under which the data are given.")),
        ],
        "requestBody": {"required": True, "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}}},
        "responses": {
            "200": _said("The same file was given before.", taken), "201": _said("Stored.", taken), **common,
            "413": _said("The file is too large.", ref),
        },
        "security": [{"token": []}],
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
