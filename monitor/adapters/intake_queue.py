"""What was delivered and waits to be taken: in order for each aircraft, and bounded by a rule of what goes first.

Owns the rule. What a door or an airframe says in words (yes, no, one of a few) is never
left out before a quantity, and of a quantity first what a newer reading has overtaken.
Pure: it is told what to do when, counts, and never settles a delivery itself.
"""

from __future__ import annotations

import itertools
from collections import Counter, OrderedDict
from collections.abc import Callable, Iterable, Sequence
from typing import Final, NamedTuple

from monitor.adapters.wire_topics import Shape, Target
from monitor.core.events import ReadingsArrived, ReadingsShed, StandReadingArrived
from monitor.core.overload import ANALOGUE, REFUSED, REPEAT, SUPERSEDED, UNREADABLE
from monitor.core.signals import HEARTBEAT, Kind, Quality
from monitor.ports import Codec, Message, settle_nothing

Settle = Callable[[], None]
Reading = ReadingsArrived | StandReadingArrived

_OF_DOOR: Final = 0
_OF_ALL: Final = 1
"""A quantity of the whole aircraft or its stand (pressure, speed, wind) matters at every door: it goes later."""


class Bounds(NamedTuple):
    """How many deliveries may wait: before quantities go, and at all."""

    quantities: int
    last: int


class Waiting:
    """One delivery that waits: its ``number`` in the order of coming, ``received`` in ``time.perf_counter`` seconds."""

    __slots__ = ("message", "number", "place", "received", "settle", "signal", "target")

    def __init__(self, number: int, message: Message, settle: Settle, received: float, target: Target | None) -> None:
        self.number = number
        self.message = message
        self.settle = settle
        self.received = received
        self.target = target
        self.signal = target.signal if target is not None else None
        self.place = "" if target is None else f"stand/{target.place}" if target.shape is Shape.STAND else target.place

    @property
    def is_quantity(self) -> bool:
        """One number out of a range."""
        return self.signal is not None and self.signal.kind is Kind.FLOAT

    @property
    def may_go(self) -> bool:
        """A quantity of which the next will come."""
        return self.is_quantity and not self.message.retained

    @property
    def is_beat(self) -> bool:
        """A heartbeat: the newest vouches for all that its sender says, so only what it overtook may go."""
        return self.signal is not None and self.signal.name == HEARTBEAT

    @property
    def is_bundle(self) -> bool:
        """Many readings in one, which may say anything of its place."""
        return self.target is not None and self.signal is None

    @property
    def is_word(self) -> bool:
        """One of a few values, a name or a number of people: what hazards are judged by."""
        return self.signal is not None and not self.is_quantity and not self.is_beat


Lane = OrderedDict[Waiting, None]
Signal = tuple[str | None, str, str | None, str]
"""What was lost: "" with aircraft, door and signal, or ``None`` with stand, ``None`` and signal."""


class IntakeQueue:
    """One lane a place, taken from in turn, so that no place waits behind another's storm.

    ``find_target`` says what a topic names, ``None`` where it is none of the contract. ``codec``
    reads a message where the rule needs to know what it says.
    """

    def __init__(self, bounds: Bounds, *, find_target: Callable[[str], Target | None], codec: Codec) -> None:
        self.bounds = bounds
        self.waiting = 0
        self._find_target = find_target
        self._codec = codec
        self._ready: OrderedDict[str, Lane] = OrderedDict()
        self._resting: dict[str, Lane] = {}
        self._topics: dict[str, Lane] = {}
        self._quantities: tuple[Lane, Lane] = (OrderedDict(), OrderedDict())
        self._came = 0
        self._bundles: Counter[str] = Counter()
        self._counts: Counter[str] = Counter()
        self._lost: dict[Signal, int] = {}
        """What is to be told, with the number under which it came."""
        self._told: dict[Signal, int] = {}
        """What was told, while older readings of its place wait: they would make it known again."""
        self._heard: dict[str, None] = {}

    @property
    def has_ready(self) -> bool:
        """Something may be taken now."""
        return bool(self._ready)

    @property
    def has_shed(self) -> bool:
        """Something was left out that :meth:`report` has not told yet."""
        return bool(self._counts or self._lost)

    # In

    def put(
        self, message: Message, settle: Settle, received: float, *, pressed: bool, resting: bool, closed: bool
    ) -> list[Settle]:
        """Queue a delivery; return how to settle what is left out for it, perhaps itself.

        ``pressed``: what is overtaken or repeated goes, and quantities beyond their bound. ``resting``: quantities
        rest in their lane until something else comes for it, or :meth:`wake`. ``closed``: what asks for no
        acknowledgement is refused. What the broker retained comes once, and no more of it than there are topics:
        it waits.
        """
        target = self._find_target(message.topic)
        self._came += 1
        waiting = Waiting(self._came, message, settle, received, target)
        unanswered = settle is settle_nothing and not message.retained
        if unanswered and (closed or self.waiting >= self.bounds.last):
            return [self._leave_out(waiting, REFUSED, lost=True)]
        if target is None:
            if pressed:
                return [self._leave_out(waiting, UNREADABLE, lost=False)]
        elif pressed and self._repeats(waiting):
            return [self._leave_out(waiting, REPEAT, lost=False)]
        settled = []
        if pressed and (overtaken := self._find_overtaken(waiting)) is not None:
            self._remove_anywhere(overtaken)
            settled.append(self._leave_out(overtaken, SUPERSEDED, lost=False))
        self._add(waiting, resting=resting)
        if pressed and self.waiting > self.bounds.quantities:
            settled += self._shed_quantities()
        return settled

    def _add(self, waiting: Waiting, *, resting: bool) -> None:
        place = waiting.place
        lane = self._ready.get(place)
        if lane is None:
            lane = self._resting.pop(place, None)
            if lane is None:
                lane = OrderedDict()
            if resting and waiting.is_quantity:
                self._resting[place] = lane
            else:
                self._ready[place] = lane
        lane[waiting] = None
        self._topics.setdefault(waiting.message.topic, OrderedDict())[waiting] = None
        if waiting.may_go:
            self._quantities_of(waiting)[waiting] = None
        if waiting.is_bundle:
            self._bundles[place] += 1
        self.waiting += 1

    def press(self, *, resting: bool) -> list[Settle]:
        """Leave out what is overtaken among all that waits, and with ``resting`` let quantities rest; as :meth:`put`."""
        settled = []
        for same in list(self._topics.values()):
            several = [each for each in same if each.is_quantity or each.is_beat] if len(same) > 2 else []
            for each, newer in itertools.pairwise(several[1:]):
                if _overtakes(self._read(each), self._read(newer)):
                    self._remove_anywhere(each)
                    settled.append(self._leave_out(each, SUPERSEDED, lost=False))
        if resting:
            for place in [place for place, lane in self._ready.items() if all(each.is_quantity for each in lane)]:
                self._resting[place] = self._ready.pop(place)
        return settled

    def wake(self) -> None:
        """Make everything that rests ready to be taken."""
        self._ready.update(self._resting)
        self._resting.clear()

    # Out

    def take(self) -> Waiting | None:
        """Take the first of the next lane, ``None`` where none is ready."""
        if not self._ready:
            return None
        place, lane = self._ready.popitem(last=False)
        waiting = next(iter(lane))
        if len(lane) > 1:
            self._ready[place] = lane  # behind the others
        self._remove(waiting, lane)
        if self._lost or self._told:
            self._compare(waiting.message, waiting.number)
        return waiting

    def note_taken(self, message: Message) -> None:
        """Note what is taken without having waited: it is newer than whatever was lost of it."""
        if self._lost:
            self._compare(message, self._came + 1)

    def _remove(self, waiting: Waiting, lane: Lane) -> None:
        del lane[waiting]
        self.waiting -= 1
        same = self._topics[waiting.message.topic]
        del same[waiting]
        if not same:
            del self._topics[waiting.message.topic]
        if waiting.may_go:
            del self._quantities_of(waiting)[waiting]
        if waiting.is_bundle:
            self._bundles[waiting.place] -= 1
            if not self._bundles[waiting.place]:
                del self._bundles[waiting.place]

    def _remove_anywhere(self, waiting: Waiting) -> None:
        lanes: dict[str, Lane] = self._ready if waiting.place in self._ready else self._resting
        lane = lanes[waiting.place]
        self._remove(waiting, lane)
        if not lane:
            del lanes[waiting.place]

    def _quantities_of(self, waiting: Waiting) -> Lane:
        of_door = waiting.target is not None and waiting.target.door is not None
        return self._quantities[_OF_DOOR if of_door else _OF_ALL]

    # The rule

    def _repeats(self, waiting: Waiting) -> bool:
        """Tell whether a word says again what the last one waiting on its topic says, and nothing else may contradict."""
        same = self._topics.get(waiting.message.topic)
        if not same or not waiting.is_word or waiting.place in self._bundles:
            return False
        last, new = self._read(next(reversed(same))), self._read(waiting)
        return last is not None and new is not None and _said(last) == _said(new) and _follows(last, new)

    def _find_overtaken(self, waiting: Waiting) -> Waiting | None:
        """Find what a newer reading of the same signal leaves without use.

        The first that waits stays: it is taken in its turn, however fast newer ones come. What rests
        is woken by the clock, so that of it the newest is enough.
        """
        same = self._topics.get(waiting.message.topic)
        if (
            not same
            or len(same) < (1 if waiting.place in self._resting else 2)
            or not (waiting.is_quantity or waiting.is_beat)
        ):
            return None
        latest = next(reversed(same))
        return latest if _overtakes(self._read(latest), self._read(waiting)) else None

    def _shed_quantities(self) -> list[Settle]:
        settled = []
        for quantities in self._quantities:
            while quantities and self.waiting > self.bounds.quantities:
                waiting = next(iter(quantities))
                newest = next(reversed(self._topics[waiting.message.topic])) is waiting
                self._remove_anywhere(waiting)
                settled.append(self._leave_out(waiting, ANALOGUE if newest else SUPERSEDED, lost=newest))
        return settled

    def _leave_out(self, waiting: Waiting, reason: str, *, lost: bool) -> Settle:
        self._counts[reason] += 1
        if lost:
            for reading in self._read_all(waiting.message):
                if isinstance(reading, ReadingsArrived) and not reading.retained:
                    self._heard[reading.aircraft] = None
                self._lost.update(dict.fromkeys(_signals_of(reading), waiting.number))
        return waiting.settle

    # What was lost

    def _compare(self, message: Message, number: int) -> None:
        """Hold what is taken against what was lost: a newer one makes it known, an older one has to be doubted in turn."""
        for reading in self._read_all(message):
            for signal in _signals_of(reading):
                lost = max(self._lost.pop(signal, 0), self._told.pop(signal, 0))
                if lost > number:
                    self._lost[signal] = lost

    def report(self) -> ReadingsShed:
        """Tell what was left out since the last report."""
        report = ReadingsShed(
            counts=tuple(sorted(self._counts.items())),
            readings=tuple((reg, door, signal) for kind, reg, door, signal in self._lost if kind is not None),
            weather=tuple((stand, signal) for kind, stand, _, signal in self._lost if kind is None),
            heard=tuple(self._heard),
            waiting=self.waiting,
        )
        told = {**self._told, **self._lost}
        self._told = {signal: number for signal, number in told.items() if self._has_older(signal, number)}
        self._counts.clear()
        self._lost.clear()
        self._heard.clear()
        return report

    def _has_older(self, signal: Signal, number: int) -> bool:
        kind, place, _, _ = signal
        if kind is None:
            place = f"stand/{place}"
        lane = self._ready.get(place) or self._resting.get(place)
        return lane is not None and next(iter(lane)).number < number

    # What it says

    def _read(self, waiting: Waiting) -> Reading | None:
        readings = self._read_all(waiting.message)
        return readings[0] if len(readings) == 1 else None

    def _read_all(self, message: Message) -> Sequence[Reading]:
        decoded = self._codec.decode(message)
        parts: Iterable[object] = decoded if isinstance(decoded, list) else (decoded,)
        return [part for part in parts if isinstance(part, (ReadingsArrived, StandReadingArrived))]


def _signals_of(reading: Reading) -> Iterable[Signal]:
    """What a message tells of."""
    if isinstance(reading, StandReadingArrived):
        return ((None, reading.stand, None, reading.signal),)
    return [("", reading.aircraft, item.door, item.signal) for item in reading.items]


def _overtakes(last: Reading | None, new: Reading | None) -> bool:
    """Tell whether nothing but its moment is lost with ``last`` once ``new`` is there."""
    if last is None or new is None or not _follows(last, new):
        return False
    return _said(last)[1:] == _said(new)[1:] and _has_value(last) and _has_value(new)


def _said(reading: Reading) -> tuple[object, ...]:
    """What a single reading says, without its stamp: value, quality and how it was delivered."""
    if isinstance(reading, StandReadingArrived):
        return reading.value, reading.quality, reading.retained, reading.simulated
    item = reading.items[0]
    return item.value, item.quality, reading.retained, reading.simulated


def _has_value(reading: Reading) -> bool:
    value, quality, *_ = _said(reading)
    return value is not None and quality is Quality.GOOD


def _follows(last: Reading, new: Reading) -> bool:
    """Tell whether a reading is newer beyond doubt: by its stamp, and by its number where both have one."""
    if last.time is None or new.time is None or new.time < last.time:
        return False
    if last.seq is not None and new.seq is not None:
        return new.seq > last.seq
    return new.time > last.time
