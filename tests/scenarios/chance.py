"""Random captures from a seed: plausible door work, sensors gone wrong, and plain rubbish.

Owns the generator alone. Everything is drawn from one ``random.Random(seed)``, so a seed
names a capture for good; it knows the wire contract and nothing of the monitor.
"""

from __future__ import annotations

import base64
import json
import random
from datetime import UTC, datetime, timedelta
from typing import Any

START = datetime(2026, 3, 1, 10, 0, tzinfo=UTC)
SITE = "tarnwick"

CABIN_DOORS = ("L1", "R1", "L2", "R2")
OTHER_DOORS = ("CF", "CB", "H1", "OL1", "WL")
BOOLS = (
    *("closed", "latched", "locked", "handle_lifted", "outside_handle_lifted", "hold_open", "lever_armed"),
    *("girt_left", "girt_right", "slide_released", "slide_erect", "slide_detached", "barrier", "lock_flags"),
)
AIRFRAME_BOOLS = ("engine_1_running", "engine_2_running", "weight_on_wheels", "beacon", "refuelling", "emergency")
ACCESS = ("none", "bridge", "stairs", "loader", "platform")
RUBBISH = (
    b"",
    b"{",
    b"null",
    b"[1,2]",
    b'{"time":"yesterday","value":true}',
    b'{"value":true}',
    b'{"time":"2026-03-01T10:00:00Z","value":"perhaps"}',
    b'{"time":"2026-03-01T10:00:00Z","value":NaN}',
    b"\xff\xfe",
)
OPENING: tuple[dict[str, Any], ...] = (
    {"handle_lifted": True},
    {"locked": False},
    {"latched": False},
    {"closed": False, "travel": 0.1},
    {"travel": 0.6},
    {"travel": 1.0, "hold_open": True},
)
SHUT: dict[str, Any] = {"closed": True, "latched": True, "locked": True, "handle_lifted": False, "travel": 0.0}
SLIDE = ("lever_armed", "girt_left", "girt_right")


class Chance:
    """One capture in the making."""

    def __init__(self, seed: int, steps: int) -> None:
        self.draw = random.Random(seed)
        self.steps = steps
        self.at = 0.0
        self.lines: list[str] = []
        self.seq: dict[str, int] = {}
        self.beats = 0
        self.opened: dict[tuple[str, str], int] = {}
        self.typed = [f"ZZ-T{n:02d}" for n in range(self.draw.randint(1, 2))]

    def write(self) -> list[str]:
        """Make the whole capture: some aircraft come in good order, then anything may happen."""
        for reg in self.typed:
            self._arrive(reg)
        weighted = (
            *((self._work,) * 6),
            *((self._one_reading,) * 6),
            *((self._slide,) * 3),
            *((self._bundle,) * 2),
            *((self._beat,) * 4),
            *((self._airframe,) * 3),
            self._pack,
            *((self._dock,) * 2),
            self._withdraw,
            self._rubbish,
            self._untyped,
            self._repeat,
            self._wait,
        )
        for _ in range(self.steps):
            self.at += self.draw.choice((0.0, 0.04, 0.2, 0.9, 1.1, 2.5, 6.0))
            self.draw.choice(weighted)()
        self.at += 40.0
        self.lines.append(json.dumps({"at": self._stamp(self.at)}))
        return self.lines

    # What may happen

    def _arrive(self, reg: str) -> None:
        readings: dict[str, Any] = {}
        engaged = self.draw.random() < 0.6
        for door in (*CABIN_DOORS, *OTHER_DOORS):
            for signal, value in SHUT.items():
                if signal != "travel" or door not in ("H1", "OL1"):
                    readings[f"door/{door}/{signal}"] = value
        for door in CABIN_DOORS:
            for signal in ("outside_handle_lifted", "hold_open", "slide_released", "barrier"):
                readings[f"door/{door}/{signal}"] = False
            for signal in SLIDE:
                readings[f"door/{door}/{signal}"] = engaged
            readings[f"door/{door}/access"] = "none"
        for signal in AIRFRAME_BOOLS:
            readings[f"airframe/{signal}"] = signal == "weight_on_wheels"
        readings["airframe/differential_pressure_hpa"] = 0.1
        kind = self.draw.choice(("alder", "alder", "cedar", "hazel", "birch", "larch"))
        steps = [
            lambda: self._say(f"aircraft/{reg}/airframe/type", value=kind),
            lambda: self._say(f"aircraft/{reg}/bundle", readings=readings),
            lambda: self._beat(reg),
        ]
        if self.draw.random() < 0.4:
            self.draw.shuffle(steps)
        for step in steps:
            step()
            self.at += 0.05

    def _work(self) -> None:
        """Take a door one step further open, or shut it in one."""
        reg, door = self._reg(), self.draw.choice((*CABIN_DOORS, "CB"))
        step = self.opened.get((reg, door), 0)
        if step == len(OPENING) or self.draw.random() < 0.15:
            self.opened[reg, door] = 0
            shut = {**SHUT, "hold_open": False}
            self._say(f"aircraft/{reg}/bundle", readings={f"door/{door}/{s}": v for s, v in shut.items()})
            return
        for signal, value in OPENING[step].items():
            self._say(f"aircraft/{reg}/door/{door}/{signal}", value=value)
        self.opened[reg, door] = step + 1

    def _one_reading(self) -> None:
        reg, door = self._reg(), self.draw.choice((*CABIN_DOORS, *OTHER_DOORS, "X9"))
        quality = self.draw.choice(("good", "good", "good", "good", "uncertain", "bad"))
        signal = self.draw.choice((*BOOLS, "travel", "access"))
        value: Any = self.draw.random() < 0.5
        if signal == "travel":
            value = self.draw.choice((0.0, 0.2, 0.7, 1.0, 1.5))
        elif signal == "access":
            value = self.draw.choice(ACCESS)
        self._say(f"aircraft/{reg}/door/{door}/{signal}", value=value, quality=quality)

    def _slide(self) -> None:
        reg, door, engaged = self._reg(), self.draw.choice(CABIN_DOORS), self.draw.random() < 0.6
        for signal in self.draw.sample(SLIDE, self.draw.choice((1, 2, 3, 3))):
            self._say(f"aircraft/{reg}/door/{door}/{signal}", value=engaged)

    def _pack(self) -> None:
        """A slide pack leaves its container, or is back in it."""
        door = self.draw.choice(CABIN_DOORS[:2])
        self._say(f"aircraft/{self.typed[0]}/door/{door}/slide_released", value=self.draw.random() < 0.5)

    def _dock(self) -> None:
        """Equipment docks at a door that stands open, or leaves it."""
        standing = sorted(place for place, step in self.opened.items() if step > 3) or [(self.typed[0], "L1")]
        reg, door = self.draw.choice(standing)
        for access in self.draw.choice((("stairs",), ("none",), ("bridge", "none"))):
            self._say(f"aircraft/{reg}/door/{door}/access", value=access)
            self.at += 1.0

    def _bundle(self) -> None:
        reg, door = self._reg(), self.draw.choice((*CABIN_DOORS, *OTHER_DOORS))
        chosen = self.draw.sample(BOOLS, self.draw.randint(1, 5))
        readings: dict[str, Any] = {f"door/{door}/{signal}": self.draw.random() < 0.5 for signal in chosen}
        if self.draw.random() < 0.3:
            readings[f"door/{door}/travel"] = {
                "value": self.draw.random(),
                "quality": self.draw.choice(("good", "bad")),
            }
        if self.draw.random() < 0.2:
            readings["door/L1/wobble"] = True
        self._say(f"aircraft/{reg}/bundle", readings=readings)

    def _airframe(self) -> None:
        reg = self._reg()
        if self.draw.random() < 0.5:
            pressure = self.draw.choice((0.0, 0.4, 1.2, 2.1, 2.6, 5.0, -3.0))
            self._say(f"aircraft/{reg}/airframe/differential_pressure_hpa", value=pressure)
            return
        signal = self.draw.choice((*AIRFRAME_BOOLS, "power", "passengers_aboard"))
        value: Any = self.draw.random() < 0.5
        if signal == "power":
            value = self.draw.choice(("on", "on", "on", "on", "off"))
        elif signal == "passengers_aboard":
            value = self.draw.choice((0, 120))
        elif signal == "weight_on_wheels":
            value = self.draw.random() < 0.93
        self._say(f"aircraft/{reg}/airframe/{signal}", value=value)

    def _beat(self, reg: str = "") -> None:
        self.beats += 1
        self._say(f"aircraft/{reg or self._reg()}/airframe/heartbeat", value=self.beats)

    def _withdraw(self) -> None:
        signal = self.draw.choice((*BOOLS, "access"))
        self._line(f"aircraft/{self._reg()}/door/{self.draw.choice(CABIN_DOORS)}/{signal}", None)

    def _rubbish(self) -> None:
        tail = self.draw.choice(("door/L1/closed", "door/L1/wobble", "airframe/type", "bundle", "door/L1", "x" * 250))
        payload = base64.b64encode(self.draw.choice(RUBBISH)).decode()
        topic = f"apron/v1/{SITE}/aircraft/{self._reg()}/{tail}"
        self.lines.append(json.dumps({"at": self._stamp(self.at), "topic": topic, "payload_base64": payload}))

    def _untyped(self) -> None:
        """An aircraft of a type that nobody knows, or that never says which: it is held and never judged."""
        if self.draw.random() < 0.3:
            self._say("aircraft/ZZ-NIL/airframe/type", value="zeppelin")
        signal, value = self.draw.choice((("handle_lifted", True), ("closed", False), ("slide_released", True)))
        self._say(f"aircraft/ZZ-NIL/door/{self.draw.choice(CABIN_DOORS)}/{signal}", value=value)

    def _repeat(self) -> None:
        """The broker delivers an earlier message again."""
        message = json.loads(self.draw.choice(self.lines))
        if "topic" in message:
            message["at"] = self._stamp(self.at)
            self.lines.append(json.dumps(message))

    def _wait(self) -> None:
        self.at += self.draw.choice((10.0, 31.0, 65.0))

    # The form of a line

    def _reg(self) -> str:
        return self.draw.choice(self.typed)

    def _say(self, tail: str, **fields: Any) -> None:
        behind = self.draw.choice((0.0, 0.02, 0.02, 0.3, 7.0, 45.0, -90.0)) if self.draw.random() < 0.1 else 0.02
        payload: dict[str, Any] = {"time": self._stamp(self.at - behind + self.draw.random() / 1000)}
        if self.draw.random() < 0.8:
            self.seq[tail] = self.seq.get(tail, 0) + 1
            payload["seq"] = self.seq[tail]
        self._line(tail, payload | fields)

    def _line(self, tail: str, payload: Any) -> None:
        line = {"at": self._stamp(self.at), "topic": f"apron/v1/{SITE}/{tail}", "payload": payload}
        if self.draw.random() < 0.03:
            line["retain"] = True
        self.lines.append(json.dumps(line))

    @staticmethod
    def _stamp(seconds: float) -> str:
        return (START + timedelta(seconds=seconds)).isoformat(timespec="microseconds").replace("+00:00", "Z")


def random_capture(seed: int, steps: int = 40) -> list[str]:
    """Write the capture that ``seed`` names, as lines of JSON."""
    return Chance(seed, steps).write()
