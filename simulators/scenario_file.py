"""The keys of a scenario file.

Owns names, forms and ranges. Whether an aircraft has such a door, or a door such a
sensor, is :mod:`simulators.scenario`'s to check.
"""

from __future__ import annotations

from typing import Annotated, Final

from pydantic import BeforeValidator, Field

from monitor.config.models import Name, OneOf, Registration, Section, wrong
from monitor.core.signals import Quality
from simulators.apron import STARTS
from simulators.durations import FORM, parse_duration, parse_moment
from simulators.incidents import INCIDENTS

MARKS: Final = (
    "landed", "parked", "quiet", "disarmed", "open", "holds-open", "empty", "boarding", "boarded", "closing", "closed",
    "armed", "departing", "away",
)  # fmt: skip
"""The named moments of a turnaround, in their order."""


def _duration(raw: object) -> float:
    try:
        return parse_duration(raw)
    except ValueError as error:
        raise wrong(str(error)) from None


def _moment(raw: object) -> str:
    try:
        mark, _ = parse_moment(raw)
    except ValueError as error:
        raise wrong(str(error)) from None
    if mark not in MARKS:
        raise wrong(f"{mark!r} is no moment of a turnaround; give one of {', '.join(MARKS)}")
    return str(raw)


def _listed(raw: object) -> object:
    return [raw] if isinstance(raw, str) else raw


Duration = Annotated[float, BeforeValidator(_duration), Field(ge=0, le=86_400, description=FORM)]
Moment = Annotated[str, BeforeValidator(_moment)]
Phrases = Annotated[list[str], BeforeValidator(_listed)]
Reading = bool | int | float | str
IncidentWord = Annotated[str, OneOf(INCIDENTS)]
QualityWord = Annotated[str, OneOf(quality.value for quality in Quality)]


class AircraftEntry(Section):
    """One aircraft and how it stands at the beginning."""

    reg: Registration = Field(description="an invented registration", examples=["ZZ-KAT"])
    type: Name = Field(description="the name of a type that the site knows", examples=["alder"])
    stand: Name = Field(description="a stand of the site", examples=["S11"])
    start: Annotated[str, OneOf(STARTS)] = Field(
        default="closed", description="how it stands at the beginning", examples=["armed"]
    )
    turnaround_at: Moment = Field(
        default="landed",
        description="with start: turnaround, the moment of it at the beginning",
        examples=["armed + 4s"],
    )
    passengers: int | None = Field(
        default=None, ge=0, le=2000, description="how many passengers are aboard at the beginning", examples=[112]
    )
    sends: Annotated[str, OneOf(("readings", "bundles"))] = Field(
        default="readings", description="readings one by one, or bundles of many", examples=["readings"]
    )


class WindEntry(Section):
    """The weather that all stands share, each with its own chance."""

    mean_kt: float = Field(default=9.0, ge=0, le=60, description="the mean wind in knots", examples=[12])
    gusts_kt: float = Field(
        default=4.0, ge=0, le=60, description="how far gusts go above the wind, in knots", examples=[5]
    )
    from_deg: float = Field(
        default=240.0, ge=0, le=360, description="where the wind comes from, in degrees", examples=[240]
    )


class IncidentsEntry(Section):
    """Incidents drawn by lot from the seed, besides the written steps."""

    first: Duration = Field(default=15.0, description="when the first one happens", examples=["15s"])
    every: list[Duration] = Field(
        default=[60.0, 110.0],
        min_length=2,
        max_length=2,
        description="the shortest and the longest time between two",
        examples=[["60s", "110s"]],
    )
    begins_with: IncidentWord = Field(
        default="armed handle", description="what the first one is, where it can happen", examples=["armed handle"]
    )
    calm: list[Registration] = Field(
        default=[], description="a list of the aircraft that are spared", examples=[["ZZ-BRU"]]
    )


class StepEntry(Section):
    """Something that is done at a time: ``do``, ``set``, ``quality``, ``withhold`` or ``release``."""

    at: Duration = Field(description="when it is done, counted from the beginning", examples=["12s"])
    aircraft: Registration | None = Field(
        default=None, description="which aircraft; may be left out where there is one only", examples=["ZZ-KAT"]
    )
    door: Name | None = Field(default=None, description="the door that it is done to", examples=["L1"])
    do: Phrases = Field(default=[], description="what is done, or a list of it", examples=["lift handle"])
    set: dict[str, Reading] = Field(
        default={},
        description="readings that are falsified from now on, whatever is true",
        examples=[{"door/L1/handle_lifted": True}],
    )
    quality: dict[str, QualityWord] = Field(
        default={},
        description="the quality that readings are sent with from now on",
        examples=[{"door/L1/locked": "bad"}],
    )
    withhold: Phrases = Field(
        default=[],
        description="readings that are not sent any more, not even refreshed",
        examples=[["airframe/differential_pressure_hpa"]],
    )
    release: Phrases = Field(
        default=[],
        description="readings that tell the truth again, in good quality",
        examples=[["door/L1/handle_lifted"]],
    )


class ScenarioFile(Section):
    """A scenario."""

    about: str = Field(
        min_length=1,
        max_length=200,
        description="one line that says what happens",
        examples=["an armed handle is lifted"],
    )
    seed: int = Field(default=1, ge=0, le=2**31, description="the number that all chance comes from", examples=[1])
    end: Duration | None = Field(default=None, description="when it is over; left out, never", examples=["2min"])
    wind: WindEntry = Field(default=WindEntry(), description="a group with the wind")
    aircraft: list[AircraftEntry] = Field(
        min_length=1,
        max_length=200,
        description="a list of aircraft",
        examples=[[{"reg": "ZZ-KAT", "type": "alder", "stand": "S11"}]],
    )
    incidents: IncidentsEntry | None = Field(default=None, description="a group that says when incidents happen")
    steps: list[StepEntry] = Field(default=[], max_length=5000, description="a list of what is done, and when")
