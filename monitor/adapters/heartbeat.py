"""The sign of life for whoever watches from outside: one retained document, written anew with every proof.

Owns what it says. A reader needs no clock but its own and one rule: a ``time`` older than
30 s, whatever the rest says, is a monitor that is dead, stuck or cut off.
"""

from __future__ import annotations

from monitor.core.times import format_time
from monitor.ports import Readout


def describe_heartbeat(health: Readout, *, now: int, position: int, audit_head: Readout) -> Readout:
    """Write it; ``position`` is the journal position of the last input taken.

    ``audit_head`` is the newest link of the audit's chain: whoever keeps it can show later that a tail was cut off.
    """
    who = ("instance", "version", "site", "started")
    return {
        "time": format_time(now),
        **{key: health[key] for key in who},
        "state": "ready" if health["ready"] else "not ready",
        "reasons": health["reasons"],
        "proof": health["proof"],
        "journal_position": position,
        "audit_head": audit_head,
    }
