"""29 CFR 1910.28(b)(1)(i): protect from a fall at 4 ft (1.2 m) and above. A strap is not a guard.

The edge of the published height is built here from the alder's own door, since no type that
ships has a sill there.
"""

from __future__ import annotations

import pytest

from tests.external.apron import CABIN, Apron, Json, alder_door, site_with

OPEN: Json = {
    **CABIN,
    "closed": False,
    "latched": False,
    "locked": False,
    "handle_lifted": True,
    "hold_open": True,
    "travel": 1.0,
}


def open_door(name: str = "L1", **changes: object) -> Apron:
    apron = Apron(site_with(alder_door(name, **changes)))
    apron.send("airframe/type", "alder")
    apron.door(name, **(OPEN if name == "L1" else {**OPEN, "hold_open": False}))
    return apron


@pytest.mark.parametrize(("sill_m", "guard"), [(0.9, False), (1.19, False), (1.2, True), (1.2192, True), (3.4, True)])
def test_the_height_from_which_an_open_doorway_is_told(sill_m: float, guard: bool) -> None:
    apron = open_door(sill_m=sill_m)
    apron.advance(4.999)
    assert apron.alert("unguarded-drop", "L1") is None
    apron.advance(0.001)
    alert = apron.alert("unguarded-drop", "L1")
    assert (alert is not None) is guard
    if alert is not None:
        assert alert["priority"] == "warning"
        assert "29 CFR 1910.28" in alert["basis"]
        assert f"{sill_m:.1f} m" in alert["text"]


@pytest.mark.parametrize("docked", ["bridge", "stairs", "loader", "platform"])
def test_access_equipment_takes_the_drop_away(docked: str) -> None:
    apron = open_door()
    apron.advance(6.0)
    assert apron.alert("unguarded-drop", "L1") is not None
    apron.send("door/L1/access", docked)
    assert ("L1", "unguarded-drop", "rtn_unacknowledged") in apron.standing()


def test_a_guard_that_was_never_reported_is_none() -> None:
    """ "No barrier" holds also when nothing was ever reported; an access that is unknown does not."""
    apron = Apron(site_with(alder_door("L1")))
    apron.send("airframe/type", "alder")
    apron.door("L1", **{s: v for s, v in OPEN.items() if s != "barrier"})
    apron.advance(5.0)
    assert apron.alert("unguarded-drop", "L1") is not None
    blind = Apron(site_with(alder_door("L1")))
    blind.send("airframe/type", "alder")
    blind.door("L1", **{s: v for s, v in OPEN.items() if s != "access"})
    blind.advance(20.0)
    assert blind.alert("unguarded-drop", "L1") is None
    deaf = blind.retained["sillwatch/v1/door/tarnwick/ZZ-ALD/L1"]["deaf_to"]
    assert {"code": "unguarded-drop", "why": "never seen", "signals": ["access"]} in deaf


def test_a_deployed_slide_that_hangs_there_fills_the_doorway_and_a_detached_one_does_not() -> None:
    apron = open_door()
    apron.door("L1", slide_released=True, slide_detached=False)
    apron.advance(6.0)
    assert apron.alert("unguarded-drop", "L1") is None
    apron.send("door/L1/slide_detached", True)
    apron.advance(5.0)
    assert apron.alert("unguarded-drop", "L1") is not None


def test_a_hold_door_is_given_time_and_is_a_caution() -> None:
    """Loading begins with the door open and nothing docked: 120 s (our choice), and lower."""
    apron = open_door("CB")
    apron.live(119.9, pressure=None)
    assert apron.alert("unguarded-drop", "CB") is None
    apron.live(0.1, pressure=None)
    alert = apron.alert("unguarded-drop", "CB")
    assert alert is not None
    assert alert["priority"] == "caution"


@pytest.mark.parametrize("name", ["H1", "OL1", "WL"])
def test_hatches_and_windows_are_no_doorways(name: str) -> None:
    apron = Apron()
    apron.park()
    apron.door(name, closed=False, latched=False, locked=False, handle_lifted=True)
    apron.live(130.0)
    assert apron.alert("unguarded-drop", name) is None


def test_equipment_that_leaves_an_open_doorway_is_told_at_once() -> None:
    apron = open_door()
    apron.send("door/L1/access", "stairs")
    apron.advance(20.0)
    apron.send("door/L1/access", "none")
    assert apron.standing() == {("L1", "access-withdrawn", "unacknowledged")}
    apron.advance(9.0)
    assert apron.alert("unguarded-drop", "L1") is None, "silenced: one warning of one drop"
