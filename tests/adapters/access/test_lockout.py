"""How often somebody may try."""

from __future__ import annotations

import pytest
from limits.storage import memory

from monitor.adapters.access import lockout as counting
from monitor.adapters.access.lockout import (
    BY_ADDRESS,
    BY_NAME,
    BY_NAME_ANYWHERE,
    PLACES_MAX,
    SWEEP_EVERY,
    TOLD,
    Lockout,
    widen_address,
)

HOUR_S = 3600.0


class Clock:
    """The machine's clock, as the limiter sees it."""

    def __init__(self) -> None:
        self.now = 1_000_000.0

    def time(self) -> float:
        return self.now


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock()
    for module in (memory, counting):
        monkeypatch.setattr(module, "time", clock)
    return clock


@pytest.fixture
def lockout() -> Lockout:
    return Lockout()


def test_a_name_has_five_attempts_a_minute_from_one_place(lockout: Lockout) -> None:
    assert [lockout.try_once("ann", "192.0.2.7") for n in range(5)] == [0] * 5
    assert 1 <= lockout.try_once("ann", "192.0.2.7") <= 60
    assert lockout.try_once("bob", "192.0.2.7") == 0


def test_nobody_locks_a_name_out_elsewhere_from_one_place(clock: Clock, lockout: Lockout) -> None:
    for _ in range(100):
        lockout.try_once("ann", "198.51.100.1")
        clock.now += 30
    assert lockout.try_once("ann", "198.51.100.1") > 0
    assert lockout.try_once("ann", "192.0.2.7") == 0


def test_many_places_together_are_slowed_down_too(lockout: Lockout) -> None:
    assert [lockout.try_once("ann", f"192.0.2.{n}") for n in range(20)] == [0] * 20
    assert 1 <= lockout.try_once("ann", "198.51.100.1") <= 60


def test_where_a_person_has_signed_in_nobody_else_locks_them_out(lockout: Lockout) -> None:
    lockout.try_once("ann", "198.51.100.1")
    lockout.forgive("ann", "198.51.100.1")
    for n in range(21):
        lockout.try_once("ann", f"192.0.2.{n}")
    assert lockout.try_once("ann", "192.0.2.99") > 0
    assert [lockout.try_once("ann", "198.51.100.1") for _ in range(5)] == [0] * 5
    assert lockout.try_once("ann", "198.51.100.1") > 0


def test_only_so_many_places_are_known(lockout: Lockout) -> None:
    for n in range(PLACES_MAX + 1):
        lockout.forgive(f"name{n}", "192.0.2.7")
    for n in range(21):
        for name in ("name0", "name1"):
            lockout.try_once(name, f"192.0.2.{n + 10}")
    assert lockout.try_once("name0", "192.0.2.7") > 0
    assert lockout.try_once("name1", "192.0.2.7") == 0


def test_an_address_has_thirty_whatever_the_name(lockout: Lockout) -> None:
    assert [lockout.try_once(f"name{n}", "192.0.2.7") for n in range(30)] == [0] * 30
    assert 1 <= lockout.try_once("new", "192.0.2.7") <= 60
    assert lockout.try_once("new", "192.0.2.8") == 0


def test_whoever_is_refused_uses_nobodys_attempts(lockout: Lockout) -> None:
    for n in range(40):
        lockout.try_once("ann", f"192.0.2.{n}")
    assert lockout.try_once("bob", "192.0.2.39") == 0


def test_a_success_is_a_fresh_start_for_the_name(lockout: Lockout) -> None:
    for _ in range(5):
        lockout.try_once("ann", "192.0.2.7")
    lockout.forgive("ann", "192.0.2.7")
    assert lockout.try_once("ann", "192.0.2.7") == 0


def test_the_limits_are_those_that_are_promised() -> None:
    limits = (*BY_NAME, *BY_NAME_ANYWHERE, *BY_ADDRESS, *TOLD)
    assert [(each.amount, each.get_expiry()) for each in limits] == [
        (5, 60), (20, 3600), (20, 60), (100, 3600), (30, 60), (60, 60), (600, 3600),
    ]  # fmt: skip


def test_a_clock_that_is_set_back_locks_nobody_out_until_then(clock: Clock, lockout: Lockout) -> None:
    for _ in range(5):
        lockout.try_once("ann", "192.0.2.7")
    clock.now -= 0.5
    assert lockout.try_once("ann", "192.0.2.7") == 61
    clock.now -= 24 * HOUR_S
    assert lockout.try_once("ann", "192.0.2.7") == 0


def test_names_that_were_tried_once_are_not_kept_for_ever(clock: Clock, lockout: Lockout) -> None:
    storage = lockout._storage
    for n in range(2 * SWEEP_EVERY):
        lockout.try_once(f"name{n}", f"2001:db8:1:{n:x}::1")
    assert len(storage.events) > 2 * SWEEP_EVERY
    clock.now += 2 * HOUR_S
    storage._MemoryStorage__expire_events()  # type: ignore[attr-defined]  # what its own thread does
    for _ in range(SWEEP_EVERY):
        lockout.try_once("ann", "192.0.2.7")
    assert len(storage.events) < 20


def test_the_audit_is_told_once_of_a_lock_out_and_never_flooded(clock: Clock, lockout: Lockout) -> None:
    for _ in range(6):
        lockout.try_once("ann", "192.0.2.7")
    assert [lockout.is_first_refusal("ann", "192.0.2.7") for _ in range(3)] == [True, False, False]
    assert sum(lockout.may_tell() for _ in range(200)) <= 60
    told = 0
    for _ in range(30):
        clock.now += 61
        told += sum(lockout.may_tell() for _ in range(100))
    assert told <= 600


def test_an_ipv6_customer_has_one_network() -> None:
    assert widen_address("2001:db8:1:2:3:4:5:6") == widen_address("2001:db8:1:2::9") == "2001:db8:1:2::/64"
    assert widen_address("2001:db8:1:3::9") != "2001:db8:1:2::/64"
    assert widen_address("::ffff:192.0.2.7") == widen_address("192.0.2.7") == "192.0.2.7"
    assert widen_address("fe80::1%eth0") == "fe80::/64"
    assert widen_address("") == ""
