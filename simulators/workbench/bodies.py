"""What the page may send: the bodies of the bench's commands.

Owns shapes and bounds only; whether something can be done now is the session's to say.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StrictBool, StrictFloat, StrictInt, StringConstraints

from simulators.workbench.hands import Part
from simulators.workbench.session import WIND_MAX_KT

DoorName = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_-]{1,32}$")]
Phrase = Annotated[str, StringConstraints(min_length=1, max_length=120, pattern=r"^[\x20-\x7e]+$")]
Key = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_/-]{1,100}$")]
Text = Annotated[str, StringConstraints(max_length=40, pattern=r"^[\x20-\x7e]*$")]
Amount = StrictBool | StrictInt | Annotated[StrictFloat, Field(allow_inf_nan=False)] | Text
Knots = Annotated[float, Field(ge=0, le=WIND_MAX_KT, strict=True, allow_inf_nan=False)]


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Begin(_Body):
    """Bring the aircraft onto the apron."""

    start: Literal["armed", "closed"] = "armed"


class End(_Body):
    """Take it away, and withdraw what it sent."""


class Do(_Body):
    """A phrase of the scenario language, done to a door or to the aircraft."""

    do: Phrase
    door: DoorName | None = None


class Move(_Body):
    """Take a handle or the lever to a place, 0 home to 1 fully lifted or armed."""

    door: DoorName
    part: Part
    to: Annotated[float, Field(ge=0, le=1, strict=True, allow_inf_nan=False)]


class Hold(_Body):
    """Have a hand on a part for a moment; 0 lets go."""

    door: DoorName
    part: Part
    force: Annotated[float, Field(ge=-1, le=1, strict=True, allow_inf_nan=False)]


class Fault(_Body):
    """Give a sensor a fault, or mend it."""

    reading: Key
    fault: Phrase
    amount: Amount | None = None


class Blow(_Body):
    """Another wind at the stand."""

    mean_kt: Knots
    gust_kt: Knots
