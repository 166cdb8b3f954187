"""One report from asking to bytes: whichever is asked for, in whichever form.

Owns the table of forms and how a report's file is called. Used alike by the command line and
by the service's worker; heavy libraries come in only for the form that needs them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import BinaryIO, Final, NamedTuple

import orjson

from monitor import __version__
from monitor.adapters.drill_labels import DrillLabels
from monitor.config import Config
from monitor.core.effects import Document
from monitor.core.times import format_time
from monitor.debrief.archive import Archive
from monitor.debrief.asking import Asked, find_scope
from monitor.debrief.compare import compare_debriefs
from monitor.debrief.debrief import describe_debrief, make_debrief
from monitor.debrief.facts import Progress, collect_facts
from monitor.debrief.handover import collect_handover
from monitor.debrief.periods import ReportError

MEDIA_TYPES: Final = {
    "json": "application/json",
    "html": "text/html; charset=utf-8",
    "md": "text/markdown; charset=utf-8",
    "pdf": "application/pdf",
    "csv": "text/csv; charset=utf-8; header=present",
    "parquet": "application/vnd.apache.parquet",
}
BINARY: Final = frozenset({"pdf", "parquet"})
OF_READINGS: Final = frozenset({"csv", "parquet"})
"""Forms that hold the readings of the period, row by row, and nothing of what they came to."""

_ODD: Final = re.compile(r"[^A-Za-z0-9._-]+")


class Limits(NamedTuple):
    """What one report may cost: messages judged again, readings written; ``None`` for no limit."""

    inputs: int | None = None
    readings: int | None = None


class Made(NamedTuple):
    """A report that stands in a file: its form, and a name to keep it under."""

    media_type: str
    filename: str
    csp: str | None = None
    """The page's own policy, where it is one."""


class Desk(NamedTuple):
    """What a report is made from: the journal, the configuration, and what the time is (µs)."""

    archive: Archive
    config: Config
    now: int
    progress: Progress
    limits: Limits = Limits()


def debrief_document(desk: Desk, asked: Asked, *, names: bool) -> Document:
    """Make a debrief's document; raises :class:`ReportError`."""
    scope = find_scope(desk.archive, asked, desk.config.site, desk.now)
    if scope.drill is not None and names:
        labels = DrillLabels(desk.archive.path.parent, desk.config.drills.keep_labels_days)
        permit_id = scope.drill["permit_id"]
        scope = scope._replace(drill={**scope.drill, **_name_trainee(labels.find([permit_id], desk.now), permit_id)})
    facts = collect_facts(desk.archive, desk.config, scope, progress=desk.progress, inputs_max=desk.limits.inputs)
    return {**describe_debrief(make_debrief(facts), names=names), "made": _describe_making(desk)}


def _name_trainee(labels: Mapping[str, str], permit_id: str) -> Document:
    """Say whose drill it was, while that is kept."""
    return {"trainee": labels[permit_id]} if permit_id in labels else {}


def compare_document(desk: Desk, one: Asked, other: Asked, *, names: bool) -> Document:
    """Make the document of two drills side by side; raises :class:`ReportError`."""
    halves = []
    for number, asked in enumerate((one, other)):
        part = desk._replace(progress=lambda share, number=number: desk.progress((number + share) / 2))  # type: ignore[misc]
        halves.append(debrief_document(part, asked, names=names))
    return {**compare_debriefs(*halves), "made": _describe_making(desk)}


def handover_document(desk: Desk, data: Path, zone: str | None, *, names: bool) -> Document:
    """Make a hand-over's document; raises :class:`ReportError`."""
    document = collect_handover(desk.archive, desk.config, data, now=desk.now, zone=zone, names=names)
    return {**document, "made": _describe_making(desk)}


def _describe_making(desk: Desk) -> Document:
    return {
        "at": format_time(desk.now),
        "version": __version__,
        "record": desk.archive.path.name,
        "site": desk.config.site.name,
    }


def write_document(kind: str, document: Document, form: str, out: BinaryIO) -> Made:
    """Write a document of ``kind`` (debrief, compare, handover) in a form; raises :class:`ReportError`."""
    if form == "json":
        out.write(orjson.dumps(document) + b"\n")
        return Made(MEDIA_TYPES[form], name_file(kind, document, form))
    if form == "md":
        from monitor.debrief.render_markdown import render_markdown

        out.write(render_markdown(kind, document).encode())
        return Made(MEDIA_TYPES[form], name_file(kind, document, form))
    from monitor.debrief.render_html import POLICY, render_html

    page = render_html(kind, document)
    if form == "html":
        out.write(page.encode())
        return Made(MEDIA_TYPES[form], name_file(kind, document, form), POLICY)
    if form == "pdf":
        from monitor.debrief.render_pdf import render_pdf

        out.write(render_pdf(page))
        return Made(MEDIA_TYPES[form], name_file(kind, document, form))
    raise ReportError("wrong", f"a {kind} has no form {form}; give json, html, md or pdf")


def name_file(kind: str, document: Document, form: str) -> str:
    """Name a report's file after what it is of, in letters that every system takes."""
    of = document.get("of") or {}
    parts = ["sillwatch", kind, str(of.get("title") or ""), str(of.get("since") or document.get("at") or "")[:16]]
    return "-".join(filter(None, (_ODD.sub("-", part).strip("-") for part in parts))) + f".{form}"


def write_readings(desk: Desk, asked: Asked, form: str, out: BinaryIO) -> Made:
    """Write the readings of a period as CSV or Parquet, in pieces; raises :class:`ReportError`."""
    from monitor.debrief.readings import read_readings, write_csv, write_parquet

    scope = find_scope(desk.archive, asked, desk.config.site, desk.now)
    rows = read_readings(desk.archive, desk.config, scope, desk.progress, most=desk.limits.readings)
    write: Callable[..., None] = write_csv if form == "csv" else write_parquet
    write(rows, out)
    of = {"title": scope.title, "since": format_time(scope.since)}
    return Made(MEDIA_TYPES[form], name_file("readings", {"of": of}, form))
