"""The addresses of boards: a page says that it is open and what it shows, and all are listed.

Owns the way from a body to the registry of boards, and the answer.
"""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request
from pydantic import BaseModel, Field
from starlette.responses import Response

from monitor.adapters.web.answers import JsonAnswer
from monitor.adapters.web.board_watch import BoardWatch
from monitor.adapters.web.boards import BOARD_ID, BOARDS_MAX, BoardWord, shorten
from monitor.adapters.web.bodies import BoardState
from monitor.adapters.web.connections import group_address
from monitor.adapters.web.ports import Reader
from monitor.adapters.web.problems import ProblemError

BoardId = Annotated[str, Path(pattern=BOARD_ID)]


class BoardDocument(BaseModel):
    """One open board; ``drawn`` is how many warnings it shows."""

    board: str = Field(description="What the board is called here; its own answer tells it. Its id stays its own")
    name: str
    page: str
    visible: bool = Field(description="Whether it says so and its stream is open")
    sound: bool
    drawn: int
    since: str
    heard_at: str


class BoardList(BaseModel):
    """Every open board, the longest open first."""

    items: list[BoardDocument]


class BoardAnswer(BaseModel):
    """What a board is told when it says that it is there."""

    board: str = Field(description="What this board is called in the list of boards")
    watching: int = Field(description="Boards that a person can see, this one among them if it is visible")
    unseen: list[str] = Field(description="Warnings that have been on no such board for too long")


def build_board_routes(reader: Reader, watch: BoardWatch) -> APIRouter:
    """Return the routes of boards."""
    router = APIRouter()

    @router.put("/api/v1/boards/{board}", tags=["boards"], responses={200: {"model": BoardAnswer}})
    async def hear_board(request: Request, board: BoardId, body: BoardState) -> Response:
        """Say that a board is open and what it shows; one that is not heard for 10 s is gone.

        What it shows counts only while its stream is open: `/api/v1/stream?board=` with the same id.
        """
        word = BoardWord(body.name, body.page, body.visible, body.sound, frozenset(body.drawn))
        now = reader.now()
        address = group_address(request.client.host) if request.client is not None else ""
        if not watch.boards.hear(board, word, now, address):
            raise ProblemError("too-many-boards", f"{BOARDS_MAX} boards are open, or too many from your address.")
        return JsonAnswer(
            {"board": shorten(board), "watching": watch.boards.count_visible(now), "unseen": watch.unseen()}
        )

    @router.get("/api/v1/boards", tags=["boards"], responses={200: {"model": BoardList}})
    async def list_boards() -> Response:
        """List the boards that are open, the longest open first."""
        return JsonAnswer({"items": watch.boards.describe(reader.now())})

    return router
