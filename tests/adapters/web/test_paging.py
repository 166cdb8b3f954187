"""Pages of a list that changes between them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.web.paging import cut_page, pass_page
from monitor.adapters.web.problems import ProblemError
from monitor.ports import Readout


def key(row: Readout) -> tuple[str, ...]:
    return (row["at"], row["id"])


def rows_of(names: list[str]) -> list[Readout]:
    return [{"at": name[:1], "id": name} for name in names]


@given(names=st.lists(st.text(min_size=1, max_size=4), unique=True, max_size=30), limit=st.integers(1, 7))
def test_the_pages_together_are_the_list(names: list[str], limit: int) -> None:
    rows, seen, after = rows_of(names), [], None
    for _ in range(len(rows) + 1):
        page = cut_page(rows, key=key, limit=limit, after=after)
        assert len(page["items"]) <= limit
        seen += page["items"]
        after = page["next"]
        if after is None:
            break
    assert seen == sorted(rows, key=key)


def test_an_item_that_goes_shifts_nothing() -> None:
    rows = rows_of(["a", "b", "c", "d"])
    first = cut_page(rows, key=key, limit=2, after=None)
    rest = cut_page(rows[2:], key=key, limit=2, after=first["next"])
    assert [row["id"] for row in rest["items"]] == ["c", "d"]
    assert rest["next"] is None


@pytest.mark.parametrize("cursor", ["x", "!!!!", "é", "bnVsbA", "WzFd", "eyJhIjoxfQ", "W" * 900])
def test_a_cursor_that_was_never_given_is_refused(cursor: str) -> None:
    with pytest.raises(ProblemError) as caught:
        cut_page([], key=key, limit=1, after=cursor)
    assert caught.value.kind == "invalid"


async def test_a_page_of_the_journal_passes_and_its_refusal_becomes_ours() -> None:
    async def answer(page: Readout) -> Readout:
        return page

    async def refuse() -> Readout:
        raise ValueError("not a cursor")

    assert await pass_page(answer({"items": [], "next": "41"})) == {"items": [], "next": "41"}
    with pytest.raises(ProblemError) as caught:
        await pass_page(refuse())
    assert caught.value.kind == "invalid"
