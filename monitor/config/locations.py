"""Where the shipped configuration lies.

Owns finding it both in a source checkout (``config/`` beside the package) and in an
installed wheel (``_config/`` inside it).
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

_PACKAGE: Final = Path(__file__).resolve().parent.parent


def config_folder(package: Path = _PACKAGE) -> Path:
    """Return the folder of the shipped configuration; raise ``FileNotFoundError`` where there is none."""
    for folder in (package / "_config", package.parent / "config"):
        if (folder / "demo.yaml").is_file():
            return folder
    raise FileNotFoundError("the shipped configuration is not beside the program; install it again")


def default_config_path(package: Path = _PACKAGE) -> Path:
    """Return the path of the shipped ``demo.yaml``."""
    return config_folder(package) / "demo.yaml"


def builtin_types_folder(package: Path = _PACKAGE) -> Path:
    """Return the folder of the shipped types."""
    return config_folder(package) / "types"


def builtin_procedures_folder(package: Path = _PACKAGE) -> Path:
    """Return the folder of the shipped procedures."""
    return config_folder(package) / "procedures"
