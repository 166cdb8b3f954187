"""Where each value comes from: the file, the environment, the command line.

Owns the order (command line over environment over file over default), the merging, and
finding the place that a problem is to be mended at. It never judges a value.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, cast

from pydantic_settings import BaseSettings, EnvSettingsSource, SettingsConfigDict, SettingsError

from monitor.config.document import Document, Location
from monitor.config.problems import Problem, nearest
from monitor.config.site_file import SiteFile

PREFIX: Final = "SILLWATCH_"
DELIMITER: Final = "__"
NAME_SHOWN_MAX: Final = 60

NOT_SETTINGS: Final = frozenset({"SILLWATCH_CONFIG", "SILLWATCH_SPEED", "SILLWATCH_SEED"})
"""Variables of our prefix that stand for a flag which is not a key of the file."""

FLAGS: Final[Mapping[str, str]] = {
    "broker": "--broker",
    "broker.url": "--broker",
    "http": "--http",
    "data": "--data",
    "data.directory": "--data",
}
"""The flag that sets a key, for naming it in a problem."""

_SHORT: Final[Mapping[str, str]] = {"broker": "url", "data": "directory"}
_ORCHESTRATOR: Final = re.compile(r".*(_SERVICE_HOST|_SERVICE_PORT(_\w+)?|_PORT(_\d+_(TCP|UDP)(_(PROTO|PORT|ADDR))?)?)")

Data = dict[str | int, object]


@dataclass(frozen=True, slots=True)
class Layer:
    """Values from one place; ``document`` is set where the place is a file with lines."""

    label: str
    data: Data
    document: Document | None = None


class _Environment(SiteFile, BaseSettings):
    model_config = SettingsConfigDict(env_prefix=PREFIX, env_nested_delimiter=DELIMITER, strict=True, extra="forbid")


class _OneVariable(EnvSettingsSource):
    """Reads one variable at a time, so that what it says and what is wrong with it stay together."""

    def __init__(self, name: str, value: str) -> None:
        self._variable = {name.lower(): value}
        super().__init__(_Environment)

    def _load_env_vars(self) -> Mapping[str, str | None]:
        return self._variable


def file_layer(document: Document) -> Layer:
    """Return the lowest layer."""
    return Layer(document.label, document.data, document)


def environment_layers(environment: Mapping[str, str]) -> tuple[list[Layer], list[Problem]]:
    """Read every ``SILLWATCH_…`` variable: a layer for each, and what is wrong with the names and forms.

    ``__`` goes down a level, as in ``SILLWATCH_BROKER__URL``. Lists and groups are JSON.
    ``SILLWATCH_BROKER``, ``SILLWATCH_HTTP`` and ``SILLWATCH_DATA`` may be given as their flags are.
    """
    layers, problems = [], []
    for name in sorted(environment):
        value = environment[name]
        if not name.startswith(PREFIX) or name in NOT_SETTINGS or _is_orchestrators(name, value):
            continue
        key = name.removeprefix(PREFIX).lower()
        short = _expand(key, value) if not value.lstrip().startswith("{") else None
        if short is not None:
            layers.append(Layer(name, short))
            continue
        try:
            data = cast("Data", _OneVariable(name, value)())
        except (SettingsError, ValueError):
            problems.append(
                Problem(name, None, key.replace(DELIMITER, "."), f"{value!r} is not JSON; {_json_hint(key)}")
            )
            continue
        if data:
            layers.append(Layer(name, data))
        else:
            problems.append(Problem(name, None, "", f"sets no key of the configuration; {_suggest_variable(key)}"))
    return layers, problems


def override_layers(overrides: Mapping[str, object]) -> list[Layer]:
    """Return a layer for each override: a dotted key with its value.

    ``broker`` (an address), ``http`` (HOST:PORT) and ``data`` (a folder) may be given as
    their flags are.
    """
    layers = []
    for key, value in overrides.items():
        if value is None:
            continue
        data = _expand(key, value) if isinstance(value, str) else None
        if data is None:
            data = _nested(key.split("."), value)
        layers.append(Layer(FLAGS.get(key, f"--{key}"), data))
    return layers


def merge(layers: Sequence[Layer]) -> Data:
    """Lay the layers over one another, the last on top; groups are merged, all else is replaced."""
    merged: Data = {}
    for layer in layers:
        merged = _over(merged, layer.data)
    return merged


def origin(layers: Sequence[Layer], location: Location) -> Layer:
    """Return the layer that gave the value at ``location``, or the lowest where none did."""
    for layer in reversed(layers):
        if _holds(layer.data, location):
            return layer
    return layers[0]


def place(layers: Sequence[Layer], location: Location, message: str) -> Problem:
    """Return the problem at ``location``, with the file and line, variable or flag to mend."""
    layer = origin(layers, location)
    line = layer.document.line(location) if layer.document is not None else None
    return Problem(layer.label, line, write_key(merge(layers), location), message)


def write_key(data: object, location: Location) -> str:
    """Write a location as a dotted key; an item of a list goes by its own name where it has one that is not too long."""
    text = ""
    for part in location:
        step = data[part] if _has(data, part) else None  # type: ignore[index]
        if isinstance(part, int) and isinstance(data, list):
            name = step.get("name") if isinstance(step, dict) else None
            text += f".{name}" if isinstance(name, str) and 0 < len(name) <= NAME_SHOWN_MAX else f"[{part}]"
        else:
            text += f".{part}"
        data = step
    return text.removeprefix(".")


def _expand(key: str, text: str) -> Data | None:
    if key in _SHORT:
        return {key: {_SHORT[key]: text}}
    if key == "http":
        host, colon, port = text.rpartition(":")
        if not colon:
            return {key: {"host": text}}
        return {key: {"host": host.strip("[]"), "port": int(port) if port.isdecimal() else port}}
    return None


def _nested(parts: Sequence[str], value: object) -> Data:
    for part in reversed(parts[1:]):
        value = {part: value}
    return {parts[0]: value}


def _over(lower: Data, upper: Mapping[str | int, object]) -> Data:
    merged = dict(lower)
    for key, value in upper.items():
        below = merged.get(key)
        merged[key] = _over(below, value) if isinstance(below, dict) and isinstance(value, dict) else value
    return merged


def _has(data: object, part: str | int) -> bool:
    if isinstance(data, dict):
        return part in data
    return isinstance(data, list) and isinstance(part, int) and part < len(data)


def _holds(data: object, location: Location) -> bool:
    for part in location:
        if not _has(data, part):
            return False
        data = data[part]  # type: ignore[index]
    return True


def _json_hint(key: str) -> str:
    last = key.split(DELIMITER)[-1]
    if last in {"stands", "types"}:
        return 'give a list such as ["S11", "S12"]'
    return f'give a group such as {{"key": "value"}}, or set one key of it, as in {PREFIX}{key.upper()}{DELIMITER}KEY'


def _suggest_variable(key: str) -> str:
    top, *below = key.split(DELIMITER)
    near = nearest(top, SiteFile.model_fields)
    if near is not None:
        return f"did you mean '{PREFIX}{DELIMITER.join((near, *below)).upper()}'?"
    return "give one of " + ", ".join(PREFIX + field.upper() for field in SiteFile.model_fields)


def _is_orchestrators(name: str, value: str) -> bool:
    """Tell whether a container orchestrator set the variable to announce a service of our name."""
    if not _ORCHESTRATOR.fullmatch(name) or DELIMITER in name:
        return False
    return name.removeprefix(PREFIX).lower() not in SiteFile.model_fields or value.startswith(("tcp://", "udp://"))
