"""The chain: whatever is done to a row but at its very end is found, and found at the right place."""

from __future__ import annotations

import hashlib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.chain import GENESIS, link, verify

Row = dict[str, Any]
Chain = list[tuple[Row, bytes]]

VALUES = st.one_of(st.integers(-(2**63), 2**63 - 1), st.text(st.characters(exclude_categories=["Cs"]), max_size=8))
ROWS = st.lists(st.dictionaries(st.sampled_from("abcd"), VALUES, max_size=4), max_size=8)


def chained(rows: list[Row], anchor: bytes = GENESIS) -> Chain:
    chain = []
    for row in rows:
        anchor = link(anchor, row)
        chain.append((row, anchor))
    return chain


def test_a_link_is_sha256_over_the_hash_before_it_and_the_rows_canonical_json() -> None:
    previous = bytes(range(32))

    assert link(previous, {"b": 1, "a": "ü"}) == hashlib.sha256(previous + '{"a":"ü","b":1}'.encode()).digest()


@pytest.mark.parametrize(
    ("previous", "row", "why"),
    [
        (b"", {"a": 1}, "32 bytes, not 0"),
        (bytes(33), {"a": 1}, "32 bytes, not 33"),
        (GENESIS, {"a": b"bytes"}, "not JSON serializable"),
        (GENESIS, {"a": float("nan")}, "not JSON compliant"),
        (GENESIS, {"a": "\ud800"}, "surrogates not allowed"),
    ],
)
def test_what_cannot_be_written_in_one_way_only_is_refused(previous: bytes, row: Row, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        link(previous, row)


@given(ROWS, st.binary(min_size=32, max_size=32))
def test_an_untouched_chain_is_whole_from_its_anchor_and_from_any_row_on(rows: list[Row], anchor: bytes) -> None:
    chain = chained(rows, anchor)

    assert verify(chain, anchor) is None
    for cut in range(len(chain)):
        assert verify(chain[cut + 1 :], chain[cut][1]) is None


@given(ROWS.filter(bool), st.data())
def test_an_altered_row_is_found_where_it_is(rows: list[Row], data: st.DataObject) -> None:
    chain = chained(rows)
    place = data.draw(st.integers(0, len(rows) - 1))
    altered = data.draw(st.dictionaries(st.sampled_from("abcd"), VALUES, max_size=4).filter(lambda r: r != rows[place]))
    chain[place] = (altered, chain[place][1])

    assert verify(chain, GENESIS) == place


@given(ROWS.filter(bool), st.data())
def test_an_altered_hash_is_found_where_it_is(rows: list[Row], data: st.DataObject) -> None:
    chain = chained(rows)
    place = data.draw(st.integers(0, len(rows) - 1))
    kept = data.draw(st.one_of(st.none(), st.text(), st.binary()).filter(lambda other: other != chain[place][1]))

    assert verify([*chain[:place], (rows[place], kept), *chain[place + 1 :]], GENESIS) == place


@given(ROWS.filter(lambda rows: len(rows) > 1), st.data())
def test_a_removed_row_is_found_by_the_one_behind_it(rows: list[Row], data: st.DataObject) -> None:
    chain = chained(rows)
    place = data.draw(st.integers(0, len(rows) - 2))
    del chain[place]

    assert verify(chain, GENESIS) == place


@given(ROWS, st.data())
def test_a_row_put_in_is_found_where_it_is_unless_it_is_properly_bound_at_the_end(
    rows: list[Row], data: st.DataObject
) -> None:
    chain = chained(rows)
    place = data.draw(st.integers(0, len(rows)))
    forged = data.draw(st.one_of([st.binary(min_size=32, max_size=32), *(st.just(kept) for _, kept in chain)]))
    chain.insert(place, ({"a": "forged"}, forged))

    assert verify(chain, GENESIS) == place


@given(ROWS.filter(lambda rows: len(rows) > 1), st.data())
def test_rows_that_changed_places_are_found_at_the_first_of_them(rows: list[Row], data: st.DataObject) -> None:
    chain = chained(rows)
    first = data.draw(st.integers(0, len(rows) - 2))
    second = data.draw(st.integers(first + 1, len(rows) - 1))
    chain[first], chain[second] = chain[second], chain[first]

    assert verify(chain, GENESIS) == first


def test_a_cut_tail_is_not_seen_but_the_head_differs() -> None:
    chain = chained([{"a": number} for number in range(3)])

    assert verify(chain[:-1], GENESIS) is None
    assert chain[-2][1] != chain[-1][1]
