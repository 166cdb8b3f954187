"""Procedures as they go on, drills as they are started, the debrief of what was, and the word that something is simulated."""

from __future__ import annotations

import json
import re
from typing import Any, Final

import pytest
from playwright.async_api import expect

from monitor.core.effects import PublishActive, PublishProcedure
from monitor.core.events import DoorReported, PermitGranted
from monitor.core.times import SECOND, format_time
from monitor.debrief.debrief import leave_out_names
from tests.acceptance.board.board_pages import MADE, Board, answer_with, fill_in_reports, until
from tests.acceptance.board.conftest import OpenBoard, Stage
from tests.adapters.web.fake_reader import START, FakeReader, alert_document, door_document

pytestmark = [pytest.mark.browser, pytest.mark.asyncio(loop_scope="session")]

DRILL: Final = "277b02608cbd8a3122c59b26"
RUN: Final[dict[str, Any]] = {
    "run_id": "r1",
    "procedure": "water-evacuation",
    "title": "Evacuation onto water",
    "site": "tarnwick",
    "aircraft": "ZZ-KAT",
    "stand": "S12",
    "door": "L1",
    "state": "running",
    "began_at": format_time(START - 20 * SECOND),
    "changed_at": format_time(START - 5 * SECOND),
    "elapsed_s": 15.0,
    "steps": [
        {"step": "open", "text": "Door open", "state": "taken", "at": format_time(START - 15 * SECOND)},
        {"step": "look", "text": "Look outside", "state": "cannot-tell"},
        {
            "step": "girt",
            "text": "Girt released",
            "state": "due",
            "limit_s": 30.0,
            "due_at": format_time(START + 25 * SECOND),
        },
        {"step": "cut", "text": "Lanyard cut", "state": "waiting", "reported": True},
    ],
    "counts": {"taken": 1, "skipped": 0, "out_of_order": 0, "too_slow": 0, "forbidden": 0, "cannot_tell": 1},
    "drill": {"permit_id": DRILL, "name": "Wet <b>feet</b>", "score": None},
}


async def test_a_procedure_is_followed_as_it_goes_on(board: Board, reader: FakeReader) -> None:
    row = board.page.get_by_role("main").get_by_role("listitem").filter(has_text="ZZ-KAT").first
    await expect(row.get_by_text("Evacuation onto water")).to_have_count(0)
    reader.drilling.going["ZZ-KAT"] = [RUN]
    reader.tell(PublishProcedure("ZZ-KAT", "L1", RUN))
    line = row.get_by_role("listitem").filter(has_text="Evacuation onto water")
    await expect(line).to_contain_text("L1")
    await expect(line).to_contain_text("1 of 4 steps")
    await expect(line).to_contain_text("Due: Girt released")
    await expect(line).to_contain_text("1 cannot tell")
    await expect(line).to_contain_text("Drill “Wet <b>feet</b>”")
    over = {**RUN, "state": "finished", "ended_at": RUN["changed_at"]}
    reader.tell(PublishProcedure("ZZ-KAT", "L1", over))
    await expect(line).to_have_count(0)


async def test_a_step_that_only_a_person_sees_is_reported_with_one_press(
    stage: Stage, open_at: OpenBoard, reader: FakeReader
) -> None:
    reader.drilling.going["ZZ-KAT"] = [RUN]
    board = await (await open_at(stage.url, person="Mia")).go("/aircraft/ZZ-KAT")
    part = board.page.get_by_role("region", name="Procedures")
    await expect(part.get_by_role("heading", name="L1 Evacuation onto water")).to_be_visible()
    steps = part.get_by_role("list", name="Steps").get_by_role("listitem")
    await expect(steps).to_have_text([re.compile(word) for word in ("done", "cannot tell", "due", "not yet")])
    press = part.get_by_role("button", name="Report: Lanyard cut")
    await press.focus()
    await board.page.keyboard.press("Enter")
    await until(lambda: bool(reader.submitted), lambda: "nothing was reported")
    [command] = reader.submitted
    assert isinstance(command, DoorReported)
    assert (command.door, command.steps, command.sees, command.by) == ("L1", ("cut",), (), "Mia")
    await expect(press).to_be_focused()


async def test_a_drill_is_started_by_keyboard_alone(stage: Stage, open_at: OpenBoard, reader: FakeReader) -> None:
    reader.drilling.configured = [
        {"procedure": "open-inside", "title": "Opening from inside", "kinds": ["cabin"]},
        {"procedure": "overwing", "title": "Opening an overwing exit", "kinds": ["overwing"]},
    ]
    reader.drilling.keep_labels_days = 30
    board = await (await open_at(stage.url, person="Mia")).go("/aircraft/ZZ-KAT")
    opener = board.page.get_by_role("button", name="Start a drill …")
    await opener.focus()
    await board.page.keyboard.press("Enter")
    form = board.page.locator("#drill-form")
    await form.get_by_role("textbox", name="Name of the drill").fill("Morning refresher")
    await form.get_by_role("checkbox", name="L1", exact=True).press("Space")
    await expect(form.get_by_role("combobox", name="Procedure").get_by_role("option")).to_have_text(
        ["none in particular", "Opening from inside"]
    )
    await form.get_by_role("combobox", name="Procedure").select_option("open-inside")
    await form.get_by_role("textbox", name="Reason").fill("Recurrent training")
    await form.get_by_role("textbox", name="Label of the trainee").fill("T7")
    await form.get_by_role("textbox", name="Label of the trainee").press("Enter")
    await until(lambda: bool(reader.submitted), lambda: "no drill was started")
    [command] = reader.submitted
    assert isinstance(command, PermitGranted)
    told = (command.kind, command.doors, command.codes, command.name, command.procedure, command.by, command.reason)
    assert told == ("drill", ("L1",), (), "Morning refresher", "open-inside", "Mia", "Recurrent training")
    await form.get_by_role("textbox", name="Name of the drill").press("Escape")
    await expect(form).to_have_count(0)
    await expect(opener).to_be_focused()


async def test_no_label_is_asked_for_where_none_is_kept(board: Board) -> None:
    await board.go("/aircraft/ZZ-KAT")
    await board.page.get_by_role("button", name="Start a drill …").click()
    await expect(board.page.get_by_role("textbox", name="Name of the drill")).to_be_visible()
    await expect(board.page.get_by_role("textbox", name="Label of the trainee")).to_have_count(0)


async def test_a_debrief_is_shown_whole_and_leads_to_its_files(board: Board) -> None:
    await fill_in_reports(board)
    await board.go("/debrief")
    await board.page.get_by_role("link", name="Morning refresher").click()
    page = board.page.get_by_role("article").first
    await expect(page.get_by_role("heading", name="Debrief: Drill Morning refresher simulated")).to_be_visible()
    for part in (
        "What it came to",
        "Doors over time",
        "Procedures",
        "Alerts",
        "What spoke against it",
        "How doors moved",
    ):
        await expect(page.get_by_role("region", name=part, exact=True)).to_be_visible()
    await expect(page.get_by_text("times in UTC")).to_be_visible()
    await expect(page.get_by_text("The record does not hold all of this period: 2 gaps.")).to_be_visible()
    await expect(page.get_by_role("row").filter(has_text="Mia").first).to_contain_text("in time")
    files = page.get_by_role("navigation", name="Keep it as").get_by_role("link")
    addresses = [await each.get_attribute("href") for each in await files.all()]
    assert addresses == [
        f"/api/v1/debrief?drill={DRILL}&zone=UTC&format={form}" for form in ("html", "pdf", "md", "csv", "parquet")
    ]
    await board.page.go_back()
    await expect(board.page.get_by_role("table", name="The newest first")).to_be_visible()


async def test_whoever_may_only_look_is_told_everything_but_names(board: Board) -> None:
    """Where nobody is named, names and reasons are null."""
    made = json.loads(MADE.read_text("utf-8"))
    permit = {
        "permit_id": DRILL,
        "kind": "de-icing",
        "aircraft": "ZZ-KAT",
        "doors": ["L1"],
        "codes": [],
        "places": [],
        "reason": "Said by Mia",
        "by": "Mia",
        "granted_at": format_time(START),
        "until": format_time(START + 600 * SECOND),
        "seconds_left": 600.0,
    }
    shelved = {**made["handover"]["open"][0], "state": "shelved", "by": "Mia", "reason": "Said by Mia"}
    handover = {**made["handover"], "permits": [permit], "shelved": [shelved]}
    deaf = {
        "aircraft": "ZZ-KAT",
        "door": "L1",
        "code": "wind-limit",
        "deaf_minutes": 4.5,
        "reasons": {"not fitted": 4.5},
    }
    made["debrief"]["not_watched"] = [deaf]
    for document in (handover, made["debrief"]):
        leave_out_names(document)
    await board.page.route(re.compile("/api/v1/handover"), answer_with(handover))
    await board.page.route(re.compile(r"/api/v1/debrief\?"), answer_with(made["debrief"]))
    await board.go("/handover")
    main = board.page.get_by_role("main")
    await expect(
        main.get_by_role("region", name="Permits and drills that run").get_by_role("listitem")
    ).to_contain_text("left")
    await expect(main.get_by_role("region", name="Set aside")).to_contain_text("Shelved by somebody unnamed.")
    await board.go(f"/debrief?drill={DRILL}")
    done = main.get_by_role("region", name="What people did").get_by_role("row")
    await expect(done.nth(1)).to_contain_text("somebody unnamed")
    unseen = main.get_by_role("region", name="Hazards that could not be seen").get_by_role("row")
    await expect(unseen.nth(1)).to_have_text("ZZ-KAT4.5not fittedL1wind-limit")
    await expect(main).not_to_contain_text("Mia")


async def test_a_report_that_is_refused_says_why_in_the_services_own_words(board: Board) -> None:
    why = "nothing is on record from 2026-02-01 00:00:00 UTC to 2026-02-02 00:00:00 UTC"
    await board.page.route(re.compile("/api/v1/debrief"), answer_with({"title": "Not found", "detail": why}, 404))
    await board.go("/debrief?aircraft=ZZ-KAT&since=2026-02-01T00:00&until=2026-02-02T00:00")
    await expect(board.page.get_by_role("main").get_by_text(why)).to_be_visible()
    await expect(board.page.get_by_role("combobox", name="Registration")).to_have_value("ZZ-KAT")
    await expect(board.page.get_by_label("From", exact=True)).to_have_value("2026-02-01T00:00")


async def test_a_debrief_on_paper(board: Board) -> None:
    await fill_in_reports(board)
    await board.go(f"/debrief?drill={DRILL}")
    await expect(board.page.get_by_role("region", name="Alerts", exact=True)).to_be_visible()
    await board.page.emulate_media(media="print")
    for role in ("button", "combobox", "textbox", "navigation", "radio"):
        await expect(board.page.get_by_role(role)).to_have_count(0)
    await expect(board.page.get_by_text("Advisory only.").first).to_be_visible()
    breaks = await board.page.evaluate(
        "[...document.querySelectorAll('.debrief tr, .debrief .run, .debrief .craft-lane')]"
        ".filter((each) => getComputedStyle(each).breakInside !== 'avoid').length"
    )
    assert breaks == 0
    assert (await board.page.pdf(format="A4")).startswith(b"%PDF")


async def test_what_is_simulated_is_taken_for_nothing_else(
    stage: Stage, open_at: OpenBoard, reader: FakeReader
) -> None:
    reader.add_aircraft(
        "ZZ-SIM", {"L1": door_document("ZZ-SIM", "L1", "armed", "engaged")}, simulated=True, stand="S14"
    )
    warning = alert_document("ZZ-SIM", "L1", "armed-handle-moved", "warning", simulated=True, stand="S14")
    reader.tell(PublishActive("ZZ-SIM", "L1", "armed-handle-moved", warning))
    board = await (await open_at(stage.url)).go("/")
    await expect(board.page.get_by_role("link", name="S14 ZZ-SIM simulated")).to_be_visible()
    await expect(board.page.get_by_role("link", name="S12 ZZ-KAT", exact=True)).to_be_visible()
    band = board.page.get_by_text("Everything shown here is simulated.")
    await expect(band).to_have_count(0)
    await board.go("/alerts")
    await expect(board.page.get_by_role("heading", name=re.compile("ZZ-SIM.* simulated$"))).to_be_visible()
    await expect(band).to_have_count(0)
    await board.go("/health")
    strip = board.page.get_by_role("region", name="Warnings that are out of sight").get_by_role("listitem")
    await expect(strip.first).to_contain_text("simulated")
    await board.page.route("**/api/v1/aircraft/ZZ-SIM", answer_with({"detail": "No."}, 503))
    await board.go("/aircraft/ZZ-SIM")
    await expect(board.page.get_by_role("heading", name=re.compile("ZZ-SIM simulated$")).first).to_be_visible()
    await expect(band).to_be_visible()
    await board.page.get_by_role("link", name="Apron", exact=True).click()
    await expect(band).to_have_count(0)
