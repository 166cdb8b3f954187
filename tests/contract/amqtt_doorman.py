"""An amqtt plugin that lets everybody in by name.

amqtt keeps no session for those whom its own anonymous plugin lets in.
"""

from __future__ import annotations

from typing import Any

from amqtt.plugins.base import BaseAuthPlugin


class Doorman(BaseAuthPlugin):
    """Accept every client and call none of them anonymous."""

    async def authenticate(self, *, session: Any) -> bool:
        return True
