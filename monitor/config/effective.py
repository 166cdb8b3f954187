"""What an instance runs by, key by key: file, environment, flags and defaults taken together.

Owns how a configuration is written as flat texts, so that two of them can be held against
each other. A secret is never among them, only the path of the file that holds it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Any

import orjson

from monitor.config.loading import Config
from monitor.core.airframe import AirframeType
from monitor.core.procedures.definition import Procedure


def flatten(config: Config) -> dict[str, str]:
    """Return every key, dotted, with its value as text; of a type or procedure its digest, and what is left out is empty."""
    site = config.site
    document: dict[str, Any] = {
        "site": {
            "name": site.name,
            "elevation_m": site.elevation_m,
            "timezone": site.timezone,
            "stands": list(site.stands),
            "visiting": site.visiting,
            "aircraft": dict(site.aircraft),
        },
        "thresholds": site.thresholds,
        "types": {name: _digest(airframe) for name, airframe in site.types.items()},
        "procedures": {name: _digest(procedure) for name, procedure in site.procedures.items()},
        **{
            name: getattr(config, name).model_dump(mode="json", by_alias=True)
            for name in ("broker", "http", "data", "alerts", "notify", "drills", "proof")
        },
    }
    return dict(_walk("", document))


def _walk(prefix: str, value: Any) -> Iterator[tuple[str, str]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _walk(f"{prefix}.{key}" if prefix else str(key), inner)
    elif isinstance(value, str):
        yield prefix, value
    else:
        yield prefix, "" if value is None else orjson.dumps(value).decode()


def _digest(each: AirframeType | Procedure) -> str:
    """Stand for a whole type or procedure: it has hundreds of values, and its file is its own record."""
    options = orjson.OPT_SORT_KEYS | orjson.OPT_NON_STR_KEYS
    return hashlib.sha256(orjson.dumps(each, default=sorted, option=options)).hexdigest()[:16]
