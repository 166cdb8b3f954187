"""The pictures of a report: a door's line of time, its axis, and what the textures mean.

Owns the drawing, in black, greys and two dark tones that never tell anything alone: a state is
told by its texture and its word, a priority by its shape. Every texture is drawn line by line,
so that a page, its print and the PDF show the same. Pure: from values to SVG text.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import tzinfo
from html import escape
from typing import Any, Final

from monitor.core.times import HOUR, MINUTE, SECOND, parse_time
from monitor.debrief.periods import DAY, find_moment, local_time, say_clock
from monitor.debrief.words import STATES, word

WIDTH: Final = 1000
LEFT: Final = 92
RIGHT: Final = 8
BAND_TOP: Final = 16
BAND: Final = 13
LINE_TOP: Final = 36
LINE: Final = 18
INK: Final = "#111111"
QUIET: Final = "#4a4a4a"
TONES: Final[Mapping[str, str]] = {"warning": "#95101a", "caution": "#6f3d00", "advisory": "#222222"}
OUTLINES: Final[Mapping[str, str]] = {
    "warning": "M0-11.4L11.4 0 0 11.4-11.4 0Z",
    "caution": "M0-10.6L11.4 9.2H-11.4Z",
    "advisory": "M-10 0a10 10 0 1 0 20 0a10 10 0 1 0-20 0Z",
}
SIGNS: Final[Mapping[str, str]] = {
    "warning": "M-1.5-6.2h3l-.5 7.4h-2ZM-1.5 3.4h3v3h-3Z",
    "caution": "M-1.4-4.4h2.8l-.5 6.2h-1.8ZM-1.4 3.7h2.8v2.8h-2.8Z",
    "advisory": "M-1.4-6h2.8v2.8h-2.8ZM-1.4-1.8h2.8v7.6h-2.8Z",
}
STEPS: Final = (
    *(SECOND, 2 * SECOND, 5 * SECOND, 10 * SECOND, 15 * SECOND, 30 * SECOND),
    *(MINUTE, 2 * MINUTE, 5 * MINUTE, 10 * MINUTE, 15 * MINUTE, 30 * MINUTE),
    *(HOUR, 2 * HOUR, 3 * HOUR, 6 * HOUR, 12 * HOUR, DAY, 2 * DAY, 7 * DAY, 14 * DAY, 31 * DAY),
)
TICKS_MAX: Final = 9
FONT: Final = "DejaVu Sans, Verdana, sans-serif"
LETTER: Final = 6.9
"""The width of a letter at the size that words are written in."""


class Drawn(str):
    """A picture's text, which a template puts in as it is: every word in it was escaped where it was put in."""

    __slots__ = ()

    def __html__(self) -> str:
        return self


class Scale:
    """A period on the width of a picture."""

    def __init__(self, since: int, until: int) -> None:
        self.since, self.until = since, max(until, since + 1)

    def x(self, at: int) -> float:
        share = (min(max(at, self.since), self.until) - self.since) / (self.until - self.since)
        return LEFT + share * (WIDTH - LEFT - RIGHT)


def list_ticks(since: int, until: int, zone: tzinfo) -> list[int]:
    """Return where the axis has its ticks (µs): round moments of the local clock, also where it was changed meanwhile."""
    step = next((step for step in STEPS if (until - since) / step <= TICKS_MAX), STEPS[-1])
    offset = local_time(since, zone).utcoffset()
    shift = 0 if offset is None else round(offset.total_seconds()) * SECOND
    first = -(-(since + shift) // step) * step
    if step <= HOUR:  # no clock is changed by less
        return list(range(first - shift, until + 1, step))
    # One round moment more: where the clock was put on meanwhile, the last one comes sooner.
    ticks = (find_moment(shown, zone) for shown in range(first, until + shift + step + 1, step))
    return [at for at in ticks if since <= at <= until]


def draw_axis(since: int, until: int, zone: tzinfo) -> Drawn:
    """Draw the axis over the lines."""
    scale, ticks = Scale(since, until), list_ticks(since, until, zone)
    fine = any(at % MINUTE for at in ticks)
    parts: list[str] = []
    day = None
    for at in ticks:
        x, today = scale.x(at), local_time(at, zone).date()
        anchor = "middle" if LEFT + 30 < x < WIDTH - 34 else "start" if x <= LEFT + 30 else "end"
        parts.append(_text(x, 26, say_clock(at, zone, seconds=fine), anchor=anchor))
        if today != day:
            day = today
            parts.append(_text(x, 12, f"{today:%Y-%m-%d}", anchor=anchor, fill=QUIET))
        parts.append(f'<path d="M{x:.1f} 30v6" stroke="{INK}" stroke-width="1"/>')
    return _picture("".join(parts), 37, "")


def draw_lane(lane: Mapping[str, Any], since: int, until: int) -> Drawn:
    """Draw one door's line: its states, its alerts beneath, one line each where they would hide one another."""
    scale = Scale(since, until)
    rows = stack_marks(lane["alerts"], scale)
    lines = max((row for row, _ in rows), default=-1) + 1
    top = BAND_TOP if lane["states"] else 0
    first = LINE_TOP if lane["states"] else 10
    name = "whole" if lane["door"] == "-" else lane["door"]
    parts = [_text(4, top + 11 if top else first + 12, name, weight="bold", size=13)]
    parts += [_draw_bar(bar, scale) for bar in lane["states"]]
    parts += [_draw_mark(mark, first + row * LINE + 8, scale) for row, mark in rows]
    height = first + lines * LINE + (2 if lines else -2)
    return _picture("".join(parts), height, describe_lane(lane))


def describe_lane(lane: Mapping[str, Any]) -> str:
    """Say what a line shows; the tables beside it tell it whole."""
    states = [word(STATES, bar["state"]) for bar in lane["states"]]
    moved = f"{len(states)} stretches, last {states[-1]}" if states else "no states"
    return f"{lane['aircraft']} {lane['door']}: {moved}; {len(lane['alerts'])} alerts"


def stack_marks(alerts: Iterable[Mapping[str, Any]], scale: Scale) -> list[tuple[int, Mapping[str, Any]]]:
    """Give each alert the first line on which it, with its word, hides no other."""
    free: list[float] = []
    placed = []
    for mark in sorted(alerts, key=lambda mark: (parse_time(mark["from"]), mark["alert_id"])):
        begun = scale.x(parse_time(mark["from"])) - 10
        over = scale.x(scale.until if mark["to"] is None else parse_time(mark["to"]))
        width = 34 + LETTER * len(mark["code"])
        begun = min(begun, WIDTH - RIGHT - width)
        row = next((n for n, end in enumerate(free) if end <= begun), len(free))
        if row == len(free):
            free.append(0.0)
        free[row] = max(over, begun + width) + 6
        placed.append((row, mark))
    return placed


def _draw_bar(bar: Mapping[str, Any], scale: Scale) -> str:
    x, end = scale.x(parse_time(bar["from"])), scale.x(parse_time(bar["to"]))
    width = max(end - x, 0.6)
    said = word(STATES, bar["state"])
    drawn = draw_texture(str(bar["state"]), x, BAND_TOP, width)
    if parse_time(bar["from"]) > scale.since:
        drawn += f'<path d="M{x:.1f} {BAND_TOP - 12}v{BAND + 14}" stroke="{QUIET}" stroke-width="0.8"/>'
    if width > LETTER * len(said) + 6:
        drawn += _text(x + 3, BAND_TOP - 3, said)
    return drawn


def draw_texture(state: str, x: float, y: float, width: float) -> str:
    """Draw a state's texture: the heavier, the further from closed and locked; what is not known is hollow and torn."""
    if state == "closed_locked":
        return _solid(x, y + 5, width, 3)
    if state == "armed":
        return _solid(x, y + 4, width, 3) + _hatch(x, y + 8, width, 5)
    if state == "unlocked":
        return _solid(x, y + 2, width, 2) + _solid(x, y + 8, width, 2)
    if state == "armed_unlocked":
        return _solid(x, y, width, 2) + _solid(x, y + 4, width, 2) + _hatch(x, y + 8, width, 5)
    if state == "ajar":
        return _outline(x, y, width) + _hatch(x, y, width, BAND, gap=4, stroke=1.6)
    if state == "open":
        return _solid(x, y, width, BAND)
    if state == "slide_deployed":
        return _outline(x, y, width) + _hatch(x, y, width, BAND, gap=6) + _hatch(x, y, width, BAND, gap=6, back=True)
    if state == "not-running":
        return _hatch(x, y + 2, width, 9, gap=14, stroke=1.2, tone=QUIET) + _solid(x, y + 6, width, 0.8, QUIET)
    if state == "not-here":
        return ""
    if state == "not-recorded":
        return f'<path d="M{x:.1f} {y + 6.5}h{width:.1f}" stroke="{QUIET}" stroke-width="1" stroke-dasharray="2 4"/>'
    return _outline(x, y, width, dashed=True) + _tear(x, y, width)


def _solid(x: float, y: float, width: float, height: float, tone: str = INK) -> str:
    return f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:g}" fill="{tone}"/>'


def _outline(x: float, y: float, width: float, *, dashed: bool = False) -> str:
    dash = ' stroke-dasharray="4 3"' if dashed else ""
    return (
        f'<rect x="{x + 0.5:.1f}" y="{y + 0.5:.1f}" width="{max(width - 1, 0.2):.1f}" height="{BAND - 1}" fill="none"'
        f' stroke="{QUIET if dashed else INK}" stroke-width="1"{dash}/>'
    )


def _hatch(
    x: float,
    y: float,
    width: float,
    height: float,
    *,
    gap: float = 5,
    stroke: float = 1.0,
    tone: str = INK,
    back: bool = False,
) -> str:
    """Slanted lines inside a box, cut off at its edges; ``back`` leans them the other way."""
    steps: list[str] = []
    place = x - height + gap / 2
    while place < x + width:
        left, right = max(place, x), min(place + height, x + width)
        if left < right:
            low, high = y + height - (left - place), y + height - (right - place)
            if back:
                low, high = y + (left - place), y + (right - place)
            steps.append(f"M{left:.1f} {low:.1f}L{right:.1f} {high:.1f}")
        place += gap
    return f'<path d="{"".join(steps)}" fill="none" stroke="{tone}" stroke-width="{stroke:g}"/>' if steps else ""


def _tear(x: float, y: float, width: float) -> str:
    """A torn line: what is not known has no edge."""
    heights, place = (8, 3.5, 9, 4, 8.5), x + 2
    points: list[str] = []
    while place < x + width - 2:
        points.append(f"{place:.1f} {y + heights[len(points) % len(heights)]:.1f}")
        place += 4
    return f'<path d="M{"L".join(points)}" fill="none" stroke="{QUIET}" stroke-width="1"/>' if len(points) > 1 else ""


def _draw_mark(mark: Mapping[str, Any], y: float, scale: Scale) -> str:
    x = scale.x(parse_time(mark["from"]))
    over = scale.x(scale.until if mark["to"] is None else parse_time(mark["to"]))
    tone, priority = TONES[mark["priority"]], str(mark["priority"])
    dash = {"warning": "", "caution": ' stroke-dasharray="8 3"', "advisory": ' stroke-dasharray="2 3"'}[priority]
    line = f'<path d="M{x:.1f} {y:.1f}H{max(over, x + 0.5):.1f}" stroke="{tone}" stroke-width="3"{dash}/>'
    end = "" if mark["to"] is None else f'<path d="M{over:.1f} {y - 6:.1f}v12" stroke="{tone}" stroke-width="2"/>'
    size = LETTER * len(mark["code"]) + 4
    left = min(x + 12, WIDTH - RIGHT - size)
    back = f'<rect x="{left - 2:.1f}" y="{y - 8:.1f}" width="{size:.1f}" height="15" fill="#ffffff"/>'
    return line + end + draw_shape(priority, x, y) + back + _text(left, y + 4, mark["code"], fill=tone)


def draw_shape(priority: str, x: float, y: float, size: float = 16) -> str:
    """Draw a priority's mark about a point."""
    scale = size / 24
    return (
        f'<g transform="translate({x:.1f} {y:.1f}) scale({scale:.3f})"><path d="{OUTLINES[priority]}" fill="{TONES[priority]}"/>'
        f'<path d="{SIGNS[priority]}" fill="#ffffff"/></g>'
    )


def draw_key(states: Sequence[str], priorities: Sequence[str]) -> list[tuple[Drawn, str]]:
    """Draw a sample of each texture and mark that is used, with its word."""
    key = [(_sample(draw_texture(state, 1, 4, 44), 46), word(STATES, state)) for state in states]
    key += [(_sample(draw_shape(priority, 11, 11), 22), priority) for priority in priorities]
    return key


def _sample(drawn: str, width: int) -> Drawn:
    head = f'<svg viewBox="0 0 {width} 22" width="{width}" height="22" aria-hidden="true" focusable="false">'
    return Drawn(head + drawn + "</svg>")


def draw_verdicts(spans: Sequence[Mapping[str, Any]], since: int, until: int, name: str) -> Drawn:
    """Draw one answer over the period: thin where nothing was seen against it, solid where stopped, torn where unknown."""
    scale = Scale(since, until)
    textures = {"nothing seen against it": "closed_locked", "stopped by": "open", "cannot tell": "unknown"}
    parts = [_text(4, BAND_TOP + 11, name, weight="bold", size=12)]
    for span in spans:
        x, end = scale.x(parse_time(span["from"])), scale.x(parse_time(span["to"]))
        state = textures.get(str(span["verdict"]), "not-recorded")
        parts.append(draw_texture(state, x, BAND_TOP, max(end - x, 0.6)))
        said = str(span["verdict"]).removesuffix(" by")
        if end - x > LETTER * len(said) + 6:
            parts.append(_text(x + 3, BAND_TOP - 3, said))
    return _picture("".join(parts), 32, f"{name}: {len(spans)} stretches")


def _text(
    x: float, y: float, said: str, *, anchor: str = "start", size: int = 11, weight: str = "normal", fill: str = INK
) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-family="{FONT}" font-size="{size}" font-weight="{weight}"'
        f' text-anchor="{anchor}" fill="{fill}">{escape(said)}</text>'
    )


def _picture(drawn: str, height: float, title: str) -> Drawn:
    shown = f'role="img" aria-label="{escape(title)}"' if title else 'aria-hidden="true"'
    head = f'<svg class="picture" viewBox="0 0 {WIDTH} {height:g}" width="{WIDTH}" height="{height:g}" {shown} focusable="false">'
    return Drawn(head + drawn + "</svg>")
