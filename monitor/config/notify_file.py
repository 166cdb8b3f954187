"""The keys of the section ``notify``: who is told of alerts outside the board and the broker.

Owns names, ranges and defaults of destinations. A secret is never among them, only the
file that holds it; which file exists is looked at when the instance starts.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final, Literal
from urllib.parse import urlsplit

from pydantic import Field, field_validator, model_validator

from monitor.config.models import Name, OneOf, Section, wrong
from monitor.core.alarm_health import ROLES
from monitor.core.alert import Priority

SecretPath = Annotated[Path, Field(strict=False)]
PRIORITIES: Final = tuple(str(priority) for priority in reversed(Priority))
_CLOCK_TIME: Final = r"^([01][0-9]|2[0-3]):[0-5][0-9]$"


class QuietHours(Section):
    """When a destination is not told of what is no warning."""

    begin: str = Field(
        alias="from", pattern=_CLOCK_TIME, description="the site's time at which they begin", examples=["'22:00'"]
    )
    end: str = Field(
        alias="to", pattern=_CLOCK_TIME, description="the site's time at which they end", examples=["'06:00'"]
    )

    @model_validator(mode="after")
    def _check_span(self) -> QuietHours:
        if self.begin == self.end:
            raise wrong("the quiet hours begin when they end; give two times, or leave 'quiet_hours' out")
        return self


class Destination(Section):
    """One receiver, and what it is told."""

    kind: Literal["webhook", "alertmanager", "apprise"] = Field(
        description="how it is told: webhook (CloudEvents, signed), alertmanager or apprise", examples=["webhook"]
    )
    url: str | None = Field(
        default=None,
        description="the receiver's address, http:// or https://, without a user, a password or a query; "
        "an address that is itself a secret goes into 'url_file'",
        examples=["https://pager.example/sillwatch"],
    )
    url_file: SecretPath | None = Field(
        default=None,
        description="the path of a file whose first line is the address, relative to this file",
        examples=["pager.url"],
    )
    secret_file: SecretPath | None = Field(
        default=None,
        description="for a webhook, the path of a file with one secret a line, relative to this file: whsec_ and "
        "base64, at least 24 bytes; while a secret is replaced, the old and the new one, and both sign",
        examples=["pager.secret"],
    )
    priorities: list[Annotated[str, OneOf(PRIORITIES)]] = Field(
        default_factory=lambda: list(PRIORITIES),
        min_length=1,
        description="a list of the priorities it is told of",
        examples=[["warning", "caution"]],
    )
    roles: list[Annotated[str, OneOf(ROLES)]] = Field(
        default_factory=list,
        description="a list of the roles it serves: it is told of alerts that ask one of them, and when a warning "
        "is handed on to one of them; left out, all",
        examples=[["coordinator", "ops"]],
    )
    codes: list[Annotated[str, Field(description="a rule's code")]] = Field(
        default_factory=list,
        description="a list of the rule codes it is told of; left out, all",
        examples=[["armed-handle-moved"]],
    )
    quiet_hours: QuietHours | None = Field(
        default=None,
        description="a group of two times of the site's day between which it is told of warnings only; what then "
        "still holds it is told at their end",
        examples=["{from: '22:00', to: '06:00'}"],
    )
    simulated: bool = Field(
        default=False, description="true where it is told of simulated aircraft too, else false", examples=[True]
    )

    @field_validator("url")
    @classmethod
    def _check_url(cls, value: str | None) -> str | None:
        if value is not None:
            _check_address(value)
            parts = urlsplit(value)
            if parts.username is not None or parts.password is not None or parts.query:
                raise wrong("an address with a user, a password or a query is a secret; put it into a 'url_file'")
        return value

    @model_validator(mode="after")
    def _check_kind(self) -> Destination:
        if (self.url is None) == (self.url_file is None):
            raise wrong("the address is given not at all or twice; give 'url' or 'url_file'")
        if self.kind == "apprise" and self.url_file is None:
            raise wrong("an apprise address is a secret; put it into a file and give 'url_file'")
        if self.kind == "webhook" and self.secret_file is None:
            raise wrong("what is sent could be forged without a signature; give 'secret_file'")
        if self.kind != "webhook" and self.secret_file is not None:
            raise wrong("only a webhook is signed; leave 'secret_file' out")
        return self


def _check_address(value: str) -> None:
    right = "give one such as https://pager.example/sillwatch"
    try:
        parts = urlsplit(value)
        port = parts.port
    except ValueError:
        raise wrong(f"the address has no usable host and port; {right}") from None
    if parts.scheme not in {"http", "https"}:
        raise wrong(f"the address does not start with http:// or https://; {right}")
    if not parts.hostname or port == 0:
        raise wrong(f"the address names no host or no usable port; {right}")
    if parts.fragment or not value.isascii() or any(c.isspace() for c in value):
        raise wrong(f"the address holds what no address may hold; {right}")


class Notify(Section):
    """Who is told of alerts outside the board and the broker, and for how long it is tried."""

    give_up_after_days: float = Field(
        default=3, gt=0, le=30,
        description="the days for which it is tried to tell a destination of an event; then it is laid aside for a "
        "person to replay",
        examples=[3],
    )  # fmt: skip
    destinations: dict[Name, Destination] = Field(
        default_factory=dict,
        description="a group of destinations, each by the name that people call it",
        examples=["{pager: {kind: webhook, url: https://pager.example/sillwatch, secret_file: pager.secret}}"],
    )
