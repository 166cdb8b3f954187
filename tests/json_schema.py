"""The reference library of JSON Schema, loaded by the test that asks for it: it takes seconds, at every worker."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from jsonschema import Draft202012Validator


def validator_for(schema: dict[str, Any]) -> Draft202012Validator:
    """Hold a schema against its own meta-schema (draft 2020-12) and return what holds instances against it."""
    from jsonschema import Draft202012Validator

    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)
