"""One monitor between senders, a broker and a disk, all of whose faults are drawn from a seed.

Owns the running: the broker with its sessions, the disk with its commits, and the processes
that live and die between them. What runs in a process is the real engine with the real codec,
core and clock; what it meets is played. It judges nothing: whoever watches hears of every
delivery, output, append, settlement, death and start (:class:`Witness`).
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from monitor.adapters.clock import SystemClock
from monitor.adapters.journal_memory import MemoryJournal
from monitor.adapters.mqtt_fake import MemoryFeed
from monitor.adapters.mqtt_settings import MqttSettings
from monitor.adapters.redelivery import Redeliveries
from monitor.core.effects import Effect, PublishEvent
from monitor.core.events import Command
from monitor.core.times import SECOND, format_time
from monitor.engine import MESSAGE, Engine, Restored, restore
from monitor.ports import Entry, Message, Outgoing, Snapshot, Step
from tests.simulation.broker import INPUTS, Broker, Killed
from tests.simulation.loop import VirtualLoop
from tests.simulation.site import INSTANCE, sim_site, sim_wire
from tests.stories import START


@dataclass(slots=True)
class Delivery:
    """One delivery of a message to a process; ``position`` is its journal row, once appended, 0 where an earlier one has it."""

    message: Message
    at: int
    life: int
    position: int = 0
    settled: bool = False


class Witness:
    """Hears what happens and says what is wrong; every method may be left as it is."""

    def __init__(self, world: World) -> None:
        self.world = world

    def fault(self, text: str) -> None:
        """Say what is wrong."""
        self.world.fault(type(self).__name__, text)

    def before_delivery(self, delivery: Delivery) -> None:
        """A message is about to be handed to the engine."""

    def delivered(self, delivery: Delivery) -> None:
        """The engine has taken it."""

    def output(self, outgoing: Outgoing, now: int) -> None:
        """The engine hands a message to its publisher."""

    def reached(self, message: Message) -> None:
        """A message of ours has reached the broker."""

    def settled(self, delivery: Delivery) -> None:
        """The broker is told that a delivery is done with."""

    def stepped(self, step: Step) -> None:
        """The engine has finished a step."""

    def killed(self) -> None:
        """The process is dead."""

    def restored(self, restored: Restored, entries: list[Entry]) -> None:
        """A new process has read the state back from these entries, and has done nothing yet."""

    def answered(self, command: Command, effects: Iterable[Effect]) -> None:
        """A person's action was answered."""

    def tick(self, now: int) -> None:
        """A moment has passed; what was due has had its time."""

    def ended(self) -> None:
        """All is quiet, connected and on disk."""


class Disk:
    """The journal that outlives processes, and when it commits."""

    def __init__(self, world: World, latency_s: Callable[[], float]) -> None:
        self._world = world
        self._latency_s = latency_s
        self.journal = MemoryJournal(defer=self._defer)

    def reopen(self) -> None:
        """Leave what is committed and nothing else."""
        self.journal = self.journal.reopened()

    def _defer(self, commit: Callable[[], None]) -> None:
        # A commit of a process that is gone by then never happens.
        self._world.loop.call_later(self._latency_s(), partial(self._commit, self.journal, commit))

    def _commit(self, journal: MemoryJournal, commit: Callable[[], None]) -> None:
        process = self._world.process
        if journal is self.journal and (process is None or not process.dead):
            self._world.guarded(commit)


@dataclass
class Fuse:
    """Where the next process that gets there dies: at its ``count``-th publish, append or commit from now."""

    place: str
    count: int


class Process:
    """One life of the monitor: engine, feed and clock. It stands between them to hear, and to die."""

    def __init__(self, world: World, life: int) -> None:
        self.world = world
        self.life = life
        self.dead = False
        self.wire = sim_wire()
        self._current: Delivery | None = None
        self.journal = world.disk.journal
        restored = restore(sim_site(), self.journal, self.wire)
        if not world.answering:
            restored.system._answering = False
        world.tell(restored=restored, entries=list(self.journal.entries_after(0)))
        self.clock = SystemClock(not_before=restored.system.record.at, steady=world.steady_ns, wall=world.wall_ns)
        self.redeliveries = Redeliveries(1_000)
        self.redeliveries.recall(self.journal.entries_after(0))
        self.engine = Engine(
            restored=restored, codec=self.wire, clock=self.clock, journal=self, publisher=self, observers=[self]
        )
        started = self.clock.now()
        self.feed = MemoryFeed(
            world.broker,
            MqttSettings(
                url="mqtt://broker",
                instance=INSTANCE,
                inputs=tuple(self.wire.input_filters()),
                outputs=tuple(self.wire.output_filters()),
                status_topic=self.wire.status_topic,
                started=format_time(started),
                online=self.wire.status_message("online", "0", started).payload,
                offline=self.wire.status_message("offline", "0", started).payload,
            ),
            on_message=self._hear,
            on_connected=self._connected,
            on_disconnected=self._disconnected,
            held_topics=self.engine.held_outputs,
            on_superseded=lambda started: world.fault("World", f"superseded by a run started at {started}"),
        )
        self.task: asyncio.Task[None] | None = None

    def start(self) -> None:
        """Take up the work, as an instance does."""
        self.engine.start()
        self.task = self.world.loop.create_task(self.feed.run())

    # Publisher

    def publish(self, outgoing: Outgoing) -> None:
        self._alive()
        self.world.burn("publish")
        self.world.tell(output=outgoing, now=self.clock.now())
        self.feed.publish(outgoing)

    # Journal

    def append(self, entry: Entry, committed: Callable[[], None] | None = None) -> None:
        self._alive()
        if self._current is not None and entry.kind == MESSAGE:
            self._current.position = entry.position
        self.world.appended(entry)
        self.journal.append(entry, partial(self._committed, committed))
        self.world.burn("append")

    def _committed(self, committed: Callable[[], None] | None) -> None:
        self._alive()
        self.world.burn("commit")
        if committed is not None:
            committed()

    def save_snapshot(self, snapshot: Snapshot) -> None:
        self._alive()
        self.journal.save_snapshot(snapshot)

    def latest_snapshot(self) -> Snapshot | None:
        return self.journal.latest_snapshot()

    def entries_after(self, position: int) -> Any:
        return self.journal.entries_after(position)

    def last_position(self) -> int:
        return self.journal.last_position()

    @property
    def healthy(self) -> bool:
        return self.journal.healthy

    # Observer

    def observe(self, step: Step) -> None:
        self.world.tell(step=step)

    # The feed's callbacks

    def _hear(self, message: Message, settle: Callable[[], None]) -> None:
        self._alive()
        delivery = Delivery(message, self.clock.now(), self.life)
        taken = self.redeliveries.follow(message, partial(self._settle, delivery, settle))
        if taken is None:
            self.world.tally.count("redeliveries")
            return
        self._current = delivery
        self.world.tell(before=delivery)
        try:
            self.engine.receive(message, taken)
        finally:
            self._current = None
        self.world.tell(delivered=delivery)

    def _settle(self, delivery: Delivery, settle: Callable[[], None]) -> None:
        self._alive()
        self.world.tell(settled=delivery)
        delivery.settled = True
        settle()

    def _connected(self, _session: bool) -> None:
        self._alive()
        self.engine.note_connected()

    def _disconnected(self, why: str) -> None:
        if not self.dead:
            self.engine.note_disconnected(why)

    def _alive(self) -> None:
        if self.dead:
            raise Killed

    # The end

    def die(self) -> None:
        """Be gone between one instruction and the next."""
        self.dead = True
        self.engine._running = False
        if self.engine._timer is not None:
            self.engine._timer.cancel()
        if self.task is not None:
            self.task.cancel()

    async def stop(self) -> None:
        """End cleanly, as an instance does: no new inputs, a last snapshot, everything on disk."""
        await self.feed.stop()
        if self.dead:
            return
        self.engine.stop()
        await self.journal.close()
        self.dead = True


@dataclass
class Tally:
    """What a story was made of."""

    inputs: int = 0
    outputs: int = 0
    events: int = 0
    crashes: int = 0
    stops: int = 0
    outages: int = 0
    commands: int = 0
    done: int = 0
    checks: dict[str, int] = field(default_factory=dict)

    def count(self, name: str, times: int = 1) -> None:
        self.checks[name] = self.checks.get(name, 0) + times


class World:
    """One story's loop, broker, disk and the process that lives now."""

    def __init__(self, seed: int, *, trace: Callable[[str], None] | None = None) -> None:
        self.seed = seed
        self.loop = VirtualLoop()
        self.chance = random.Random(f"faults {seed}")
        self.trace = trace
        self.witnesses: list[Witness] = []
        self.faults: list[str] = []
        self.tally = Tally()
        self.answering = True
        self.wall_step_ns = 0
        self.ack_loss = 0.0
        self.commit_s: tuple[float, ...] = (0.0,)
        self.fuse: Fuse | None = None
        self.down_s = 1.0
        self.life = 0
        self.connected_once = False
        self.broker = Broker(self._reached, lambda: self.ack_loss > 0 and self.chance.random() < self.ack_loss)
        self.disk = Disk(self, lambda: self.chance.choice(self.commit_s))
        self.process: Process | None = None
        self.rows: dict[int, Entry] = {}
        self.audit_rows: list[dict[str, Any]] = []
        self.backlog_ids: set[str] = set()
        """Events that a process had kept for a broker that was away when it ended."""
        self.forgot = False
        """The broker has forgotten its sessions once: what it had not delivered is nowhere."""
        self._restart: asyncio.TimerHandle | None = None
        self._ended: list[asyncio.Task[Any]] = []
        self.asking: list[tuple[Command, asyncio.Task[Any]]] = []

    # Time

    @property
    def seconds(self) -> float:
        return self.loop.time()

    @property
    def true_us(self) -> int:
        """The true time (µs), which senders' clocks are set by."""
        return START + round(self.loop.time() * SECOND)

    def steady_ns(self) -> int:
        return 1_000_000_000_000 + round(self.loop.time() * 1e9)

    def wall_ns(self) -> int:
        return self.true_us * 1000 + self.wall_step_ns

    # Telling

    def say(self, text: str) -> None:
        if self.trace is not None:
            self.trace(f"{self.loop.time():9.3f}  {text}")

    def fault(self, who: str, text: str) -> None:
        line = f"{self.loop.time():.3f} s, {who}: {text}"
        self.faults.append(line)
        self.say(f"!! {line}")

    def tell(self, **what: Any) -> None:
        """Let every witness hear of one thing."""
        for witness in self.witnesses:
            match what:
                case {"before": delivery}:
                    witness.before_delivery(delivery)
                case {"delivered": delivery}:
                    witness.delivered(delivery)
                case {"output": outgoing, "now": now}:
                    witness.output(outgoing, now)
                case {"step": step}:
                    witness.stepped(step)
                case {"settled": delivery}:
                    witness.settled(delivery)
                case {"restored": restored, "entries": entries}:
                    witness.restored(restored, entries)
        if "before" in what:
            self.tally.inputs += 1
            if self.trace is not None:
                message = what["before"].message
                kept = " (retained)" if message.retained else ""
                self.say(f"<- {message.topic.removeprefix(INPUTS)}{kept} {message.payload.decode('utf-8', 'replace')}")
        elif "output" in what:
            self.tally.outputs += 1
            if self.trace is not None and "/event/" in what["output"].topic:
                self.say(f"-> {what['output'].topic} {what['output'].payload.decode()[:240]}")

    def appended(self, entry: Entry) -> None:
        """Remember an append with what it led to, whether it will be committed or not."""
        self.rows[entry.position] = entry
        self.tally.events += sum(1 for effect in entry.effects if isinstance(effect, PublishEvent))

    def _reached(self, message: Message) -> None:
        for witness in self.witnesses:
            witness.reached(message)

    def committed_effects(self) -> Iterable[Effect]:
        """What the rows on disk led to, in their order."""
        for position in range(1, self.disk.journal.last_position() + 1):
            yield from self.rows[position].effects

    def committed_events(self) -> list[PublishEvent]:
        """The lifecycle changes on disk."""
        return [effect for effect in self.committed_effects() if isinstance(effect, PublishEvent)]

    def _note_backlog(self, process: Process) -> None:
        self.backlog_ids |= {json.loads(kept.payload)["id"] for kept in process.feed._backlog}

    # Faults

    def burn(self, place: str) -> None:
        """Die here, if the fuse says so."""
        fuse = self.fuse
        if fuse is None or fuse.place != place:
            return
        fuse.count -= 1
        if fuse.count <= 0:
            self.say(f"xx killed at {place}")
            self.kill()
            raise Killed

    def guarded(self, act: Callable[[], object]) -> None:
        """Do something that may end in the process's death."""
        with contextlib.suppress(Killed):
            act()

    def kill(self) -> None:
        """Kill the process that lives now; another starts a while later."""
        process = self.process
        self.fuse = None
        if process is None or process.dead:
            return
        self.tally.crashes += 1
        self._note_backlog(process)
        process.die()
        if process.task is not None:
            self._ended.append(process.task)
        self.process = None
        self.guarded(self.broker.drop_client)
        for _, task in self.asking:
            task.cancel()
        self._ended += [task for _, task in self.asking]
        self.asking.clear()
        for witness in self.witnesses:
            witness.killed()
        self.disk.reopen()
        self._start_in(self.down_s)

    def _start_in(self, seconds: float) -> None:
        if self._restart is not None:
            self._restart.cancel()
        self._restart = self.loop.call_later(seconds, self.start)

    def start(self) -> None:
        """Start a process, if none lives."""
        if self._restart is not None:
            self._restart.cancel()
            self._restart = None
        if self.process is not None:
            return
        self.life += 1
        self.say(f"++ life {self.life} starts")
        process = self.process = Process(self, self.life)
        self.guarded(process.start)

    async def stop(self, seconds: float) -> None:
        """Stop the process cleanly; another starts a while later."""
        process = self.process
        if process is None or process.dead:
            return
        self.tally.stops += 1
        self.say("-- clean stop")
        await process.stop()
        if self.process is not process:
            return
        self._note_backlog(process)
        if process.task is not None:
            self._ended.append(process.task)
        self.process = None
        for _, task in self.asking:
            task.cancel()
        self._ended += [task for _, task in self.asking]
        self.asking.clear()
        for witness in self.witnesses:
            witness.killed()
        self.disk.reopen()
        self._start_in(seconds)

    # What the story does

    def send(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """Let the broker have a message from a sender."""
        self.guarded(lambda: self.broker.publish(topic, payload, retain=retain))

    def ask(self, command: Command) -> None:
        """Have a person act through the process that lives now, if one does."""
        process = self.process
        if process is None or process.dead:
            return
        self.tally.commands += 1
        self.say(f"?? {command}")
        task = self.loop.create_task(self._submit(process, command))
        self.asking.append((command, task))

    async def _submit(self, process: Process, command: Command) -> None:
        try:
            effects = await process.engine.submit(command)
        except Killed:
            return
        if process.dead:
            return
        self.tally.done += 1
        self.asking = [(asked, task) for asked, task in self.asking if asked is not command]
        for witness in self.witnesses:
            witness.answered(command, effects)

    def tick(self) -> None:
        """Let the witnesses look, if there is anything to look at."""
        process = self.process
        if process is not None and not process.dead:
            now = process.clock.now()
            for witness in self.witnesses:
                witness.tick(now)

    async def close(self) -> None:
        """End everything that still runs."""
        process = self.process
        if self._restart is not None:
            self._restart.cancel()
        if process is not None:
            process.die()
            if process.task is not None:
                self._ended.append(process.task)
        tasks = [*self._ended, *(task for _, task in self.asking)]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
