"""Whether the alarms themselves are healthy: how many, how fast, and which are a nuisance.

Owns the figures of alarm health, per role and overall, for a period that is over and, as a
rolling window, for the present. It counts annunciations: the moments at which an alert
asked for somebody's attention, which are ``raised`` and ``reraised``. An alert that only
rises to a higher priority is the same one still standing and is not counted again. What a
drill raised is left out, and so is what was told late, since that neither sounds nor pages;
if it still holds after the backlog it is reraised and counted then.

A window of a length holds the moments after its beginning up to and including its end, so
that what is exactly its length old has just left it.

The figures are those of IEC 62682, ANSI/ISA-18.2-2016 clause 16 and EEMUA 191, taken from
secondary sources; the standards themselves were not read. Never judges an alert.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from monitor.core.annunciation import Annunciation as Annunciation
from monitor.core.annunciation import Place as Place
from monitor.core.annunciation import make_annunciation as make_annunciation
from monitor.core.annunciation import read_annunciation as read_annunciation
from monitor.core.effects import Document
from monitor.core.rules import CATALOGUE
from monitor.core.times import HOUR, MINUTE, SECOND, format_time, parse_time

DAY: Final = 24 * HOUR
ALL: Final = "all"
"""What the figures of all roles together stand under."""
ROLES: Final = tuple(sorted({rule.role for rule in CATALOGUE}))
"""Everyone whom an alert can be for."""

WINDOW: Final = 10 * MINUTE
FLOOD_ABOVE: Final = 10
"""A flood begins when more than this many come in 10 minutes."""
FLOOD_BELOW: Final = 5
"""It ends when fewer than this many came in the last 10 minutes."""
FLOOD_RATIO_TARGET: Final = 0.01
STANDARD_PERIOD: Final = 30 * DAY
STALE_AFTER: Final = DAY
STALE_TARGET: Final = 5
"""Fewer than this many should have stood for longer than 24 h on any day."""
WORST: Final = 10
WORST_SHARE_TARGET: Final = 0.05
CHATTER_COUNT: Final = 3
CHATTER_WINDOW: Final = 60 * SECOND
LEAD_IN: Final = HOUR
"""How much before a period is read with it, so that a flood that began earlier is known in it."""

LISTED_MAX: Final = 100
"""The most floods, chattering or stale alerts that are listed; their numbers are always whole."""

BANDS: Final = ("acceptable", "manageable", "above")
BAND_LIMITS: Final[Mapping[str, tuple[int, int, int]]] = {
    "per_10_minutes": (WINDOW, 1, 2),
    "per_hour": (HOUR, 6, 12),
    "per_day": (DAY, 150, 300),
}
"""How a rate is put → its span (µs), and the most that is acceptable and manageable for one operator."""

PRIORITY_TARGETS: Final[Mapping[str, float]] = {"warning": 0.05, "caution": 0.15, "advisory": 0.80}
"""The shares of high, medium and low priority that are aimed at."""

SOURCES: Final = (
    "IEC 62682 and ANSI/ISA-18.2-2016 clause 16, as reported by secondary sources",
    "EEMUA 191 (2009 edition: about 150 a day acceptable, about 300 manageable), as reported by secondary sources",
    "Chattering as three in 60 s is a convention",
)

_SET_ASIDE: Final = frozenset({"shelved", "suppressed", "out_of_service"})


class NothingRecordedError(Exception):
    """Nothing is on record of a period; the message is a sentence for a person."""


class FloodWatch:
    """Whether one stream of annunciations is a flood now; remembers no more than its newest eleven.

    Times must not run backwards; one that does counts as the last one.
    """

    def __init__(self) -> None:
        self._newest: deque[int] = deque(maxlen=FLOOD_ABOVE + 1)
        self._since: int | None = None

    def take(self, at: int) -> tuple[int, int] | None:
        """Count an annunciation at ``at`` (µs); returns the flood that had ended before it, if one had."""
        newest = self._newest
        if newest:
            at = max(at, newest[-1])
        over = None
        if self._since is not None and (end := self._ends_at()) < at:
            over, self._since = (self._since, end), None
        newest.append(at)
        if self._since is None and len(newest) > FLOOD_ABOVE and newest[0] > at - WINDOW:
            self._since = at
        return over

    def since(self, now: int) -> int | None:
        """When the flood that stands at ``now`` began; ``None`` while there is none."""
        return self._since if self._since is not None and self._ends_at() > now else None

    def standing(self) -> tuple[int, int] | None:
        """The last flood's beginning and the end that it has if nothing more comes, unless told by `take`."""
        return None if self._since is None else (self._since, self._ends_at())

    def _ends_at(self) -> int:
        # The moment at which the fifth newest leaves the window.
        return self._newest[-FLOOD_BELOW] + WINDOW


class LiveRates:
    """The rolling windows of the present, one a role and one for all; bounded by the number of roles."""

    def __init__(self, roles: Iterable[str]) -> None:
        self._watches = {role: FloodWatch() for role in (ALL, *roles)}

    def take(self, told: Annunciation) -> None:
        """Count one, unless it is left out of alarm health."""
        if told.drill or told.late:
            return
        self._watches[ALL].take(told.time)
        if told.role in self._watches:
            self._watches[told.role].take(told.time)

    def floods(self, now: int) -> dict[str, int | None]:
        """Each role, and all of them, with when its flood began (µs); ``None`` where there is none."""
        return {role: watch.since(now) for role, watch in self._watches.items()}


@dataclass(slots=True)
class _Chatter:
    """How often one alarm came within the chattering window."""

    recent: deque[int] = field(default_factory=deque)
    episodes: int = 0
    most: int = 0
    first: int = 0
    last: int = 0

    def take(self, at: int, *, count: int, window: int) -> None:
        recent = self.recent
        while recent and recent[0] <= at - window:
            recent.popleft()
        recent.append(at)
        if len(recent) < count:
            return
        if not self.episodes or self.last <= at - window:
            self.episodes += 1
        if not self.most:
            self.first = recent[0]
        self.most, self.last = max(self.most, len(recent)), at


class _Tally:
    """One role's figures as a period's annunciations pass by, oldest first."""

    def __init__(self, since: int, until: int, *, chatter_count: int, chatter_window: int) -> None:
        self._since, self._until = since, until
        self._chatter_count, self._chatter_window = chatter_count, chatter_window
        self._recent: deque[int] = deque()
        self._watch = FloodWatch()
        self._floods: list[tuple[int, int]] = []
        self.number = self.peak = self.peak_at = 0
        self.priorities: Counter[str] = Counter()
        self.places: Counter[Place] = Counter()
        self.simulated: Counter[str] = Counter()
        self._chatters: dict[Place, _Chatter] = {}

    def take(self, told: Annunciation) -> None:
        at, recent = told.time, self._recent
        if (over := self._watch.take(at)) is not None:
            self._floods.append(over)
        if at < self._since:
            return
        while recent and recent[0] <= at - WINDOW:
            recent.popleft()
        recent.append(at)
        self.number += 1
        if len(recent) > self.peak:
            self.peak, self.peak_at = len(recent), at
        self.priorities[told.priority] += 1
        place = (told.aircraft, told.door, told.code)
        self.places[place] += 1
        if told.simulated:
            self.simulated[told.aircraft] += 1
        chatter = self._chatters.get(place)
        if chatter is None:
            chatter = self._chatters[place] = _Chatter()
        chatter.take(at, count=self._chatter_count, window=self._chatter_window)

    def floods(self) -> list[tuple[int, int | None]]:
        """Every flood that touches the period; its end is ``None`` where it stands at the period's end."""
        standing = self._watch.standing()
        every = self._floods if standing is None else [*self._floods, standing]
        return [(begun, end if end <= self._until else None) for begun, end in every if end > self._since]

    def describe(self) -> Document:
        length = self._until - self._since
        floods = self.floods()
        in_flood = sum((end or self._until) - max(begun, self._since) for begun, end in floods)
        bands = {name: band_of(self.number, length, name) for name in BAND_LIMITS}
        chattering = [(place, chatter) for place, chatter in self._chatters.items() if chatter.episodes]
        chattering.sort(key=lambda found: (-found[1].episodes, -self.places[found[0]], found[0]))
        by_code: Counter[str] = Counter()
        for (_, _, code), number in self.places.items():
            by_code[code] += number
        return {
            "raised": self.number,
            "simulated": self.simulated.total(),
            "per_10_minutes": {
                "mean": round(self.number * WINDOW / length, 4),
                "peak": self.peak,
                "peak_at": format_time(self.peak_at) if self.peak else None,
            },
            "per_hour": round(self.number * HOUR / length, 4),
            "per_day": round(self.number * DAY / length, 4),
            "bands": bands,
            "band": max(bands.values(), key=BANDS.index),
            "floods": {
                "number": len(floods),
                "time_s": in_flood / SECOND,
                "time_ratio": round(in_flood / length, 6),
                "meets_target": in_flood / length < FLOOD_RATIO_TARGET,
                "newest": [_describe_flood(*flood) for flood in reversed(floods[-LISTED_MAX:])],
            },
            "chattering": {
                "number": len(chattering),
                "meets_target": not chattering,
                "worst": [_describe_chatter(*found, self) for found in chattering[:LISTED_MAX]],
            },
            "priorities": {
                word: {"raised": self.priorities[word], "share": _share(self.priorities[word], self.number)}
                for word in PRIORITY_TARGETS
            },
            "worst_ten": self._describe_worst(),
            "by_code": dict(sorted(by_code.items(), key=lambda item: (-item[1], item[0]))),
        }

    def _describe_worst(self) -> Document:
        worst = sorted(self.places.items(), key=lambda item: (-item[1], item[0]))[:WORST]
        together = sum(number for _, number in worst)
        share = _share(together, self.number)
        return {
            "share": share,
            "meets_target": together / self.number <= WORST_SHARE_TARGET if self.number else None,
            "alarms": [
                {**_describe_place(place, self), "raised": number, "share": _share(number, self.number)}
                for place, number in worst
            ],
        }


def band_of(number: int, length: int, name: str) -> str:
    """Name the band of ``number`` annunciations in ``length`` (µs); a rate on a limit is still within it."""
    span, acceptable, manageable = BAND_LIMITS[name]
    if number * span <= acceptable * length:
        return BANDS[0]
    return BANDS[1] if number * span <= manageable * length else BANDS[2]


def measure(
    told: Iterable[Annunciation],
    *,
    since: int,
    until: int,
    roles: Sequence[str],
    chatter_count: int = CHATTER_COUNT,
    chatter_window: int = CHATTER_WINDOW,
) -> Document:
    """Work out a period's figures, from ``since`` up to but not including ``until`` (µs).

    ``told`` comes oldest first; what is before ``since`` only tells whether a flood stood
    already. Raises ``ValueError`` for a period that has no length.
    """
    if since >= until:
        raise ValueError("the period has no length; since must be before until")
    tallies = {
        role: _Tally(since, until, chatter_count=chatter_count, chatter_window=chatter_window) for role in (ALL, *roles)
    }
    left_out = Counter({"drill": 0, "late": 0})
    for each in _within(told, until):
        if each.drill or each.late:
            if each.time >= since:
                left_out["drill" if each.drill else "late"] += 1
            continue
        tallies[ALL].take(each)
        if each.role in tallies:
            tallies[each.role].take(each)
    described = {role: tally.describe() for role, tally in tallies.items()}
    overall = described.pop(ALL)
    # The bands are for one operator; all roles together are several people.
    del overall["bands"], overall["band"]
    return {
        "since": format_time(since),
        "until": format_time(until),
        "length_s": (until - since) / SECOND,
        "shorter_than_30_days": until - since < STANDARD_PERIOD,
        "overall": overall,
        "roles": described,
        "left_out": dict(left_out),
        "chattering_is": {"times": chatter_count, "within_s": chatter_window / SECOND},
        "bands": {
            name: {"acceptable": acceptable, "manageable": manageable}
            for name, (_, acceptable, manageable) in BAND_LIMITS.items()
        },
        "targets": {
            "flood_time_ratio_below": FLOOD_RATIO_TARGET,
            "chattering": 0,
            "stale_below": STALE_TARGET,
            "worst_ten_share_at_most": WORST_SHARE_TARGET,
            "priority_shares": dict(PRIORITY_TARGETS),
        },
        "sources": list(SOURCES),
    }


def _within(told: Iterable[Annunciation], until: int) -> Iterator[Annunciation]:
    return (each for each in told if each.time < until)


def list_stale(alerts: Iterable[Document], now: int) -> Document:
    """List what has stood for more than 24 h at ``now`` (µs), longest first, by the alerts' documents.

    What somebody set aside, or a drill raised, is not counted.
    """
    stale = [
        alert
        for alert in alerts
        if now - parse_time(alert["raised_at"]) > STALE_AFTER
        and alert["state"] not in _SET_ASIDE
        and not alert.get("drill")
    ]
    stale.sort(key=lambda alert: (parse_time(alert["raised_at"]), alert["alert_id"]))
    shown = ("alert_id", "aircraft", "door", "code", "role", "priority", "state", "raised_at")
    by_role = Counter(str(alert.get("role", "")) for alert in stale)
    return {
        "number": len(stale),
        "meets_target": len(stale) < STALE_TARGET,
        "by_role": dict(sorted(by_role.items())),
        "alerts": [
            {key: alert.get(key) for key in shown} | _flag(bool(alert.get("simulated"))) for alert in stale[:LISTED_MAX]
        ],
    }


def _share(number: int, of: int) -> float | None:
    return round(number / of, 4) if of else None


def _describe_place(place: Place, tally: _Tally) -> Document:
    aircraft, door, code = place
    return {"aircraft": aircraft, "door": door, "code": code, **_flag(aircraft in tally.simulated)}


def _flag(simulated: bool) -> Document:
    return {"simulated": True} if simulated else {}


def _describe_flood(begun: int, end: int | None) -> Document:
    return {"began_at": format_time(begun), "ended_at": None if end is None else format_time(end)}


def _describe_chatter(place: Place, chatter: _Chatter, tally: _Tally) -> Document:
    return {
        **_describe_place(place, tally),
        "episodes": chatter.episodes,
        "most_in_window": chatter.most,
        "raised": tally.places[place],
        "first_at": format_time(chatter.first),
        "last_at": format_time(chatter.last),
    }
