"""The house rules that a reader of the repository relies on, as ordinary tests.

Owns the rules about names, layout, documents, the lock file and who may import whom.
Looks at files only; it never imports what it judges.
"""

from __future__ import annotations

import ast
import os
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
BIN = Path(sys.executable).parent

TOP = {
    *("CHANGELOG.md", "DEVELOPERS.md", "LICENSE", "Makefile", "README.md", "pyproject.toml", "requirements.lock"),
    *("config", "deploy", "monitor", "simulators", "tests"),
}
MADE = {"build", "data", "dist", "node_modules", "__pycache__"}
DOCUMENTS = ("README.md", "DEVELOPERS.md", "CHANGELOG.md", "deploy/README.md")
LINES_MAX = 600
SLEEP_S_MAX = 0.05
SHARED_ADAPTERS = {"wire", "capture", "chain"}

# Written in pieces, so that this file passes its own rules.
UNFINISHED = re.compile(r"\b(?:TO" + r"DO|FIX" + r"ME|X" + r"XX|HA" + r"CK)\b|NotImplemented" + "Error")
REGISTRY = re.compile("py" + r"pi\.|python" + "hosted|npm" + r"js\.|deb" + r"\.debian|--(?:extra-)?index" + "-url")
MACHINE_PATH = re.compile(r"(?<![\w.$}>-])/(?:work|root|home|Users|mnt|media)(?=/)")


@cache
def every_file() -> tuple[Path, ...]:
    """Every file that belongs to the repository, relative to its top."""
    found: list[Path] = []
    for folder, subfolders, names in os.walk(ROOT):
        subfolders[:] = sorted(
            name
            for name in subfolders
            if name not in MADE and not name.endswith(".egg-info") and (not name.startswith(".") or name == ".ci")
        )
        found += [(Path(folder) / name).relative_to(ROOT) for name in sorted(names)]
    return tuple(found)


def files(*suffixes: str) -> list[Path]:
    """Those files; only those of ``suffixes`` where given."""
    return [path for path in every_file() if not suffixes or path.suffix in suffixes]


@cache
def text_of(path: Path | str) -> str:
    """The text of a file of the repository; empty for one that is not text."""
    try:
        return (ROOT / path).read_text(encoding="utf-8")
    except UnicodeDecodeError:
        return ""


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(text_of(path), str(path))


def hits(pattern: re.Pattern[str], paths: list[Path]) -> list[str]:
    """Where ``pattern`` occurs, as ``path:line: text``."""
    return [
        f"{path}:{number}: {line.strip()[:120]}"
        for path in paths
        for number, line in enumerate(text_of(path).splitlines(), 1)
        if pattern.search(line)
    ]


def imported_modules(path: Path) -> Iterator[tuple[int, str]]:
    """The line and full name of everything that a module imports, names within a module too."""
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from ((node.lineno, f"{node.module}.{alias.name}") for alias in node.names)


# What may stand in a file


def test_the_walk_finds_the_repository() -> None:
    found = {str(path) for path in files()}
    assert {"pyproject.toml", ".ci/run", "monitor/core/door.py", "tests/test_repository.py"} <= found
    assert not any(path.startswith((".venv", ".git/")) for path in found)


def test_the_patterns_find_what_they_are_for() -> None:
    assert UNFINISHED.search("# TO" + "DO: later")
    assert REGISTRY.search("https://py" + "pi.org/simple")
    assert MACHINE_PATH.search('open("/ro' + 'ot/x")')
    assert not MACHINE_PATH.search("/var/lib/sillwatch /workers/ {base}/home/")


def test_nothing_is_unfinished() -> None:
    assert hits(UNFINISHED, files()) == []


def test_no_registry_is_named() -> None:
    assert hits(REGISTRY, files()) == []


def test_no_path_of_somebodys_machine_is_named() -> None:
    assert hits(MACHINE_PATH, files()) == []


def test_documents_cite_no_issue_numbers() -> None:
    assert hits(re.compile(r"(?<![\w&/(])#\d{1,5}\b|\bissues? \d"), files(".md")) == []


def test_text_files_end_with_one_line_feed() -> None:
    bad = [
        str(path)
        for path in files(
            ".py", ".md", ".toml", ".yaml", ".yml", ".conf", ".service", ".ts", ".tsx", ".css", ".html", ".sql"
        )
        if (text := text_of(path)) and (not text.endswith("\n") or text.endswith("\n\n") or "\r" in text)
    ]
    assert bad == []


# Layout and names


def test_the_top_is_as_fixed() -> None:
    present = {path.parts[0] for path in files() if not path.parts[0].startswith(".")}
    assert present == TOP


def test_no_module_is_named_for_nothing() -> None:
    vague = re.compile(r"(?:^|_)(?:util|helper|manager|common|misc)s?(?:_|$)")
    assert [
        str(path) for path in files(".py", ".ts", ".tsx") if any(map(vague.search, (*path.parts[:-1], path.stem)))
    ] == []


def test_every_module_says_what_it_owns() -> None:
    silent = [str(path) for path in files(".py") if text_of(path).strip() and not ast.get_docstring(tree_of(path))]
    assert silent == []


def test_no_module_is_long() -> None:
    long = {str(path): n for path in files(".py", ".ts", ".tsx") if (n := len(text_of(path).splitlines())) > LINES_MAX}
    assert long == {}


def test_every_package_has_tests_of_its_own() -> None:
    """``monitor/core`` has ``tests/core``; the simulators are tested by what they simulate."""
    packages = {path.parts[1] for path in files(".py") if path.parts[0] == "monitor" and len(path.parts) > 2}
    tested = {path.parts[1] for path in files(".py") if path.parts[0] == "tests" and len(path.parts) > 2}
    assert packages - tested == set()
    assert tested & {"simulation", "simulators"}


def test_no_test_sleeps() -> None:
    """A test waits for a condition with a deadline; only where time is virtual may it sleep."""
    sleeping = []
    for path in files(".py"):
        if path.parts[0] == "tests":
            sleeping += [f"{path}:{line}" for line in _sleeps(tree_of(path))]
    assert sleeping == []


def _sleeps(node: ast.AST) -> Iterator[int]:
    if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and any(
        "looptime" in ast.unparse(decorator) for decorator in node.decorator_list
    ):
        return
    if isinstance(node, ast.Call) and ast.unparse(node.func).split(".")[-1] == "sleep" and node.args:
        numbers = [n.value for n in ast.walk(node.args[0]) if isinstance(n, ast.Constant)]
        if any(isinstance(number, int | float) and number >= SLEEP_S_MAX for number in numbers):
            yield node.lineno
    for child in ast.iter_child_nodes(node):
        yield from _sleeps(child)


def test_a_sleeping_test_would_be_found() -> None:
    source = "import time\ndef test_x():\n    time.sleep(0)\n    time.sleep(0.5)\n"
    assert list(_sleeps(ast.parse(source))) == [4]
    assert list(_sleeps(ast.parse("@pytest.mark.looptime\nasync def test_x():\n    await asyncio.sleep(60)\n"))) == []


# Who may import whom


def test_the_core_neither_reads_nor_writes() -> None:
    """What needs no import, so that neither import contracts nor banned names see it."""
    calls = [
        f"{path}:{node.lineno}: {node.func.id}"
        for path in files(".py")
        if path.parts[:2] == ("monitor", "core")
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
        if node.func.id in {"open", "input", "print", "eval", "exec", "__import__"}
    ]
    assert calls == []


def _duty(module: str) -> str:
    """``monitor.adapters.journal_rows`` and ``monitor.adapters.journal`` have one duty: ``journal``."""
    return module.split(".")[2].split("_")[0]


def _foreign_adapters(path: Path, own: str) -> list[str]:
    """What a module of the adapter ``own`` imports of others, as ``path:line: name``."""
    return [
        f"{path}:{line}: {module}"
        for line, module in imported_modules(path)
        if module.startswith("monitor.adapters.") and _duty(module) not in SHARED_ADAPTERS | {own}
    ]


def test_adapters_know_nothing_of_one_another() -> None:
    found = []
    for path in files(".py"):
        if path.parts[:2] == ("monitor", "adapters") and path.name != "__init__.py":
            found += _foreign_adapters(path, _duty(".".join(path.with_suffix("").parts)))
    assert found == []


def test_a_planted_adapter_import_is_found(tmp_path: Path) -> None:
    planted = tmp_path / "planted.py"
    _plant(planted, "from monitor.adapters import journal, mqtt, wire_topics\nimport monitor.adapters.web.app")
    found = [line.split(": ")[1] for line in _foreign_adapters(planted, "mqtt")]
    assert found == ["monitor.adapters.journal", "monitor.adapters.web.app"]


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """The code and its rules, to plant something in."""
    for package in ("monitor", "simulators"):
        shutil.copytree(
            ROOT / package, tmp_path / package, ignore=shutil.ignore_patterns("__pycache__", "static", "board")
        )
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    return tmp_path


def _plant(file: Path, line: str) -> None:
    file.write_text(f'"""Planted."""\n\n{line}\n', encoding="utf-8")


def _run(folder: Path, program: str, *args: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [BIN / program, *args],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=60,
        env={**os.environ, "COLUMNS": "200"},
    )


def test_the_import_contracts_are_kept(copy: Path) -> None:
    result = _run(copy, "lint-imports", "--no-cache", "--no-logo")
    assert result.returncode == 0, result.stdout + result.stderr


PLANTED_IMPORTS = (
    ("monitor/core", "import monitor.engine", "Arrows point inwards"),
    ("monitor/core", "from monitor import ports", "Arrows point inwards"),
    ("monitor/adapters", "from monitor import wiring", "Arrows point inwards"),
    ("monitor/core", "def now():\n    import time\n\n    return time.time()", "The core is pure"),
    ("monitor/core", "from datetime import datetime", "The core is pure"),
    ("monitor/core", "import structlog", "The core is pure"),
    ("monitor/adapters", "import simulators", "The monitor stands without the simulators"),
)


def test_every_planted_import_breaks_its_contract(copy: Path) -> None:
    for number, (folder, line, _) in enumerate(PLANTED_IMPORTS):
        _plant(copy / folder / f"planted_{number}.py", line)
    result = _run(copy, "lint-imports", "--no-cache", "--no-logo")
    assert result.returncode == 1, result.stdout + result.stderr
    _, *told = re.split(r"^(Arrows point inwards|The core is pure|The monitor stands without the simulators)\n-+$",
                        result.stdout, flags=re.MULTILINE)  # fmt: skip
    sections = dict(zip(told[::2], told[1::2], strict=True))
    missed = [
        (line, contract)
        for number, (folder, line, contract) in enumerate(PLANTED_IMPORTS)
        if f"{folder.replace('/', '.')}.planted_{number} -> " not in sections.get(contract, "")
    ]
    assert missed == [], result.stdout


PLANTED_CLOCKS = (
    "import time",
    "import random",
    "import uuid",
    "import asyncio",
    "from logging import getLogger",
    "from datetime import UTC, datetime\n\nSTARTED = datetime.now(UTC)",
)


def test_every_planted_clock_is_banned_in_the_core_alone(copy: Path) -> None:
    for number, line in enumerate(PLANTED_CLOCKS):
        _plant(copy / f"monitor/core/planted_{number}.py", line)
        _plant(copy / f"monitor/adapters/planted_{number}.py", line)
    found = _run(copy, "ruff", "check", "--no-cache", "--select", "TID251", "--output-format", "concise").stdout
    banned = re.findall(r"(\S+planted_\d\.py):\d+:\d+: TID251", found)
    assert banned == [f"monitor/core/planted_{number}.py" for number in range(len(PLANTED_CLOCKS))]


# Documents


def _prose(path: str) -> str:
    return re.sub(r"^```.*?^```", "", text_of(path), flags=re.DOTALL | re.MULTILINE)


def _anchors(path: Path) -> set[str]:
    headings = re.findall(r"^#+\s+(.+?)\s*$", _prose(str(path)), flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("document", DOCUMENTS)
def test_links_lead_somewhere(document: str) -> None:
    prose = _prose(document)
    targets = re.findall(r"\]\(([^)\s]+)", prose) + re.findall(r"(?:src|href)=\"([^\"]+)\"", prose)
    broken = []
    for target in targets:
        if target.startswith(("https://", "mailto:")):
            continue
        name, _, anchor = target.partition("#")
        goal = (ROOT / document).parent / name if name else ROOT / document
        if not goal.exists() or (anchor and anchor not in _anchors(goal.relative_to(ROOT))):
            broken.append(target)
    assert broken == []


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_documents_name_only_files_that_exist(document: str) -> None:
    """A path in code marks that begins with one of our folders is one of our files."""
    folders = "|".join(sorted(name for name in TOP if "." not in name and name not in {"LICENSE", "Makefile"}))
    named = re.findall(rf"`((?:{folders})/[\w./-]+)`", text_of(document))
    assert [name for name in named if not (ROOT / name).exists()] == []


def test_readme_begins_with_the_job() -> None:
    paragraphs = [part.strip() for part in text_of("README.md").split("\n\n") if part.strip()]
    assert paragraphs[0].startswith("# Sillwatch")
    job = paragraphs[1]
    assert not job.startswith(("#", "!", "[", "<", "|", "```"))
    assert len(job) > 200
    assert {"door", "slide", "aircraft"} <= set(re.findall(r"door|slide|aircraft", job))


def test_readme_has_the_two_commands_and_the_caution() -> None:
    readme = text_of("README.md")
    blocks = "\n".join(re.findall(r"^```.*?\n(.*?)^```", readme, flags=re.DOTALL | re.MULTILINE))
    assert re.search(r"^make demo\b", blocks, flags=re.MULTILINE)
    assert re.search(r"^make test\b", blocks, flags=re.MULTILINE)
    words = " ".join(readme.split()).lower()
    assert "advisory" in words
    assert re.search(r"never replaces .{0,40}look at the door", words)


def test_every_make_target_that_is_named_exists() -> None:
    targets = set(re.findall(r"^([a-z]+):", text_of("Makefile"), flags=re.MULTILINE))
    assert {"demo", "test", "lint", "bench", "lock", "clean", "help"} <= targets
    named = {
        name for document in DOCUMENTS for name in re.findall(r"(?:^|`)make ([a-z]+)", text_of(document), re.MULTILINE)
    }
    assert named - targets == set()


def test_what_make_starts_is_there() -> None:
    modules = re.findall(r"python -m ((?:monitor|simulators)[\w.]*)", text_of("Makefile"))
    assert modules
    missing = [m for m in modules if not (ROOT / m.replace(".", "/")).with_suffix(".py").exists()]
    assert missing == []


def test_the_version_is_in_the_changelog() -> None:
    version = re.search(r'^__version__ = "(\d+\.\d+\.\d+)"$', text_of("monitor/__init__.py"), flags=re.MULTILINE)
    assert version
    sections = re.findall(r"^## \[(.+?)\]", text_of("CHANGELOG.md"), flags=re.MULTILINE)
    assert sections[0] == "Unreleased"
    assert version[1] in sections or sections == ["Unreleased"]


def test_the_licence_is_whole() -> None:
    licence = text_of("LICENSE")
    assert PROJECT["project"]["license"] == "Apache-2.0"
    assert licence.split("\n")[0].strip() == "Apache License"
    assert "END OF TERMS AND CONDITIONS" in licence
    assert [n for n in range(1, 10) if not re.search(rf"^   {n}\. ", licence, flags=re.MULTILINE)] == []


# The lock file


def _canonical(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def test_the_lock_pins_and_hashes_everything() -> None:
    lock = text_of("requirements.lock")
    assert "://" not in lock
    entries = re.split(r"^(?=\w)", lock, flags=re.MULTILINE)[1:]
    assert len(entries) > len(PROJECT["project"]["dependencies"])
    pinned = re.compile(r"[\w.-]+==[\w.!+]+ .*\n    --hash=sha256:[0-9a-f]{64}")
    assert [entry.split("\n")[0] for entry in entries if not pinned.match(entry)] == []


def test_the_lock_names_every_dependency() -> None:
    project = PROJECT["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["dev"], *PROJECT["build-system"]["requires"]]
    names = {_canonical(re.split(r"[^\w.-]", line, maxsplit=1)[0]) for line in wanted}
    locked = {
        _canonical(name) for name in re.findall(r"^([\w.-]+)==", text_of("requirements.lock"), flags=re.MULTILINE)
    }
    assert names - locked == set()


# The gate


def test_the_gate_runs_everything() -> None:
    gate = text_of(".ci/run")
    assert "set -euo pipefail" in gate
    assert re.findall(r"^make --no-print-directory (\w+)", gate, flags=re.MULTILINE) == ["lint", "test"]
    lint = text_of("Makefile").split("lint:")[1].split("\n\n")[0]
    for program in ("ruff check", "ruff format --check", "mypy --strict", "lint-imports", "deptry"):
        assert program in lint, program


def test_the_gate_runs_the_tests_on_four_workers() -> None:
    target = text_of("Makefile").split("\ntest:")[1].split("\n\n")[0]
    assert "$(or $(ARGS),-n 4)" in target
    assert "Four workers" in text_of("DEVELOPERS.md")


def test_what_only_computes_starts_nothing() -> None:
    """A test in a place that is spread over the workers says so where it needs a broker or a browser."""
    statements = tree_of(Path("tests/lanes.py")).body
    (named,) = (each for each in statements if ast.unparse(each).startswith("COMPUTING: "))
    assert isinstance(named, ast.AnnAssign)
    assert named.value is not None
    places = [each.value for each in ast.walk(named.value) if isinstance(each, ast.Constant)]
    assert [place for place in places if not (ROOT / "tests" / str(place)).exists()] == []
    connecting = {"aiomqtt", "nats_server", "paho", "playwright", "socket", "uvicorn"}
    assert [
        str(path)
        for path in files(".py")
        if path.parts[0] == "tests" and path.parts[1] in places
        if connecting & {name.split(".")[0] for _, name in imported_modules(path)}
        if not re.search(r"pytest\.mark\.(?:broker|browser)", text_of(path))
    ] == []


@pytest.mark.parametrize("script", [".ci/run", ".ci/setup"])
def test_scripts_are_sound(script: str) -> None:
    assert os.access(ROOT / script, os.X_OK)
    assert subprocess.run(["bash", "-n", ROOT / script], capture_output=True, text=True).stderr == ""
