"""Lines into the capture reader.

Owns what has to hold: a line is read and written again with the same bytes, or refused with
one readable line.
"""

from __future__ import annotations

import base64
import io
import json
import random

from monitor.adapters.capture import CaptureError, read_capture, write_line
from monitor.core.times import SECOND, format_time
from tests.fuzz.mutation import damage
from tests.fuzz.wire_part import any_message
from tests.stories import START


class CapturePart:
    """The reader and the writer of captures."""

    name = "capture"

    def make(self, rng: random.Random) -> bytes:
        """One to four lines, most of them damaged."""
        lines = []
        for number in range(rng.randrange(1, 5)):
            at = START + number * SECOND
            message = any_message(rng, "ZZ-FUZ", at)
            way = rng.randrange(4)
            if way == 0:
                line = write_line(at, message)
            elif way == 1:
                body = base64.b64encode(message.payload).decode()
                written = {"at": format_time(at), "topic": message.topic, "payload_base64": body, "retain": True}
                line = json.dumps(written, ensure_ascii=rng.random() < 0.5).encode() + b"\n"
            elif way == 2:
                line = json.dumps({"at": format_time(at)}).encode() + b"\n"
            else:
                line = json.dumps({"topic": message.topic, "payload": {}, "at": format_time(at)}).encode() + b"\n"
            lines.append(damage(line, rng) if rng.random() < 0.7 else line)
        return b"".join(lines)

    def take(self, data: bytes) -> None:
        """Read every line there is, and write each again."""
        try:
            for line in read_capture(io.BytesIO(data), "capture"):
                if line.message is not None:
                    written = write_line(line.at, line.message)
                    assert [*read_capture(io.BytesIO(written), "again")] == [line], written
        except CaptureError as error:
            said = str(error)
            assert said.startswith(("capture:", "again:")), said
            assert "\n" not in said, said
            assert not said.startswith("again:"), said

    def close(self) -> None:
        """Nothing is held."""
