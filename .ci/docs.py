"""Write the generated parts of the documents, or say which are out of date.

Owns the markers between which a generated part stands. Run it without arguments to write;
``--check`` writes nothing and ends with 1 where something is out of date.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

from worked import tell_turnaround

from monitor.core.diagrams import draw_doors, draw_lifecycle, tabulate_catalogue

ROOT = Path(__file__).resolve().parent.parent


def _mermaid(text: str) -> str:
    return f"```mermaid\n{text}\n```"


def render(text: str) -> str:
    """Fill every generated part of a document anew."""
    parts = {
        "door-states": _mermaid(draw_doors()),
        "alert-life": _mermaid(draw_lifecycle()),
        "catalogue": tabulate_catalogue(),
    }
    if "<!-- generated: worked-turnaround -->" in text:
        parts["worked-turnaround"] = tell_turnaround()
    for name, body in parts.items():
        pattern = re.compile(rf"(<!-- generated: {name} -->\n).*?(<!-- end -->)", re.DOTALL)
        text = pattern.sub(lambda match, body=body: f"{match[1]}{body}\n{match[2]}", text)
    return text


def main(arguments: list[str]) -> int:
    """Write or check; returns the exit code."""
    stale = []
    for name in ("README.md", "DEVELOPERS.md", "config/catalogue.md"):
        path = ROOT / name
        text = path.read_text(encoding="utf-8")
        fresh = render(text)
        if fresh != text:
            stale.append(name)
            if "--check" not in arguments:
                path.write_text(fresh, encoding="utf-8")
    for name in stale:
        print(f"{name}: {'out of date; run make docs' if '--check' in arguments else 'written'}")
    return 1 if stale and "--check" in arguments else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
