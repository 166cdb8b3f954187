"""The keys of the site's file: the aerodrome and how this instance runs there.

Owns names, ranges and defaults. The sections below ``site`` are handed out as they are,
frozen; a password is never among them, only the file that holds it.
"""

from __future__ import annotations

import zoneinfo
from pathlib import Path
from typing import Annotated, Final, Literal
from urllib.parse import SplitResult, urlsplit

from pydantic import BeforeValidator, Field, WithJsonSchema, field_validator, model_validator

from monitor.config.http_file import Http
from monitor.config.models import NAME_FORM, Name, OneOf, Registration, Section, Thresholds, wrong
from monitor.config.notify_file import Notify
from monitor.core.alarm_health import ROLES

MQTT_PORT: Final = 1883
MQTTS_PORT: Final = 8883

PathText = Annotated[Path, Field(strict=False)]


def _word(value: object) -> object:
    return str(value) if type(value) is int else value


Protocol = Annotated[
    Literal["auto", "3.1.1", "5"],
    BeforeValidator(_word),
    WithJsonSchema({"enum": ["auto", "3.1.1", "5", 5], "type": ["string", "integer"]}),
]


class SiteSection(Section):
    """The aerodrome that this instance serves."""

    name: Name = Field(description=f"the site's name in the topics, {NAME_FORM}", examples=["tarnwick"])
    elevation_m: float = Field(ge=-500, le=6000, description="the height above sea level in metres", examples=[210])
    timezone: str = Field(
        default="UTC",
        description="the IANA time zone that times are shown in",
        examples=["UTC", "Etc/GMT-1"],
    )
    stands: list[Name] = Field(min_length=1, description="a list of the stands' names", examples=[["S11", "S12"]])
    visiting: bool = Field(
        default=True, description="true where aircraft that are not listed are served too, else false"
    )
    aircraft: dict[Registration, Name | None] = Field(
        default_factory=dict,
        description="registrations that are at home here, each with its type or nothing",
        examples=[{"XX-ABC": "alder"}],
    )

    @field_validator("timezone")
    @classmethod
    def _check_timezone(cls, value: str) -> str:
        if value == "UTC":
            return value
        try:
            zoneinfo.ZoneInfo(value)
        except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
            if not zoneinfo.available_timezones():
                raise wrong("this machine has no time zone database; give UTC, or install tzdata") from None
            raise wrong(f"{value!r} is not an IANA time zone; give one such as UTC or Etc/GMT-1") from None
        return value

    @field_validator("stands")
    @classmethod
    def _check_stands(cls, value: list[str]) -> list[str]:
        for index, stand in enumerate(value):
            if stand in value[:index]:
                raise wrong(f"{stand!r} is listed twice; list each stand once")
        return value

    @model_validator(mode="after")
    def _check_served(self) -> SiteSection:
        if not self.visiting and not self.aircraft:
            raise wrong("no aircraft would be served; list some under 'aircraft' or give 'visiting: true'")
        return self


class Broker(Section):
    """How to reach the MQTT broker."""

    url: str = Field(
        default="mqtt://127.0.0.1:1883",
        description="the broker's address, mqtt:// or mqtts://, a host and a port",
        examples=["mqtt://127.0.0.1:1883"],
    )
    protocol: Protocol = Field(
        default="auto", description="the MQTT version; auto tries 5 and falls back to 3.1.1", examples=["auto"]
    )
    instance: str = Field(
        default="",
        pattern=r"^[A-Za-z0-9_-]{0,64}$",
        description="this instance's name on its status topic; left out, 'sillwatch-' and the site's name",
        examples=["sillwatch-tarnwick"],
    )
    client_id: str = Field(
        default="",
        max_length=128,
        description="the MQTT client identifier, which keeps the session; left out, the instance's name",
        examples=["sillwatch-tarnwick"],
    )
    keepalive_s: int = Field(
        default=10, ge=1, le=65535, description="the seconds of silence until a ping; the broker waits 1.5 times that",
        examples=[10],
    )  # fmt: skip
    user: str | None = Field(default=None, min_length=1, description="the user name at the broker", examples=["door"])
    password_file: PathText | None = Field(
        default=None,
        description="the path of a file whose first line is the password, relative to this file",
        examples=["broker.password"],
    )
    ca_file: PathText | None = Field(
        default=None,
        description="for mqtts, the path of the certificate authority's PEM file, relative to this file; "
        "left out, the system's",
        examples=["ca.pem"],
    )
    cert_file: PathText | None = Field(
        default=None,
        description="for mqtts, the path of this instance's own certificate in PEM, relative to this file; needs key_file",
        examples=["monitor.pem"],
    )
    key_file: PathText | None = Field(
        default=None,
        description="the path of the key of cert_file in PEM, without a password, relative to this file",
        examples=["monitor.key"],
    )
    in_flight_max: int = Field(
        default=1000, ge=1, le=65535, description="the number of messages that may be unacknowledged at once",
        examples=[1000],
    )  # fmt: skip
    outgoing_max: int = Field(
        default=10_000, ge=1, le=1_000_000, description="the number of messages that are kept for a broker that is away",
        examples=[10000],
    )  # fmt: skip

    @field_validator("url")
    @classmethod
    def _check_url(cls, value: str) -> str:
        right = "give one such as mqtt://127.0.0.1:1883"
        try:
            parts = urlsplit(value)
            port = parts.port
        except ValueError:
            raise wrong(f"the address has no usable host and port; {right}") from None
        if parts.username is not None or parts.password is not None:
            raise wrong("an address must not hold a user or a password; use 'user' and 'password_file'")
        if parts.scheme not in {"mqtt", "mqtts"}:
            raise wrong(f"{value!r} does not start with mqtt:// or mqtts://; {right}")
        if not parts.hostname or port == 0:
            raise wrong(f"{value!r} names no host or no usable port; {right}")
        if parts.path not in {"", "/"} or parts.query or parts.fragment:
            raise wrong(f"{value!r} goes on after the port; {right}")
        return value

    @model_validator(mode="after")
    def _check_sign_in(self) -> Broker:
        if self.password_file is not None and self.user is None:
            raise wrong("password_file is given without a user; give 'user' too")
        if self.ca_file is not None and not self.tls:
            raise wrong("ca_file is given for an address without TLS; give an address that starts with mqtts://")
        if (self.cert_file is None) != (self.key_file is None):
            given, other = ("cert_file", "key_file") if self.key_file is None else ("key_file", "cert_file")
            raise wrong(f"{given} is given without {other}; give {other!r} too")
        if self.cert_file is not None and not self.tls:
            raise wrong("cert_file is given for an address without TLS; give an address that starts with mqtts://")
        return self

    @property
    def _parts(self) -> SplitResult:
        return urlsplit(self.url)

    @property
    def tls(self) -> bool:
        """Whether the connection is encrypted."""
        return self._parts.scheme == "mqtts"

    @property
    def host(self) -> str:
        """The broker's host name or address."""
        return self._parts.hostname or ""

    @property
    def port(self) -> int:
        """The broker's port; 1883, or 8883 with TLS, where the address names none."""
        return self._parts.port or (MQTTS_PORT if self.tls else MQTT_PORT)


class Data(Section):
    """Where the record is kept, and for how long."""

    directory: PathText = Field(
        default=Path("data"),
        description="the folder of the journal, relative to the folder the program is started in",
        examples=["data"],
    )
    retention_days: int = Field(
        default=365, ge=1, le=36500, description="the number of days after which the record is deleted", examples=[365]
    )
    readings_days: int = Field(
        default=30, ge=1, le=36500,
        description="the number of days for which the readings themselves are kept, so that a trial or a debrief can go "
        "through them again", examples=[30],
    )  # fmt: skip


class Alerts(Section):
    """The limits of the alert lifecycle."""

    shelve_minutes_max: int = Field(
        default=480, ge=1, le=480, description="the longest shelving in minutes", examples=[480]
    )
    escalation: list[Annotated[str, OneOf(ROLES)]] = Field(
        default_factory=lambda: ["door team", "coordinator", "ops"],
        max_length=len(ROLES),
        description="a list of roles: a warning that one of them does not acknowledge in time goes to the next; "
        "a role that is not listed comes before the first",
        examples=[["door team", "coordinator", "ops"]],
    )
    on_screen_within_s: float = Field(
        default=3.0, ge=0, le=600,
        description="the seconds after which a warning that no visible board has drawn goes to the next role at once; "
        "0 for never", examples=[3],
    )  # fmt: skip

    @field_validator("escalation")
    @classmethod
    def _check_escalation(cls, value: list[str]) -> list[str]:
        for index, role in enumerate(value):
            if role in value[:index]:
                raise wrong(f"{role!r} is listed twice; list each role once")
        return value


class Proof(Section):
    """How the service proves that what happens at a door gets through."""

    every_s: float = Field(
        default=10.0, ge=0, le=10,
        description="the seconds from one proof to the next, a handle of nobody's aircraft that lifts and has to reach the "
        "board; 0 for none", examples=[10],
    )  # fmt: skip


class Drills(Section):
    """What is kept of drills."""

    keep_labels_days: float = Field(
        default=0, ge=0, le=3660,
        description="the days for which the label that tells whose drill it was is kept after its end; 0 to take none",
        examples=[30],
    )  # fmt: skip


class SiteFile(Section):
    """Everything that the site's file may hold."""

    site: SiteSection = Field(
        description="the aerodrome that this instance serves",
        examples=["{name: tarnwick, elevation_m: 210, stands: [S11]}"],
    )
    types: list[str] = Field(
        default_factory=list,
        description="a list of further type files, or folders of them, relative to this file",
        examples=[["my-types"]],
    )
    procedures: str | None = Field(
        default=None,
        min_length=1,
        description="a folder of procedures' files, relative to this file; left out, the shipped ones",
        examples=["my-procedures"],
    )
    thresholds: Thresholds = Field(
        default_factory=dict,
        description="a group of rule codes, each with its parameters and their numbers, for the whole site",
        examples=["{residual-pressure: {limit_hpa: 2.5}}"],
    )
    broker: Broker = Field(
        default_factory=Broker,
        description="a group of keys on how to reach the MQTT broker",
        examples=["{url: mqtt://127.0.0.1:1883}"],
    )
    http: Http = Field(
        default_factory=Http,
        description="a group of keys on where the board is served",
        examples=["{host: 127.0.0.1, port: 8080}"],
    )
    data: Data = Field(
        default_factory=Data,
        description="a group of keys on where the record is kept",
        examples=["{directory: data}"],
    )
    alerts: Alerts = Field(
        default_factory=Alerts,
        description="a group of limits of the alert lifecycle",
        examples=["{shelve_minutes_max: 480}"],
    )
    notify: Notify = Field(
        default_factory=Notify,
        description="a group of keys on who is told of alerts outside the board and the broker",
        examples=["{destinations: {}}"],
    )
    drills: Drills = Field(
        default_factory=Drills,
        description="a group of keys on what is kept of drills",
        examples=["{keep_labels_days: 0}"],
    )
    proof: Proof = Field(
        default_factory=Proof,
        description="a group of keys on how the service proves itself",
        examples=["{every_s: 10}"],
    )
