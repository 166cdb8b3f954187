"""A live view for a terminal: each aircraft's doors in words, and the alerts.

Owns how a site's readout is laid out in text. Draws from values it is given; the only
thing it keeps is the last frame. Colour is for alerts alone, each with its own mark and
word; everything else stays plain.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from monitor.core.alert import STATE_WORDS

Row = Mapping[str, Any]

MARKS: Final = {"warning": "◆", "caution": "▲", "advisory": "○"}
_STYLES: Final = {"warning": "bold red", "caution": "bold yellow", "advisory": "bold"}
_STATES: Final = {
    "closed_locked": "locked",
    "armed": "armed",
    "unlocked": "unlocked",
    "armed_unlocked": "unlocked, armed",
    "ajar": "ajar",
    "open": "open",
    "slide_deployed": "slide out",
    "unknown": "no data",
}
SIMULATED: Final = "simulated"
CAUTION: Final = "Advisory only. It does not replace your own look at the door, the aircraft's manuals or local rules."
ALERTS_SHOWN: Final = 8


def draw_site(*, clock: str, url: str, aircraft: Sequence[Row], alerts: Sequence[Row], ready: bool) -> RenderableType:
    """Lay out one frame: a line per aircraft, then the most urgent alerts, then the caution."""
    head = Text.assemble(("Sillwatch  ", "bold"), clock, "  ", url)
    if not ready:
        head.append("  not ready", style="bold reverse")
    return Group(
        head, Text(), _draw_aircraft(aircraft), Text(), *_draw_alerts(alerts), Text(), Text(CAUTION, style="dim")
    )


def _draw_aircraft(aircraft: Sequence[Row]) -> RenderableType:
    table = Table(box=None, padding=(0, 2, 0, 0), expand=True, header_style="dim")
    for name in ("stand", "aircraft", "type", "feed"):
        table.add_column(name, no_wrap=True)
    table.add_column("doors", ratio=1)
    for row in sorted(aircraft, key=lambda r: (r["stand"] == "", r["stand"], r["aircraft"])):
        age = row["age_s"]
        feed = row["feed"] if age is None else f"{row['feed']} {age:.0f} s"
        name = f"{row['aircraft']} {SIMULATED}" if row["simulated"] else str(row["aircraft"])
        table.add_row(row["stand"] or "-", name, row["type"] or "not known", feed, summarise_doors(row))
    return table


def summarise_doors(row: Row) -> str:
    """Say in words what an aircraft's doors do, those that are shut last and together."""
    if row["presence"] != "present":
        return str(row["presence"]).replace("_", " ")
    groups: dict[str, list[str]] = {}
    for door, state in row["door_states"].items():
        groups.setdefault(state, []).append(door)
    order = ("slide_deployed", "armed_unlocked", "ajar", "open", "unlocked", "unknown", "armed", "closed_locked")
    parts = []
    for state in order:
        doors = groups.get(state)
        if doors:
            many = len(doors) == len(row["door_states"])
            parts.append(f"{'all' if many else ' '.join(doors)} {_STATES[state]}")
    return " · ".join(parts) or "no doors known"


def _draw_alerts(alerts: Sequence[Row]) -> list[Text]:
    if not alerts:
        return [Text("No alert stands.", style="dim")]
    lines = []
    for alert in alerts[:ALERTS_SHOWN]:
        priority = alert["priority"]
        over = not alert.get("active", True)
        line = Text(no_wrap=True, overflow="ellipsis")
        line.append(f"{MARKS[priority]} {priority:<8} ", style="dim" if over else _STYLES[priority])
        line.append(f"{alert['aircraft']} ")
        if alert.get("simulated"):
            line.append(f"{SIMULATED} ")
        line.append(str(alert["text"]), style="" if over else "bold")
        line.append(f"  {STATE_WORDS.get(alert['state'], alert['state'])}", style="dim")
        lines.append(line)
        if not over:
            lines.append(Text(f"           {alert['action']}", no_wrap=True, overflow="ellipsis"))
    if len(alerts) > ALERTS_SHOWN:
        lines.append(Text(f"and {len(alerts) - ALERTS_SHOWN} more", style="dim"))
    return lines
