"""The keys of a scenario file, and their JSON Schema for editors.

Owns names, forms and ranges. Whether an aircraft has such a door, or a door such a
sensor, is :mod:`simulators.scenario`'s to check. As a program it writes the schema:
``python -m simulators.scenario_file --write-schema``.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Annotated, Any, Final

from pydantic import BeforeValidator, Field, WithJsonSchema

from monitor.config.locations import config_folder
from monitor.config.models import Name, OneOf, Registration, Section, wrong
from monitor.config.schemas import DIALECT, encode_schema
from monitor.core.alert import Priority
from monitor.core.rules import AIRCRAFT_RULES, DOOR_RULES
from monitor.core.signals import Quality
from simulators.apron import STARTS
from simulators.durations import FORM, parse_duration, parse_moment
from simulators.incidents import INCIDENTS
from simulators.orders import ARGUMENTS, PHRASES, SENSOR_FAULTS, WORDS, Argument

MARKS: Final = (
    "landed", "parked", "quiet", "disarmed", "open", "holds-open", "empty", "boarding", "boarded", "closing", "closed",
    "armed", "departing", "away",
)  # fmt: skip
"""The named moments of a turnaround, in their order."""

SCHEMA_FILE: Final = "scenario.schema.json"


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


def _form_of_duration() -> dict[str, Any]:
    text = {"type": "string", "pattern": r"^\s*(\d+(\.\d+)?|(\d+(\.\d+)?\s*(h|min|m|s)\s*)+)$"}
    return {"anyOf": [{"type": "number", "minimum": 0, "maximum": 86_400}, text]}


def _form_of_phrase() -> dict[str, Any]:
    """Offer every phrase that is whole by itself, and allow what may follow the others."""
    whole: list[str] = []
    longer: list[str] = []
    for verb in PHRASES:
        kind = ARGUMENTS[verb]
        if kind in (Argument.NONE, Argument.MAYBE_NUMBER):
            whole.append(verb.value)
        if kind is Argument.WORD:
            whole += [f"{verb.value} {word}" for word in WORDS[verb]]
        elif kind is not Argument.NONE:
            longer.append(verb.value)
    longer += [verb.value for verb in SENSOR_FAULTS]
    return {"anyOf": [{"enum": whole}, {"type": "string", "pattern": rf"^({'|'.join(longer)}) +\S.*$"}]}


def _form_of_list(item: dict[str, Any]) -> dict[str, Any]:
    return {"anyOf": [item, {"type": "array", "items": item}]}


Duration = Annotated[
    float, BeforeValidator(_duration), Field(ge=0, le=86_400, description=FORM), WithJsonSchema(_form_of_duration())
]
Moment = Annotated[str, BeforeValidator(_moment)]
Phrases = Annotated[list[str], BeforeValidator(_listed), WithJsonSchema(_form_of_list(_form_of_phrase()))]
Keys = Annotated[list[str], BeforeValidator(_listed), WithJsonSchema(_form_of_list({"type": "string"}))]
Reading = bool | int | float | str
IncidentWord = Annotated[str, OneOf(INCIDENTS)]
QualityWord = Annotated[str, OneOf(quality.value for quality in Quality)]

CODES: Final = tuple(dict.fromkeys(rule.code for rule in (*AIRCRAFT_RULES, *DOOR_RULES)))
"""The alerts that an aircraft can bring about; the others are the monitor's own trouble."""

CodeWord = Annotated[str, OneOf(CODES)]
PriorityWord = Annotated[str, OneOf(reversed([priority.value for priority in Priority]))]


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
    withhold: Keys = Field(
        default=[],
        description="readings that are not sent any more, not even refreshed",
        examples=[["airframe/differential_pressure_hpa"]],
    )
    release: Keys = Field(
        default=[],
        description="readings that tell the truth again, in good quality",
        examples=[["door/L1/handle_lifted"]],
    )


class ExpectEntry(Section):
    """An alert that has to be raised, and when."""

    alert: CodeWord = Field(description="the code of the alert", examples=["armed-handle-moved"])
    aircraft: Registration | None = Field(
        default=None, description="which aircraft; left out, whichever it is", examples=["ZZ-KAT"]
    )
    door: Name | None = Field(default=None, description="which door; left out, whichever it is", examples=["L1"])
    priority: PriorityWord | None = Field(
        default=None, description="with which priority; left out, with any", examples=["warning"]
    )
    by: Duration = Field(description="when it is raised at the latest, from the beginning", examples=["12.5s"])
    after: Duration = Field(default=0.0, description="when it is raised at the earliest", examples=["12s"])
    cleared_by: Duration | None = Field(
        default=None, description="when its cause is over at the latest; left out, any time or never", examples=["23s"]
    )
    cleared_after: Duration = Field(
        default=0.0, description="when its cause is over at the earliest; left out, any time", examples=["22s"]
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
    expect: list[ExpectEntry] = Field(
        default=[],
        max_length=1000,
        description="a list of the alerts that have to be raised: simulate --expect holds the monitor to it",
        examples=[[{"alert": "armed-handle-moved", "by": "12.5s"}]],
    )
    never: list[CodeWord] = Field(
        default=[], description="a list of alerts that must not be raised", examples=[["slide-deployed"]]
    )
    only_expected: bool = Field(default=False, description="true where no other alert may be raised", examples=[True])


def scenario_schema() -> dict[str, Any]:
    """Return the JSON Schema of a scenario file."""
    return {"$schema": DIALECT, **ScenarioFile.model_json_schema(), "title": "A scenario"}


def main(arguments: list[str] | None = None) -> int:
    """Write the schema beside those of the configuration, or into the folder given."""
    parser = argparse.ArgumentParser(prog="python -m simulators.scenario_file")
    parser.add_argument("--write-schema", action="store_true", required=True)
    parser.add_argument("folder", nargs="?", type=Path)
    chosen = parser.parse_args(arguments)
    path = (chosen.folder or config_folder() / "schema") / SCHEMA_FILE
    path.write_text(encode_schema(scenario_schema()), encoding="utf-8")
    sys.stdout.write(f"{path}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
