"""Where the ``sillwatch`` command begins: before anything that takes a while to load.

Owns that Ctrl-C ends the program quietly while it still loads; it does nothing else.
"""

from __future__ import annotations

import signal


def main() -> None:
    """Load the command line and run it."""
    usual = signal.getsignal(signal.SIGINT)
    # Whoever started us in the background may have it ignored, and it stays so.
    if usual is signal.default_int_handler:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    from monitor.cli import main as run

    signal.signal(signal.SIGINT, usual)
    run()
