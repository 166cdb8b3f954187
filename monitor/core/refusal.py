"""Why a person's action does not take effect."""

from __future__ import annotations

from monitor.core.effects import RefuseCommand


class RefusedError(Exception):
    """An action was refused; ``kind`` is ``not-found``, ``conflict`` or ``refused``."""

    def __init__(self, kind: str, detail: str) -> None:
        super().__init__(detail)
        self.effect = RefuseCommand(kind, detail)
