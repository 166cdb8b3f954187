"""The stories of not seeing: feeds, sensors, jumps, backlogs, bundles, types that come late.

Owns captures, not expectations: the docstring is for people, and goes to the top of the
story's transcript. Names are invented.
"""

from __future__ import annotations

from typing import Any

from tests.scenarios.telling import SLIDE_OFF, Telling

OUT: dict[str, Any] = {
    "closed": False,
    "latched": False,
    "locked": False,
    "handle_lifted": True,
    "travel": 1.0,
    "hold_open": True,
}


def lock_disagree(t: Telling) -> None:
    """Locks that cannot all be true.

    R1 (10:00:10): latched goes while locked stays (14 CFR 25.783(d)(6): that order is not
    possible): caution after 1 s, over by itself when locked goes too. CA (10:00:20): its cams are
    seen engaged though the latch is out: caution after 1 s, until the flags follow at 10:00:25.
    L2 (10:00:30): latched flickers for 400 ms: nothing. CB (10:00:40): latched is lost to a bad
    sensor: that is no contradiction, and the bad reading is told as such after 1 s.
    """
    craft = t.craft("ZZ-ALD")
    t.until(10.0)
    craft.door("R1", latched=False)
    t.until(14.0)
    craft.door("R1", locked=False)
    t.until(15.0)
    craft.together({"door/R1/latched": True, "door/R1/locked": True})
    t.until(20.0)
    craft.door("CA", access="loader", handle_lifted=True, locked=False, latched=False)
    t.until(25.0)
    craft.door("CA", lock_flags=False)
    t.until(26.0)
    craft.door("CA", latched=True, lock_flags=True, locked=True, handle_lifted=False)
    t.until(30.0)
    craft.door("L2", latched=False)
    t.until(30.4)
    craft.door("L2", latched=True)
    t.until(40.0)
    craft.say("door/CB/latched", False, quality="bad")
    t.until(44.0)
    craft.say("door/CB/latched", True)
    t.until(50.0)


def feed_lost(t: Telling) -> None:
    """Two feeds go silent and come back.

    ZZ-ALD has passengers aboard and L2 open over its drop (told at 10:00:05, 5 s after it was
    heard of); ZZ-BET is shut and empty. Both are last heard at 10:00:20. At 10:00:50, 30 s later,
    each is told as lost: a warning for ZZ-ALD, whose last picture has people and an open door, a
    caution for ZZ-BET. The readings behind L2's warning are old now: it stays as it was, blind,
    neither cleared nor raised again. No stale signals are told: the lost feed covers them. At
    10:01:30 both are back: the caution is over by itself, the warning waits for its
    acknowledgement, and readings from before count again. At 10:01:40 a barrier goes up at L2:
    its warning clears.
    """
    alder = t.craft("ZZ-ALD", passengers=90, doors={"L2": OUT})
    other = t.craft("ZZ-BET", stand="S13")
    t.until(20.0)
    alder.heard = other.heard = False
    t.until(90.0)
    alder.heard = other.heard = True
    alder.beat()
    other.beat()
    t.until(100.0)
    alder.door("L2", barrier=True)
    t.until(110.0)


def signal_bad(t: Telling) -> None:
    """A sensor calls itself bad, another says what cannot be.

    L2 (10:00:10): its lock sensor reports bad quality: caution after 1 s, over by itself at 10:00:20
    with a good reading. R1 (10:00:30): bad for 400 ms only: nothing. R2 (10:00:40): in its frame and
    nine tenths open at once: caution after 1 s; the leaf is taken as out, the more dangerous of the
    two, which no legal step leads to from closed and locked: an implausible jump, until the reading
    is put right at 10:00:45; the way back is no legal step either, and ends nothing. OL1 (10:00:50):
    uncertain, which counts as missing and raises nothing. At 10:01:00 the airframe's own beacon
    reading is bad: told for the aircraft.
    """
    craft = t.craft("ZZ-ALD", doors={"R2": {"access": "stairs"}})
    t.until(10.0)
    craft.say("door/L2/locked", True, quality="bad")
    t.until(20.0)
    craft.say("door/L2/locked", True)
    t.until(30.0)
    craft.say("door/R1/closed", True, quality="bad")
    t.until(30.4)
    craft.say("door/R1/closed", True)
    t.until(40.0)
    craft.say("door/R2/travel", 0.9)
    t.until(45.0)
    craft.say("door/R2/travel", 0.0)
    t.until(50.0)
    craft.say("door/OL1/latched", True, quality="uncertain")
    t.until(55.5)
    craft.say("door/OL1/latched", True)
    t.until(60.0)
    craft.say("airframe/beacon", False, quality="bad")
    t.until(65.5)
    craft.say("airframe/beacon", False)
    t.until(70.0)


def implausible_jump(t: Telling) -> None:
    """Doors that are somewhere else without having gone there.

    R1 (10:00:10, stairs docked): the leaf is out while latched and locked still read true: no
    legal step leads from closed and locked to ajar, an advisory at once; the locks follow within
    the second, so they do not contradict. It ends at the next legal change, ajar to open at
    10:00:14.1. L2 comes in bundles 10 s apart, slower than 2 Hz: closed and locked to open at
    10:00:20, back at 10:00:30 (with a hold-open lock no legal step, even in one bundle), out again at
    10:00:40: only the third in the hour is told; it ends at the next legal change, open to ajar at
    10:00:50.
    """
    craft = t.craft("ZZ-ALD", doors={"R1": {"access": "stairs"}, "L2": {"access": "stairs"}})
    t.until(10.0)
    craft.door("R1", closed=False, latched=False, locked=False, handle_lifted=True, travel=0.5)
    t.until(14.0)
    craft.door("R1", travel=1.0, hold_open=True)
    shut = {"closed": True, "latched": True, "locked": True, "handle_lifted": False, "travel": 0.0, "hold_open": False}
    for at, picture in ((20.0, OUT), (30.0, shut), (40.0, OUT)):
        t.until(at)
        craft.together({f"door/L2/{signal}": value for signal, value in picture.items()})
    t.until(50.0)
    craft.together({"door/L2/hold_open": False, "door/L2/travel": 0.8})
    t.until(60.0)


def late_backlog(t: Telling) -> None:
    """A radio link fails; the aircraft's gateway keeps its readings and sends them afterwards.

    Heard last at 10:00:20, told as lost 30 s later, at 10:00:50: a warning, L1 stands open at the
    bridge. At 10:01:10 the link is back and what was kept comes in at once, in its order, stamped
    10:00:24 to 10:00:35, more than 30 s behind the sender's usual 20 ms: late, and so is everything
    that it tells. A heartbeat first: the feed is back. R2's armed handle was up from 10:00:25 to
    10:00:28: raised and cleared, both marked. Engine 1 came on at 10:00:30, with L1 open on its
    side: raised, marked. The first reading that is on time again (10:01:12) ends the backlog: what
    still holds, the engine at the open door, is published again, unmarked; the handle, which is
    over, is not. At 10:01:20 the engine stops: cleared, unmarked.
    """
    craft = t.craft("ZZ-ALD", engaged=True, doors={"L1": {**OUT, **SLIDE_OFF, "access": "bridge"}})
    t.until(20.0)
    craft.heard = False
    t.until(70.0)
    craft.beat(stamp=24.0)
    t.after(0.1)
    craft.say("door/R2/handle_lifted", True, stamp=25.0)
    t.after(0.1)
    craft.say("door/R2/handle_lifted", False, stamp=28.0)
    t.after(0.1)
    craft.say("airframe/engine_1_running", True, stamp=30.0)
    t.after(0.1)
    craft.beat(stamp=35.0)
    t.until(72.0)
    craft.heard = True
    craft.beat()
    t.until(80.0)
    craft.say("airframe/engine_1_running", False)
    t.until(90.0)


def bundles(t: Telling) -> None:
    """The same readings together and one by one.

    L1 (10:00:10): the slide is disengaged and the handle lifted in one bundle: the door goes from
    armed to unlocked, and nothing is told. R1 (10:00:20): the same four readings on their own
    topics, the handle first: for 300 ms it is lifted with the slide engaged, which is told, and
    clears as the last part is out. L1 (10:00:30) is opened in steps at the bridge and closed in one
    bundle from ajar, which is legal within one: nothing. R2 (10:00:50): one reading of a bundle is of
    no signal that there is; it is rejected alone, and the handle beside it is told.
    """
    craft = t.craft("ZZ-ALD", engaged=True, doors={"L1": {"access": "bridge"}})
    moved = {"lever_armed": False, "girt_left": False, "girt_right": False, "pin_fitted": True}
    t.until(10.0)
    craft.together({f"door/L1/{s}": v for s, v in {**moved, "handle_lifted": True}.items()})
    t.until(20.0)
    craft.door("R1", handle_lifted=True, lever_armed=False, girt_left=False, girt_right=False, pin_fitted=True)
    t.until(22.0)
    craft.door("R1", handle_lifted=False)
    t.until(30.0)
    craft.door("L1", locked=False, latched=False, closed=False, travel=0.3)
    t.until(34.0)
    shut = {"closed": True, "latched": True, "locked": True, "handle_lifted": False, "travel": 0.0}
    craft.together({f"door/L1/{signal}": value for signal, value in shut.items()})
    t.until(50.0)
    craft.together({"door/R2/wobble": True, "door/R2/handle_lifted": True})
    t.until(52.0)
    craft.together({"door/R2/handle_lifted": False})
    t.until(60.0)


def visitor(t: Telling) -> None:
    """A visiting wide-body says late what it is.

    ZZ-VIS reports everything but its type from 10:00:00 on, its slides engaged; at 10:00:10 the
    handle of L3 is lifted. Nothing can be judged yet: the last reading of each signal is held, and
    nothing is told. At 10:00:20 the type comes, cedar: the held readings take effect together and the
    handle is told at that moment. It is put back at 10:00:25. ZZ-NIL never says its type, has its
    L1 open and its slide out, and is never told of, not even as it falls silent after 10:00:30.
    """
    visitor = t.craft("ZZ-VIS", kind="cedar", stand="S16", engaged=True, typed=False)
    nobody = t.craft("ZZ-NIL", stand="S15", typed=False, doors={"L1": {**OUT, "slide_released": True}})
    t.until(10.0)
    visitor.door("L3", handle_lifted=True)
    t.until(20.0)
    visitor.say("airframe/type", "cedar")
    t.until(25.0)
    visitor.door("L3", handle_lifted=False)
    t.until(30.0)
    nobody.heard = False
    t.until(70.0)


def departure(t: Telling) -> None:
    """An aircraft leaves with something still standing.

    L2's armed handle was lifted and put back: its warning waits for an acknowledgement. At 10:00:30
    the wheels leave the ground; 60 s later, 10:01:30, the aircraft is away: what stood is cleared
    with that reason. In the air it is silent from 10:01:00 on: a feed that is lost off the ground is
    told by nobody. At 10:03:00 it is back on its wheels with L2's handle lifted, and that is told.
    """
    craft = t.craft("ZZ-ALD", engaged=True, passengers=140)
    t.until(10.0)
    craft.door("L2", handle_lifted=True)
    t.until(12.0)
    craft.door("L2", handle_lifted=False)
    t.until(30.0)
    craft.say("airframe/weight_on_wheels", False)
    t.until(60.0)
    craft.heard = False
    t.until(180.0)
    craft.heard = True
    craft.say("airframe/weight_on_wheels", True)
    craft.beat()
    t.after(0.5)
    craft.door("L2", handle_lifted=True)
    t.until(182.0)
    craft.door("L2", handle_lifted=False)
    t.until(190.0)


STORIES = {
    "lock-disagree": lock_disagree,
    "feed-lost": feed_lost,
    "signal-bad": signal_bad,
    "implausible-jump": implausible_jump,
    "late-backlog": late_backlog,
    "bundles": bundles,
    "visitor": visitor,
    "departure": departure,
}
