"""What readers are told of deliveries: destinations, dead letters.

Owns the documents of the HTTP side and the command line. An address stands in none of
them but by scheme and host.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from monitor.adapters.notify.outbox_rows import Condition, DeadLetter, Queue
from monitor.core.times import format_time


def describe_destination(
    condition: Condition, queue: Queue | None, *, waiting: int, dead: int, address: str | None
) -> dict[str, Any]:
    """Write how a destination does: ``working``, ``retrying``, ``gone`` (it said so) or ``off`` (not configured)."""
    failing = bool(condition.failures) or (queue is not None and bool(queue.retried))
    if not condition.configured:
        state = "off"
    elif condition.gone_since is not None:
        state = "gone"
    else:
        state = "retrying" if failing else "working"
    return {
        "name": condition.name,
        "kind": condition.kind,
        "address": address,
        "state": state,
        "waiting": waiting,
        "dead": dead,
        "oldest_waiting_at": _time(queue.oldest_at if queue is not None else None),
        "last_delivered_at": _time(condition.last_delivered_at),
        "failing_since": _time(condition.failing_since),
        "next_attempt_at": _time(condition.not_before) if state == "retrying" and condition.not_before else None,
        "last_error": condition.last_error or (queue.last_error if queue is not None else None),
    }


def describe_all(
    conditions: list[Condition],
    queues: Mapping[str, Queue],
    waiting: Mapping[str, int],
    dead: Mapping[str, int],
    addresses: Mapping[str, str],
) -> list[dict[str, Any]]:
    """Write every destination that is configured, or that something is left of."""
    return [
        describe_destination(
            each,
            queues.get(each.name),
            waiting=waiting.get(each.name, 0),
            dead=dead.get(each.name, 0),
            address=addresses.get(each.name),
        )
        for each in conditions
        if each.configured or waiting.get(each.name) or dead.get(each.name)
    ]


def describe_dead(letter: DeadLetter) -> dict[str, Any]:
    """Write a dead letter."""
    return {
        "id": str(letter.id),
        "destination": letter.destination,
        "event_id": letter.event_id,
        "type": letter.type,
        "subject": letter.subject,
        "queued_at": format_time(letter.queued_at),
        "died_at": format_time(letter.died_at),
        "attempts": letter.attempts,
        "last_error": letter.last_error,
        **({"simulated": True} if letter.simulated else {}),
    }


def _time(at: int | None) -> str | None:
    return None if at is None else format_time(at)
