"""One YAML file as plain values, with the line of every key.

Owns reading and the few YAML rules that hold here: scalars of the YAML 1.2 core schema
(so ``on`` and ``yes`` are words, not truth values), no tags, no repeated keys. It never
knows what a key means.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import yaml

from monitor.config.problems import ConfigError, Problem

Location = tuple[str | int, ...]
"""The keys and list positions that lead to a value."""

_INT: Final = re.compile(r"[-+]?[0-9]+")
_FLOAT: Final = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_WORDS: Final[Mapping[str, object]] = {
    **dict.fromkeys(("", "~", "null", "Null", "NULL")),
    **dict.fromkeys(("true", "True", "TRUE"), True),
    **dict.fromkeys(("false", "False", "FALSE"), False),
    **dict.fromkeys((".inf", ".Inf", "+.inf"), float("inf")),
    "-.inf": float("-inf"),
    ".nan": float("nan"),
}
_DEPTH_MAX: Final = 40
_SIZE_MAX: Final = 1024 * 1024
_ITEMS_MAX: Final = 100_000


@dataclass(frozen=True, slots=True)
class Document:
    """What a file says: ``data`` in plain values and the line where each location starts."""

    label: str
    data: dict[str | int, object]
    lines: Mapping[Location, int]

    def line(self, location: Location) -> int:
        """Return the line of ``location`` or, where it is not written, of what would hold it."""
        while location and location not in self.lines:
            location = location[:-1]
        return self.lines.get(location, 1)


def read_document(path: Path) -> Document:
    """Read one YAML file whose top is a mapping; raise :class:`ConfigError` where it is not one."""
    label = str(path)
    return parse_document(_read(path, label), label)


def parse_document(content: bytes, label: str) -> Document:
    """Read the bytes of a YAML file; ``label`` is what its problems call it."""
    try:
        root = yaml.compose(content.decode("utf-8-sig"), Loader=yaml.BaseLoader)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise _failure(label, line, "is not text in UTF-8; save the file in UTF-8") from None
    except yaml.reader.ReaderError as error:
        raise _failure(label, 1, f"character {error.character!r} is not allowed in YAML; take it out") from None
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        raise _failure(
            label,
            mark.line + 1 if mark else 1,
            f"is not YAML: {error.problem or error.context}; write 'key: value', indented with spaces, "
            "every quote and bracket closed",
        ) from None
    except RecursionError:
        raise _failure(label, 1, "is nested too deeply; write at most 40 levels") from None
    reader = _NodeReader(label)
    data = reader.read(root, ()) if root is not None else {}
    if reader.problems:
        raise ConfigError(reader.problems)
    if data is None:
        data = {}
    if not isinstance(data, dict):
        raise _failure(label, reader.lines.get((), 1), "holds no keys; write 'key: value' lines")
    return Document(label, data, reader.lines)


def _read(path: Path, label: str) -> bytes:
    try:
        with path.open("rb") as file:
            content = file.read(_SIZE_MAX + 1)
    except FileNotFoundError:
        reason = "there is no such file"
    except IsADirectoryError:
        reason = "is a folder"
    except OSError as error:
        reason = f"cannot be read ({error.strerror or error})"
    else:
        if len(content) <= _SIZE_MAX:
            return content
        reason = "is larger than 1 MiB"
    raise _failure(label, None, f"{reason}; give the path of a readable YAML file such as config/demo.yaml")


def _failure(label: str, line: int | None, message: str) -> ConfigError:
    return ConfigError([Problem(label, line, "", message)])


class _NodeReader:
    """Turns nodes into plain values and notes lines and problems on the way."""

    def __init__(self, label: str) -> None:
        self.label = label
        self.lines: dict[Location, int] = {}
        self.problems: list[Problem] = []
        self._items = 0

    def read(self, node: yaml.Node, location: Location) -> object:
        line = node.start_mark.line + 1
        self.lines.setdefault(location, line)
        self._items += 1
        if len(location) > _DEPTH_MAX or self._items > _ITEMS_MAX:
            # An alias may hold itself, or many aliases may stand for far more than was written.
            if self._items <= _ITEMS_MAX + 1:
                self._problem(location[:4], line, "is too deep or too large; write at most 40 levels, without loops")
                self._items = _ITEMS_MAX + 1
            return None
        if not node.tag.startswith("tag:yaml.org,2002:"):
            self._problem(location, line, f"has the tag {node.tag}; leave tags out")
            return None
        if isinstance(node, yaml.MappingNode):
            return self._mapping(node, location)
        if isinstance(node, yaml.SequenceNode):
            return [self.read(item, (*location, index)) for index, item in enumerate(node.value)]
        return _word(node)

    def _mapping(self, node: yaml.MappingNode, location: Location) -> dict[str | int, object]:
        found: dict[str | int, object] = {}
        for key_node, value_node in node.value:
            line = key_node.start_mark.line + 1
            key = _word(key_node)
            if isinstance(key, bool) or not isinstance(key, (str, int)):
                self._problem(location, line, "has a key that is neither a word nor a whole number; put it in quotes")
                continue
            if key in found:
                first = self.lines[(*location, key)]
                self._problem((*location, key), line, f"is given twice, first on line {first}; keep one of the two")
                continue
            self.lines[(*location, key)] = line
            found[key] = self.read(value_node, (*location, key))
        return found

    def _problem(self, location: Location, line: int, message: str) -> None:
        self.problems.append(Problem(self.label, line, ".".join(map(str, location)), message))


def _word(node: yaml.Node) -> object:
    return _scalar(node.value, plain=node.style is None) if isinstance(node, yaml.ScalarNode) else None


def _scalar(text: str, *, plain: bool) -> object:
    if not plain:
        return text
    if text in _WORDS:
        return _WORDS[text]
    if _INT.fullmatch(text) and len(text) < 20:
        return int(text)
    if _FLOAT.fullmatch(text):
        return float(text)
    return text
