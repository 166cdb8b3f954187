"""An independent judge of event streams: CloudEvents form, order, and the ISA-18.2 lifecycle.

Owns its own table, written from the published states (ANSI/ISA-18.2 cl. 16, IEC 62682) and
the wire contract. It imports nothing of the monitor: it must not be able to agree with it
by sharing its mistakes.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

Json = dict[str, Any]

PREFIX = "sillwatch.alert."
STATES = {
    "normal",
    "unacknowledged",
    "acknowledged",
    "rtn_unacknowledged",
    "latched",
    "shelved",
    "suppressed",
    "out_of_service",
}
STANDING = {"unacknowledged", "acknowledged"}
QUIET = {"shelved", "suppressed", "out_of_service"}
PRIORITIES = ("advisory", "caution", "warning")
LATCHING = {"slide-deployed"}
DATA_KEYS = (
    *("alert_id", "code", "priority", "state", "site", "aircraft", "stand", "door", "raised_at", "changed_at"),
    *("text", "action", "consequence", "evidence", "basis"),
)

# RFC 3339, section 5.6, in UTC: what the contract's outputs are written in.
TIME = re.compile(
    r"\d{4}-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12]\d|3[01])T(?:[01]\d|2[0-3]):[0-5]\d:[0-5]\d\.\d{3}(?:\d{3})?Z"
)

# (state before, told) → states after. Where two events are told of one change (cleared and
# latched, unshelved and reraised), both carry the state after it.
MOVES: dict[tuple[str, str], set[str]] = {
    ("normal", "raised"): {"unacknowledged"},
    ("unacknowledged", "acknowledged"): {"acknowledged"},
    ("unacknowledged", "cleared"): {"rtn_unacknowledged", "normal"},
    ("acknowledged", "cleared"): {"normal", "latched"},
    ("acknowledged", "unacknowledged"): {"unacknowledged"},
    ("rtn_unacknowledged", "acknowledged"): {"normal", "latched"},
    ("rtn_unacknowledged", "reraised"): {"unacknowledged"},
    ("rtn_unacknowledged", "reset"): {"normal"},
    ("latched", "latched"): {"latched"},
    ("latched", "reset"): {"normal"},
    ("latched", "reraised"): {"unacknowledged"},
    ("latched", "unacknowledged"): {"rtn_unacknowledged"},
    ("unacknowledged", "reraised"): {"unacknowledged"},
    ("acknowledged", "reraised"): {"acknowledged"},
    # After a backlog, what still holds is told again in the state that it is in.
    ("suppressed", "reraised"): {"suppressed"},
    ("shelved", "reraised"): {"shelved"},
    ("unacknowledged", "reprioritised"): {"unacknowledged"},
    ("acknowledged", "reprioritised"): {"acknowledged", "unacknowledged"},
    ("shelved", "reprioritised"): {"shelved"},
    ("suppressed", "reprioritised"): {"suppressed"},
    # Back from the shelf while something silences it: both events carry the state after them.
    ("shelved", "unshelved"): {"unacknowledged", "normal", "suppressed"},
    ("suppressed", "suppressed"): {"suppressed"},
    ("shelved", "cleared"): {"shelved"},
    ("suppressed", "cleared"): {"normal"},
    ("suppressed", "unsuppressed"): {"unacknowledged", "acknowledged"},
    **{(state, "shelved"): {"shelved"} for state in (*STANDING, "rtn_unacknowledged", "latched")},
    **{(state, "suppressed"): {"suppressed"} for state in STANDING},
}


@dataclass(slots=True)
class Standing:
    """The alert that stands at one place, as far as its events tell."""

    alert_id: str
    state: str
    priority: str


@dataclass(slots=True)
class LifecycleJudge:
    """Takes events one by one and keeps what is wrong with them as sentences.

    ``twins`` are those that carry the identity of another: source and id told before, or an
    alert that was over already.
    """

    site: str = "tarnwick"
    faults: list[str] = field(default_factory=list)
    twins: list[str] = field(default_factory=list)
    standing: dict[tuple[str, str], Standing] = field(default_factory=dict)
    ids: set[tuple[str, str]] = field(default_factory=set)
    ended: set[str] = field(default_factory=set)
    seen: int = 0
    latest: str = ""

    def take(self, event: Json) -> None:
        """Judge the next event of the stream."""
        self.seen += 1
        self._form(event)
        self._move(event)

    def _fault(self, event: Json, what: str) -> None:
        self.faults.append(f"{event.get('time')} {event.get('type')} {event.get('subject')}: {what}")

    def _form(self, event: Json) -> None:
        """CloudEvents 1.0: the required attributes as non-empty strings, source + id never twice."""
        for name in ("id", "source", "specversion", "type"):
            if not isinstance(event.get(name), str) or not event[name]:
                self._fault(event, f"{name} is missing")
        if event["specversion"] != "1.0" or event["source"] != f"/sillwatch/{self.site}":
            self._fault(event, "specversion or source")
        identity = (event["source"], event["id"])
        if identity in self.ids:
            self.twins.append(f"{event['time']} {event['type']} {event['subject']}: id {event['id']} was told before")
        self.ids.add(identity)
        if not TIME.fullmatch(event["time"]):
            self._fault(event, "time is not RFC 3339")
        # All are UTC with three or six digits: padded, text order is time order.
        when = event["time"].removesuffix("Z").ljust(26, "0")
        if when < self.latest:
            self._fault(event, f"after {self.latest}")
        self.latest = when
        self._data(event)

    def _data(self, event: Json) -> None:
        """The wire contract: every key, words that are there, times in form and order."""
        data = event["data"]
        missing = [key for key in DATA_KEYS if key not in data]
        if missing:
            self._fault(event, f"data lacks {missing}")
        if event["subject"] != f"{data['aircraft']}/{data['door']}":
            self._fault(event, "subject")
        if data["state"] not in STATES or data["priority"] not in PRIORITIES:
            self._fault(event, f"state {data['state']} or priority {data['priority']}")
        for key in ("text", "action", "consequence", "basis"):
            if not isinstance(data[key], str) or not data[key].strip():
                self._fault(event, f"{key} is empty")
        if not isinstance(data["evidence"], list):
            self._fault(event, "evidence is no list")
        for key in ("raised_at", "changed_at"):
            if not TIME.fullmatch(data[key]):
                self._fault(event, f"{key} is not RFC 3339")
        if data["changed_at"] != event["time"] or data["raised_at"] > data["changed_at"]:
            self._fault(event, f"raised_at {data['raised_at']}, changed_at {data['changed_at']}")
        for flag in ("late", "drill", "simulated", "blind"):
            if data.get(flag, True) is not True:
                self._fault(event, f"{flag} stands without being true")

    def _move(self, event: Json) -> None:
        data, told = event["data"], event["type"].removeprefix(PREFIX)
        place = (event["subject"], data["code"])
        before = self.standing.get(place)
        state = before.state if before is not None else "normal"
        if data["state"] not in MOVES.get((state, told), set()) and not self._is_dismissal(state, told, data):
            self._fault(event, f"{state} by {told} to {data['state']}")
        if told == "raised":
            if data["alert_id"] in self.ended:
                self.twins.append(f"{event['time']} {event['subject']}: alert {data['alert_id']} was over already")
        elif before is None or before.alert_id != data["alert_id"]:
            self._fault(event, f"alert {data['alert_id']} never began here")
        if before is not None and before.priority != data["priority"] and told not in ("reprioritised", "reraised"):
            self._check_told_with_rise(event, told)
        if told == "cleared":
            self._check_clear(event, state)
        if data["state"] == "normal":
            self.standing.pop(place, None)
            self.ended.add(data["alert_id"])
        else:
            self.standing[place] = Standing(data["alert_id"], data["state"], data["priority"])

    def _check_told_with_rise(self, event: Json, told: str) -> None:
        """A priority changes by being told so; coming off the shelf is told just before it."""
        if told != "unshelved":
            self._fault(event, "priority changed by the way")

    @staticmethod
    def _is_dismissal(state: str, told: str, data: Json) -> bool:
        """The aircraft went away, or a person closed it: over whatever it was, with the reason."""
        return told == "cleared" and state != "normal" and data["state"] == "normal" and bool(data.get("reason"))

    def _check_clear(self, event: Json, state: str) -> None:
        """A warning waits for its acknowledgement, what latches for its reset; the others do not."""
        data = event["data"]
        if data.get("reason"):
            return
        waits = data["priority"] == "warning" or data["code"] in LATCHING
        expected = {
            "unacknowledged": "rtn_unacknowledged" if waits else "normal",
            "acknowledged": "latched" if data["code"] in LATCHING else "normal",
        }.get(state)
        if expected is not None and data["state"] != expected:
            self._fault(event, f"a {data['priority']} cleared from {state} to {data['state']}, not {expected}")
