"""An event as a signed webhook.

Owns the headers and the secrets' file, which is read for each attempt, so that a secret is
replaced without a restart. The body is the event as the broker gets it, byte for byte.

Sources: CloudEvents 1.0 (JSON format, HTTP binding's structured mode), Standard Webhooks.
"""

from __future__ import annotations

import asyncio
import base64
import binascii
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from standardwebhooks.webhooks import Webhook

from monitor.adapters.notify.outbox_rows import Letter
from monitor.adapters.notify.posting import Fate, Outcome, Poster
from monitor.core.times import SECOND
from monitor.ports import InstanceError

CONTENT_TYPE: Final = "application/cloudevents+json; charset=utf-8"
SECRET_BYTES_MIN: Final = 24
SECRETS_MAX: Final = 2
_PREFIX: Final = "whsec_"


def read_secrets(path: Path) -> list[str]:
    """Read the secrets, the present one first. Raises :class:`InstanceError` without saying what it read."""
    try:
        lines = [line.strip() for line in path.read_text(encoding="utf-8").splitlines() if line.strip()]
    except (OSError, UnicodeDecodeError):
        raise InstanceError(f"{path}: no secret to read; write one a line, whsec_ and base64") from None
    if not 1 <= len(lines) <= SECRETS_MAX:
        raise InstanceError(f"{path}: holds {len(lines)} secrets; write one, or two while one is replaced")
    for number, line in enumerate(lines, 1):
        if _length(line) < SECRET_BYTES_MIN:
            raise InstanceError(
                f"{path}: line {number} is no secret; write {_PREFIX} and at least {SECRET_BYTES_MIN} bytes in base64"
            )
    return lines


def _length(secret: str) -> int:
    text = secret.removeprefix(_PREFIX)
    try:
        return len(base64.b64decode(text + "=" * (-len(text) % 4), validate=True)) if secret != text else 0
    except (binascii.Error, ValueError):
        return 0


def sign_headers(secrets: Sequence[str], event_id: str, body: bytes, wall: int) -> dict[str, str]:
    """Return the three headers of a signed event; every secret signs. ``wall`` is people's time in µs."""
    seconds = wall // SECOND
    moment = datetime.fromtimestamp(seconds, UTC)
    signatures = [Webhook(secret).sign(event_id, moment, body.decode()) for secret in secrets]
    return {"webhook-id": event_id, "webhook-timestamp": str(seconds), "webhook-signature": " ".join(signatures)}


class WebhookSender:
    """Sends letters to one webhook."""

    def __init__(self, poster: Poster, secret_file: Path, wall: Callable[[], int]) -> None:
        """Look at the secrets once. Raises :class:`InstanceError`."""
        read_secrets(secret_file)
        self._poster = poster
        self._secret_file = secret_file
        self._wall = wall

    async def send(self, letter: Letter) -> Outcome:
        """Try once."""
        try:
            secrets = await asyncio.to_thread(read_secrets, self._secret_file)
        except InstanceError:
            return Outcome(Fate.REFUSED, "the file of its secret cannot be read; nothing is sent unsigned")
        draft = letter.draft
        headers = sign_headers(secrets, draft.event_id, draft.body, self._wall())
        return await self._poster.post(draft.body, {"Content-Type": CONTENT_TYPE, **headers})

    async def close(self) -> None:
        """Let go of the connections."""
        await self._poster.close()
