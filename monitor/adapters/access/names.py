"""What people and tokens may be called, and how two names are told apart.

Owns the form of a name. Names are shown as they were given and compared without case, so
that nobody can pass for somebody else in the record by a capital letter.
"""

from __future__ import annotations

import re
import unicodedata
from typing import Final

from monitor.ports import AccessError

NAME_MAX: Final = 60
PROGRAM_PREFIX: Final = "token:"
"""What stands before a token's name in the record, so that it is never taken for a person's."""

_FORM: Final = re.compile(r"[^\W_](?:[\w .@'+-]*[\w.])?")
_RESERVED: Final = frozenset({"unnamed", "sillwatch"})
"""Names that the record uses itself."""


def fold_name(name: str) -> str:
    """Return a name as it is compared."""
    return unicodedata.normalize("NFKC", " ".join(name.split())).casefold()


def check_name(name: str) -> str:
    """Return the name as it is kept; raise :class:`AccessError` for one that nobody may have."""
    name = unicodedata.normalize("NFC", name)
    if len(name) > NAME_MAX or not _FORM.fullmatch(name) or "  " in name:
        raise AccessError(
            f"{name[:NAME_MAX]!r} cannot be a name; give up to {NAME_MAX} letters, digits, single spaces, "
            "or . _ - + ' @, beginning with a letter or a digit"
        )
    if fold_name(name) in _RESERVED:
        raise AccessError(f"{name!r} is what the record calls nobody or the service itself; give another name")
    return name
