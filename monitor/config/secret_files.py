"""Files that hold secrets, looked at without being read.

Owns what is said of one that is not there or lies open to other users. Never opens it.
"""

from __future__ import annotations

import stat
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Final

from monitor.config.notify_file import Notify
from monitor.config.site_file import Broker

_OTHERS: Final = stat.S_IRWXG | stat.S_IRWXO


def find_unfit_secrets(files: Iterable[tuple[str, Path | None]]) -> Iterator[str]:
    """Say of each file, given with its key in the config, what is wrong with it and what to do."""
    for key, path in files:
        if path is None:
            continue
        try:
            mode = path.stat().st_mode
        except FileNotFoundError:
            yield f"{key}: there is no file {path}; write the secret into it, for its owner alone (chmod 600)"
            continue
        except OSError as error:
            yield f"{key}: {path} cannot be looked at ({error.strerror})"
            continue
        if stat.S_ISDIR(mode):
            yield f"{key}: {path} is a folder; give the path of the file that holds the secret"
        elif mode & _OTHERS:
            yield f"{key}: other users can read or change {path}; run: chmod 600 {path}"


def list_broker_secrets(broker: Broker) -> list[tuple[str, Path | None]]:
    """Name the files of what is shown to the broker and nobody else."""
    return [("broker.password_file", broker.password_file), ("broker.key_file", broker.key_file)]


def list_notify_secrets(notify: Notify) -> list[tuple[str, Path | None]]:
    """Name the files that destinations are addressed and signed by."""
    return [
        (f"notify.destinations.{name}.{key}", path)
        for name, destination in notify.destinations.items()
        for key, path in (("url_file", destination.url_file), ("secret_file", destination.secret_file))
    ]
