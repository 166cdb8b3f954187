"""Write ``build/sbom.cdx.json``: what an installation consists of, as a CycloneDX bill of materials.

Owns the choice: what a site gets (the package's requirements, its extras and what is in the
board's bundle), and nothing that only builds or tests it. Asks nobody: it reads the installed
packages and the board's lock file.
"""

from __future__ import annotations

import base64
import binascii
import importlib.metadata
import json
import re
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator
from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parent.parent
TARGET = ROOT / "build" / "sbom.cdx.json"
BOARD_LOCK = ROOT / "monitor" / "adapters" / "web" / "board" / "package-lock.json"
PACKAGE = "root-component"
NOT_SHIPPED = "dev"

Document = dict[str, Any]


def normal(name: str) -> str:
    """A package's name as the index compares it (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def read_wanted(project: Document) -> tuple[set[str], set[str]]:
    """The names of what is always installed, and of what an extra brings."""

    def names(requirements: Iterable[str]) -> set[str]:
        return {normal(match[0]) for line in requirements if (match := re.match(r"[A-Za-z0-9._-]+", line))}

    extras = {name: names(lines) for name, lines in project["optional-dependencies"].items() if name != NOT_SHIPPED}
    return names(project["dependencies"]), set().union(*extras.values())


def cut(document: Document, always: set[str], extra: set[str], needed: Callable[[str], set[str]]) -> Document:
    """Keep what the package needs, directly or not; what only an extra needs is marked as optional."""
    by_ref = {component["bom-ref"]: component for component in document["components"]}
    by_name = {normal(component["name"]): ref for ref, component in by_ref.items()}
    # Not the document's own relations: they follow what a package needs for its own tests, too.
    needs = {
        ref: {by_name[name] for name in needed(component["name"]) & by_name.keys()} for ref, component in by_ref.items()
    }

    def reach(names: set[str]) -> set[str]:
        waiting = [by_name[name] for name in names & by_name.keys()]
        reached: set[str] = set()
        while waiting:
            ref = waiting.pop()
            if ref not in reached:
                reached.add(ref)
                waiting += needs[ref]
        return reached

    required, optional = reach(always), reach(extra)
    kept = required | optional
    missing = (always | extra) - {normal(by_ref[ref]["name"]) for ref in kept}
    if missing:
        raise SystemExit(f"sbom: not installed here: {', '.join(sorted(missing))}; run .ci/setup")
    document["components"] = [
        {**component, "scope": "required" if ref in required else "optional"}
        for ref, component in sorted(by_ref.items())
        if ref in kept
    ]
    direct = sorted(ref for ref in kept if normal(by_ref[ref]["name"]) in always | extra)
    document["dependencies"] = [
        {"ref": PACKAGE, "dependsOn": direct},
        *({"ref": ref, "dependsOn": sorted(kept & needs[ref])} for ref in sorted(kept)),
    ]
    return document


def read_needed(name: str) -> set[str]:
    """The names of what an installed package needs here, without its extras."""
    lines = (Requirement(line) for line in importlib.metadata.requires(name) or ())
    return {normal(line.name) for line in lines if line.marker is None or line.marker.evaluate({"extra": ""})}


def read_board(lock: Document) -> Iterator[Document]:
    """The packages in the board's bundle, with the hashes that they were checked by."""
    for path, entry in sorted(lock["packages"].items()):
        if not path or entry.get("dev"):
            continue
        name = path.rpartition("node_modules/")[2]
        purl = f"pkg:npm/{quote(name, safe='/')}@{entry['version']}"
        component: Document = {
            "bom-ref": purl,
            "type": "library",
            "name": name,
            "version": entry["version"],
            "purl": purl,
            "scope": "required",
        }
        if "license" in entry:
            component["licenses"] = [{"license": {"id": entry["license"]}}]
        kind, _, digest = entry.get("integrity", "").partition("-")
        if kind == "sha512":
            content = binascii.hexlify(base64.b64decode(digest)).decode()
            component["hashes"] = [{"alg": "SHA-512", "content": content}]
        yield component


def add_board(document: Document, components: list[Document]) -> Document:
    """Add what is in the bundle, as needed by the package itself."""
    document["components"] += components
    document["dependencies"][0]["dependsOn"] += [component["bom-ref"] for component in components]
    document["dependencies"] += [{"ref": component["bom-ref"]} for component in components]
    return document


def read_environment() -> Document:
    """What is installed beside this interpreter, as its metadata tells it."""
    with tempfile.TemporaryDirectory() as folder:
        written = Path(folder) / "environment.json"
        command = [
            str(Path(sys.executable).with_name("cyclonedx-py")), "environment", sys.executable,
            "--pyproject", str(ROOT / "pyproject.toml"), "--mc-type", "application",
            "--output-format", "JSON", "--output-reproducible", "--output-file", str(written),
        ]  # fmt: skip
        subprocess.run(command, check=True)  # noqa: S603 - our own arguments
        document: Document = json.loads(written.read_text(encoding="utf-8"))
    return document


def main() -> None:
    """Write and check the bill of materials."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    document = cut(read_environment(), *read_wanted(project), read_needed)
    document["metadata"]["component"]["version"] = re.findall(
        r'__version__ = "([^"]+)"', (ROOT / "monitor" / "__init__.py").read_text(encoding="utf-8")
    )[0]
    board = [*read_board(json.loads(BOARD_LOCK.read_text(encoding="utf-8")))]
    text = json.dumps(add_board(document, board), indent=2, sort_keys=True) + "\n"
    wrong = JsonStrictValidator(SchemaVersion.from_version(document["specVersion"])).validate_str(text)
    if wrong is not None:
        raise SystemExit(f"sbom: not a valid CycloneDX document: {wrong}")
    TARGET.parent.mkdir(exist_ok=True)
    TARGET.write_text(text, encoding="utf-8")
    print(f"{TARGET.relative_to(ROOT)}: {len(document['components'])} components, {len(board)} of them in the board")


if __name__ == "__main__":
    main()
