"""Whatever a door's sensors say: what holds of every run, and that a restart at any point changes nothing."""

from __future__ import annotations

from typing import Any, Final

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.effects import Document, NoteRun, PublishProcedure
from tests.stories import ARMED, Story

SIGNALS: Final = (
    "handle_lifted", "locked", "latched", "closed", "hold_open", "lever_armed", "pin_fitted", "slide_released",
    "slide_erect", "outside_handle_lifted", "flap_pressed", "barrier",
)  # fmt: skip
Move = tuple[float, str, Any]

MOVES = st.lists(
    st.one_of(
        st.tuples(
            st.sampled_from((0.0, 0.4, 3.0, 9.0, 40.0)), st.sampled_from(SIGNALS), st.sampled_from((True, False))
        ),
        st.tuples(st.just(1.0), st.sampled_from(SIGNALS), st.sampled_from(("bad", "withdraw"))),
        st.tuples(st.just(1.0), st.just("travel"), st.sampled_from((0.0, 0.4, 1.0))),
    ),
    min_size=1,
    max_size=40,
)


def play(story: Story, moves: list[Move]) -> None:
    for pause, signal, value in moves:
        story.until(story.clock + pause)
        path = f"door/L1/{signal}"
        if value == "withdraw":
            story.withdraw(path)
        elif value == "bad":
            story.send(path, True, quality="bad")
        else:
            story.send(path, value)


def documents(story: Story) -> list[Document | None]:
    return [e.document for e in story.effects if isinstance(e, (PublishProcedure, NoteRun))]


def begin(armed: bool) -> Story:
    story = Story().baseline().until(1.0)
    if armed:
        story.door_bundle("L1", ARMED, at=2.0)
    return story


@settings(max_examples=15, deadline=None)
@given(st.booleans(), MOVES)
def test_what_is_told_of_a_run_adds_up(armed: bool, moves: list[Move]) -> None:
    story = begin(armed)
    seen: set[tuple[str, bool]] = set()
    for move in moves:
        play(story, [move])
        seen.add((move[1], move[2]))
    for document in documents(story):
        assert document is not None
        told = [step["state"] for step in document["steps"]]
        counts = document["counts"]
        for name, state in (("taken", "taken"), ("skipped", "skipped"), ("out_of_order", "out-of-order")):
            assert counts[name] == told.count(state)
        assert counts["too_slow"] == told.count("too-slow")
        assert counts["cannot_tell"] == told.count("cannot-tell")
        assert counts["forbidden"] == len(document["forbidden"])
        if document["state"] in ("finished", "cannot-tell"):
            open_still = [s for s in document["steps"] if s["state"] in ("waiting", "due") and not s.get("optional")]
            assert not open_still
            assert document["ended_at"] == document["changed_at"]
        assert (document["state"] == "running") is ("ended_at" not in document)
        assert 0 <= document["elapsed_s"] <= document["limit_s"] + 0.001


@settings(max_examples=15, deadline=None)
@given(st.booleans(), MOVES)
def test_no_step_is_taken_before_its_condition_was_seen_true(armed: bool, moves: list[Move]) -> None:
    story = begin(armed)
    wanted = {
        (procedure.name, step.name): (step.comes or step.holds)
        for procedure in story.site.procedures.values()
        for step in procedure.steps
    }
    for move in moves:
        before = len(story.effects)
        play(story, [move])
        for effect in story.effects[before:]:
            if not isinstance(effect, PublishProcedure) or effect.document is None:
                continue
            for step in effect.document["steps"]:
                done = step["state"] in ("taken", "out-of-order") and step["at"] == effect.document["changed_at"]
                for together in wanted[effect.document["procedure"], step["step"]] if done else ():
                    for test in together:
                        if test.signal in SIGNALS:
                            assert story.value(f"door/L1/{test.signal}") in test.wanted


@settings(max_examples=12, deadline=None)
@given(st.booleans(), MOVES, st.integers(0, 40))
def test_a_restart_at_any_point_tells_the_same(armed: bool, moves: list[Move], cut: int) -> None:
    whole, first = begin(armed), begin(armed)
    play(whole, moves)
    play(first, moves[:cut])
    second = first.copy()
    play(second, moves[cut:])
    whole.advance(800)
    second.advance(800)
    assert documents(first) + documents(second) == documents(whole)
