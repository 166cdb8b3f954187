"""A trial's document as a person reads it on a terminal.

Owns the tables and words. Draws from the document alone; colour says nothing that a word does not.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from monitor.core.alarm_health import PRIORITY_TARGETS
from monitor.core.times import parse_time
from monitor.rerun import SILENT_AFTER

Row = Mapping[str, Any]

LISTED: Final = 12
"""How many alerts of a kind are shown; the JSON has more."""
_BAND_WORDS: Final = {"acceptable": "acceptable", "manageable": "manageable", "above": "above manageable"}


def show(document: Row, console: Console) -> None:
    """Print it."""
    for part in _parts(document):
        console.print(part)


def _parts(document: Row) -> Iterator[RenderableType]:
    old, new = document["old"], document["new"]
    yield Text(f"Trial of {new['config']} against {old['config']}", style="bold")
    yield Text(f"{document['since']} to {document['until']}: {document['inputs']} inputs of {document['of']}")
    for told in _reservations(document):
        yield Text(told)
    yield Text()
    yield from _alerts(document)
    yield Text()
    yield from _rates(old["alarm_health"], new["alarm_health"])
    yield Text()
    yield _priorities(old["alarm_health"], new["alarm_health"])
    yield Text()
    for kind, rows in document["listed"].items():
        yield from _listed(kind, rows, document["alerts"][kind])
    for caution in document["cautions"]:
        yield Text(caution, style="dim")


def _reservations(document: Row) -> Iterator[str]:
    """What has to be known to take the figures for what they are."""
    if document["simulated"]:
        yield f"Simulated: {document['simulated_alerts']} of the alerts are of simulated aircraft."
    if document["asked_since"] < document["since"]:
        yield (
            f"Asked for from {document['asked_since']}; inputs are on record from {document['since']} on"
            " (a monitor keeps them for `data.readings_days`, a capture for as long as it is kept)."
        )
    if parse_time(document["asked_until"]) - parse_time(document["until"]) > SILENT_AFTER:
        yield (
            f"Asked for up to {document['asked_until']}; the last input on record is of {document['until']}, and what"
            " came later is not judged."
        )
    if not document["whole"]:
        yield (
            f"Earlier inputs are gone: both runs begin with nothing known at {document['began_at']}, and an aircraft is"
            " judged from when it says its type."
        )
    for gap in document["gaps"]:
        yield f"Not on record: {gap['from']} to {gap['to']}, {gap['why']}."
    if document["recorded_otherwise"]:
        keys = document["recorded_otherwise"]
        more = f" and {len(keys) - 5} more" if len(keys) > 5 else ""
        yield (
            f"Recorded under another configuration than the old one here: {', '.join(keys[:5])}{more} differ;"
            " name the one it was recorded under with --against."
        )
    for name in ("old", "new"):
        run = document[name]
        if run["not_judged"]:
            yield f"Not judged under the {name} one, for want of a known type: {', '.join(run['not_judged'][:10])}."
        unfit = run["actions"]["no_longer_fit"]
        if unfit:
            done = ", ".join(f"{number} {action}" for action, number in unfit.items())
            yield f"People's actions that fit nothing under the {name} one, and are left out: {done}."


def _table(*columns: str) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="bold")
    for number, name in enumerate(columns):
        table.add_column(name, justify="left" if number == 0 else "right", no_wrap=True)
    return table


def _alerts(document: Row) -> Iterator[RenderableType]:
    if not document["by_code"]:
        yield Text("No alert was raised under either.")
        return
    yield Text(
        "Earlier and later: how many, and by how much on average. Priority: how many of those in both runs came at another."
    )
    table = _table("alerts", "old", "new", "gained", "lost", "earlier", "later", "same", "priority")
    for row in (*document["by_code"], {"code": "all", **document["alerts"]}):
        table.add_row(
            row["code"],
            *(str(row[name]) for name in ("old", "new", "gained", "lost")),
            _moved(row, "earlier"),
            _moved(row, "later"),
            str(row["same"]),
            str(row["other_priority"]),
        )
    yield table


def _moved(row: Row, kind: str) -> str:
    by = row[f"{kind}_s"]
    if by is None:
        return "0"
    mean, most = f"{by['mean']:.3g}", f"{by['most']:.3g}"
    return f"{row[kind]} ({mean} s)" if mean == most else f"{row[kind]} ({mean}, at most {most} s)"


def _rates(old: Row, new: Row) -> Iterator[RenderableType]:
    limits = old["bands"]["per_10_minutes"]
    yield Text(
        f"Alerts in 10 min for one person: up to {limits['acceptable']} is acceptable, up to {limits['manageable']}"
        " manageable (IEC 62682, EEMUA 191)."
    )
    table = _table("role", "old", "peak", "band", "new", "peak", "band")
    for role in ("overall", *old["roles"]):
        runs = [each["overall"] if role == "overall" else each["roles"][role] for each in (old, new)]
        if role != "overall" and not any(run["raised"] for run in runs):
            continue
        cells = []
        for run in runs:
            rate = run["per_10_minutes"]
            band = _BAND_WORDS[run["bands"]["per_10_minutes"]] if "bands" in run else "-"
            cells += [f"{rate['mean']:.2f}", str(rate["peak"]), band]
        table.add_row("all" if role == "overall" else role.replace("_", " "), *cells)
    yield table


def _priorities(old: Row, new: Row) -> RenderableType:
    table = _table("priority", "old", "share", "new", "share", "aimed at")
    for word, target in PRIORITY_TARGETS.items():
        cells = []
        for run in (old, new):
            found = run["overall"]["priorities"][word]
            cells += [str(found["raised"]), "-" if found["share"] is None else f"{found['share']:.0%}"]
        table.add_row(word, *cells, f"{target:.0%}")
    return table


def _listed(kind: str, rows: Sequence[Row], number: int) -> Iterator[RenderableType]:
    if not rows:
        return
    table = _table(kind, "aircraft", "door", "code", "moved")
    for row in rows[:LISTED]:
        run = row["new"] or row["old"]
        moved = f"{row['moved_s']:+.3g} s" if "moved_s" in row else ""
        aircraft = f"{row['aircraft']} simulated" if row.get("simulated") else row["aircraft"]
        table.add_row(run["at"], aircraft, row["door"], row["code"], moved)
    yield table
    if number > LISTED:
        yield Text(f"and {number - min(LISTED, len(rows))} more {kind}")
    yield Text()
