"""The stories of what stands around a door: equipment, engines, cabin pressure; and of a quiet day.

Owns captures, not expectations: the docstring is for people, and goes to the top of the
story's transcript. Names are invented.
"""

from __future__ import annotations

from tests.scenarios.telling import SLIDE_OFF, Telling


def quiet_turnaround(t: Telling) -> None:
    """A turnaround in which nothing is wrong.

    The bridge docks at L1, the door is opened, stands open for two minutes and is closed; the
    forward hold is opened by its selector with the loader in place, and closed. Every step comes
    in its order, locks before latches before leaf, slides disengaged, pressure gone, and
    readings are fresh. Nothing is told: a monitor that speaks here would not be listened to.
    """
    craft = t.craft("ZZ-ALD", passengers=130)
    t.until(10.0)
    craft.door("L1", access="bridge")
    t.until(20.0)
    craft.open_inside("L1")
    t.until(30.0)
    craft.door("CF", access="loader", handle_lifted=True, locked=False, lock_flags=False, latched=False)
    craft.door("CF", selector="open", closed=False, travel=0.1)
    t.until(36.0)
    craft.door("CF", travel=0.6)
    t.until(42.0)
    craft.door("CF", travel=1.0, hold_open=True, selector="neutral")
    t.until(90.0)
    craft.say("airframe/passengers_aboard", 0)
    t.until(140.0)
    craft.door("CF", hold_open=False, selector="close", travel=0.5)
    t.until(146.0)
    craft.door("CF", travel=0.0, closed=True, latched=True, lock_flags=True, locked=True, handle_lifted=False)
    craft.door("CF", selector="neutral", access="none")
    t.until(160.0)
    craft.close_inside("L1")
    t.until(170.0)
    craft.door("L1", access="none")
    t.until(200.0)


def access_withdrawn(t: Telling) -> None:
    """Stairs leave an open doorway.

    L2 stands open with stairs docked. At 10:00:20 they are driven off: access-withdrawn at once,
    and unguarded-drop, due 5 s later, is silenced by it: one warning of one drop. At 10:00:40 a
    barrier goes up: the warning clears and waits for its acknowledgement. At 10:01:00 the barrier
    is taken away again: now it is an unguarded drop, 5 s later (29 CFR 1910.28(b)(1)(i): the sill
    is at 3.4 m), until stairs dock at 10:01:20. R1 (10:01:30) is opened with nothing there and
    closed within 5 s: nothing. A bridge that leaves R2, which is closed, is nothing either.
    """
    craft = t.craft(
        "ZZ-ALD",
        doors={
            "L2": {
                "closed": False,
                "latched": False,
                "locked": False,
                "handle_lifted": True,
                "travel": 1.0,
                "hold_open": True,
                "access": "stairs",
            },
            "R2": {"access": "bridge"},
        },
    )
    t.until(20.0)
    craft.door("L2", access="none")
    t.until(30.0)
    craft.door("R2", access="none")
    t.until(40.0)
    craft.door("L2", barrier=True)
    t.until(60.0)
    craft.door("L2", barrier=False)
    t.until(80.0)
    craft.door("L2", access="stairs")
    t.until(90.0)
    craft.door("R1", handle_lifted=True, locked=False, latched=False, closed=False, travel=0.2)
    t.until(94.0)
    craft.door("R1", travel=0.0, closed=True, latched=True, locked=True, handle_lifted=False)
    t.until(110.0)


def engine_running(t: Telling) -> None:
    """Engines are started and stopped with doors open.

    L1 (left) and the forward hold CF (right) stand open with equipment docked, and so does
    hatch H1 on the centre line. 10:00:20 engine 2, on the right: a caution at L1, whose side it is
    not; warnings at CF and at H1, which takes either engine as its own. 10:00:30 engine 1 too: L1
    rises to a warning. 10:00:40 engine 1 stops: L1 falls back to a caution at once. 10:00:50
    engine 2 stops: L1's caution is over by itself, the warnings of CF and H1 wait for their
    acknowledgement. Nothing is told of the window WL, which is open too.
    """
    held = {"closed": False, "latched": False, "locked": False, "handle_lifted": True, "travel": 1.0}
    craft = t.craft(
        "ZZ-ALD",
        doors={
            "L1": {**held, "hold_open": True, "access": "bridge"},
            "CF": {**held, "hold_open": True, "lock_flags": False, "access": "loader"},
            "H1": {"closed": False, "latched": False, "locked": False, "handle_lifted": True},
            "WL": held,
        },
    )
    t.until(20.0)
    craft.say("airframe/engine_2_running", True)
    t.until(30.0)
    craft.say("airframe/engine_1_running", True)
    t.until(40.0)
    craft.say("airframe/engine_1_running", False)
    t.until(50.0)
    craft.say("airframe/engine_2_running", False)
    t.until(60.0)


def residual_pressure(t: Telling) -> None:
    """Doors are worked while pressure is left in the cabin, and it vents.

    All slides are engaged. 10:00:10, 4.4 hPa: R1's slide is disengaged; 3 s later, 10:00:13, that
    alone tells that somebody means to open it (NTSB A-01-16 to -22). 10:00:20, 3.9 hPa: L1's slide
    is disengaged and its handle lifted a second later: at once, at 10:00:21. The pressure falls
    through the limit of 2.5 hPa at 10:00:35 and both warnings stay: the dead-band is 0.5. At
    10:00:45 it reads 2.0: both clear and wait for their acknowledgement. At 10:00:55 L2 is
    disengaged and unlocked at 1.2 hPa: nothing. At 10:01:10 it reads 2.6 again, with all doors
    shut and no engine running: the pressure is rising, until the 1.2 of 10:01:05 is 10 s old;
    L1's warning is raised again and L2's for the first time, each by its moved handle; R1's 3 s
    later, by its slide alone.
    """
    craft = t.craft("ZZ-ALD", engaged=True, pressure=5.0)
    t.until(9.9)
    craft.pressure = 4.4
    t.until(10.0)
    craft.together({f"door/R1/{signal}": value for signal, value in SLIDE_OFF.items()})
    for at, pressure in ((14.9, 4.1), (19.9, 3.9), (24.9, 3.2), (29.9, 2.7), (34.9, 2.4), (39.9, 2.2), (44.9, 2.0)):
        t.until(at)
        craft.pressure = pressure
        if at == 19.9:
            t.until(20.0)
            craft.together({f"door/L1/{signal}": value for signal, value in SLIDE_OFF.items()})
            t.until(21.0)
            craft.door("L1", handle_lifted=True, locked=False)
    t.until(49.9)
    craft.pressure = 1.2
    t.until(55.0)
    craft.together({f"door/L2/{signal}": value for signal, value in SLIDE_OFF.items()})
    craft.door("L2", handle_lifted=True, locked=False)
    t.until(69.9)
    craft.pressure = 2.6
    t.until(80.0)


def pressure_rising(t: Telling) -> None:
    """An external air cart goes on feeding a closed cabin.

    ZZ-ALD and ZZ-BET stand with all doors shut; ZZ-BET has an engine running. From 10:00:15 both
    cabins fill: 0.1, 0.3, 0.5, 1.2 hPa, 5 s apart. On ZZ-ALD that is told at 10:00:25: 1.2 hPa is
    above 1 and at least 0.5 above the lowest of the last 10 s (DCA05MA071). On ZZ-BET an engine
    explains it. Then it stays at 1.2; the caution is over, by itself, when nothing of the last
    10 s is lower by 0.5: the 0.5 of 10:00:20 leaves that window at 10:00:30.
    """
    alder = t.craft("ZZ-ALD")
    other = t.craft("ZZ-BET", stand="S13")
    t.until(6.0)
    other.say("airframe/engine_1_running", True)
    for at, pressure in ((14.9, 0.3), (19.9, 0.5), (24.9, 1.2)):
        t.until(at)
        alder.pressure = other.pressure = pressure
    t.until(60.0)


STORIES = {
    "quiet-turnaround": quiet_turnaround,
    "access-withdrawn": access_withdrawn,
    "engine-running": engine_running,
    "residual-pressure": residual_pressure,
    "pressure-rising": pressure_rising,
}
