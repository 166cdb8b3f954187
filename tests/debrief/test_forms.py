"""Every form of a report: that it says the same, lets nothing through, and reads back."""

from __future__ import annotations

import csv
import io
import itertools
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pyarrow.parquet
import pytest

from monitor.core.times import format_time
from monitor.debrief import readings
from monitor.debrief.asking import Asked
from monitor.debrief.periods import ReportError
from monitor.debrief.readings import guard_cell
from monitor.debrief.render_html import POLICY, STYLE, render_html
from monitor.debrief.render_markdown import plain, render_markdown
from monitor.debrief.render_pdf import lay_out, render_pdf
from monitor.debrief.reports import Limits, compare_document, handover_document, write_document, write_readings
from monitor.debrief.words import NOT_KNOWN_OUTSIDE, UNSEEN
from tests.debrief.golden import GOLDEN, RUN, make_golden
from tests.debrief.records import NOW, SCRIPT, debrief_of, desk_at
from tests.stories import REG, STAND

VOID = {"meta", "br", "link", "path", "rect"}


class Page(HTMLParser):
    """A page's elements as they open and close, and its words."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.opened: list[tuple[str, dict[str, str | None]]] = []
        self.standing: list[str] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        self.opened.append((tag, dict(attrs)))
        if tag not in VOID:
            self.standing.append(tag)

    def handle_startendtag(self, tag: str, attrs: Any) -> None:
        self.opened.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.standing.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.opened if name == tag]


def pages(folder: Path) -> dict[str, str]:
    """One page of each kind, all of them simulated and with what somebody wrote in them."""
    document = {**debrief_of(folder, aircraft=REG), "procedures": [RUN], "simulated": True}
    with desk_at(folder) as desk:
        (granted,) = [a for a in document["actions"] if a["action"] == "grant-permit"]
        drill = Asked(drill=granted["subject"].rpartition("/")[2])
        both = compare_document(desk, drill, drill, names=True)
        both["drills"][0]["of"]["title"] = SCRIPT
        over = handover_document(desk, folder, None, names=True)
    over["open"][0] |= {"reason": SCRIPT, "simulated": True}
    written = {"debrief": document, "compare": both, "handover": over}
    return {kind: render_html(kind, {**found, "simulated": True}) for kind, found in written.items()}


def test_a_page_is_whole_safe_and_in_order(record: Path) -> None:
    for kind, text in pages(record).items():
        page = Page(text)
        assert page.standing == [], kind
        assert page.all("script") == []
        assert "<script" not in text.lower()
        assert SCRIPT in "".join(page.words), "what somebody wrote stands there as they wrote it"
        assert page.all("html")[0]["lang"] == "en"
        assert not any("style" in attrs or any(key.startswith("on") for key in attrs) for _, attrs in page.opened)
        assert not any("src" in attrs or "href" in attrs for _, attrs in page.opened), "nothing is fetched"
        levels = [int(tag[1]) for tag, _ in page.opened if tag in ("h1", "h2", "h3")]
        assert levels[0] == 1
        assert levels.count(1) == 1
        assert all(after - before <= 1 for before, after in itertools.pairwise(levels))
        heads = page.all("th")
        assert heads
        assert all(head.get("scope") in ("col", "row") for head in heads)
        assert text.count("Advisory only.") == 2, "at the top and at the foot"
        assert "SIMULATED" in text
        assert STYLE in text, "as it is: the policy lets only this very style in"
    assert "unsafe" not in POLICY
    assert POLICY.startswith("default-src 'none'; style-src 'sha256-")


def test_a_drills_page_says_that_it_is_one(record: Path) -> None:
    (granted,) = [a for a in debrief_of(record)["actions"] if a["action"] == "grant-permit"]
    text = render_html("debrief", debrief_of(record, drill=granted["subject"].rpartition("/")[2]))
    assert '<p class="band">DRILL' in text


def test_a_rule_that_could_not_be_seen_is_told_as_such(record: Path) -> None:
    document = {**debrief_of(record, aircraft=REG, door="L1"), "procedures": [RUN]}
    [row] = [line for line in render_markdown("debrief", document).splitlines() if "Opened in a wind" in line]
    assert UNSEEN in row
    page = Page(render_html("debrief", document))
    said = [attrs for attrs in page.all("span") if attrs.get("class") == "torn"]
    assert (len(said), UNSEEN in page.words) == (1, True)
    kept = Page(render_html("debrief", {**document, "procedures": [{**RUN, "unseen": []}]}))
    assert UNSEEN not in kept.words


def test_the_story_in_markdown(record: Path) -> None:
    assert make_golden(record) == GOLDEN.read_text(encoding="utf-8")


@pytest.mark.parametrize("text", [SCRIPT, "a|b", "*x* _y_ `z`", "[a](b)", "line\n# head", "~~x~~"])
def test_what_somebody_wrote_is_no_markup(text: str) -> None:
    told = plain(text)
    assert "\n" not in told
    for sign in "*_`[]<>|~#&":
        assert told.count(sign) == told.count(f"\\{sign}")


def test_a_hand_over_and_a_comparison_have_every_form(record: Path) -> None:
    with desk_at(record) as desk:
        document = handover_document(desk, record, None, names=True)
    for form in ("md", "json", "html"):
        out = io.BytesIO()
        made = write_document("handover", document, form, out)
        assert b"armed-handle-moved" in out.getvalue()
        assert made.filename.endswith(f".{form}")
    with pytest.raises(ReportError, match="has no form csv"):
        write_document("handover", document, "csv", io.BytesIO())


def test_a_hand_over_in_markdown_is_not_calmer_than_the_record(record: Path) -> None:
    with desk_at(record) as desk:
        document = handover_document(desk, record, None, names=True)
    text = render_markdown("handover", document)
    assert document["undelivered"] is None
    assert NOT_KNOWN_OUTSIDE in text
    shelf = {"state": "shelved", "by": "Ann", "reason": "being fixed", "shelved_until": "2026-03-01T11:00:00.000Z"}
    quiet = {"blind": [], "deaf_to": [], "feeds_lost": [], "broker_connected": False, "undelivered": []}
    text = render_markdown("handover", {**document, **quiet, "shelved": [{**document["open"][0], **shelf}]})
    assert "set aside, Ann, being fixed, until 2026-03-01 11:00:00 UTC" in text
    assert "The broker is not connected: none is heard." in text
    assert "Everything is seen" not in text
    assert "Everything was delivered." in text


def test_a_comparison_in_markdown_tells_answers_and_gaps(record: Path) -> None:
    (granted,) = [a for a in debrief_of(record)["actions"] if a["action"] == "grant-permit"]
    drill = Asked(drill=granted["subject"].rpartition("/")[2])
    with desk_at(record) as desk:
        document = compare_document(desk, drill, drill, names=True)
    gap = {"from": document["of"]["since"], "to": "2026-03-01T10:00:40.000Z", "why": "the monitor was not running"}
    document["drills"][1]["of"]["gaps"] = [gap]
    document["response_s"]["other"] = {"median": 3.0, "worst": 8.0}
    text = render_markdown("compare", document)
    assert "not on record: 2026-03-01 10:00:30 UTC, 10 s: the monitor was not running" in text
    assert "| Answered after, worst | - | 8.0 s |" in text
    assert "| L1 | 4.0 s, 1 × | 5.0 s, 1 × | 4.0 s, 1 × | 5.0 s, 1 × |" in text


def test_a_drill_that_still_runs_says_so_in_every_form(record: Path) -> None:
    (granted,) = [a for a in debrief_of(record)["actions"] if a["action"] == "grant-permit"]
    document = debrief_of(record, drill=granted["subject"].rpartition("/")[2])
    assert "**DRILL**" in render_markdown("debrief", document)
    document["of"]["drill"]["ended_at"] = None
    for text in (render_markdown("debrief", document), render_html("debrief", document)):
        assert "DRILL: it still runs, this is so far" in text


def test_a_pdf_has_its_pages_and_words(record: Path) -> None:
    document = {**debrief_of(record, aircraft=REG, door="L1"), "procedures": [RUN], "readiness": [], "not_watched": []}
    document["alerts"] *= 12
    laid = lay_out(render_html("debrief", document))
    assert len(laid.pages) >= 2
    assert laid.metadata.title == f"Debrief of an aircraft: {REG}, door L1"
    assert laid.metadata.generator.startswith("Sillwatch")
    written = render_pdf('<!doctype html><html lang="en"><title>t</title><p>words')
    assert written.startswith(b"%PDF-")
    assert written.rstrip().endswith(b"%%EOF")


def test_a_pdf_fetches_nothing(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level("ERROR", logger="weasyprint"):
        lay_out(f'<!doctype html><title>t</title><img src="{Path(__file__).as_uri()}" alt="not fetched">')
    assert "Failed to load image" in caplog.text


# Readings


def read_both(folder: Path, asked: Asked) -> tuple[list[dict[str, str]], list[dict[str, Any]]]:
    texts, columns = io.BytesIO(), io.BytesIO()
    with desk_at(folder) as desk:
        write_readings(desk, asked, "csv", texts)
        write_readings(desk, asked, "parquet", columns)
    assert texts.getvalue().count(b"\r\n") == texts.getvalue().count(b"\n"), "RFC 4180"
    rows = list(csv.DictReader(io.StringIO(texts.getvalue().decode(), newline=""), strict=True))
    columns.seek(0)
    return rows, pyarrow.parquet.read_table(columns).to_pylist()


def as_text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        epoch = datetime(1970, 1, 1, tzinfo=UTC)
        return format_time(round((value - epoch).total_seconds() * 1_000_000))
    if isinstance(value, bool):
        return "true" if value else "false"
    return value if isinstance(value, str) else repr(value)


@pytest.mark.parametrize("asked", [Asked(aircraft=REG), Asked(stand=STAND), Asked(), Asked(aircraft=REG, door="L1")])
def test_both_files_hold_the_same_readings(record: Path, asked: Asked, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(readings, "GROUP", 100)
    rows, table = read_both(record, asked)
    assert len(rows) == len(table) > 20
    assert [{name: as_text(value) for name, value in row.items()} for row in table] == rows
    assert all(row["received"].tzinfo is not None for row in table)
    lifted = [row for row in table if row["signal"] == "handle_lifted" and row["door"] == "L1"]
    assert [row["value_bool"] for row in lifted][:3] == [False, True, False]
    assert {row["aircraft"] for row in table} == {REG}
    if asked.door is not None:
        assert {row["door"] for row in table} == {None, "L1"}


def test_too_many_readings_and_none_are_refused(record: Path) -> None:
    with desk_at(record) as desk, pytest.raises(ReportError, match="more than 5 readings"):
        write_readings(desk._replace(limits=Limits(readings=5)), Asked(aircraft=REG), "csv", io.BytesIO())
    with desk_at(record, NOW) as desk, pytest.raises(ReportError, match="no readings of that are on record"):
        write_readings(desk, Asked(stand="S11"), "csv", io.BytesIO())


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\tx", "\rx"])
def test_no_text_is_a_formula(text: str) -> None:
    assert guard_cell(text) == f"'{text}"
    assert guard_cell("alder") == "alder"
