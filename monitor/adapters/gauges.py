"""What is known now of the values that are drawn over time.

Owns the way from the core's state to a number or to "not known"; keeps nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from monitor.core.signals import Quality
from monitor.core.view import WIND, View
from monitor.engine import Engine
from monitor.ports import Clock


class EngineGauges:
    """The gauges of a running engine."""

    def __init__(self, engine: Engine, clock: Clock) -> None:
        self._engine = engine
        self._clock = clock

    def registrations(self) -> Sequence[str]:
        """Every aircraft known."""
        return list(self._engine.system.record.aircraft)

    def stand_names(self) -> Sequence[str]:
        """Every stand whose weather was heard."""
        return list(self._engine.system.record.stands)

    def pressure(self, reg: str) -> float | None:
        """An aircraft's differential pressure (hPa), ``None`` where it is not known."""
        system = self._engine.system
        aircraft = system.record.aircraft.get(reg)
        if aircraft is None:
            return None
        return View(system.record, self._clock.now(), aircraft, system.airframe(aircraft)).pressure

    def weather(self, stand: str) -> Mapping[str, float | None]:
        """A stand's wind and gust (kt), each ``None`` where it is not known."""
        found = self._engine.system.record.stands.get(stand)
        readings = found.readings if found is not None else {}
        weather: dict[str, float | None] = {}
        for signal in WIND:
            reading = readings.get(signal)
            known = reading is not None and not reading.stale and reading.quality is Quality.GOOD
            value = reading.value if reading is not None and known else None
            weather[signal] = float(value) if isinstance(value, (int, float)) else None
        return weather
