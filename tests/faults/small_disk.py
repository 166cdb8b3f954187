"""A disk of a few MB that a test can fill, make read-only and free again.

Owns a tmpfs of its own below the test's folder. Where mounting is not allowed the test is
skipped on a desk and fails in CI, which runs as root. Asserts nothing.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import pytest

from tests.conftest import STRICT

STUFFING: Final = "stuffing"
_CHUNK: Final = 16 * 1024


class SmallDisk:
    """A mounted folder; ``fill`` leaves no byte free, ``free`` takes the stuffing away."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def fill(self) -> None:
        """Write until the disk refuses a single byte more."""
        with (self.folder / STUFFING).open("ab", buffering=0) as stuffing:
            for size in (_CHUNK, 1):
                try:
                    while True:
                        stuffing.write(b"\0" * size)
                except OSError:
                    continue

    def free(self) -> None:
        """Give the space back."""
        (self.folder / STUFFING).unlink()

    def make_read_only(self) -> None:
        """Let nobody write any more; nothing may be open for writing."""
        _run("mount", "-o", "remount,ro", str(self.folder))


@contextmanager
def small_disk(folder: Path, *, mb: int) -> Iterator[SmallDisk]:
    """Mount a disk of ``mb`` megabytes on ``folder`` for a while."""
    folder.mkdir(parents=True, exist_ok=True)
    try:
        _run("mount", "-t", "tmpfs", "-o", f"size={mb}m,mode=0700", "tmpfs", str(folder))
    except (OSError, subprocess.CalledProcessError) as error:
        said = getattr(error, "stderr", "") or str(error)
        if STRICT:
            pytest.fail(f"a small disk cannot be mounted, and CI must not leave this out: {said}")
        pytest.skip(f"a small disk cannot be mounted (it takes root): {said}")
    try:
        yield SmallDisk(folder)
    finally:
        # Lazily: whatever a failed test left open must not keep the mount.
        _run("umount", "-l", str(folder))


def _run(*command: str) -> None:
    environment = {**os.environ, "PATH": f"{os.environ.get('PATH', os.defpath)}:/usr/sbin:/sbin"}
    subprocess.run(command, check=True, capture_output=True, text=True, timeout=60, env=environment)
