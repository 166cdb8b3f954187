"""What goes first when more comes than can be taken: the rule, and when it is applied."""

from __future__ import annotations

import asyncio
import json
from collections import Counter
from typing import Any, Final

import pytest

from monitor.adapters.intake import TAKEN_A_TURN, Intake
from monitor.adapters.intake_queue import Bounds, IntakeQueue, Settle
from monitor.core.events import ReadingsShed
from monitor.core.times import SECOND
from monitor.ports import Message, settle_nothing
from tests.stories import REG, START, codec, demo_site

ROOT: Final = f"apron/v1/{demo_site().name}"
TRAVEL: Final = "door/L1/travel"
CLOSED: Final = "door/L1/closed"
PRESSURE: Final = "airframe/differential_pressure_hpa"
BEAT: Final = "airframe/heartbeat"


def message(path: str, value: Any, at: float, *, reg: str = REG, retain: bool = False, **more: Any) -> Message:
    place = path if path.startswith("stand/") else f"aircraft/{reg}/{path}"
    body = {"time": START / SECOND + at, "value": value, **more}
    return Message(f"{ROOT}/{place}", json.dumps(body).encode(), retain)


class Pile:
    """A queue that is put into and taken from, with what was settled by name."""

    def __init__(self, quantities: int = 1000, last: int = 2000) -> None:
        self.queue = IntakeQueue(Bounds(quantities, last), find_target=codec().find_target, codec=codec())
        self.settled: list[int] = []
        self.number = 0

    def put(self, given: Message, *, pressed: bool = True, resting: bool = False, closed: bool = False) -> int:
        number = self.number = self.number + 1

        def settle() -> None:
            self.settled.append(number)

        self._put(given, settle, pressed=pressed, resting=resting, closed=closed)
        return number

    def put_unanswered(self, given: Message, *, closed: bool = False) -> None:
        self._put(given, settle_nothing, pressed=True, resting=False, closed=closed)

    def _put(self, given: Message, settle: Settle, **how: bool) -> None:
        for each in self.queue.put(given, settle, 0.0, **how):
            each()

    def take_all(self) -> list[tuple[str, Any]]:
        taken = []
        while (waiting := self.queue.take()) is not None:
            payload = waiting.message.payload
            value = json.loads(payload)["value"] if b"value" in payload else payload
            taken.append((waiting.message.topic.removeprefix(f"{ROOT}/aircraft/{REG}/"), value))
        assert self.queue.waiting == 0
        return taken

    @property
    def shed(self) -> ReadingsShed:
        return self.queue.report()


def test_of_a_quantity_the_first_and_the_newest_wait() -> None:
    pile = Pile()
    numbers = [pile.put(message(TRAVEL, n / 10, n)) for n in range(6)]
    assert pile.settled == numbers[1:-1]
    assert pile.take_all() == [(TRAVEL, 0.0), (TRAVEL, 0.5)]
    assert pile.shed == ReadingsShed((("superseded", 4),), (), (), (), 0)


def test_the_first_is_taken_in_its_turn_however_fast_newer_ones_come() -> None:
    pile = Pile()
    taken = []
    for n in range(50):
        pile.put(message(TRAVEL, n / 50, n))
        if n % 10 == 9:
            waiting = pile.queue.take()
            assert waiting is not None
            taken.append(json.loads(waiting.message.payload)["value"])
    assert taken == [0.0, 0.18, 0.38, 0.58, 0.78]


def test_nothing_goes_while_nobody_is_pressed() -> None:
    pile = Pile()
    for n in range(6):
        pile.put(message(TRAVEL, n / 10, n), pressed=False)
        pile.put(message(CLOSED, True, n), pressed=False)
    assert pile.settled == []
    assert len(pile.take_all()) == 12
    assert not pile.queue.has_shed


@pytest.mark.parametrize(
    "newer",
    [
        message(TRAVEL, 0.9, 2, quality="uncertain"),
        message(TRAVEL, 0.9, 2, quality="bad"),
        message(TRAVEL, 0.9, 2, retain=True),
        message(TRAVEL, 0.9, 2, simulated=True),
        message(TRAVEL, 0.9, 1),
        message(TRAVEL, 0.9, 0),
        message(TRAVEL, 0.9, 2, seq=4),
        Message(f"{ROOT}/aircraft/{REG}/{TRAVEL}", b"", False),
        Message(f"{ROOT}/aircraft/{REG}/{TRAVEL}", b"{", False),
    ],
    ids=["uncertain", "bad", "retained", "simulated", "same", "older", "renumbered", "withdrawn", "unreadable"],
)
def test_what_is_not_the_same_only_newer_overtakes_nothing(newer: Message) -> None:
    pile = Pile()
    pile.put(message(TRAVEL, 0.0, 0, seq=1))
    pile.put(message(TRAVEL, 0.5, 1, seq=5))
    pile.put(newer)
    assert len(pile.take_all()) == 3


def test_a_word_that_says_it_again_goes_and_one_that_says_another_stays() -> None:
    pile = Pile()
    pile.put(message(CLOSED, True, 0))
    again = pile.put(message(CLOSED, True, 1))
    for n, value in enumerate((False, True, False), 2):
        pile.put(message(CLOSED, value, n))
    assert pile.settled == [again]
    assert [value for _, value in pile.take_all()] == [True, False, True, False]
    assert pile.shed.counts == (("repeat", 1),)


def test_of_heartbeats_only_what_was_overtaken_goes() -> None:
    pile = Pile(quantities=3, last=100)
    for n in range(20):
        pile.put(message(BEAT, n, n))
    assert pile.take_all() == [(BEAT, 0), (BEAT, 19)]


def test_quantities_go_before_words_and_a_doors_before_the_aircrafts() -> None:
    """At the bound every word stays, and what is the newest of a quantity is told to be unknown."""
    pile = Pile(quantities=12, last=100)
    pile.put(message(PRESSURE, 1.0, 0))
    pile.put(message("stand/S12/wind_kt", 20.0, 0))
    for number in range(1, 3):
        pile.put(message(f"door/L{number}/travel", 0.5, 0))
    for number in range(10):
        pile.put(message(CLOSED, number % 2 == 0, number))
    assert [path for path, _ in pile.take_all() if path.endswith("closed")] == [CLOSED] * 10
    shed = pile.shed
    assert shed.counts == (("analogue", 2),)
    assert shed.readings == ((REG, "L1", "travel"), (REG, "L2", "travel"))
    assert shed.heard == (REG,)
    for number in range(14):
        pile.put(message(CLOSED, number % 2 == 0, number))
    pile.put(message(PRESSURE, 1.0, 1))
    pile.put(message("stand/S12/wind_kt", 20.0, 1))
    assert pile.shed.weather == (("S12", "wind_kt"),)
    assert len(pile.take_all()) == 14


def test_what_comes_after_all_is_not_told_to_be_lost() -> None:
    pile = Pile(quantities=1, last=100)
    pile.put(message(TRAVEL, 0.1, 0))
    pile.put(message(CLOSED, False, 0))
    assert pile.queue.has_shed
    pile.take_all()
    pile.put(message(TRAVEL, 0.2, 1))
    pile.take_all()
    shed = pile.shed
    assert shed.counts == (("analogue", 1),)
    assert shed.readings == ()
    pile = Pile(quantities=1, last=100)
    pile.put(message(TRAVEL, 0.1, 0))
    pile.put(message(CLOSED, False, 0))
    pile.take_all()
    readings = {"door/L1/travel": 0.3, "door/L1/latched": False}
    pile.put(
        Message(f"{ROOT}/aircraft/{REG}/bundle", json.dumps({"time": START, "readings": readings}).encode(), False)
    )
    pile.put(Message(f"{ROOT}/aircraft/{REG}/bundle", json.dumps({"time": 9.0, "readings": readings}).encode(), False))
    pile.take_all()
    assert pile.shed.readings == ()


def test_at_the_last_bound_what_asks_for_no_answer_is_refused_and_the_rest_waits() -> None:
    pile = Pile(quantities=5, last=10)
    for n in range(15):
        pile.put(message(CLOSED, n % 2 == 0, n))
    pile.put_unanswered(message("door/L2/closed", False, 1))
    readings = {"time": START / SECOND, "readings": {"door/R1/closed": False, "airframe/beacon": True}}
    pile.put_unanswered(Message(f"{ROOT}/aircraft/{REG}/bundle", json.dumps(readings).encode(), False))
    assert pile.settled == []
    assert len(pile.take_all()) == 15
    shed = pile.shed
    assert shed.counts == (("refused", 2),)
    assert set(shed.readings) == {(REG, "L2", "closed"), (REG, "R1", "closed"), (REG, None, "beacon")}
    pile.put_unanswered(message("door/L2/closed", False, 1), closed=True)
    assert pile.shed.counts == (("refused", 1),)


def test_what_has_no_topic_of_the_contract_goes_first_and_is_never_lost_track_of() -> None:
    pile = Pile()
    pile.put(Message("apron/v1/nowhere/x", b"{}", False), pressed=False)
    gone = pile.put(Message("apron/v1/nowhere/x", b"{}", False))
    assert pile.settled == [gone]
    assert pile.shed.counts == (("unreadable", 1),)
    assert len(pile.take_all()) == 1


def test_places_take_turns_and_each_keeps_its_order() -> None:
    pile = Pile()
    for n in range(30):
        pile.put(message(CLOSED, n % 2 == 0, n, reg="ZZ-STORM"))
    for n in range(3):
        pile.put(message(CLOSED, n % 2 == 0, n))
    order = []
    for _ in range(6):
        waiting = pile.queue.take()
        assert waiting is not None
        order.append(waiting.place)
    assert order == ["ZZ-STORM", REG] * 3


def test_behind_a_disk_quantities_rest_until_a_word_of_their_aircraft_comes() -> None:
    pile = Pile()
    pile.put(message(TRAVEL, 0.1, 0), resting=True)
    pile.put(message("door/L1/travel", 0.1, 0, reg="ZZ-REST"), resting=True)
    assert not pile.queue.has_ready
    pile.put(message(CLOSED, False, 1), resting=True)
    pile.put(message(TRAVEL, 0.2, 2), resting=True)
    taken = []
    while (waiting := pile.queue.take()) is not None:
        taken.append(waiting.message.topic.rsplit("/", 1)[1])
    assert taken == ["travel", "closed", "travel"]
    assert pile.queue.waiting == 1
    pile.queue.wake()
    assert pile.queue.has_ready
    assert len(pile.take_all()) == 1


class Engine:
    """What takes deliveries, and the disk behind it."""

    def __init__(self) -> None:
        self.taken: list[str] = []
        self.shed: list[ReadingsShed] = []
        self.depth = 0
        self.full = False
        self.healthy = True
        self.fault: Exception | None = None

    def receive(self, given: Message, settle: Settle, received: float | None = None) -> None:
        if self.fault is not None:
            raise self.fault
        self.taken.append(given.topic)

    def note_shed(self, event: ReadingsShed) -> None:
        self.shed.append(event)


def intake_of(engine: Engine, *, window: int = 64, faults: list[Exception] | None = None) -> Intake:
    heard = faults if faults is not None else []
    return Intake(codec().find_target, codec(), engine, engine, window=window, on_fault=heard.append)


async def until(condition: Any) -> None:
    async with asyncio.timeout(20):
        while not condition():  # noqa: ASYNC110 - the loop's own turns bring it about
            await asyncio.sleep(0.001)


async def test_under_no_load_a_delivery_is_taken_before_the_call_returns() -> None:
    engine = Engine()
    intake = intake_of(engine)
    for n in range(TAKEN_A_TURN):
        intake.offer(message(CLOSED, True, n), lambda: None)
        assert len(engine.taken) == n + 1
    intake.offer(message(CLOSED, True, 9), lambda: None)
    assert len(engine.taken) == TAKEN_A_TURN, "the rest of the loop has its turn first"
    await until(lambda: len(engine.taken) == TAKEN_A_TURN + 1)
    assert intake.waiting == intake.shed == 0
    intake.close()


async def test_a_storm_costs_no_word_and_every_delivery_is_taken_or_counted() -> None:
    engine = Engine()
    intake = intake_of(engine, window=64)
    settled: Counter[str] = Counter()
    sent: Counter[str] = Counter()
    for n in range(400):
        for path, value in ((TRAVEL, n / 400), (PRESSURE, n / 100), (CLOSED, n % 2 == 0), ("door/L2/travel", n / 400)):
            given = message(path, value, n / 100)
            sent[given.topic] += 1
            intake.offer(given, lambda topic=given.topic: settled.update([topic]))
        if n % 100 == 0:
            await asyncio.sleep(0)
    assert intake.is_full
    await until(lambda: not intake.waiting and engine.shed)
    taken = Counter(engine.taken)
    closed = message(CLOSED, True, 0).topic
    assert taken[closed] == sent[closed] == 400
    assert taken + settled == sent
    await until(lambda: sum(number for shed in engine.shed for _, number in shed.counts) == intake.shed)
    assert intake.shed == settled.total() > 0
    intake.close()


async def test_a_full_disk_queue_holds_back_everything_until_there_is_room() -> None:
    engine = Engine()
    intake = intake_of(engine)
    engine.full = True
    intake.offer(message(CLOSED, True, 0), lambda: None)
    await until(lambda: not intake._taken)
    intake.offer(message(CLOSED, False, 1), lambda: None)
    intake.offer(message(CLOSED, True, 2), settle_nothing)
    await until(lambda: engine.shed)
    assert engine.shed[0].counts == (("refused", 1),)
    assert (len(engine.taken), intake.waiting) == (1, 1)
    engine.full = False
    await until(lambda: len(engine.taken) == 2)
    intake.close()


@pytest.mark.parametrize(("depth", "healthy"), [(48, True), (4, False)])
async def test_behind_a_disk_words_are_taken_at_once_and_quantities_once_a_second(depth: int, healthy: bool) -> None:
    engine = Engine()
    intake = intake_of(engine, window=64)
    engine.depth, engine.healthy = depth, healthy
    intake.offer(message(TRAVEL, 0.0, 0), lambda: None)
    await until(lambda: not intake._taken)
    for n in range(1, 20):
        intake.offer(message(TRAVEL, n / 20, n), lambda: None)
    intake.offer(message("door/L1/closed", False, 1, reg="ZZ-WORD"), lambda: None)
    await until(lambda: len(engine.taken) == 2)
    assert intake.waiting == 1
    assert engine.taken[-1].endswith("ZZ-WORD/door/L1/closed")
    await until(lambda: len(engine.taken) == 3)
    assert intake.shed == 18
    intake.close()


async def test_a_fault_at_a_delivery_that_waited_is_told() -> None:
    engine, faults = Engine(), []
    intake = intake_of(engine, faults=faults)
    for n in range(TAKEN_A_TURN + 1):
        intake.offer(message(CLOSED, n % 2 == 0, n), lambda: None)
    engine.fault = ValueError("ours")
    await until(lambda: faults)
    assert [str(fault) for fault in faults] == ["ours"]
    intake.close()


async def test_at_the_end_the_socket_is_read_again() -> None:
    """The broker's answer to our farewell comes behind what we no longer take."""
    engine = Engine()
    intake = intake_of(engine, window=8)
    for n in range(60):
        intake.offer(message(CLOSED, n % 2 == 0, n / 100), lambda: None)
    assert intake.is_full
    taken = len(engine.taken)
    intake.close()
    assert not intake.is_full
    intake.offer(message(CLOSED, True, 1.0), lambda: None)
    await asyncio.sleep(0)
    assert len(engine.taken) == taken
