"""``python -m monitor.config --write-schemas``: bring the JSON Schemas up to date with the models."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from monitor.config.locations import config_folder
from monitor.config.schemas import write_schemas


def main(arguments: list[str] | None = None) -> int:
    """Write the schemas into the shipped configuration's folder, or into the one given."""
    parser = argparse.ArgumentParser(prog="python -m monitor.config")
    parser.add_argument("--write-schemas", action="store_true", required=True)
    parser.add_argument("folder", nargs="?", type=Path)
    chosen = parser.parse_args(arguments)
    for path in write_schemas(chosen.folder or config_folder() / "schema"):
        sys.stdout.write(f"{path}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
