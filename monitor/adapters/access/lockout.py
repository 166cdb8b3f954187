"""How often somebody may try: by name, by address, and how many failures the audit tells of.

Owns the limits. Attempts are counted before a password is looked at, so that many at once
get no further than many in turn. A lock-out says nothing of whether a name exists, and
ends no session. From one place nobody can lock a name out elsewhere, nor from anywhere at
a place where its person has signed in.
"""

from __future__ import annotations

import hashlib
import ipaddress
import math
import time
from collections import OrderedDict
from collections.abc import Sequence
from typing import Final, NamedTuple

from limits import RateLimitItem, RateLimitItemPerHour, RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter

BY_NAME: Final = (RateLimitItemPerMinute(5), RateLimitItemPerHour(20))
"""For one name from one place."""

BY_NAME_ANYWHERE: Final = (RateLimitItemPerMinute(20), RateLimitItemPerHour(100))
"""For one name from all places together, but for those where its person has signed in."""

BY_ADDRESS: Final = (RateLimitItemPerMinute(30),)
TOLD: Final = (RateLimitItemPerMinute(60), RateLimitItemPerHour(600))

PLACES_MAX: Final = 1000
"""The most places that are known, of all names together; the one not seen for longest is forgotten."""

SWEEP_EVERY: Final = 256
"""After how many attempts the counters are forgotten that have run out."""


class _Counted(NamedTuple):
    """Whose attempts, as the limiter calls them, and by which limits."""

    who: tuple[str, ...]
    limits: Sequence[RateLimitItem]


class Lockout:
    """Counts attempts in memory; a restart forgets them."""

    def __init__(self) -> None:
        self._storage = MemoryStorage()
        self._limiter = MovingWindowRateLimiter(self._storage)
        self._known: OrderedDict[tuple[str, str], None] = OrderedDict()
        self._tries = 0

    def try_once(self, key: str, address: str) -> int:
        """Count an attempt; return 0 where it may go on, else the seconds to wait."""
        self._sweep()
        counted = self._list_counted(key, address)
        for each in counted:
            if not self._allows(each):
                return self._wait(each)
        for each in counted:
            for limit in each.limits:
                self._limiter.hit(limit, *each.who)
        return 0

    def is_first_refusal(self, key: str, address: str) -> bool:
        """Tell whether a lock-out has only just begun, of the name or of the address."""
        who = next((each.who for each in self._list_counted(key, address) if not self._allows(each)), ())
        return self._limiter.hit(RateLimitItemPerMinute(1), "first", *who) and self.may_tell()

    def may_tell(self) -> bool:
        """Tell whether the audit is told of one more failure: it must not be filled from outside."""
        if not all(self._limiter.test(limit, "told") for limit in TOLD):
            return False
        for limit in TOLD:
            self._limiter.hit(limit, "told")
        return True

    def forgive(self, key: str, address: str) -> None:
        """Forget a name's attempts: one has succeeded, and its place is one of the person's."""
        name, place = _digest(key), widen_address(address)
        self._known[name, place] = None
        self._known.move_to_end((name, place))
        if len(self._known) > PLACES_MAX:
            self._known.popitem(last=False)
        self._clear(_Counted(("name", name, place), BY_NAME))
        self._clear(_Counted(("name", name), BY_NAME_ANYWHERE))

    def _list_counted(self, key: str, address: str) -> list[_Counted]:
        name, place = _digest(key), widen_address(address)
        counted = [_Counted(("address", place), BY_ADDRESS), _Counted(("name", name, place), BY_NAME)]
        if (name, place) not in self._known:
            counted.append(_Counted(("name", name), BY_NAME_ANYWHERE))
        return counted

    def _allows(self, counted: _Counted) -> bool:
        if all(self._limiter.test(limit, *counted.who) for limit in counted.limits):
            return True
        if self._wait(counted) > max(limit.get_expiry() for limit in counted.limits) + 1:
            # The machine's clock was set back: attempts of the future would lock out until then.
            self._clear(counted)
            return True
        return False

    def _wait(self, counted: _Counted) -> int:
        stats = [self._limiter.get_window_stats(limit, *counted.who) for limit in counted.limits]
        ends = [each.reset_time for each in stats if each.remaining == 0]
        return max(1, math.ceil(max(ends, default=0.0) - time.time()))

    def _clear(self, counted: _Counted) -> None:
        for limit in counted.limits:
            self._limiter.clear(limit, *counted.who)

    def _sweep(self) -> None:
        """Let go of counters that ran out: the library empties them and keeps their names for ever."""
        self._tries += 1
        if self._tries % SWEEP_EVERY == 0:
            for counter in [counter for counter, held in list(self._storage.events.items()) if not held]:
                self._storage.clear(counter)


def _digest(key: str) -> str:
    # Whatever was typed as a name, the counter's own name is short and plain.
    return hashlib.sha256(key.encode("utf-8", "replace")).hexdigest()


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
