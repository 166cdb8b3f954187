"""One seed's story: drawn from the seed alone, told from its beginning to a quiet end.

Owns the drawing of the plan (who is there, what is worked, what people do, what fails and when)
and its telling. :func:`run` is the one entry for tests, the command line and the soak.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Final

import structlog.testing

from monitor.core.events import (
    AlertAcknowledged,
    AlertClosed,
    AlertDrawn,
    AlertLeftUndrawn,
    AlertShelved,
    AlertUnacknowledged,
    AlertUnshelved,
    Command,
    DoorReported,
    DoorReset,
    IdentitySettled,
    PermitEnded,
    PermitGranted,
    PresenceDeclared,
)
from monitor.core.times import MINUTE, SECOND
from tests.simulation.broker import Killed
from tests.simulation.judges import Judge
from tests.simulation.records import (
    IdsRepeat,
    LivesLegal,
    NoFault,
    NothingLost,
    OnceOnRecord,
    OutputsStand,
    RestartsEqual,
)
from tests.simulation.senders import Network, Sender, airframe_change, odd_reading, ways_to_work
from tests.simulation.site import sim_site
from tests.simulation.world import Fuse, Tally, World

BEAT_S: Final = 6.0
LOOK_S: Final = 8.0
CALM_S: Final = 12.0
ANSWERS_S: Final = 7.0
ODDS: Final = (0.0, 0.05, 0.2)
PLACES: Final = ("publish", "append", "commit")
WITNESSES: Final = (NothingLost, Judge, LivesLegal, IdsRepeat, OnceOnRecord, RestartsEqual, OutputsStand, NoFault)

Act = Callable[[], None]


@dataclass
class Outcome:
    """What a seed's story came to."""

    seed: int
    faults: list[str]
    tally: Tally
    digest: str


def replay_command(seed: int) -> str:
    """Return the command that tells a seed's story again."""
    return f".venv/bin/python -m tests.simulation --seed {seed} --trace"


def run(seed: int, *, trace: Callable[[str], None] | None = None) -> Outcome:
    """Tell the story of ``seed`` and return what was found."""
    world = World(seed, trace=trace)
    try:
        world.witnesses.extend(witness(world) for witness in WITNESSES)
        with structlog.testing.capture_logs() as logs:
            world.loop.run_until_complete(Story(world).tell())
        for line in logs:
            if line["log_level"] == "error":
                world.fault("Log", f"{line['event']} {line.get('met', '')} {line.get('exc_info', '')}")
        digest = "".join(f"{event.id}{event.type}{event.time}" for event in world.committed_events())
        return Outcome(seed, world.faults, world.tally, digest)
    finally:
        world.loop.run_until_complete(world.close())
        world.loop.close()


class Story:
    """The plan of one seed, and its telling."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.rng = random.Random(f"story {world.seed}")
        self.plan: list[tuple[float, int, Act]] = []
        self.senders: list[Sender] = []
        self.acts = 0
        self.calm = self.rng.random() < 0.2
        self.horizon = self._draw()

    # Drawing

    def _draw(self) -> float:
        rng, world = self.rng, self.world
        world.answering = rng.random() < 0.35
        if not self.calm:
            world.ack_loss = rng.choice((0.0, 0.0, 0.1, 0.4))
            world.commit_s = rng.choice(((0.0,), (0.0, 0.002), (0.02, 0.2), (0.0, 1.0)))
        for number in range(1 if self.calm else rng.choice((1, 1, 1, 1, 2, 2, 3))):
            self.senders.append(self._draw_sender(number))
        horizon = 0.0
        for sender in self.senders:
            horizon = max(horizon, self._plan_sender(sender))
        if rng.random() < 0.4:
            self._plan_wind(horizon)
        if not self.calm:
            self._plan_people(horizon)
            self._plan_faults(horizon)
        if self.calm or rng.random() < 0.7:
            self._at(0.0, world.start)
        else:
            self._at(rng.uniform(1.0, horizon / 2), world.start)
        at = LOOK_S
        while at < horizon:
            self._at(at, world.tick)
            at += LOOK_S
        return horizon

    def _at(self, seconds: float, act: Act) -> None:
        self.plan.append((round(seconds, 3), len(self.plan), act))

    def _draw_sender(self, number: int) -> Sender:
        rng = self.rng
        kind = rng.choice(sorted(sim_site().types))
        doors = list(sim_site().types[kind].doors)
        network = Network()
        if not self.calm and rng.random() < 0.5:
            delays = ((0.02, 0.3), (0.5, 3.0), (3.0, 15.0), (35.0,))
            network = Network(rng.choice(ODDS), rng.choice(ODDS), rng.choice(ODDS), rng.choice(delays))
        sender = Sender(
            self.world, rng, network, f"SIM-{number}", kind, f"S1{number + 1}", tuple(doors),
            style=rng.choice(("bundle", "single", "mixed")),
            retain=rng.random() < 0.8,
            numbered=rng.random() < 0.75,
            skew_s=0.0 if self.calm else rng.choice((0.0, 0.0, 0.0, -0.4, 3.0, -12.0, 45.0, 90.0, -3600.0)),
        )  # fmt: skip
        if rng.random() < 0.15:
            sender.door_beats = (rng.choice(doors),)
        return sender

    def _plan_sender(self, sender: Sender) -> float:
        rng = self.rng
        at = rng.uniform(0.01, 3.0)
        armed = [door for door in sender.doors if sender.spec(door).kind == "cabin" and rng.random() < 0.4]
        self._at(at, partial(sender.arrive, armed=armed))
        begin = at
        for _ in range(rng.randint(2, 4)):
            at += rng.choice((0.2, 1.0, 4.0, 12.0))
            at = self._plan_turn(sender, at)
        end = at + rng.uniform(0.0, 15.0)
        beat = begin + BEAT_S * rng.random()
        while beat < end:
            self._at(beat, partial(self._beat, sender))
            beat += BEAT_S
        if not self.calm:
            self._plan_trouble(sender, begin, end)
        return end

    def _plan_turn(self, sender: Sender, at: float) -> float:
        rng = self.rng
        chance = rng.random()
        if chance < 0.6:
            for gap_s, readings in ways_to_work(rng, sender, rng.choice(sender.doors)):
                at += gap_s
                self._at(at, partial(sender.send, readings))
        elif chance < 0.85:
            self._at(at, partial(sender.send, airframe_change(rng, sender)))
        elif chance < 0.95:
            self._at(at, lambda: sender.send(odd_reading(rng, sender)))
        elif chance < 0.98:
            self._at(at, sender.mumble)
        else:
            place = f"door/{rng.choice(sender.doors)}/closed"
            self._at(at, partial(sender.withdraw, place))
        return at

    @staticmethod
    def _beat(sender: Sender) -> None:
        if sender.beating:
            sender.beat()
            if sender.beats % 3 == 0:
                sender.refresh()

    def _plan_trouble(self, sender: Sender, begin: float, end: float) -> None:
        rng = self.rng
        if rng.random() < 0.15:
            at = rng.uniform(begin, end)
            self._at(at, partial(setattr, sender, "beating", False))
            self._at(at + rng.choice((12.0, 35.0, 60.0)), partial(setattr, sender, "beating", True))
        if rng.random() < 0.15:
            at = rng.uniform(begin, end)
            self._at(at, sender.start_over)
            if rng.random() < 0.7:
                self._at(at + 0.01, sender.say_all)
        if rng.random() < 0.1:
            self._at(
                rng.uniform(begin, end), partial(self._step_sender, sender, rng.choice((-40.0, -2.0, 2.0, 40.0, 100.0)))
            )

    @staticmethod
    def _step_sender(sender: Sender, by_s: float) -> None:
        sender.skew_s += by_s

    def _plan_wind(self, horizon: float) -> None:
        for stand in sorted({sender.stand for sender in self.senders}):
            at = self.rng.uniform(0.0, 5.0)
            while at < horizon:
                knots = self.rng.choice((8.0, 33.0, 38.0, 47.0, 60.0))
                self._at(at, partial(self._blow, stand, knots))
                at += self.rng.choice((10.0, 20.0, 40.0))

    def _blow(self, stand: str, knots: float) -> None:
        at = self.world.true_us / SECOND
        topic = f"apron/v1/{sim_site().name}/stand/{stand}/wind_kt"
        self.world.send(topic, f'{{"time": {at:.3f}, "value": {knots}}}'.encode(), retain=False)

    # People

    def _plan_people(self, horizon: float) -> None:
        for _ in range(self.rng.choice((0, 1, 3, 6))):
            self._at(self.rng.uniform(2.0, horizon), partial(self._act, self.rng.random()))

    def _act(self, chance: float) -> None:
        """Have somebody do something about what stands now."""
        process = self.world.process
        if process is None or process.dead:
            return
        self.acts += 1
        reason = f"act {self.acts}"
        now = process.clock.now()
        command = self._on_alert(chance / 0.7, now, reason) if chance < 0.7 else None
        self.world.ask(command or self._on_aircraft(chance, now, reason))

    def _on_alert(self, chance: float, now: int, reason: str) -> Command | None:
        judge = next(witness for witness in self.world.witnesses if isinstance(witness, Judge))
        ids = judge.standing_ids()
        if not ids:
            return None
        rng = self.rng
        alert_id = rng.choice(ids)
        kinds: tuple[Command, ...] = (
            AlertAcknowledged(alert_id, "sim", reason, None),
            AlertAcknowledged(alert_id, "sim", reason, None),
            AlertAcknowledged(alert_id, "sim", reason, now),
            AlertUnacknowledged(alert_id, "sim", reason, None),
            AlertShelved(alert_id, "sim", reason, now + rng.choice((5 * SECOND, 20 * SECOND, 10 * MINUTE)), None),
            AlertUnshelved(alert_id, "sim", reason, None),
            AlertClosed(alert_id, "sim", reason, None),
            AlertLeftUndrawn(alert_id),
            AlertDrawn(alert_id),
            AlertAcknowledged("0" * 24, "sim", reason, None),
        )
        return kinds[min(int(chance * len(kinds)), len(kinds) - 1)]

    def _on_aircraft(self, chance: float, now: int, reason: str) -> Command:
        rng = self.rng
        sender = rng.choice(self.senders)
        door = rng.choice(sender.doors)
        until = now + rng.choice((8 * SECOND, 30 * SECOND, 60 * MINUTE))
        judge = next(witness for witness in self.world.witnesses if isinstance(witness, Judge))
        permits = judge.permits or ["none"]
        kinds: tuple[Command, ...] = (
            DoorReset(sender.reg, door, "sim", reason),
            DoorReset(sender.reg, door, "sim", reason),
            PresenceDeclared(sender.reg, rng.choice(("present", "powered_down", "away")), "sim", reason),
            DoorReported(sender.reg, door, (("lock_indicator", rng.choice(("locked", "unlocked"))),), "sim", reason),
            IdentitySettled(sender.reg, "sim", reason),
            PermitGranted("drill", sender.reg, (door,), (), until, "sim", reason),
            PermitGranted("tow", sender.reg, (), ("moving-not-secure", "unguarded-drop"), until, "sim", reason),
            PermitGranted("slide-removed", sender.reg, (door,), (), until, "sim", reason),
            PermitEnded(rng.choice(permits), "sim", reason),
        )
        return kinds[int(chance * 1000) % len(kinds)]

    # Faults

    def _plan_faults(self, horizon: float) -> None:
        rng, world = self.rng, self.world
        for _ in range(rng.choice((0, 0, 1, 1, 2, 3))):
            fuse = Fuse(rng.choice(PLACES), rng.randint(1, 6))
            down_s = rng.choice((0.05, 0.5, 3.0, 12.0, 40.0))
            self._at(rng.uniform(0.5, horizon), partial(self._crash, fuse, down_s, at_once=rng.random() < 0.3))
        for _ in range(rng.choice((0, 0, 1, 2))):
            at = rng.uniform(0.5, horizon)
            chance = rng.random()
            if chance < 0.4:
                self._at(at, partial(world.guarded, world.broker.drop_client))
            else:
                self._at(at, self._lose_broker)
                self._at(at + rng.choice((0.5, 5.0, 33.0)), world.broker.start)
        if rng.random() < 0.25:
            self._at(rng.uniform(0.5, horizon), self._begin_stop)
        if rng.random() < 0.15:
            at = rng.uniform(0.5, horizon)
            self._at(at, lambda: world.guarded(lambda: world.disk.journal.fail("full")))
            self._at(at + rng.choice((1.0, 10.0)), lambda: world.disk.journal.recover())
        if rng.random() < 0.2:
            self._at(rng.uniform(0.5, horizon), partial(self._step_wall, rng.choice((-3600, -20, -1, 1, 20, 3600))))
        for _ in range(rng.choice((0, 0, 1))):
            self._at(rng.uniform(1.0, horizon), self._save_snapshot)
        if rng.random() < 0.05:
            self._at(rng.uniform(1.0, horizon), self._forget_sessions)

    def _crash(self, fuse: Fuse, down_s: float, *, at_once: bool) -> None:
        self.world.down_s = down_s
        if at_once:
            self.world.say("xx killed")
            self.world.kill()
        else:
            self.world.fuse = fuse

    def _lose_broker(self) -> None:
        self.world.tally.outages += 1
        self.world.say("-- broker away")
        self.world.guarded(self.world.broker.stop)

    def _forget_sessions(self) -> None:
        self.world.forgot = True
        self.world.say("-- broker forgets")
        self.world.guarded(self.world.broker.forget_sessions)

    def _begin_stop(self) -> None:
        self._stopping = self.world.loop.create_task(self._stop())

    async def _stop(self) -> None:
        try:
            await self.world.stop(2.0)
        except Killed:
            return

    def _step_wall(self, seconds: int) -> None:
        self.world.say(f"-- our wall clock steps by {seconds} s")
        self.world.wall_step_ns += seconds * 1_000_000_000

    def _save_snapshot(self) -> None:
        process = self.world.process
        if process is not None and not process.dead:
            self.world.guarded(process.engine.save_snapshot)

    # Telling

    async def tell(self) -> None:
        """Tell it, then let all become quiet, and look once more at everything."""
        world = self.world
        for at, _, act in sorted(self.plan, key=lambda step: step[:2]):
            await self._until(at)
            act()
        await self._calm_down()
        page = await world.disk.journal.audit(limit=1000)
        world.audit_rows = list(page.rows)
        world.tick()
        for witness in world.witnesses:
            witness.ended()

    async def _until(self, at: float) -> None:
        wait = at - self.world.seconds
        if wait > 0:
            await asyncio.sleep(wait)

    async def _calm_down(self) -> None:
        world = self.world
        world.say("-- all faults end")
        world.fuse, world.ack_loss, world.commit_s = None, 0.0, (0.0,)
        world.broker.start()
        world.disk.journal.recover()
        world.start()
        for sender in self.senders:
            sender.network, sender.beating = Network(), True
        await self._until(max(self.horizon, world.seconds) + 0.5)
        for _ in range(3):
            for sender in self.senders:
                self._beat(sender)
            await self._until(world.seconds + CALM_S / 3)
            world.tick()
        if not self.calm:
            world.guarded(world.broker.drop_client)
        await asyncio.sleep(ANSWERS_S)
