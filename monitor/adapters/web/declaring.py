"""The addresses by which people say what they see or did at an aircraft or a door.

Owns the way from a body to the command, and the answer: the door or aircraft as it is then.
"""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from monitor.adapters.web.answers import JsonAnswer
from monitor.adapters.web.bodies import DoorReport, DoorResetting, IdentitySettling, PresenceDeclaration
from monitor.adapters.web.ports import Reader
from monitor.adapters.web.problems import ProblemError
from monitor.adapters.web.reading import DoorName, Registration
from monitor.adapters.web.submitting import UNNAMED, Submit
from monitor.core.events import DoorReported, DoorReset, IdentitySettled, PresenceDeclared


def build_declaring_routes(reader: Reader, submit: Submit) -> APIRouter:
    """Return the routes that declare."""
    router = APIRouter()

    def show_door(reg: str, door: str) -> Response:
        whole = reader.aircraft(reg)
        if whole is None or door not in whole["doors"]:
            raise ProblemError("not-found", f"{reg} left before its door could be shown.")
        return JsonAnswer(whole["doors"][door])

    @router.post("/api/v1/aircraft/{reg}/doors/{door}/reset", tags=["aircraft"])
    async def reset(request: Request, reg: Registration, door: DoorName, body: DoorResetting) -> Response:
        """Put a door whose slide was released back into service; answers with the door."""
        await submit(request, DoorReset(reg, door, body.by or "", body.reason))
        return show_door(reg, door)

    @router.post("/api/v1/aircraft/{reg}/doors/{door}/report", tags=["aircraft"])
    async def report(request: Request, reg: Registration, door: DoorName, body: DoorReport) -> Response:
        """Say what you saw at a door: a witness beside its sensors for 10 min; answers with the door.

        `procedure_steps` says that steps of the procedure that goes on there are done.
        """
        command = DoorReported(
            reg, door, tuple(body.sees.items()), body.by or "", body.reason or "", steps=tuple(body.procedure_steps)
        )
        await submit(request, command)
        return show_door(reg, door)

    @router.post("/api/v1/aircraft/{reg}/identity", tags=["aircraft"])
    async def settle_identity(request: Request, reg: Registration, body: IdentitySettling) -> Response:
        """Say that it is settled who speaks as an aircraft; answers with the aircraft."""
        await submit(request, IdentitySettled(reg, body.by or "", body.reason))
        return JsonAnswer(reader.aircraft(reg) or {"aircraft": reg})

    @router.post("/api/v1/aircraft/{reg}/presence", tags=["aircraft"])
    async def declare_presence(request: Request, reg: Registration, body: PresenceDeclaration) -> Response:
        """Say where an aircraft is; answers with the aircraft."""
        await submit(request, PresenceDeclared(reg, body.presence, body.by or UNNAMED, body.reason or ""))
        return JsonAnswer(reader.aircraft(reg) or {"aircraft": reg, "presence": body.presence})

    return router
