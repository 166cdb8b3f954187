"""A capture through the core, offline: the same readings give the same events, always.

Owns the replay's clock, which is the capture's ``at`` and nothing else. Publishes nothing
and waits for nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from monitor.adapters.capture import CaptureLine
from monitor.core.effects import Effect, PublishEvent
from monitor.core.system import System
from monitor.engine import take_message
from monitor.ports import Codec


def replay(lines: Iterable[CaptureLine], system: System, codec: Codec) -> Iterator[PublishEvent]:
    """Yield each lifecycle event of a capture, ordered by its time.

    What falls due at a line's ``at`` is judged before that line; nothing after the last
    line is judged. Raises :class:`monitor.adapters.capture.CaptureError` at the first line
    that cannot be read, after the events of the lines before it.
    """
    for line in lines:
        effects: list[Effect] = system.advance(line.at)
        if line.message is not None:
            effects += take_message(system, codec, line.message, line.at)[1]
        for effect in effects:
            if isinstance(effect, PublishEvent):
                yield effect
