"""Who may ask for what: every address with the right that it takes.

Owns the table, and who has which right. An address that is not in it is not there
while sign-in is on; a test holds the table to the application's routes.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum
from typing import Final

from starlette.routing import compile_path

from monitor.ports import Role, Who


class Right(Enum):
    """What an address takes."""

    OPEN = "open"
    SCRAPE = "scrape"
    READ = "read"
    SHOW = "show"
    """To say what one's own board shows."""
    OWN = "own"
    """To see and end one's own sessions."""
    ACT = "act"
    ADMINISTER = "administer"


_VIEWER: Final = frozenset({Right.OPEN, Right.SCRAPE, Right.READ, Right.SHOW, Right.OWN})
_OF_ROLE: Final[Mapping[Role, frozenset[Right]]] = {
    Role.VIEWER: _VIEWER,
    Role.COORDINATOR: _VIEWER | {Right.ACT},
    Role.ADMINISTRATOR: _VIEWER | {Right.ACT, Right.ADMINISTER},
}
_OF_SCOPE: Final[Mapping[str, frozenset[Right]]] = {
    "metrics": frozenset({Right.SCRAPE}),
    "read": frozenset({Right.SCRAPE, Right.READ}),
    "act": frozenset({Right.ACT, Right.SHOW}),
    "admin": frozenset({Right.ADMINISTER, Right.OWN}),
}
"""A token may what its scopes say and nothing besides: each is given for itself."""

_GET: Final = "GET"
_POST: Final = "POST"

RIGHTS: Final[Mapping[tuple[str, str], Right]] = {
    **dict.fromkeys(
        (
            (_GET, "/sign-in"),
            (_GET, "/assets/{name}"),
            (_GET, "/healthz"),
            (_GET, "/readyz"),
            (_GET, "/api/v1/problems/{word}"),
            (_GET, "/api/v1/session"),
            (_POST, "/api/v1/session"),
            ("DELETE", "/api/v1/session"),
            (_GET, "/api/v1/sign-in/oidc"),
            (_GET, "/api/v1/sign-in/oidc/return"),
        ),
        Right.OPEN,
    ),
    (_GET, "/metrics"): Right.SCRAPE,
    **dict.fromkeys(
        (
            (_GET, "/"),
            (_GET, "/aircraft/{reg}"),
            (_GET, "/alerts"),
            (_GET, "/health"),
            (_GET, "/debrief"),
            (_GET, "/handover"),
            (_GET, "/api/v1/openapi.json"),
            (_GET, "/api/v1/aircraft"),
            (_GET, "/api/v1/aircraft/{reg}"),
            (_GET, "/api/v1/aircraft/{reg}/curves"),
            (_GET, "/api/v1/aircraft/{reg}/doors/{door}/look-ahead"),
            (_GET, "/api/v1/aircraft/{reg}/timeline"),
            (_GET, "/api/v1/aircraft/{reg}/watched"),
            (_GET, "/api/v1/alerts"),
            (_GET, "/api/v1/alarm-health"),
            (_GET, "/api/v1/boards"),
            (_GET, "/api/v1/catalogue"),
            (_GET, "/api/v1/debrief"),
            (_GET, "/api/v1/debrief/compare"),
            (_GET, "/api/v1/handover"),
            (_GET, "/api/v1/health"),
            (_GET, "/api/v1/history"),
            (_GET, "/api/v1/drills"),
            (_GET, "/api/v1/permits"),
            (_GET, "/api/v1/procedure-runs"),
            (_GET, "/api/v1/procedures"),
            (_GET, "/api/v1/quarantine"),
            (_GET, "/api/v1/stream"),
        ),
        Right.READ,
    ),
    ("PUT", "/api/v1/boards/{board}"): Right.SHOW,
    (_GET, "/api/v1/sessions"): Right.OWN,
    ("DELETE", "/api/v1/sessions/{session}"): Right.OWN,
    **dict.fromkeys(
        (
            (_POST, "/api/v1/alerts/{alert_id:path}/acknowledge"),
            (_POST, "/api/v1/alerts/{alert_id:path}/unacknowledge"),
            (_POST, "/api/v1/alerts/{alert_id:path}/shelve"),
            (_POST, "/api/v1/alerts/{alert_id:path}/unshelve"),
            (_POST, "/api/v1/alerts/{alert_id:path}/close"),
            (_POST, "/api/v1/aircraft/{reg}/doors/{door}/reset"),
            (_POST, "/api/v1/aircraft/{reg}/doors/{door}/report"),
            (_POST, "/api/v1/aircraft/{reg}/identity"),
            (_POST, "/api/v1/aircraft/{reg}/presence"),
            (_POST, "/api/v1/permits"),
            (_POST, "/api/v1/permits/{permit_id}/end"),
        ),
        Right.ACT,
    ),
    **dict.fromkeys(
        (
            (_GET, "/api/v1/audit"),
            (_GET, "/api/v1/audit/verify"),
            (_GET, "/api/v1/deliveries"),
            (_POST, "/api/v1/deliveries/{letter}/replay"),
            (_POST, "/api/v1/deliveries/destinations/{name}/resume"),
            (_GET, "/api/v1/people"),
        ),
        Right.ADMINISTER,
    ),
}

_STRICTEST: Final = list(Right)
_PATTERNS: Final = [(method, compile_path(path)[0], right) for (method, path), right in RIGHTS.items()]


def find_rights(path: str) -> dict[str, Right]:
    """Return what each method takes at an address; empty for one that is not there.

    Where more than one entry fits, the strictest holds, so that no two can be mixed up.
    """
    found: dict[str, Right] = {}
    for method, pattern, right in _PATTERNS:
        if pattern.match(path):
            found[method] = max(found.get(method, Right.OPEN), right, key=_STRICTEST.index)
    if _GET in found:
        found["HEAD"] = found[_GET]
    return found


def has_right(who: Who, right: Right) -> bool:
    """Tell whether somebody has a right."""
    if who.role is not None:
        return right in _OF_ROLE[who.role]
    return right is Right.OPEN or any(right in _OF_SCOPE.get(scope, ()) for scope in who.scopes)


def name_holder(right: Right) -> tuple[str, str]:
    """Return the least role and the scope that have a right, empty where none has."""
    role = next((role for role in Role if right in _OF_ROLE[role]), None)
    scope = next((scope for scope, rights in _OF_SCOPE.items() if right in rights), "")
    return "" if role is None else role.value, scope
