"""The words that both kinds of configuration file are built from.

Owns the strictness of every model and the types of names, choices and numbers that the
site's file and a type's file share.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Any, Final

from pydantic import BaseModel, ConfigDict, Field, GetCoreSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

NAME_PATTERN: Final = r"^([A-Za-z0-9_][A-Za-z0-9_-]{0,31}|-[A-Za-z0-9_-]{1,31})$"
"""A name on the wire; ``-`` alone stands for the whole aircraft there and names nothing."""

REGISTRATION_PATTERN: Final = r"^([A-Z0-9][A-Z0-9-]{1,9}|-[A-Z0-9-]{1,9})$"

OWN_MESSAGE: Final = "own_message"
"""The type of an error whose text already says what is wrong and what would be right."""


class Section(BaseModel):
    """A group of keys: nothing unknown, nothing converted, nothing changed afterwards."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False, hide_input_in_errors=True)


class OneOf:
    """Marks a string as one of a few words that are known only from a table."""

    def __init__(self, words: Iterable[str]) -> None:
        self.words = tuple(words)

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.literal_schema(list(self.words))


NAME_FORM: Final = "1 to 32 letters, digits, '_' or '-' (not '-' alone)"
"""What :data:`NAME_PATTERN` means, for a person."""

Name = Annotated[str, Field(pattern=NAME_PATTERN, description=f"a name of {NAME_FORM}")]
Registration = Annotated[
    str, Field(pattern=REGISTRATION_PATTERN, description="a registration of 2 to 10 capital letters, digits or '-'")
]
_Amount = Annotated[
    float, Field(ge=0, description="a number, 0 or more, in the unit that the parameter's name ends with")
]
Thresholds = dict[
    Annotated[str, Field(description="a rule's code")],
    Annotated[
        dict[Annotated[str, Field(description="a parameter's name")], _Amount],
        Field(description="a group of the rule's parameters, each with a number"),
    ],
]


def wrong(message: str) -> PydanticCustomError:
    """Return the error of a validator; ``message`` says what is wrong; then what would be right."""
    return PydanticCustomError(OWN_MESSAGE, "{message}", {"message": message})
