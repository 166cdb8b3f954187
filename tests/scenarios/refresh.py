"""Write captures and transcripts anew: ``python -m tests.scenarios.refresh [STORY …]``.

Owns the only way in which an expected transcript changes. It shows what changes, line by
line; whether that is right is for a person to say, against the words at the transcript's
top and the wire contract.
"""

from __future__ import annotations

import difflib
import sys
from pathlib import Path

from tests.scenarios.replaying import replay_file
from tests.scenarios.transcript import STORIES, capture_path, tell, transcript_path, write_transcript


def _write(path: Path, text: str) -> None:
    before = path.read_text(encoding="utf-8") if path.exists() else ""
    if before == text:
        return
    print("".join(difflib.unified_diff(before.splitlines(True), text.splitlines(True), path.name, path.name, n=1)))
    path.write_text(text, encoding="utf-8")


def main(stories: list[str]) -> int:
    """Refresh the named stories, or all."""
    unknown = [story for story in stories if story not in STORIES]
    if unknown:
        print(f"no story {', '.join(unknown)}; those are {', '.join(STORIES)}", file=sys.stderr)
        return 2
    for story in stories or STORIES:
        capture_path(story).write_text(tell(story), encoding="utf-8")
        _write(transcript_path(story), write_transcript(story, replay_file(capture_path(story))))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
