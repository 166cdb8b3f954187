"""The alert lifecycle, pair by pair, against ANSI/ISA-18.2's table and OPC 10000-9's shelving.

Typed here from the published tables, apart from how the code builds its own.
"""

from __future__ import annotations

from itertools import product
from typing import Final

import pytest

from monitor.core.alert import LIFECYCLE, RANK, AlertEvent, AlertState, Priority, derive_alert_id

N, U, A, R, L, S, X, O = AlertState  # noqa: E741 the eight states, in the order of the design

ORDER: Final = "normal unacknowledged acknowledged rtn_unacknowledged latched shelved suppressed out_of_service"


def rows(text: str) -> dict[str, dict[str, tuple[str, ...]]]:
    """Read "event: from > to told told | from > to told | …"; what is not written changes nothing."""
    table: dict[str, dict[str, tuple[str, ...]]] = {}
    for line in text.strip().splitlines():
        event, _, cases = line.partition(":")
        table[event.strip()] = {}
        for case in cases.split("|"):
            sources, _, outcome = case.partition(">")
            for source in sources.split():
                table[event.strip()][source] = tuple(outcome.split())
    return table


# normal: condition → unacknowledged. unacknowledged: acknowledge → acknowledged; condition clears →
# rtn_unacknowledged. acknowledged: condition clears → normal. rtn_unacknowledged: acknowledge → normal;
# condition returns → unacknowledged. latched: cleared and acknowledged, waits for reset → normal, reset
# ignored while active. (ISA-18.2 clause 16; read on a secondary page.)
# That cautions and advisories clear by themselves is the design's (section 7), as are the words.
ISA: Final = rows("""
raise:                normal > unacknowledged raised | rtn_unacknowledged latched > unacknowledged reraised
acknowledge:          unacknowledged > acknowledged acknowledged | rtn_unacknowledged > normal acknowledged
acknowledge_latching: unacknowledged > acknowledged acknowledged | rtn_unacknowledged > latched acknowledged latched
unacknowledge:        acknowledged > unacknowledged unacknowledged | latched > rtn_unacknowledged unacknowledged
clear:                unacknowledged > rtn_unacknowledged cleared | acknowledged > normal cleared | suppressed > normal cleared | shelved > shelved cleared | out_of_service > out_of_service cleared
clear_alone:          unacknowledged acknowledged > normal cleared | suppressed > normal cleared | shelved > shelved cleared | out_of_service > out_of_service cleared
clear_latching:       unacknowledged > rtn_unacknowledged cleared | acknowledged > latched cleared latched | suppressed > normal cleared | shelved > shelved cleared | out_of_service > out_of_service cleared
reset:                latched rtn_unacknowledged > normal reset
rise:                 unacknowledged acknowledged > unacknowledged reprioritised | shelved > unacknowledged unshelved reprioritised | suppressed > suppressed reprioritised | out_of_service > out_of_service reprioritised
fall:                 unacknowledged > unacknowledged reprioritised | acknowledged > acknowledged reprioritised | shelved > shelved reprioritised | suppressed > suppressed reprioritised | out_of_service > out_of_service reprioritised
shelve:               unacknowledged acknowledged rtn_unacknowledged latched > shelved shelved
unshelve_active:      shelved > unacknowledged unshelved reraised
unshelve_over:        shelved > normal unshelved
unshelve_silent:      shelved > suppressed unshelved suppressed
suppress:             unacknowledged acknowledged > suppressed suppressed
unsuppress_active:    suppressed > unacknowledged unsuppressed
unsuppress_acknowledged: suppressed > acknowledged unsuppressed
unsuppress_over:      suppressed > normal unsuppressed
remove:               normal unacknowledged acknowledged rtn_unacknowledged latched shelved suppressed > out_of_service taken-out-of-service
return_active:        out_of_service > unacknowledged returned-to-service reraised
return_over:          out_of_service > normal returned-to-service
return_silent:        out_of_service > suppressed returned-to-service suppressed
dismiss:              unacknowledged acknowledged rtn_unacknowledged latched shelved suppressed out_of_service > normal cleared
""")  # fmt: skip

WORDS: Final = {
    "raised", "reprioritised", "acknowledged", "unacknowledged", "cleared", "latched", "reset", "shelved", "unshelved",
    "suppressed", "unsuppressed", "taken-out-of-service", "returned-to-service", "reraised",
}  # fmt: skip


def test_the_states_are_the_eight_of_the_standard() -> None:
    assert " ".join(AlertState) == ORDER


def test_the_table_is_total() -> None:
    assert set(LIFECYCLE) == set(product(AlertState, AlertEvent))


def test_every_event_is_typed_here() -> None:
    assert set(ISA) == {event.value for event in AlertEvent}


@pytest.mark.parametrize(("state", "event"), [*product(AlertState, AlertEvent)], ids=lambda part: str(part.value))
def test_a_pair_leads_where_the_standard_says(state: AlertState, event: AlertEvent) -> None:
    target, *told = ISA[event.value].get(str(state), (str(state),))
    assert LIFECYCLE[state, event] == (target, tuple(told))


@pytest.mark.parametrize("event", AlertEvent)
def test_what_is_told_is_a_word_of_the_contract(event: AlertEvent) -> None:
    told = {word for state in AlertState for word in LIFECYCLE[state, event].told}
    assert told
    assert told <= WORDS


def test_every_word_of_the_contract_is_told_by_something() -> None:
    assert {word for outcome in LIFECYCLE.values() for word in outcome.told} == WORDS


def test_a_state_never_changes_without_a_word() -> None:
    silent = [pair for pair, outcome in LIFECYCLE.items() if outcome.state is not pair[0] and not outcome.told]
    assert silent == []


def test_no_condition_leads_out_of_service_and_no_condition_shelves() -> None:
    conditions = [AlertEvent.RAISE, AlertEvent.RISE, AlertEvent.FALL]
    conditions += [AlertEvent.CLEAR, AlertEvent.CLEAR_ALONE, AlertEvent.CLEAR_LATCHING]
    for state, event in product(AlertState, conditions):
        for aside in (S, O):
            assert (LIFECYCLE[state, event].state is aside) <= (state is aside)


def test_a_reset_is_ignored_while_the_condition_holds() -> None:
    for state in (U, A):
        assert LIFECYCLE[state, AlertEvent.RESET] == (state, ())


def test_every_state_is_reached_and_left() -> None:
    for state in AlertState:
        assert any(o.state is state and pair[0] is not state for pair, o in LIFECYCLE.items())
        assert any(o.state is not state for pair, o in LIFECYCLE.items() if pair[0] is state)


# OPC 10000-9, section 5.8.17: Unshelved → TimedShelved by TimedShelve; TimedShelved → Unshelved by Unshelve or as
# the time runs out. OneShotShelved, and the four transitions to and from it, are not offered: every shelving ends at a time.


@pytest.mark.parametrize("unshelved", [U, A, R, L])
def test_timed_shelve_leads_from_unshelved_to_timed_shelved(unshelved: AlertState) -> None:
    assert LIFECYCLE[unshelved, AlertEvent.SHELVE].state is S


@pytest.mark.parametrize(("event", "back"), [(AlertEvent.UNSHELVE_ACTIVE, U), (AlertEvent.UNSHELVE_OVER, N)])
def test_unshelve_and_time_lead_back_to_unshelved(event: AlertEvent, back: AlertState) -> None:
    assert LIFECYCLE[S, event].state is back


@pytest.mark.parametrize("state", [N, U, A, R, L, X, O])
def test_what_is_not_shelved_cannot_be_unshelved(state: AlertState) -> None:
    for event in (AlertEvent.UNSHELVE_ACTIVE, AlertEvent.UNSHELVE_OVER):
        assert LIFECYCLE[state, event] == (state, ())


def test_what_is_shelved_is_not_shelved_again() -> None:
    assert LIFECYCLE[S, AlertEvent.SHELVE] == (S, ())


# The alert's name and rank


def test_priorities_are_ordered_as_in_14_cfr_25_1322() -> None:
    assert RANK[Priority.WARNING] > RANK[Priority.CAUTION] > RANK[Priority.ADVISORY]
    assert [str(p) for p in Priority] == ["advisory", "caution", "warning"]


def test_an_id_comes_of_its_cause_alone() -> None:
    assert derive_alert_id("a", "b") == derive_alert_id("a", "b")
    assert (
        len(
            {derive_alert_id("a", "b"), derive_alert_id("ab"), derive_alert_id("b", "a"), derive_alert_id("a", "b", "")}
        )
        == 4
    )
