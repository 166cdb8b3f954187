"""JSON Schemas of the kinds of file, for editors.

Owns their form and names; the content is the models' own.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel

from monitor.config.procedures_file import ProcedureFile
from monitor.config.site_file import SiteFile
from monitor.config.type_file import TypeFile

_MODELS: Final[dict[str, tuple[type[BaseModel], str]]] = {
    "site": (SiteFile, "A site's configuration"),
    "type": (TypeFile, "An airframe type"),
    "procedure": (ProcedureFile, "A procedure at a door"),
}
DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"


def json_schemas() -> dict[str, dict[str, Any]]:
    """Return the schemas of a site's, a type's and a procedure's file, by ``site``, ``type`` and ``procedure``."""
    return {
        name: {"$schema": DIALECT, **model.model_json_schema(), "title": title}
        for name, (model, title) in _MODELS.items()
    }


def write_schemas(folder: Path) -> list[Path]:
    """Write each schema as ``{name}.schema.json`` into ``folder``; return the paths."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, schema in json_schemas().items():
        path = folder / f"{name}.schema.json"
        path.write_text(encode_schema(schema), encoding="utf-8")
        paths.append(path)
    return paths


def encode_schema(schema: dict[str, Any]) -> str:
    """Write a schema as it stands in its file."""
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"
