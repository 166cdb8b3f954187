"""Of what is on disk and on the broker: nothing lost, lives legal, restarts equal, actions on record once.

Owns the checks that need no meaning of readings. The life of an alert is written down here anew
from the contract's section 7; neither the alert table nor a rule is imported. To hold a restart
against a run without one, the same core is run again.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from typing import Any, Final

from monitor.adapters.capture import CaptureLine
from monitor.adapters.replay import replay
from monitor.core import snapshot
from monitor.core.effects import Effect, PublishEvent, RecordAudit, RefuseCommand, RejectInput
from monitor.core.events import Command
from monitor.core.system import System
from monitor.engine import MESSAGE, Restored, take_entry
from monitor.ports import Entry, Message, Outgoing, Step
from tests.simulation.site import sim_site, sim_wire
from tests.simulation.world import Delivery, Process, Witness, World

Place = tuple[str, str, str]


class NothingLost(Witness):
    """What the broker was told is done with is on disk, as it came; the rest comes again."""

    def __init__(self, world: World) -> None:
        super().__init__(world)
        self.done: list[Delivery] = []

    def settled(self, delivery: Delivery) -> None:
        process = self.world.process
        last = 0 if process is None else process.journal.last_position()
        if not self._on_disk(delivery, last):
            self.fault(f"{delivery.message.topic} is acknowledged before it is on disk")
        if delivery.settled:
            self.fault(f"{delivery.message.topic} is acknowledged twice")
        self.done.append(delivery)

    def _on_disk(self, delivery: Delivery, last: int) -> bool:
        """Whether its own row is on disk, or, where it was delivered again, its first delivery's."""
        if delivery.position:
            return delivery.position <= last
        rows = (self.world.rows[position] for position in range(last, 0, -1))
        return any((row.topic, row.payload) == delivery.message[:2] for row in rows)

    def restored(self, restored: Restored, entries: list[Entry]) -> None:
        self._hold(entries)
        if restored.position != (entries[-1].position if entries else 0):
            self.fault(f"restored up to {restored.position}, on disk are {len(entries)}")

    def ended(self) -> None:
        entries = list(self.world.disk.journal.entries_after(0))
        self._hold(entries)
        if self.world.broker.waiting:
            self.fault(f"never delivered again: {self.world.broker.waiting[:2]}")
        kept = {(entry.topic, entry.payload) for entry in entries}
        lost = [message for message in self.world.broker.accepted if (message.topic, message.payload) not in kept]
        if lost:
            self.fault(f"never on disk: {lost[:2]}")
        self.world.tally.count("deliveries", len(self.done))

    def _hold(self, entries: list[Entry]) -> None:
        by_position = {entry.position: entry for entry in entries}
        if [entry.position for entry in entries] != list(range(1, len(entries) + 1)):
            self.fault("the journal has a gap, or a position twice")
        own = [delivery for delivery in self.done if delivery.position]
        for delivery in own:
            entry = by_position.get(delivery.position)
            if entry is None or (entry.topic, entry.payload, entry.retained) != delivery.message[:3]:
                self.fault(f"{delivery.message.topic} was acknowledged and is not at position {delivery.position}")
                return
        rows = Counter(delivery.position for delivery in own)
        if any(times > 1 for times in rows.values()):
            self.fault("two acknowledged deliveries share a row")


NORMAL, UNACK, ACK, RTN, LATCHED = "normal", "unacknowledged", "acknowledged", "rtn_unacknowledged", "latched"
SHELVED, SUPPRESSED, OUT = "shelved", "suppressed", "out_of_service"
STANDING: Final = (UNACK, ACK)
EDGES: Final[dict[str, dict[str, tuple[str, ...]]]] = {
    "raised": {NORMAL: (UNACK,)},
    "reprioritised": {UNACK: (UNACK,), ACK: STANDING, SHELVED: (SHELVED,), SUPPRESSED: (SUPPRESSED,), OUT: (OUT,)},
    "acknowledged": {UNACK: (ACK,), RTN: (NORMAL, LATCHED)},
    "unacknowledged": {ACK: (UNACK,), LATCHED: (RTN,)},
    "cleared": {
        UNACK: (RTN, NORMAL),
        ACK: (NORMAL, LATCHED),
        RTN: (NORMAL,),
        LATCHED: (NORMAL,),
        SHELVED: (SHELVED, NORMAL),
        SUPPRESSED: (NORMAL,),
        OUT: (OUT, NORMAL),
    },
    "latched": {LATCHED: (LATCHED,)},
    "reset": {LATCHED: (NORMAL,), RTN: (NORMAL,)},
    "shelved": {UNACK: (SHELVED,), ACK: (SHELVED,), RTN: (SHELVED,), LATCHED: (SHELVED,)},
    "unshelved": {SHELVED: (UNACK, NORMAL, SUPPRESSED)},
    "suppressed": {UNACK: (SUPPRESSED,), ACK: (SUPPRESSED,), SUPPRESSED: (SUPPRESSED,)},
    "unsuppressed": {SUPPRESSED: (UNACK, ACK, NORMAL)},
    "taken-out-of-service": dict.fromkeys((NORMAL, UNACK, ACK, RTN, LATCHED, SHELVED, SUPPRESSED), (OUT,)),
    "returned-to-service": {OUT: (UNACK, NORMAL, SUPPRESSED)},
    "reraised": {RTN: (UNACK,), LATCHED: (UNACK,), UNACK: (UNACK,), ACK: (ACK,)},
}
"""ANSI/ISA-18.2 as section 7 has it: what may be told in a state, and the states that it may lead to.

Of two changes that are told together (unshelved and reraised) both name the state after both.
"""


class LivesLegal(Witness):
    """Every alert's changes follow the standard's edges, under one id, counted without a gap."""

    def ended(self) -> None:
        states: dict[Place, str] = {}
        ids: dict[Place, str] = {}
        ordinals: dict[str, int] = {}
        over: set[str] = set()
        seen: set[str] = set()
        for event in self.world.committed_events():
            place, data = (event.aircraft, event.door, event.code), event.data
            before, after = states.get(place, NORMAL), data["state"]
            name = f"{' '.join(place)} {event.type}"
            self.world.tally.count("events")
            if after not in EDGES.get(event.type, {}).get(before, ()):
                self.fault(f"{name}: from {before} to {after} is no edge")
            if event.type == "cleared" and before == UNACK:
                self._hold_clear(name, data, after)
            alert_id = data["alert_id"]
            if before == NORMAL and alert_id in over:
                self.fault(f"{name}: the id {alert_id} was another alert's")
            if before != NORMAL and alert_id != ids[place]:
                self.fault(f"{name}: id {alert_id}, until now {ids[place]}")
            ordinals[alert_id] = ordinals.get(alert_id, 0) + 1
            if event.id in seen or event.id != f"{alert_id}-{ordinals[alert_id]}":
                self.fault(f"{name}: event {event.id} is not change {ordinals[alert_id]}")
            seen.add(event.id)
            states[place], ids[place] = after, alert_id
            if after == NORMAL:
                over.add(alert_id)
        self._hold_active(states, ids)

    def _hold_clear(self, name: str, data: dict[str, Any], after: str) -> None:
        by_hand = data.get("reason") is not None or "by" in data
        if data["priority"] == "warning" and after == NORMAL and not by_hand:
            self.fault(f"{name}: a warning that nobody acknowledged is gone")
        if data["priority"] != "warning" and after != NORMAL and data["code"] != "slide-deployed":
            self.fault(f"{name}: a {data['priority']} does not wait for its acknowledgement")

    def _hold_active(self, states: dict[Place, str], ids: dict[Place, str]) -> None:
        """What is retained on the broker is the last word of the events."""
        expected = {place: (state, ids[place]) for place, state in states.items() if state != NORMAL}
        found: dict[Place, tuple[str, str]] = {}
        for topic, payload in self.world.broker.retained.items():
            levels = topic.split("/")
            if levels[:3] == ["sillwatch", "v1", "active"]:
                data = json.loads(payload)
                found[levels[4], levels[5], levels[6]] = (data["state"], data["alert_id"])
        for place in sorted(expected.keys() | found.keys()):
            if expected.get(place) != found.get(place):
                self.fault(f"{' '.join(place)}: retained {found.get(place)}, its events say {expected.get(place)}")


class IdsRepeat(Witness):
    """What a message raised and a crash took from the disk it raises again under the same id; what is on disk was told."""

    def __init__(self, world: World) -> None:
        super().__init__(world)
        self.told: dict[str, tuple[Place, Message]] = {}
        self.lost: dict[Place, tuple[str, Message]] = {}
        self.reached_ids: set[str] = set()
        self.backlog: set[str] = set()
        self.hearing: Message | None = None

    def before_delivery(self, delivery: Delivery) -> None:
        self.hearing = delivery.message._replace(again=False)

    def delivered(self, delivery: Delivery) -> None:
        self.hearing = None

    def reached(self, message: Message) -> None:
        if "/event/" in message.topic:
            self.reached_ids.add(json.loads(message.payload)["id"])

    def output(self, outgoing: Outgoing, now: int) -> None:
        levels = outgoing.topic.split("/")
        if levels[2] != "event" or self.hearing is None:
            return
        event = json.loads(outgoing.payload)
        if event["type"].endswith(".raised"):
            place = (levels[4], levels[5], levels[6])
            self._hold_again(place, event["data"]["alert_id"], self.hearing)
            self.told[event["id"]] = (place, self.hearing)

    def _hold_again(self, place: Place, alert_id: str, heard: Message) -> None:
        lost, message = self.lost.pop(place, ("", None))
        # Raised by another message it has another cause: the feed was silent until then, say.
        if message == heard:
            self.world.tally.count("repeats")
            if lost != alert_id:
                self.fault(f"{' '.join(place)} was told as {lost} before the crash and is told as {alert_id} after it")

    def killed(self) -> None:
        self.hearing = None
        self.backlog |= self.world.backlog_ids
        committed = {event.id for event in self.world.committed_events()}
        self.lost.clear()
        for event_id, (place, message) in self.told.items():
            if event_id not in committed:
                self.lost.setdefault(place, (event_id.rpartition("-")[0], message))
        self.told.clear()

    def ended(self) -> None:
        silent = [e for e in self.world.committed_events() if e.id not in self.reached_ids and e.id not in self.backlog]
        if silent:
            self.fault(f"on disk, and never told: {silent[0].type} {silent[0].code} {silent[0].id}")
        gone = {e.id for e in self.world.committed_events()} & self.backlog - self.reached_ids
        self.world.tally.count("events lost with a backlog", len(gone))


class OnceOnRecord(Witness):
    """What a person did is on record once if it was answered, never if it was refused."""

    def __init__(self, world: World) -> None:
        super().__init__(world)
        self.done: dict[str, bool] = {}

    def answered(self, command: Command, effects: Iterable[Effect]) -> None:
        refused = any(isinstance(effect, RefuseCommand) for effect in effects)
        reason = getattr(command, "reason", "")
        if reason:
            self.done[reason] = not refused

    def ended(self) -> None:
        rows = Counter(e.reason for e in self.world.committed_effects() if isinstance(e, RecordAudit))
        shown = Counter(row["reason"] for row in self.world.audit_rows)
        if +shown != +rows:
            self.fault(f"the audit shows {shown - rows} too much and lacks {rows - shown}")
        for reason, done in self.done.items():
            self.world.tally.count("actions")
            if rows[reason] != done:
                self.fault(f"{reason!r} was {'done' if done else 'refused'} and is on record {rows[reason]} times")
        twice = [reason for reason, times in rows.items() if times > 1 and reason.startswith("act ")]
        if twice:
            self.fault(f"on record more than once: {twice[:2]}")


class RestartsEqual(Witness):
    """A restart leaves what a run without one would have had; the journal played again says the same."""

    def __init__(self, world: World) -> None:
        super().__init__(world)
        self.read_back: list[tuple[int, int, bytes]] = []
        self.alone = True

    def restored(self, restored: Restored, entries: list[Entry]) -> None:
        if entries:
            self.alone = False
            self.read_back.append((restored.position, restored.system.record.at, _state(restored.system)))

    def ended(self) -> None:
        entries = list(self.world.disk.journal.entries_after(0))
        if self.alone and all(entry.kind in _BY_WIRE for entry in entries):
            self._replay_as_capture(entries)
        else:
            self._replay_as_journal(entries)

    def _replay_as_journal(self, entries: list[Entry]) -> None:
        process = self.world.process
        system = System(sim_site(), answering=False)
        waiting = {position: (at, state) for position, at, state in self.read_back}
        for entry in entries:
            effects = take_entry(system, sim_wire(), entry)
            self._compare(entry, effects)
            if entry.position in waiting:
                at, state = waiting[entry.position]
                same = _state(system) == state
                # A snapshot may have been taken a while after the entry, when silence had told.
                system.advance(at, answers_max=0)
                if not same and _state(system) != state:
                    self.fault(f"read back at {entry.position} is another state than one that went on")
                    return
        if process is not None:
            system.advance(process.engine.system.record.at, answers_max=0)
            self.world.tally.count("replays")
            if _state(system) != _state(process.engine.system):
                self.fault("the journal played again leads to another state than the one that runs")

    def _compare(self, entry: Entry, effects: list[Effect]) -> None:
        before = [e for e in self.world.rows[entry.position].effects if isinstance(e, PublishEvent)]
        after = [e for e in effects if isinstance(e, PublishEvent)]
        if before != after:
            self.fault(f"entry {entry.position} told {_names(before)}, played again {_names(after)}")

    def _replay_as_capture(self, entries: list[Entry]) -> None:
        lines = [
            CaptureLine(e.at, Message(e.topic, e.payload, e.retained) if e.kind == MESSAGE else None) for e in entries
        ]
        again = list(replay(lines, System(sim_site(), answering=False), sim_wire()))
        self.world.tally.count("captures")
        told = [event for event in self.world.committed_events() if event.aircraft != "-"]
        if again != told:
            self.fault(f"as a capture it tells {_names(again)} instead of {_names(told)}")


def _state(system: System) -> bytes:
    """The whole state but for when it was last looked at, and for what only says which wake-ups are queued."""
    return _QUEUED.sub(b"", snapshot.dump(replace(system.record, at=0)))


_QUEUED: Final = re.compile(rb'"queued":(?:null|\d+),')
_BY_WIRE: Final = (MESSAGE, "clock", "monitor-started", "broker-connected")


def _names(events: list[PublishEvent]) -> list[str]:
    return [f"{event.door} {event.code} {event.type} {event.id[-8:]}" for event in events]


class OutputsStand(Witness):
    """What is retained on the broker is what the engine holds, and nothing else."""

    def tick(self, now: int) -> None:
        process = self.world.process
        if process is not None and process.feed.connected:
            self._hold(process, whole=False)

    def ended(self) -> None:
        process = self.world.process
        if process is None or not process.feed.connected:
            self.fault("not connected at the end")
        else:
            self._hold(process, whole=True)

    def _hold(self, process: Process, *, whole: bool) -> None:
        """``whole``: every document, not only which there are; answers are looked at a while later."""
        held = process.engine.held_outputs()
        found = {t: p for t, p in self.world.broker.retained.items() if t.startswith(_OUTPUTS)}
        orphans = sorted(found.keys() - held.keys())
        if orphans:
            self.fault(f"retained and held by nobody: {orphans[0]}")
        answered = whole and self.world.answering
        missing = sorted(topic for topic in held.keys() - found.keys() if answered or "/readiness/" not in topic)
        if missing:
            self.fault(f"held and not retained: {missing[0]}")
        for topic in sorted(held.keys() & found.keys()) if whole else ():
            if "/readiness/" in topic and not self.world.answering:
                continue
            document, outgoing = found[topic], held[topic]()
            self.world.tally.count("outputs")
            if outgoing is None or _said(topic, document) != _said(topic, outgoing.payload):
                self.fault(f"{topic} retains {document!r}, held is {outgoing!r}")


_OUTPUTS: Final = tuple(f"sillwatch/v1/{kind}/" for kind in ("door", "active", "readiness", "procedure"))


def _said(topic: str, payload: bytes) -> Any:
    document = json.loads(payload)
    if "/door/" in topic:
        document["evidence"] = [(e["signal"], e["quality"], e["stale"]) for e in document["evidence"]]
        del document["travel"]
    return document


class NoFault(Witness):
    """Nothing was set aside as a fault of ours."""

    def stepped(self, step: Step) -> None:
        for effect in step.effects:
            if isinstance(effect, RejectInput) and effect.reason == "internal-fault":
                self.fault(effect.detail)

    def ended(self) -> None:
        for context in self.world.loop.faults:
            error = context.get("exception")
            if type(error).__name__ != "Killed":
                self.fault(f"in the loop: {context.get('message')} {error!r}")
