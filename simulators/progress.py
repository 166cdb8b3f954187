"""How far something long has come, for whoever waits for it at a terminal.

Owns the bar on stderr. Where stderr is no terminal nothing is written at all.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator

Progress = Callable[[float, str], None]
"""(seconds done, what else there is to say)."""


def ignore_progress(done_s: float, note: str) -> None:
    """Take no notice."""


@contextlib.contextmanager
def follow(what: str, all_s: float | None) -> Iterator[Progress]:
    """Show a bar that is full after ``all_s`` seconds (``None``: there is no end), and take it away again."""
    # Imported here, since every command reads this module and few have anything long to show.
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bar

    console = Console(stderr=True)
    if not console.is_terminal:
        yield ignore_progress
        return
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.fields[note]}"), TimeElapsedColumn())
    with Bar(*columns, console=console, transient=True) as bar:
        task = bar.add_task(what, total=all_s, note="")
        yield lambda done_s, note: bar.update(task, completed=done_s, note=note)
