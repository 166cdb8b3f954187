"""When a run begins, what ends it from outside, and that it outlives a restart and another configuration."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import pytest

from monitor.core import readout, snapshot
from monitor.core.effects import Effect, NoteDrill, NoteRun, PublishProcedure, RefuseCommand
from monitor.core.events import DoorReported, MonitorStarted, PermitEnded, PermitGranted
from monitor.core.procedures.definition import Procedure
from monitor.core.system import System
from monitor.core.times import MINUTE
from tests.core.procedures.kit import ended, l1, make, site_with, states, story_with, told
from tests.stories import REG, Story, refusal

LIFT: Final[dict[str, Any]] = {"name": "lift", "comes": {"handle_lifted": True}}
UNLOCK: Final[dict[str, Any]] = {"name": "unlock", "comes": {"locked": False}, "after": ["lift"], "within": "5s"}


@pytest.fixture
def probe(tmp_path: Path) -> Procedure:
    return make(tmp_path, [LIFT, UNLOCK])


def runs(effects: list[Effect]) -> list[Effect]:
    return [effect for effect in effects if isinstance(effect, (PublishProcedure, NoteRun))]


def begun(story: Story) -> int:
    """How many runs began."""
    documents = [e.document for e in story.effects if isinstance(e, PublishProcedure) and e.document is not None]
    return len({document["run_id"] for document in documents})


# The beginning


def test_what_was_so_before_anybody_looked_begins_nothing(probe: Procedure) -> None:
    story = Story(site=site_with(probe))
    story.bundle({"airframe/type": "alder", "airframe/stand": "S12", "door/L1/handle_lifted": True})
    story.send("door/L1/closed", True, 1)
    assert not runs(story.effects)


def test_what_was_not_known_just_before_begins_nothing(probe: Procedure) -> None:
    story = story_with(probe)
    story.send("door/L1/handle_lifted", False, 2, quality="bad")
    l1(story, 3, handle_lifted=True)
    assert not runs(story.effects)
    l1(story, 4, handle_lifted=False)
    l1(story, 5, handle_lifted=True)
    assert begun(story) == 1


def test_it_begins_only_from_where_it_may(probe: Procedure) -> None:
    story = story_with(probe)
    story.door_bundle("L1", {"closed": False}, at=2)
    l1(story, 3, handle_lifted=True)
    assert not runs(story.effects)


def test_a_procedure_of_another_kind_of_door_is_not_followed(tmp_path: Path) -> None:
    story = story_with(make(tmp_path, [LIFT], kinds=["hatch"]))
    l1(story, 5, handle_lifted=True)
    assert not runs(story.effects)
    story.send("door/H1/handle_lifted", True, 6)
    assert not runs(story.effects)  # a hatch here has no hold-open lock to show the end


def test_another_one_that_begins_ends_the_one_that_goes_on(tmp_path: Path) -> None:
    other = {"from": {"pin_fitted": True}, "when": {"pin_fitted": False}}
    pin = make(tmp_path, [{"name": "pin", "comes": {"pin_fitted": False}}], name="pin", title="Pin", begins=other)
    story = story_with(make(tmp_path, [LIFT, UNLOCK]), pin)
    l1(story, 5, handle_lifted=True)
    l1(story, 6, pin_fitted=False)
    [first] = ended(story)
    assert (first["procedure"], first["state"], first["why"]) == ("probe", "abandoned", "another one began: Pin")
    assert (told(story)["procedure"], told(story)["state"]) == ("pin", "running")


def test_what_is_late_is_marked(probe: Procedure) -> None:
    story = story_with(probe)
    for second in range(2, 40):
        story.send("door/L1/barrier", second % 2 == 0, second)
    story.send("door/L1/handle_lifted", True, 60, time=25)
    assert told(story)["late"] is True


def test_a_simulated_aircraft_is_marked(probe: Procedure) -> None:
    story = story_with(probe)
    story.send("door/L1/handle_lifted", True, 5, simulated=True)
    assert told(story)["simulated"] is True


# The end from outside


@pytest.mark.parametrize("presence", ["powered_down", "away"])
def test_a_run_ends_as_abandoned_where_its_aircraft_is_gone(probe: Procedure, presence: str) -> None:
    story = story_with(probe)
    l1(story, 5, handle_lifted=True)
    story.until(6).declare(presence)
    [run] = ended(story)
    assert (run["state"], run["why"], run["ended_at"]) == (
        "abandoned",
        presence.replace("_", " "),
        "2026-03-01T10:00:06.000Z",
    )
    published = [effect.document for effect in story.effects if isinstance(effect, PublishProcedure)]
    assert published[-1] == (None if presence == "away" else run)
    assert readout.list_runs(story.system, REG, story.now) == ([] if presence == "away" else [run])


def test_an_aircraft_that_comes_back_begins_nothing_by_itself(probe: Procedure) -> None:
    story = story_with(probe)
    story.until(5).declare("away")
    l1(story, 6, handle_lifted=True)
    story.declare("present")
    l1(story, 8, barrier=True)
    assert not runs(story.effects)


# The record


def test_the_last_run_stands_until_the_next_begins(probe: Procedure) -> None:
    story = story_with(probe)
    l1(story, 5, handle_lifted=True, hold_open=True)
    [run] = readout.list_runs(story.system, REG, story.now)
    assert run == ended(story)[0]
    assert (REG, "L1", readout.PROCEDURE) in set(readout.held_places(story.system))
    assert readout.describe_held(story.system, REG, "L1", readout.PROCEDURE, story.now) == PublishProcedure(
        REG, "L1", run
    )
    document = readout.describe_aircraft(story.system, REG, story.now)
    assert document is not None
    assert document["procedures"] == [run]


def test_a_run_goes_on_after_a_restart_to_the_same_end(probe: Procedure) -> None:
    story = story_with(probe)
    l1(story, 5, handle_lifted=True)
    other = story.copy()
    for each in (story, other):
        each.until(11)
        l1(each, 12, locked=False)
        l1(each, 13, hold_open=True)
    assert ended(story) == ended(other)
    assert len(ended(story)) == 1
    assert states(other) == {"lift": "taken", "unlock": "too-slow"}


def test_an_edge_that_a_restart_lies_before_begins_a_run_all_the_same(probe: Procedure) -> None:
    other = story_with(probe).until(3).copy()
    l1(other, 5, handle_lifted=True)
    assert begun(other) == 1


def test_a_start_begins_nothing_and_ends_nothing(probe: Procedure) -> None:
    story = story_with(probe)
    l1(story, 5, handle_lifted=True)
    other = story.copy()
    assert not runs(other.step(MonitorStarted(), 5.5))
    assert readout.list_runs(other.system, REG, other.now)[0]["state"] == "running"


def test_a_snapshot_of_a_program_without_procedures_still_reads(probe: Procedure) -> None:
    body = snapshot.dump(story_with().system.record)
    for field in (b'"run":null,', b'"last_run":null,', b'"name":"","procedure":""'):
        body = body.replace(field, b"")
    record = snapshot.restore(body)
    assert record.aircraft[REG].doors["L1"].run is None
    System(site_with(probe), record)


def restarted(story: Story, *procedures: Procedure) -> Story:
    """The same aircraft under another configuration, started anew."""
    site = site_with(*procedures)
    record = snapshot.restore(snapshot.dump(story.system.record))
    other = Story(site=site, system=System(site, record, answering=False), start=story.start)
    other.now, other.beating, other._seqs = story.now, story.beating, dict(story._seqs)
    other.step(MonitorStarted())
    return other


def test_a_run_goes_on_where_its_procedure_still_exists(tmp_path: Path, probe: Procedure) -> None:
    story = story_with(probe)
    l1(story, 5, handle_lifted=True)
    changed = make(tmp_path, [LIFT, {"name": "leave", "comes": {"closed": False}, "after": ["lift"]}])
    other = restarted(story, changed)
    assert states(other) == {"lift": "taken", "leave": "due"}, "what stands on the broker follows"
    l1(other, 6, closed=False)
    assert states(other) == {"lift": "taken", "leave": "taken"}
    l1(other, 7, hold_open=True)
    assert ended(other)[0]["began_at"] == "2026-03-01T10:00:05.000Z"


def test_of_a_step_that_a_new_configuration_brings_nobody_knows_what_was_before(
    tmp_path: Path, probe: Procedure
) -> None:
    story = story_with(probe)
    l1(story, 5, handle_lifted=True)
    pin = {"name": "pin", "holds": {"pin_fitted": True}}
    lift_again = {"name": "lift-again", "comes": {"handle_lifted": True}}
    other = restarted(story, make(tmp_path, [LIFT, pin, lift_again]))
    l1(other, 7, hold_open=True)
    [run] = ended(other)
    assert {step["step"]: step["state"] for step in run["steps"]} == {
        "lift": "taken",
        "pin": "cannot-tell",
        "lift-again": "cannot-tell",
    }


def test_a_run_whose_procedure_is_gone_is_abandoned_as_it_was_last_told(probe: Procedure) -> None:
    story = story_with(probe)
    l1(story, 5, handle_lifted=True)
    for other in (restarted(story), restarted(story, replace(probe, name="another"))):
        [run] = ended(other)
        assert (run["state"], run["why"]) == ("abandoned", "its procedure is no longer configured")
        assert run["steps"] == told(story)["steps"]


def test_what_is_remembered_does_not_grow(probe: Procedure) -> None:
    story = story_with(probe)
    sizes = []
    for turn in range(30):
        l1(story, 10 + 10 * turn, handle_lifted=True, locked=False)
        l1(story, 13 + 10 * turn, hold_open=True)
        l1(story, 15 + 10 * turn, hold_open=False, locked=True, handle_lifted=False)
        door = story.system.record.aircraft[REG].doors["L1"]
        assert door.run is None
        sizes.append(len(snapshot.dump(story.system.record)))
    assert len(ended(story)) == 30
    assert sizes[-1] <= sizes[5] + 400


# Drills


def drill(story: Story, *doors: str, kind: str = "drill", **more: str) -> list[Effect]:
    return story.step(PermitGranted(kind, REG, doors, (), story.now + 30 * MINUTE, "Ann", "training", **more))


def test_a_named_drill_is_kept_as_it_begins_and_as_it_ends(probe: Procedure) -> None:
    story = story_with(probe)
    [granted] = [e for e in drill(story, "L1", name="night", procedure="probe") if isinstance(e, NoteDrill)]
    assert (granted.name, granted.procedure, granted.doors, granted.ended_at) == ("night", "probe", ("L1",), None)
    [permit] = readout.list_permits(story.system.record, story.now)
    assert (permit["name"], permit["procedure"]) == ("night", "probe")
    story.until(60)
    [over] = [e for e in story.step(PermitEnded(granted.permit_id, "Ann", "")) if isinstance(e, NoteDrill)]
    assert over == granted._replace(ended_at=story.now)


def test_a_drill_that_ends_by_the_clock_is_kept_with_its_end(probe: Procedure) -> None:
    story = story_with(probe)
    drill(story, "L1", name="night")
    story.advance(30 * 60)
    noted = [effect for effect in story.effects if isinstance(effect, NoteDrill)]
    assert [each.ended_at is None for each in noted] == [True, False]
    assert noted[1].ended_at == noted[0].until


def test_what_is_done_after_a_drill_is_no_part_of_it(probe: Procedure) -> None:
    story = story_with(probe)
    [granted] = [e for e in drill(story, "L1", name="night", procedure="probe") if isinstance(e, NoteDrill)]
    l1(story, 5, handle_lifted=True)
    story.until(6)
    story.step(PermitEnded(granted.permit_id, "Ann", ""))
    [run] = ended(story)
    assert (run["state"], run["why"], run["drill"]["score"]) == ("abandoned", "the drill ended", None)
    l1(story, 7, locked=False, hold_open=True)
    assert ended(story) == [run]


def test_a_run_that_waits_for_a_report_alone_is_finished_by_its_drills_end(tmp_path: Path) -> None:
    spoken = make(tmp_path, [LIFT, {"name": "say", "reported": True}], finished={"handle_lifted": True})
    story = story_with(spoken)
    [granted] = [e for e in drill(story, "L1", name="night", procedure=spoken.name) if isinstance(e, NoteDrill)]
    l1(story, 5, handle_lifted=True)
    assert ended(story) == []
    story.until(6)
    story.step(PermitEnded(granted.permit_id, "Ann", ""))
    [run] = ended(story)
    assert (run["state"], [step["state"] for step in run["steps"]]) == ("finished", ["taken", "skipped"])
    assert run["drill"]["score"]["percent"] == 25.0, "one of two, less half a step"


def test_a_drill_scores_its_own_procedure_and_no_other(tmp_path: Path, probe: Procedure) -> None:
    pin = make(
        tmp_path,
        [{"name": "pin", "comes": {"pin_fitted": False}}],
        name="pin",
        begins={"from": {"pin_fitted": True}, "when": {"pin_fitted": False}},
        finished={"pin_fitted": False},
    )
    story = story_with(probe, pin)
    drill(story, "L1", name="night", procedure="probe")
    l1(story, 5, pin_fitted=False)
    l1(story, 6, handle_lifted=True, locked=False, hold_open=True)
    first, second = ended(story)
    assert (first["procedure"], first["drill"]["name"], first["drill"]["score"]) == ("pin", "night", None)
    assert second["drill"]["score"] == {"points": 20.0, "of": 20.0, "percent": 100.0}


def test_the_procedure_that_a_drill_names_wins(tmp_path: Path) -> None:
    first = make(tmp_path, [LIFT, UNLOCK], name="a-first")
    only = {"from": {"closed": True}, "when": {"handle_lifted": True}, "outside_a_drill": {"airframe/emergency": True}}
    named = make(tmp_path, [LIFT, UNLOCK], name="named", begins=only)
    story = story_with(first, named)
    calm = story.copy()
    l1(calm, 5, handle_lifted=True)
    assert told(calm)["procedure"] == "a-first"
    drill(story, "L1", procedure="named")
    l1(story, 5, handle_lifted=True)
    assert (told(story)["procedure"], "may_be" in told(story)) == ("named", False)


def test_a_drill_elsewhere_is_not_this_doors(probe: Procedure) -> None:
    story = story_with(probe)
    drill(story, "R1", procedure="probe")
    l1(story, 5, handle_lifted=True)
    assert "drill" not in told(story)


@pytest.mark.parametrize(
    ("more", "doors", "why"),
    [
        ({"procedure": "nothing"}, ("L1",), "the configured ones are probe"),
        ({"procedure": "probe"}, ("CF",), "fits none of these doors"),
        ({"name": "x" * 81}, ("L1",), "80 characters at most"),
        ({"kind": "tow", "name": "night"}, (), "only a drill has a name"),
    ],
)
def test_a_drill_that_cannot_be_is_refused(
    probe: Procedure, more: dict[str, str], doors: tuple[str, ...], why: str
) -> None:
    story = story_with(probe)
    refused = refusal(drill(story, *doors, **more))
    assert refused is not None
    assert why in refused.detail
    assert not story.system.record.permits


# Reports


def report(story: Story, *steps: str) -> list[Effect]:
    return story.step(DoorReported(REG, "L1", (), "Ann", "", steps=steps))


def test_a_step_that_a_person_reports_is_taken_as_they_say_it(tmp_path: Path) -> None:
    line = {"name": "line", "reported": True, "after": ["lift"], "within": "1min", "of": "lift"}
    story = story_with(make(tmp_path, [LIFT, line]))
    refused = refusal(report(story, "line"))
    assert refused is not None
    assert refused.kind == "conflict"
    l1(story, 5, handle_lifted=True)
    l1(story, 6, hold_open=True)
    assert told(story)["state"] == "running"
    assert refusal(report(story, "other")) == RefuseCommand(
        "refused", "other is no step to be reported at L1 now; give one of line"
    )
    story.until(20)
    report(story, "line")
    [run] = ended(story)
    assert (run["state"], states(story)["line"]) == ("finished", "taken")
    assert [audit.after for audit in story.audits()] == ["line=done"]


def test_a_report_that_never_comes_is_a_step_left_out(tmp_path: Path) -> None:
    line = {"name": "line", "reported": True, "after": ["lift"], "within": "1min", "of": "lift"}
    story = story_with(make(tmp_path, [LIFT, line]))
    l1(story, 5, handle_lifted=True)
    l1(story, 6, hold_open=True)
    story.until(66)
    [run] = ended(story)
    assert (run["state"], states(story)["line"]) == ("finished", "skipped")
