"""Pieces of the OpenAPI document: schemas of types, and the refusals that every operation shares."""

from __future__ import annotations

from typing import Any

from pydantic.json_schema import GenerateJsonSchema

REF = "#/components/schemas/{model}"


class Answers(GenerateJsonSchema):
    """Schemas of answers as they are written: infinities and nan are null, every field is there."""

    def float_schema(self, schema: Any) -> dict[str, Any]:
        return {"type": ["number", "null"]}

    def default_schema(self, schema: Any) -> dict[str, Any]:
        return self.generate_inner(schema["schema"])

    def field_is_required(self, field: Any, total: bool) -> bool:
        return True


def add(kept: dict[str, Any], found: Any, generator: type[GenerateJsonSchema]) -> dict[str, Any]:
    """The schema of a type; what it is made of goes into ``kept``."""
    schema: dict[str, Any] = found.json_schema(
        ref_template=REF, mode="serialization", schema_generator=generator
    )
    for name, own in schema.pop("$defs", {}).items():
        assert kept.setdefault(name, own) == own, f"two types are called {name}"
    return schema


def described(text: str, schema: dict[str, Any]) -> dict[str, Any]:
    """A response of JSON."""
    return {"description": text, "content": {"application/json": {"schema": schema}}}


ERROR = {"$ref": "#/components/schemas/Error"}
COMMON = {
    "400": described("A setting breaks a rule; the error says which and what is allowed.", ERROR),
    "401": described("A token is needed.", ERROR),
    "403": described("The token's role does not suffice.", ERROR),
    "422": described(
        "These data cannot answer; what could be worked out stands in partial.", ERROR
    ),
    "429": described("Too many questions at once; Retry-After says when to ask again.", ERROR),
    "503": described("The store cannot be used now.", ERROR),
}
