"""How often somebody may try."""

from __future__ import annotations

import pytest

from monitor.adapters.access.lockout import BY_ADDRESS, BY_NAME, Lockout, widen_address


@pytest.fixture
def lockout() -> Lockout:
    return Lockout()


def test_a_name_has_five_attempts_a_minute_from_wherever(lockout: Lockout) -> None:
    assert [lockout.try_once("ann", f"192.0.2.{n}") for n in range(5)] == [0] * 5
    assert 1 <= lockout.try_once("ann", "198.51.100.1") <= 60
    assert lockout.try_once("bob", "198.51.100.1") == 0


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
    lockout.forgive("ann")
    assert lockout.try_once("ann", "192.0.2.7") == 0


def test_the_limits_are_those_that_are_promised() -> None:
    assert [(each.amount, each.get_expiry()) for each in (*BY_NAME, *BY_ADDRESS)] == [(5, 60), (20, 3600), (30, 60)]


def test_the_audit_is_told_once_of_a_lock_out_and_never_flooded(lockout: Lockout) -> None:
    for _ in range(6):
        lockout.try_once("ann", "192.0.2.7")
    assert [lockout.is_first_refusal("ann", "192.0.2.7") for _ in range(3)] == [True, False, False]
    assert sum(lockout.may_tell() for _ in range(200)) <= 60


def test_an_ipv6_customer_has_one_network() -> None:
    assert widen_address("2001:db8:1:2:3:4:5:6") == widen_address("2001:db8:1:2::9") == "2001:db8:1:2::/64"
    assert widen_address("2001:db8:1:3::9") != "2001:db8:1:2::/64"
    assert widen_address("::ffff:192.0.2.7") == widen_address("192.0.2.7") == "192.0.2.7"
    assert widen_address("fe80::1%eth0") == "fe80::/64"
    assert widen_address("") == ""
