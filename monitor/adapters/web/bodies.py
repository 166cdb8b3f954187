"""What clients may send: the bodies of commands and the parameters of lists.

Owns shapes and bounds only; whether an action is allowed now is the core's to say.
Unknown keys are refused, since a mistyped filter that is ignored shows too much.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainValidator,
    StrictBool,
    StringConstraints,
    ValidationInfo,
    WithJsonSchema,
    field_validator,
    model_validator,
)

from monitor.adapters.web.paging import LIMIT_DEFAULT, LIMIT_MAX
from monitor.core.alert import AlertState, Priority
from monitor.core.times import parse_time

SHELVE_MINUTES_MAX = 480
DRAWN_MAX = 500
PERMIT_MINUTES_MAX = 720

_PRINTABLE = r"^[^\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]*$"
"""No control (C0, C1), no line break, and nothing that turns the direction of what is written after it."""

Name = Annotated[str, StringConstraints(min_length=1, max_length=80, pattern=_PRINTABLE)]
Label = Annotated[str, StringConstraints(min_length=1, max_length=40, pattern=_PRINTABLE)]
Sentence = Annotated[str, StringConstraints(min_length=1, max_length=500, pattern=_PRINTABLE)]
Minutes = Annotated[float, Field(gt=0, le=SHELVE_MINUTES_MAX, strict=True, allow_inf_nan=False)]


def _blank_is_absent(value: object) -> object:
    return None if isinstance(value, str) and not value.strip() else value


def _read_time(value: object) -> object:
    if value is None or value == "":
        return None
    if not isinstance(value, str):
        raise ValueError("not an RFC 3339 time such as 2026-03-01T10:15:00.125Z")
    return parse_time(value)


def _split_words(value: object) -> object:
    """``["a,b", ""]`` → ``["a", "b"]``: repeated, comma-separated and empty all work."""
    if isinstance(value, list) and all(isinstance(part, str) for part in value):
        return [word for part in value for word in part.split(",") if word]
    return value


_TIME_SCHEMA: dict[str, Any] = {"anyOf": [{"type": "string", "format": "date-time"}, {"type": "null"}]}

OptionalName = Annotated[Name | None, BeforeValidator(_blank_is_absent)]
SignedName = Annotated[OptionalName, Field(description="Who; needed where nobody signs in, else the one who did")]
OptionalSentence = Annotated[Sentence | None, BeforeValidator(_blank_is_absent)]
OptionalText = Annotated[str | None, Field(max_length=64), BeforeValidator(_blank_is_absent)]
OptionalTime = Annotated[int | None, BeforeValidator(_read_time), WithJsonSchema(_TIME_SCHEMA)]

BoardPage = Literal["apron", "aircraft", "alerts", "health", "wall", "debrief", "handover"]
DrawnId = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9-]{1,64}$")]
Presence = Literal["present", "powered_down", "away"]
PermitKind = Literal["drill", "ground-run", "de-icing", "tow", "slide-removed"]
PermitMinutes = Annotated[float, Field(gt=0, le=PERMIT_MINUTES_MAX, strict=True, allow_inf_nan=False)]
PlaceName = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_-]{1,32}$")]
Code = Annotated[str, StringConstraints(pattern=r"^[a-z0-9-]{1,64}$")]
Word = Annotated[str, StringConstraints(pattern=r"^[a-z0-9-]{1,48}$")]
SignalName = Annotated[str, StringConstraints(pattern=r"^[a-z0-9_]{1,64}$")]


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)


class AlertAction(_Body):
    """What a person does to an alert; all of it optional."""

    by: OptionalName = Field(None, description="Who; without it the action is recorded as unnamed")
    reason: OptionalSentence = None
    minutes: Minutes | None = Field(None, description="Used by shelving only")
    seen: OptionalTime = Field(None, description="The changed_at that the person saw; a newer alert is then refused")


class Shelving(_Body):
    """Setting an alert aside for a while."""

    by: SignedName = None
    reason: Sentence
    minutes: Minutes
    seen: OptionalTime = None


class DoorResetting(_Body):
    """Putting a door whose slide was released back into service."""

    by: SignedName = None
    reason: Sentence


def _read_seen(value: object) -> bool | str | None:
    if value is None or isinstance(value, (bool, str)):
        return value
    raise ValueError("give true, false, a word such as unlocked, or null")


Seen = Annotated[bool | str | None, PlainValidator(_read_seen)]


class DoorReport(_Body):
    """What a person saw at a door."""

    by: SignedName = None
    procedure_steps: Annotated[list[Word], Field(max_length=40)] = Field(
        default_factory=list, description="Steps of the procedure that goes on at the door, reported as done"
    )
    sees: Annotated[dict[SignalName, Seen], Field(max_length=40)] = Field(
        default_factory=dict,
        validate_default=True,
        description="Door signals with what they showed, such as lock_indicator: unlocked; null takes a report back",
    )
    reason: OptionalSentence = None

    @field_validator("sees")
    @classmethod
    def _check_said(cls, value: dict[str, bool | str | None], info: ValidationInfo) -> dict[str, bool | str | None]:
        if not value and not info.data.get("procedure_steps"):
            raise ValueError("say what was seen, or which steps of the procedure are done, in procedure_steps")
        return value


class IdentitySettling(_Body):
    """Saying that what spoke against an aircraft being one aircraft is settled."""

    by: SignedName = None
    reason: Sentence


class PermitGranting(_Body):
    """Taking hazards out of service for a while; an end is given by ``minutes`` or ``until``, not both."""

    kind: PermitKind
    aircraft: Annotated[str, StringConstraints(pattern=r"^[A-Z0-9-]{2,10}$")]
    doors: Annotated[list[PlaceName], Field(max_length=64)] = Field(
        default_factory=list, description="Doors, and - for the aircraft as a whole; none for all of it"
    )
    codes: Annotated[list[Code], Field(max_length=100)] = Field(
        default_factory=list, description="Hazards; a drill may name none, slide-removed takes those of the slide"
    )
    reason: Sentence
    by: SignedName = None
    minutes: PermitMinutes | None = Field(None, description="From now, 720 at most")
    until: OptionalTime = Field(None, description="At most 12 h from now")
    name: OptionalName = Field(None, description="A drill's name")
    procedure: Annotated[Word | None, BeforeValidator(_blank_is_absent)] = Field(
        None, description="The configured procedure that is drilled"
    )
    trainee: Annotated[Label | None, BeforeValidator(_blank_is_absent)] = Field(
        None, description="Whose drill it is; taken only where the configuration keeps such labels, and kept apart"
    )

    @model_validator(mode="after")
    def _check_end(self) -> PermitGranting:
        if (self.minutes is None) == (self.until is None):
            raise ValueError("give an end, by minutes or until")
        return self


class DeliveryAction(_Body):
    """Having something told outside again; all of it optional."""

    by: OptionalName = Field(None, description="Who; without it the action is recorded as unnamed")
    reason: OptionalSentence = None


class PermitEnding(_Body):
    """Ending a permit before its time."""

    by: OptionalName = None
    reason: OptionalSentence = None


class BoardState(_Body):
    """What an open page says of itself, every 5 s at least and at once when it changes."""

    name: Annotated[str, StringConstraints(max_length=60, pattern=_PRINTABLE)] = Field(
        description="What people call this screen"
    )
    page: BoardPage
    visible: StrictBool = Field(description="False for a tab in the background")
    sound: StrictBool = Field(description="Whether a warning can be heard here")
    drawn: Annotated[list[DrawnId], Field(max_length=DRAWN_MAX)] = Field(
        description="The unacknowledged warnings that are painted on it now"
    )


class PresenceDeclaration(_Body):
    """Saying where an aircraft is."""

    presence: Presence
    by: OptionalName = None
    reason: OptionalSentence = None


class PageQuery(BaseModel):
    """The parameters that every list takes."""

    model_config = ConfigDict(extra="forbid")

    limit: int = Field(LIMIT_DEFAULT, ge=1, le=LIMIT_MAX)
    after: Annotated[str | None, Field(max_length=1000), BeforeValidator(_blank_is_absent)] = Field(
        None, description="The next of the page before"
    )


class AlertQuery(PageQuery):
    """Filters of the alert list; each may be given more than once, or separated by commas."""

    state: Annotated[list[AlertState], BeforeValidator(_split_words)] = Field(default_factory=list)
    priority: Annotated[list[Priority], BeforeValidator(_split_words)] = Field(default_factory=list)
    aircraft: Annotated[list[str], BeforeValidator(_split_words)] = Field(default_factory=list)


class HistoryQuery(PageQuery):
    """Filters of the history."""

    aircraft: OptionalText = None
    door: OptionalText = None
    code: OptionalText = None
    since: OptionalTime = Field(None, description="From this moment on")
    until: OptionalTime = Field(None, description="Before this moment")


class PeriodQuery(BaseModel):
    """A period: the last 24 h where nothing else is said."""

    model_config = ConfigDict(extra="forbid")

    since: OptionalTime = Field(None, description="From this moment on; at most 366 days before until")
    until: OptionalTime = Field(None, description="Before this moment; now at the latest")


class TimelineQuery(PeriodQuery):
    """A period: the last 30 min where nothing else is said."""

    since: OptionalTime = Field(None, description="From this moment on; at most 24 h before until")


class WatchedQuery(PeriodQuery):
    """A period, for one door or all."""

    door: OptionalText = Field(None, description="A door's name, or - for the aircraft as a whole")


class PageDocument(BaseModel):
    """One page of a list; ``next`` is the cursor of the following one, or null at the end."""

    items: list[dict[str, Any]]
    next: str | None
