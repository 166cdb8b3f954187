"""How often somebody may try: by name, by address, and how many failures the audit tells of.

Owns the limits. Attempts are counted before a password is looked at, so that many at once
get no further than many in turn. A lock-out says nothing of whether a name exists, and
ends no session.
"""

from __future__ import annotations

import hashlib
import ipaddress
import math
import time
from typing import Final

from limits import RateLimitItem, RateLimitItemPerHour, RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter

BY_NAME: Final = (RateLimitItemPerMinute(5), RateLimitItemPerHour(20))
BY_ADDRESS: Final = (RateLimitItemPerMinute(30),)
TOLD: Final = RateLimitItemPerMinute(60)


class Lockout:
    """Counts attempts in memory; a restart forgets them."""

    def __init__(self) -> None:
        self._limiter = MovingWindowRateLimiter(MemoryStorage())

    def try_once(self, key: str, address: str) -> int:
        """Count an attempt; return 0 where it may go on, else the seconds to wait."""
        place, name = _place(address), _name(key)
        if not self._allows(BY_ADDRESS, place):
            return self._wait(BY_ADDRESS, place)
        if not self._allows(BY_NAME, name):
            return self._wait(BY_NAME, name)
        for limits, who in ((BY_ADDRESS, place), (BY_NAME, name)):
            for limit in limits:
                self._limiter.hit(limit, *who)
        return 0

    def is_first_refusal(self, key: str, address: str) -> bool:
        """Tell whether a lock-out has only just begun, of the name or of the address."""
        place = _place(address)
        who = _name(key) if self._allows(BY_ADDRESS, place) else place
        return self._limiter.hit(RateLimitItemPerMinute(1), "first", *who) and self.may_tell()

    def may_tell(self) -> bool:
        """Tell whether the audit is told of one more failure: it must not be filled from outside."""
        return self._limiter.hit(TOLD, "told")

    def forgive(self, key: str) -> None:
        """Forget a name's attempts: one has succeeded."""
        for limit in BY_NAME:
            self._limiter.clear(limit, *_name(key))

    def _allows(self, limits: tuple[RateLimitItem, ...], who: tuple[str, str]) -> bool:
        return all(self._limiter.test(limit, *who) for limit in limits)

    def _wait(self, limits: tuple[RateLimitItem, ...], who: tuple[str, str]) -> int:
        stats = [self._limiter.get_window_stats(limit, *who) for limit in limits]
        ends = [each.reset_time for each in stats if each.remaining == 0]
        return max(1, math.ceil(max(ends, default=0.0) - time.time()))


def _name(key: str) -> tuple[str, str]:
    # Whatever was typed as a name, the counter's own name is short and plain.
    return "name", hashlib.sha256(key.encode("utf-8", "replace")).hexdigest()


def _place(address: str) -> tuple[str, str]:
    return "address", widen_address(address)


def widen_address(address: str) -> str:
    """Return what one customer is given: an IPv4 address, or the 64 bits of an IPv6 network."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped is not None:
            return str(found.ipv4_mapped)
        return str(ipaddress.ip_network((found, 64), strict=False))
    return str(found)
