"""The whole state as bytes and back.

Owns the snapshot's format: JSON of the records in :mod:`monitor.core.state`, read back
through the same types, so that a field can be added with a default and an older snapshot
still reads. Never used to change state: restoring goes on through ``System.step``.
"""

from __future__ import annotations

from typing import Final

from pydantic import TypeAdapter, ValidationError

from monitor.core.state import SiteRecord

_RECORDS: Final = TypeAdapter(SiteRecord)


class SnapshotUnreadableError(ValueError):
    """A snapshot does not fit this version's records."""


def dump(record: SiteRecord) -> bytes:
    """Write the whole state."""
    return _RECORDS.dump_json(record)


def restore(body: bytes) -> SiteRecord:
    """Read a state back; raises :class:`SnapshotUnreadableError`."""
    try:
        return _RECORDS.validate_json(body)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise SnapshotUnreadableError(f"snapshot: {where}: {first['msg']}") from None
