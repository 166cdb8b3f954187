"""From a model's error to one line that says what is wrong and what would be right.

Owns the sentences. The right value comes from the description and the example of the
key's own field, so that the file, the schema and the message never differ.
"""

from __future__ import annotations

import re
import types
from collections.abc import Callable, Mapping, Sequence
from typing import Annotated, Any, Final, NamedTuple, TypeVar, Union, get_args, get_origin

import yaml
from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from monitor.config.document import Location
from monitor.config.layers import Layer, merge, place
from monitor.config.models import OWN_MESSAGE
from monitor.config.problems import ConfigError, Problem, show, suggest

Model = TypeVar("Model", bound=BaseModel)

_KEY_MARK: Final = "[key]"


def validate(model: type[Model], layers: Sequence[Layer]) -> Model:
    """Return the merged layers as ``model``; raise :class:`ConfigError` with every problem."""
    try:
        return model.model_validate(merge(layers))
    except ValidationError as error:
        details = error.errors(include_url=False)
        raise ConfigError(_explain(model, layers, detail) for detail in details) from None


class _Target(NamedTuple):
    """What the model says at a location."""

    description: str
    example: str
    keys: tuple[str, ...]


def _explain(model: type[BaseModel], layers: Sequence[Layer], detail: ErrorDetails) -> Problem:
    about_key = bool(detail["loc"]) and detail["loc"][-1] == _KEY_MARK
    location: Location = detail["loc"][:-1] if about_key else detail["loc"]
    return place(layers, location, _sentence(detail, _target(model, location, about_key=about_key), location))


def _sentence(detail: ErrorDetails, target: _Target, location: Location) -> str:
    kind = detail["type"]
    context: Mapping[str, Any] = detail.get("ctx", {})
    given = show(detail["input"])
    if kind == OWN_MESSAGE:
        return str(context["message"])
    right = f"give {target.description}" if target.description else "give a value of the right form"
    if target.example:
        right += f", such as {target.example}"
    if kind == "missing":
        return f"is missing; {right}"
    if kind in {"extra_forbidden", "invalid_key"}:
        return f"is not a known key; {suggest(location[-1], target.keys)}"
    if detail["input"] is None:
        return f"is empty; {right}"
    if kind == "literal_error":
        words = re.findall(r"'([^']*)'", str(context["expected"]))
        return f"{given} is not one of the known words; {suggest(detail['input'], words)}"
    if kind == "string_type" and isinstance(detail["input"], (bool, int, float)):
        return f"{given} is not text; put it in quotes, or {right}"
    if kind in _BOUNDS:
        return f"{given} is {_BOUNDS[kind](context)}; {right}"
    if kind in _NOT:
        return f"{given} is not {_NOT[kind]}; {right}"
    if kind in {"too_short", "string_too_short"}:
        return f"is empty; {right}"
    return f"{given} does not fit ({detail['msg'].lower()}); {right}"


_NOT: Final[Mapping[str, str]] = {
    "float_type": "a number",
    "float_parsing": "a number",
    "finite_number": "a finite number",
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "string_type": "text",
    "path_type": "a path",
    "list_type": "a list",
    "dict_type": "a group of keys",
    "model_type": "a group of keys",
    "model_attributes_type": "a group of keys",
    "string_pattern_mismatch": "of the right form",
}

_BOUNDS: Final[Mapping[str, Callable[[Mapping[str, Any]], str]]] = {
    "greater_than": lambda context: f"not above {context['gt']:g}",
    "greater_than_equal": lambda context: f"below {context['ge']:g}",
    "less_than": lambda context: f"not below {context['lt']:g}",
    "less_than_equal": lambda context: f"above {context['le']:g}",
    "string_too_long": lambda context: f"longer than {context['max_length']} characters",
}


def _target(model: type[BaseModel], location: Location, *, about_key: bool) -> _Target:
    annotation: Any = model
    description = example = ""
    keys: tuple[str, ...] = ()
    for depth, part in enumerate(location):
        annotation = _bare(annotation)
        origin, arguments = get_origin(annotation), get_args(annotation)
        if isinstance(annotation, type) and issubclass(annotation, BaseModel):
            # A key that is a word of Python's own goes by an alias.
            fields = {field.alias or name: field for name, field in annotation.model_fields.items()}
            keys = tuple(fields)
            field = fields.get(str(part))
            if field is None:
                return _Target("", "", keys)
            description, example = field.description or "", _write(field.examples)
            annotation = field.annotation
        elif origin is dict:
            key_only = about_key and depth == len(location) - 1
            annotation = arguments[0 if key_only else 1]
        elif origin is list:
            annotation = arguments[0]
        inner = _described(annotation)
        if inner is not None:
            description, example = inner, ""
    return _Target(description, example, keys)


def _bare(annotation: Any) -> Any:
    """Return what an optional or annotated type is about."""
    while True:
        origin = get_origin(annotation)
        if origin is Annotated:
            annotation = get_args(annotation)[0]
        elif origin is Union or origin is types.UnionType:
            annotation = next(part for part in get_args(annotation) if part is not type(None))
        else:
            return annotation


def _described(annotation: Any) -> str | None:
    if get_origin(annotation) is not Annotated:
        return None
    found = (part.description for part in get_args(annotation)[1:] if isinstance(part, FieldInfo))
    return next(found, None)


def _write(examples: Sequence[Any] | None) -> str:
    if not examples:
        return ""
    example = examples[0]
    if isinstance(example, str):
        return example
    text = yaml.safe_dump(example, default_flow_style=True, sort_keys=False, allow_unicode=True)
    return text.removesuffix("\n").removesuffix("\n...")
