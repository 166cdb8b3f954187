"""What every test is held to, and what any test may ask for.

Owns the check that no test leaves an asyncio task behind, the seed that property tests
run with, what is told at the end of a run, and the rule that a program which a test needs
may be missing on a desk but never in CI. Knows nothing of Sillwatch itself.
"""

from __future__ import annotations

import asyncio
import os
import secrets
import shutil
import sys
from collections import Counter, defaultdict
from collections.abc import AsyncIterator, Callable
from functools import partial
from pathlib import Path
from typing import Any

import hypothesis
import pytest

from tests.lanes import Lanes, give_way

STRICT = os.environ.get("CI") == "true"
LOOP_TURNS_TO_END = 5
ELSEWHERE = (str(Path(sys.executable).parent), "/usr/local/sbin", "/usr/sbin", "/sbin")

hypothesis.settings.register_profile("desk", deadline=None, print_blob=True)
hypothesis.settings.register_profile("ci", deadline=None, print_blob=True, database=None)
hypothesis.settings.load_profile("ci" if STRICT else "desk")


@pytest.hookimpl(tryfirst=True)
def pytest_configure(config: pytest.Config) -> None:
    """Draw the seed before the hypothesis plugin reads it, so that it can be told."""
    # Plugins that ask for "the" loop outside a test would make one here and never close it.
    asyncio.set_event_loop(None)
    if config.getoption("--hypothesis-seed") is None:
        given: dict[str, Any] = getattr(config, "workerinput", {})
        config.option.hypothesis_seed = given.get("hypothesis_seed") or str(secrets.randbelow(2**32))


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:
    """Give a worker the seed that is told."""
    node.workerinput["hypothesis_seed"] = str(node.config.getoption("--hypothesis-seed"))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Lanes:
    return Lanes(config, log)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """On workers, begin with what is given long: at the end it would keep one alone."""
    if hasattr(config, "workerinput"):
        items.sort(key=lambda item: item.get_closest_marker("timeout") is None)


_gives_way = pytest.StashKey[bool]()


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """A worker has no lane, or is through with it, once it is given something else: it never goes back to one."""
    config = item.config
    if hasattr(config, "workerinput") and not config.stash.get(_gives_way, False):
        config.stash[_gives_way] = give_way(item.nodeid.partition("::")[0])


def _seed_line(config: pytest.Config) -> str:
    seed = config.getoption("--hypothesis-seed")
    return f"property tests: seed {seed} (repeat with --hypothesis-seed={seed})"


def pytest_report_header(config: pytest.Config) -> str:
    return _seed_line(config)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    told: defaultdict[str, Counter[str]] = defaultdict(Counter)
    for outcome in ("passed", "failed"):
        for report in terminalreporter.getreports(outcome):
            for name, text in report.user_properties:
                told[name][text] += 1
    if told:
        terminalreporter.section("told by the tests")
    for name, texts in sorted(told.items()):
        lines = (text if times == 1 else f"{times} × {text}" for text, times in sorted(texts.items()))
        terminalreporter.write_line(f"{name}: {', '.join(lines)}")
    if terminalreporter.stats.get("failed") or terminalreporter.stats.get("error"):
        terminalreporter.write_line(_seed_line(config))


@pytest.fixture
def tell(request: pytest.FixtureRequest, record_property: Callable[[str, object], None]) -> Callable[[str], None]:
    """Have something told at the end of the run, whether the test passes or not, and whichever worker runs it."""
    return partial(record_property, request.node.originalname)


@pytest.fixture
async def _no_task_left() -> AsyncIterator[None]:
    before = asyncio.all_tasks()
    yield
    left = asyncio.all_tasks() - before - {asyncio.current_task()}
    for _ in range(LOOP_TURNS_TO_END):
        if not left:
            return
        await asyncio.sleep(0)
        left = {task for task in left if not task.done()}
    if left:
        for task in left:
            task.cancel()
        await asyncio.gather(*left, return_exceptions=True)
        names = sorted(getattr(task.get_coro(), "__qualname__", task.get_name()) for task in left)
        pytest.fail("left running: " + ", ".join(names), pytrace=False)


@pytest.fixture(autouse=True)
def _hold_to_no_task_left(request: pytest.FixtureRequest) -> None:
    """Set the check up first, so that it looks last, after a test's own fixtures have closed."""
    if request.node.get_closest_marker("asyncio") is not None:
        request.getfixturevalue("_no_task_left")


@pytest.fixture(scope="session")
def require_program() -> Callable[..., str]:
    """The path of the first of the named programs that is there.

    Where none is, the test is skipped with the reason in the summary; in CI it fails.
    """

    def require(*names: str) -> str:
        path = os.pathsep.join((os.environ.get("PATH", os.defpath), *ELSEWHERE))
        for name in names:
            found = shutil.which(name, path=path)
            if found is not None:
                return found
        message = f"needs the program {' or '.join(names)}, which is not installed here"
        if STRICT:
            pytest.fail(message, pytrace=False)
        pytest.skip(message)

    return require
