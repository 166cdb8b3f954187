"""A drill with real processes: granted, a simulated door opened in it, scored, and told everywhere alike."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import pytest

from tests.acceptance.clients import read_retained
from tests.acceptance.conftest import Live
from tests.acceptance.programs import SITE, sillwatch, until

pytestmark = pytest.mark.broker

REG: Final = "ZT-DRL"
SCENARIO: Final = """\
about: an aircraft at rest, and a door that is opened
end: 16s
aircraft:
  - {reg: ZT-DRL, type: cedar, stand: S14, start: closed}
steps:
  - {at: 4s, door: L1, do: open}
"""


def simulate(live: Live, folder: Path, duration: str) -> None:
    """Play the scenario, as long as ``duration`` says."""
    scenario = folder / "drill.yaml"
    scenario.write_text(SCENARIO, encoding="utf-8")
    flags = ("--broker", live.url, "--speed", "8", "--duration", duration)
    program = sillwatch(folder, "simulate", str(scenario), *flags)
    try:
        assert program.wait(90) == 0, program.err
    finally:
        program.close()


def without_age(document: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in document.items() if key != "elapsed_s"}


def test_a_drill_is_scored_and_told_everywhere_alike(live_mosquitto: Live, tmp_path: Path) -> None:
    live = live_mosquitto
    simulate(live, tmp_path, "3s")
    live.instance.wait_door(REG, "L1", "closed_locked")
    permit = {"kind": "drill", "aircraft": REG, "doors": ["L1"], "reason": "training", "by": "Mia", "minutes": 60}
    answer = live.instance.post("/api/v1/permits", {**permit, "name": "first night", "procedure": "open-inside"})
    assert answer.status_code == 201, answer.text
    drill = answer.json()["permit_id"]
    simulate(live, tmp_path, "16s")
    [run] = until(
        lambda: live.instance.ask("/api/v1/procedure-runs", drill=drill)["items"],
        lambda: str(live.instance.ask(f"/api/v1/aircraft/{REG}")["procedures"]),
    )
    assert (run["procedure"], run["state"], run["door"], run["simulated"]) == ("open-inside", "finished", "L1", True)
    assert {step["state"] for step in run["steps"]} == {"taken"}
    score = run["drill"]["score"]
    assert run["drill"] == {"permit_id": drill, "name": "first night", "score": score}
    assert (score["percent"], score["points"]) == (100.0, score["of"])
    topic = f"sillwatch/v1/procedure/{SITE}/{REG}/L1"
    assert read_retained(live.url, live.folder, topic)[topic].json == run
    [shown] = live.instance.ask(f"/api/v1/aircraft/{REG}")["procedures"]
    assert without_age(shown) == without_age(run)
    [listed] = live.instance.ask("/api/v1/drills", aircraft=REG)["items"]
    assert (listed["name"], listed["procedure"], listed["ended_at"]) == ("first night", "open-inside", None)
    assert (listed["runs"], listed["simulated"]) == ([run["run_id"]], True)
    report = live.instance.http.get("/api/v1/debrief", params={"drill": drill}, timeout=120.0).json()
    assert [each["run_id"] for each in report["procedures"]] == [run["run_id"]]
    assert report["summary"]["score_percent"] == 100.0
    ended = live.instance.post(f"/api/v1/permits/{drill}/end", {"by": "Mia", "reason": "done"})
    assert ended.status_code < 300, ended.text
    until(lambda: live.instance.ask("/api/v1/drills", aircraft=REG)["items"][0]["ended_at"], "the drill's end")
