"""14 CFR 121.570(a): no movement on the surface with passengers unless each automatic slide is ready.

The paragraph speaks of movement with passengers, and of every slide. Checked against it: one
slide that is not ready is told by the moment of moving, whichever door it is, however it is
not ready and whatever makes the aircraft move; and with nobody aboard, or all ready, nothing is.
How long before moving it is told is this project's choice.
"""

from __future__ import annotations

from typing import Any

import pytest

from tests.external.apron import DISENGAGED, ENGAGED, Apron, Json

DOORS = ("L1", "R1", "L2", "R2")
CODE = "not-armed-departure"
READY: Json = {**ENGAGED, "pin_fitted": False}
PUSHED_BACK: Json = {"chocks": False, "parking_brake": False, "ground_speed_kt": 2.0}


def leaving(**airframe: Any) -> Apron:
    """Closed up on its stand, all slides ready, the beacon just on."""
    apron = Apron()
    apron.park(engaged=True, passengers_aboard=120, **airframe)
    apron.airframe(beacon=True)
    return apron


@pytest.mark.parametrize("door", DOORS)
@pytest.mark.parametrize("part", ["lever_armed", "girt_left", "girt_right"])
def test_each_slide_must_be_ready_and_all_of_it(door: str, part: str) -> None:
    apron = leaving()
    apron.door(door, **{**READY, part: False})
    assert apron.alert(CODE, door) is None
    apron.airframe(**PUSHED_BACK)
    alert = apron.alert(CODE, door)
    assert alert is not None
    assert alert["priority"] == "warning"
    assert "121.570(a)" in alert["basis"]
    assert {d for d in DOORS if apron.alert(CODE, d) is not None} == {door}


@pytest.mark.parametrize("motion", [{"ground_speed_kt": 2.0}, {"chocks": False, "parking_brake": False}, PUSHED_BACK])
def test_pushed_towed_or_let_go_it_moves(motion: Json) -> None:
    apron = leaving()
    apron.door("R2", **DISENGAGED)
    apron.airframe(**motion)
    assert apron.told(CODE, "R2") == ["raised"]


def test_taxiing_in_is_movement_too() -> None:
    apron = leaving(engine_1_running=True)
    apron.airframe(**{**PUSHED_BACK, "ground_speed_kt": 15.0})
    assert apron.told(CODE) == []
    apron.door("L2", **DISENGAGED)
    assert apron.told(CODE, "L2") == ["raised"]


def test_with_every_slide_ready_it_may_move() -> None:
    apron = leaving()
    apron.airframe(**PUSHED_BACK)
    apron.live(120)
    assert apron.told(CODE) == []


def test_without_passengers_the_paragraph_asks_nothing() -> None:
    apron = leaving()
    apron.airframe(passengers_aboard=0)
    for door in DOORS:
        apron.door(door, **DISENGAGED)
    apron.airframe(**PUSHED_BACK)
    apron.live(120)
    assert apron.told(CODE) == []


def test_it_is_told_before_it_moves_while_there_is_time_to_mend_it() -> None:
    apron = leaving()
    apron.door("L1", **DISENGAGED)
    apron.live(61)
    alert = apron.alert(CODE, "L1")
    assert alert is not None
    assert alert["priority"] == "caution"
    apron.airframe(**PUSHED_BACK)
    assert apron.told(CODE, "L1") == ["raised", "reprioritised"]
