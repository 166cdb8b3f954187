"""The forms of a successful answer.

Owns how an answer becomes bytes; decides nothing.
"""

from __future__ import annotations

import asyncio
from typing import Any, Final

import orjson
from starlette.responses import Response, StreamingResponse
from starlette.types import Receive, Scope, Send

from monitor.adapters.web.client import Client

STUCK_S: Final = 30.0
"""A client that takes no byte for this long is given up."""


class JsonAnswer(Response):
    """A JSON document, encoded at once and not validated again."""

    media_type = "application/json"

    def render(self, content: Any) -> bytes:
        """Encode the document."""
        return orjson.dumps(content)


class EventStreamAnswer(StreamingResponse):
    """A client's stream for as long as it lasts; its place is given up whatever ends it."""

    def __init__(self, client: Client, *, stuck_s: float = STUCK_S) -> None:
        super().__init__(
            client,
            media_type="text/event-stream",
            # A proxy that gathers before it sends would hold an alert back.
            headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
        )
        self._client = client
        self._stuck_s = stuck_s

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Stream until the client leaves, is stuck or is ended."""
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._client.leave()

    async def stream_response(self, send: Send) -> None:
        """Send the chunks; give up where one is not taken in time."""
        await send({"type": "http.response.start", "status": self.status_code, "headers": self.raw_headers})
        try:
            async for chunk in self._client:
                async with asyncio.timeout(self._stuck_s):
                    await send({"type": "http.response.body", "body": chunk, "more_body": True})
        except TimeoutError:
            return
        await send({"type": "http.response.body", "body": b"", "more_body": False})
