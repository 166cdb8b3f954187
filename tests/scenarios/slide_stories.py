"""The stories of slides and handles: what was sent, and in each docstring what must be told and why.

Owns captures, not expectations: the docstring is for people, and goes to the top of the
story's transcript. Names are invented.
"""

from __future__ import annotations

from tests.scenarios.telling import SLIDE_OFF, Telling


def armed_handle(t: Telling) -> None:
    """An armed handle is lifted and put back, twice.

    ZZ-ALD is ready to leave, all slides engaged. At 10:00:10 somebody lifts L1's inside handle
    and the lock follows. The warning is due at the first of these readings, with no delay
    (14 CFR 25.810(a)(1)(i): from here on the slide can deploy). At 10:00:13 the handle is back
    home; a warning that clears waits for its acknowledgement, and nobody gives one in a
    capture. At 10:00:20 the handle comes up again: the same alert is raised again, not a new
    one. R2's handle is not touched and says nothing.
    """
    craft = t.craft("ZZ-ALD", engaged=True, passengers=120)
    t.until(10.0)
    craft.door("L1", handle_lifted=True, locked=False)
    t.until(12.9)
    craft.door("L1", locked=True, handle_lifted=False)
    t.until(20.0)
    craft.door("L1", handle_lifted=True)
    t.until(22.0)
    craft.door("L1", handle_lifted=False)
    t.until(30.0)


def outside_handle(t: Telling) -> None:
    """Three doors are opened from outside with their slides engaged.

    Lifting the outside handle disengages the slide. L1 (10:00:10.1): it does so within a second;
    an advisory at once, over when the last part is out, and never more: the parts differ for
    less than 2 s. L2 (10:00:20.1): the slide stays; the advisory becomes a warning 2 s later, to
    the moment, and clears as the handle goes back, waiting for its acknowledgement. R1
    (10:00:40): the inside handle, driven by the outside one, is reported 100 ms before it: first
    a warning as for any inside handle, which falls to an advisory as the outside handle follows
    within 300 ms; both end as the slide comes out. On L1 and L2 the armed-handle rule is silent:
    it was the outside handle that moved.
    """
    craft = t.craft("ZZ-ALD", engaged=True)
    t.until(10.0)
    craft.door("L1", flap_pressed=True, outside_handle_lifted=True)
    t.until(10.5)
    craft.door("L1", lever_armed=False, girt_left=False, girt_right=False, pin_fitted=True)
    t.until(11.0)
    craft.door("L1", outside_handle_lifted=False, flap_pressed=False)
    t.until(20.0)
    craft.door("L2", flap_pressed=True, outside_handle_lifted=True)
    t.until(26.0)
    craft.door("L2", outside_handle_lifted=False, flap_pressed=False)
    t.until(40.0)
    craft.door("R1", handle_lifted=True, outside_handle_lifted=True)
    t.until(41.0)
    craft.together({f"door/R1/{signal}": value for signal, value in SLIDE_OFF.items()})
    t.until(42.0)
    craft.door("R1", outside_handle_lifted=False, handle_lifted=False)
    t.until(50.0)


def slide_deployed(t: Telling) -> None:
    """R2 is opened armed, and its slide goes.

    10:00:10 the handle is lifted: armed-handle-moved. 10:00:10.3 the leaf leaves its frame with
    the slide engaged: armed-leaf-moving; the handle's warning is over (the door is ajar now) and
    waits for its acknowledgement. 10:00:12 the pack is out: slide-deployed, which takes over
    from armed-leaf-moving (suppressed). At 10:02:00 the pack is taken away and its switch reads
    home: the condition clears, but the alert latches until a person's reset, which a capture
    cannot hold: unacknowledged it waits as rtn_unacknowledged. With the girt bar out the leaf's
    alert is over too, from suppression straight to normal. No drop is told: the doorway stands
    open for less than 5 s before the slide hangs in it, and from 10:01:40 on behind a barrier.
    """
    craft = t.craft("ZZ-ALD", engaged=True)
    t.until(10.0)
    craft.door("R2", handle_lifted=True, locked=False, latched=False, closed=False, travel=0.1)
    t.until(12.0)
    craft.door("R2", slide_released=True, travel=0.6)
    t.until(14.0)
    craft.door("R2", travel=1.0, hold_open=True)
    t.until(16.0)
    craft.door("R2", slide_erect=True)
    t.until(100.0)
    craft.door("R2", barrier=True)
    t.until(120.0)
    craft.door("R2", slide_erect=False, slide_released=False)
    t.until(125.5)
    craft.door("R2", lever_armed=False, girt_left=False, girt_right=False)
    t.until(135.0)


def girt_disagree(t: Telling) -> None:
    """A girt bar holds at one end only.

    R2 is engaged by its crew: lever at 10:00:10, left end at 10:00:10.1, right end only at
    10:00:11.5, within the 2 s that the parts may differ: nothing. L2 likewise at 10:00:20, but its
    right end does not go in: caution at 10:00:22, 2 s after the lever. At 10:00:30 its handle is
    lifted: any part that says engaged makes the slide engaged, so armed-handle-moved warns at
    once, and the disagreement becomes a warning when that has held for 2 s of its own, at
    10:00:32. At 10:00:35 the handle is back: the warning of the handle clears and waits, the
    disagreement falls to a caution at once. At 10:00:40 the right end goes in: over by itself.
    """
    craft = t.craft("ZZ-ALD")
    t.until(10.0)
    craft.door("R2", lever_armed=True, girt_left=True, pin_fitted=False)
    t.until(11.5)
    craft.door("R2", girt_right=True)
    t.until(20.0)
    craft.door("L2", lever_armed=True, girt_left=True, pin_fitted=False)
    t.until(30.0)
    craft.door("L2", handle_lifted=True)
    t.until(35.0)
    craft.door("L2", handle_lifted=False)
    t.until(40.0)
    craft.door("L2", girt_right=True)
    t.until(50.0)


def emergency(t: Telling) -> None:
    """An emergency is declared, and one slide is used on purpose.

    10:00:10 the emergency is declared. 10:00:12 R1's handle is lifted armed and the leaf moves:
    while an emergency is declared armed-* is not raised. 10:00:14 the pack is out: advisory
    instead of warning, settled at the release; and one slide out in an emergency is an evacuation.
    At 10:00:30 the emergency ends, and the evacuation with it: the leaf is still out with its slide
    engaged, but the released slide has taken over from that alert, so it stays silent, and the
    advisory does not become a warning.
    """
    craft = t.craft("ZZ-ALD", engaged=True, passengers=20)
    t.until(10.0)
    craft.say("airframe/emergency", True)
    t.until(12.0)
    craft.door("R1", handle_lifted=True, locked=False, latched=False, closed=False, travel=0.3)
    t.until(14.0)
    craft.door("R1", slide_released=True, travel=1.0, hold_open=True)
    t.until(17.0)
    craft.door("R1", slide_erect=True)
    t.until(30.0)
    craft.say("airframe/emergency", False)
    t.until(40.0)


STORIES = {
    "armed-handle": armed_handle,
    "outside-handle": outside_handle,
    "slide-deployed": slide_deployed,
    "girt-disagree": girt_disagree,
    "emergency": emergency,
}
