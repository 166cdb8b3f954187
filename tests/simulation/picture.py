"""What can be known of an aircraft from what was delivered, by the contract's section 4 alone.

Owns the independent picture: for each signal the values that may count now. Mostly that is one;
where the contract's order leaves it open (a dropped reading that may yet turn out to be a
sender's restart), it is a set. It imports nothing that it is held against.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from itertools import product
from typing import Any, Final

S: Final = 1_000_000
FRESH: Final = 30 * S
AHEAD: Final = 60 * S
SLACK: Final = 60_000
"""How far (µs) our own timers may be off a moment, both ways."""

LASTING: Final = ("type", "stand", "power")
SELF_REFRESHED: Final = ("differential_pressure_hpa", "wind_kt", "gust_kt")
NONE_WHEN_NEVER_SEEN: Final = ("barrier", "slide_released", "slide_detached", "slide_erect", "emergency")
"""Not seen, no barrier, not declared: they hold also when nothing was ever reported."""
UNKNOWN: Final = frozenset({None})
CASES_MAX: Final = 32

NUMBERS: Final = {
    *("travel", "slide_bottle_bar", "assist_bottle_bar", "actuator_bar", "differential_pressure_hpa"),
    *("ground_speed_kt", "passengers_aboard", "heartbeat", "slide_bottle_temp_c", "assist_bottle_temp_c"),
}
WORDS: Final = {"type", "stand", "power", "selector", "access", "lock_indicator"}
FLAGS: Final = {
    *("closed", "latched", "locked", "handle_lifted", "outside_handle_lifted", "flap_pressed", "hold_open"),
    *("lever_armed", "girt_left", "girt_right", "pin_fitted", "slide_released", "slide_erect", "manual_inflation"),
    *("slide_detached", "ground_clear", "cover_fitted", "hand_pump", "lock_flags", "barrier", "rope_stowed"),
    *("armed_light", "pressure_light", "weight_on_wheels", "parking_brake", "beacon", "chocks", "refuelling"),
    *("emergency", "engine_1_running", "engine_2_running", "engine_3_running", "engine_4_running"),
}


def fits(signal: str, value: Any) -> bool:
    """Whether a value can be this signal's at all; what the stories send is plainly one or the other."""
    if signal in FLAGS:
        return isinstance(value, bool)
    if signal in NUMBERS:
        return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < 10_000
    return signal in WORDS and isinstance(value, str)


def stamp_of(raw: Any) -> int:
    """µs of an RFC 3339 text or of Unix seconds."""
    if isinstance(raw, str):
        at = datetime.fromisoformat(raw)
        return round(at.replace(microsecond=0).timestamp()) * S + at.microsecond
    whole: int = int(raw)
    rest: float = raw - whole
    return whole * S + round(rest * S)


@dataclass(slots=True)
class Track:
    """One signal: the values that may count, and the last reading that surely did."""

    values: frozenset[Any] = UNKNOWN
    time: int | None = None
    seq: int | None = None
    bundle: bool = False
    ahead: bool = False
    surely_at: int | None = None
    maybe_at: int | None = None
    doubt: bool = False
    newest: int = 0
    newest_seq: int = -1
    seen: set[tuple[Any, ...]] = field(default_factory=set)
    copies: frozenset[Any] = frozenset()

    def take(self, value: Any, time: int | None, seq: int | None, bundle: bool, now: int, murky: bool) -> bool | None:
        """Take a reading if its order allows; ``None`` where nobody can tell by the contract."""
        mark = (value, time, seq, bundle)
        repeated = mark in self.seen
        self.seen.add(mark)
        verdict = self._judge(time, seq, bundle, now)
        if repeated and not self.doubt and not murky and verdict is not True:
            self.copies |= {value}
            return False
        if verdict is True:
            self.values = frozenset({value})
            self.time, self.seq, self.bundle = time, seq, bundle
            self.ahead = time is not None and time > now + AHEAD
            self.surely_at = self.maybe_at = now
            self.doubt = False
        else:
            # Dropped, unless its sender turns out to have started over.
            self.values |= {value}
            self.maybe_at = now
            self.doubt = True
        if time is not None:
            self.newest = max(self.newest, time)
        if seq is not None:
            self.newest_seq = max(self.newest_seq, seq)
        return True if verdict is True else None

    def let_in(self) -> None:
        """Leave open whether what came again counts after all: for the contract it may be a sender's restart."""
        if self.copies - self.values:
            self.values |= self.copies
            self.doubt = True

    def _judge(self, time: int | None, seq: int | None, bundle: bool, now: int) -> bool | None:
        if self.surely_at is None:
            return True
        if self.doubt:
            clear = time is not None and self.newest < time <= now + AHEAD - S and self.newest <= now + AHEAD - S
            return True if clear and (seq is None or seq > self.newest_seq) else None
        if time is None or self.time is None:
            return True
        if seq is not None and self.seq is not None and bundle is self.bundle:
            return seq > self.seq or (seq < self.seq and time > self.time)
        if abs(time - now - AHEAD) < S or self.ahead:
            return None
        if time > now + AHEAD:
            return None if time == self.time else True
        return time > self.time


@dataclass(slots=True)
class Beats:
    """When a heartbeat last moved, surely and perhaps; ``counts`` are those that it may have stood at since."""

    surely_at: int | None = None
    maybe_at: int | None = None
    counts: frozenset[Any] = frozenset()

    def note(self, count: Any, now: int, taken: bool | None, *, live: bool) -> None:
        if taken is False:
            return
        if live and taken and count not in self.counts:
            self.surely_at = now
        if live and self.counts != {count}:
            self.maybe_at = now
        self.counts = frozenset({count}) if taken else self.counts | {count}

    def alive(self, now: int) -> bool | None:
        return _within(self.surely_at, self.maybe_at, now)


def _within(surely_at: int | None, maybe_at: int | None, now: int) -> bool | None:
    if surely_at is not None and now < surely_at + FRESH - SLACK:
        return True
    if maybe_at is None or now > maybe_at + FRESH + SLACK:
        return False
    return None


@dataclass(slots=True)
class Door:
    """One door's signals; ``deployed``: its slide was released and nobody has reset it; ``erected``: it was erect since."""

    tracks: dict[str, Track] = field(default_factory=dict)
    beats: Beats = field(default_factory=Beats)
    deployed: bool | None = False
    erected: bool = False


@dataclass(slots=True)
class Aircraft:
    """One aircraft's signals."""

    reg: str
    tracks: dict[str, Track] = field(default_factory=dict)
    doors: dict[str, Door] = field(default_factory=dict)
    beats: Beats = field(default_factory=Beats)
    murky: bool = False
    copied_at: int | None = None
    dropped_at: int | None = None
    live: bool = False
    lifted_at: int | None = None
    told_away: bool = False
    slide_out: bool = False

    def door(self, name: str) -> Door:
        return self.doors.setdefault(name, Door())

    # What may be known now

    def type(self) -> str | None:
        """Its type, where that is beyond doubt."""
        track = self.tracks.get("type")
        if track is None or len(track.values) != 1:
            return None
        (value,) = track.values
        return value or None

    def present(self, now: int) -> bool | None:
        """Whether it is judged at all; ``None`` where that is not plain."""
        power = self.tracks.get("power")
        if power is not None and power.values == frozenset({"off"}):
            return None if self.slide_out or self.told_away or self._lifted(now) else False
        if self.slide_out or self.told_away or self._lifted(now) or not self.live:
            return None
        return None if power is not None and "off" in power.values else True

    def _lifted(self, now: int) -> bool:
        return self.lifted_at is not None and now >= self.lifted_at + 60 * S - SLACK

    def air(self, signal: str, now: int) -> frozenset[Any]:
        """The values that an airframe signal may have now, ``None`` among them for not known."""
        track = self.tracks.get(signal)
        if track is None:
            return frozenset({False}) if signal in NONE_WHEN_NEVER_SEEN else UNKNOWN
        if signal in LASTING:
            return track.values
        return self._fresh(track, None, now, signal)

    def at_door(self, door: str, signal: str, now: int) -> frozenset[Any]:
        """The values that a door's signal may have now."""
        own = self.doors.get(door)
        track = own.tracks.get(signal) if own is not None else None
        if own is None or track is None:
            return frozenset({False}) if signal in NONE_WHEN_NEVER_SEEN else UNKNOWN
        return self._fresh(track, own, now, signal)

    def _fresh(self, track: Track, door: Door | None, now: int, signal: str) -> frozenset[Any]:
        own = _within(track.surely_at, track.maybe_at, now)
        beats = self.beats
        if door is not None and door.beats.maybe_at is not None:
            beats = door.beats
        if signal in SELF_REFRESHED or beats.maybe_at is None:
            alive = own
        elif beats.surely_at is None:
            alive = own if own is beats.alive(now) else None
        else:
            alive = beats.alive(now)
            if door is not None and beats is door.beats and door.beats.surely_at is None:
                alive = None
        if alive is True:
            return track.values
        return UNKNOWN if alive is False else track.values | UNKNOWN


class Picture:
    """Every aircraft, as far as the deliveries tell."""

    def __init__(self) -> None:
        self.aircraft: dict[str, Aircraft] = {}

    def take(self, topic: str, payload: bytes, retained: bool, now: int) -> Aircraft | None:
        """Take one delivery; returns the aircraft that it speaks of, if it says anything of one."""
        levels = topic.split("/")
        if len(levels) < 6 or levels[3] != "aircraft":
            return None
        reg, path = levels[4], "/".join(levels[5:])
        readings, time, seq = _parse(path, payload)
        if not readings:
            return self.aircraft.get(reg)
        bundle = path == "bundle"
        aircraft = self.aircraft.setdefault(reg, Aircraft(reg))
        aircraft.live = aircraft.live or not retained
        for place, (value, quality) in readings.items():
            self._take_one(aircraft, place, value if quality == "good" else None, time, seq, bundle, retained, now)
        if aircraft.dropped_at == now:
            self._mind_dropped(aircraft, now)
        return aircraft

    @staticmethod
    def _mind_dropped(aircraft: Aircraft, now: int) -> None:
        """What is dropped may be a sender that started over: then all that was dropped before counts from now."""
        if aircraft.copied_at is not None and now >= aircraft.copied_at + 10 * S - SLACK:
            # Copies of what is over that go on for 10 s look the same.
            aircraft.murky = True
        for door in (None, *aircraft.doors.values()):
            tracks, beats = (aircraft.tracks, aircraft.beats) if door is None else (door.tracks, door.beats)
            for signal, track in tracks.items():
                if aircraft.murky:
                    track.let_in()
                if track.doubt:
                    track.maybe_at = now
                    if signal == "heartbeat" and beats.maybe_at is not None:
                        beats.maybe_at = now

    @staticmethod
    def _take_one(
        aircraft: Aircraft,
        place: str,
        value: Any,
        time: int | None,
        seq: int | None,
        bundle: bool,
        retained: bool,
        now: int,
    ) -> None:
        parts = place.split("/")
        door = aircraft.door(parts[1]) if parts[0] == "door" else None
        signal = parts[-1]
        tracks = aircraft.tracks if door is None else door.tracks
        track = tracks.setdefault(signal, Track())
        taken = track.take(value, time, seq, bundle, now, aircraft.murky)
        if taken is not True:
            aircraft.dropped_at = now
            aircraft.murky = aircraft.murky or track.doubt
        if taken is False and aircraft.copied_at is None:
            aircraft.copied_at = now
        if signal == "heartbeat":
            beats = aircraft.beats if door is None else door.beats
            beats.note(value, now, taken, live=not retained and value is not None)
        if signal == "weight_on_wheels" and door is None:
            if track.values == frozenset({True}):
                aircraft.lifted_at = None
            elif False in track.values and aircraft.lifted_at is None:
                aircraft.lifted_at = now


def _parse(path: str, payload: bytes) -> tuple[dict[str, tuple[Any, str]], int | None, int | None]:
    """The readings of a payload that can be used, its stamp and its number."""
    if not payload:
        usable = path != "bundle" and _known_place(path)
        return ({path: (None, "good")} if usable else {}), None, None
    try:
        body = json.loads(payload)
    except ValueError:
        return {}, None, None
    if not isinstance(body, dict) or "time" not in body:
        return {}, None, None
    raw = body.get("readings", {}) if path == "bundle" else {path: body}
    readings: dict[str, tuple[Any, str]] = {}
    for place, told in raw.items():
        value, quality = (told.get("value"), told.get("quality", "good")) if isinstance(told, dict) else (told, "good")
        if _known_place(place) and fits(place.split("/")[-1], value):
            readings[place] = (value, quality)
    return readings, stamp_of(body["time"]), body.get("seq")


def _known_place(place: str) -> bool:
    signal = place.split("/")[-1]
    return place.split("/")[0] in ("door", "airframe") and signal in FLAGS | NUMBERS | WORDS


def cases(sets: Mapping[str, frozenset[Any]]) -> Iterator[dict[str, Any]] | None:
    """Every way in which the signals could be; ``None`` where there are too many to say anything."""
    count = 1
    for values in sets.values():
        count *= len(values)
    if count > CASES_MAX:
        return None
    return (dict(zip(sets, values, strict=True)) for values in product(*sets.values()))
