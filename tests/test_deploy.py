"""The examples under ``deploy/``, read by the programs that they are for.

Owns the checks that an example is accepted as it stands and says what the documentation
promises of it; starts brokers on free loopback ports only, and ends them.
"""

from __future__ import annotations

import configparser
import os
import re
import shlex
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
import yaml

ROOT = Path(__file__).resolve().parent.parent
DEPLOY = ROOT / "deploy"
DEADLINE_S = 10.0

Require = Callable[..., str]


def _text(name: str) -> str:
    return (DEPLOY / name).read_text(encoding="utf-8")


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def _wait_for_port(port: int, process: subprocess.Popen[str]) -> None:
    """Wait until ``port`` accepts a connection; fail once ``process`` has ended or the deadline has passed."""
    deadline = time.monotonic() + DEADLINE_S
    while time.monotonic() < deadline and process.poll() is None:
        with socket.socket() as probe:
            probe.settimeout(0.2)
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.01)
    process.kill()
    pytest.fail(f"never listened: {process.communicate()[0]}")


def _run_and_end(command: list[str], port: int) -> str:
    """Run a broker until it listens, then end it; the log it wrote."""
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    try:
        _wait_for_port(port, process)
        process.send_signal(signal.SIGTERM)
        log, _ = process.communicate(timeout=DEADLINE_S)
    finally:
        process.kill()
        process.wait()
    return log


# Brokers


@pytest.mark.broker
def test_mosquitto_takes_the_example(require_program: Require, tmp_path: Path) -> None:
    program = require_program("mosquitto")
    port = _free_port()
    config, found = re.subn(
        r"^listener 1883 127\.0\.0\.1$", f"listener {port} 127.0.0.1", _text("mosquitto.conf"), flags=re.M
    )
    config, placed = re.subn(r"^persistence_location .*$", f"persistence_location {tmp_path}/", config, flags=re.M)
    assert (found, placed) == (1, 1)
    if os.geteuid() == 0:
        config += "user root\n"
    (tmp_path / "mosquitto.conf").write_text(config, encoding="utf-8")
    log = _run_and_end([program, "-c", str(tmp_path / "mosquitto.conf")], port)
    complaints = [line for line in log.splitlines() if re.search(r"Error|Warning|recommended|deprecated", line)]
    assert [line for line in complaints if "run as root" not in line] == []
    assert (tmp_path / "mosquitto.db").exists()


def test_mosquitto_keeps_what_it_acknowledged() -> None:
    settings = dict(line.split(maxsplit=1) for line in _text("mosquitto.conf").splitlines() if line and line[0] != "#")
    assert settings["set_tcp_nodelay"] == "true"
    assert (settings["persistence"], settings["autosave_on_changes"], settings["autosave_interval"]) == (
        "true",
        "true",
        "1",
    )
    assert int(settings["max_inflight_messages"]) > 20


@pytest.mark.broker
def test_nats_server_takes_the_example(require_program: Require, tmp_path: Path) -> None:
    program = require_program("nats-server")
    checked = subprocess.run(
        [program, "-t", "-c", DEPLOY / "nats-server.conf"], capture_output=True, text=True, timeout=30
    )
    assert checked.returncode == 0, checked.stderr
    port, mqtt_port = _free_port(), _free_port()
    config = _text("nats-server.conf")
    for old, new in (
        ("port: 4222", f"port: {port}"),
        ("port: 1883", f"port: {mqtt_port}"),
        ("/var/lib/nats", str(tmp_path / "store")),
    ):
        assert config.count(old) == 1
        config = config.replace(old, new)
    (tmp_path / "nats-server.conf").write_text(config, encoding="utf-8")
    log = _run_and_end([program, "-c", str(tmp_path / "nats-server.conf")], mqtt_port)
    assert not re.search(r"\[(?:WRN|ERR|FTL)\]", log), log
    assert "sync_interval: always" in config


def test_brokers_listen_on_loopback_alone() -> None:
    listeners = re.findall(r"^listener \d+(.*)$", _text("mosquitto.conf"), flags=re.MULTILINE)
    assert [host.strip() for host in listeners] == ["127.0.0.1"]
    nats = re.findall(r"^\s*(host|port): (\S+)$", _text("nats-server.conf"), flags=re.MULTILINE)
    assert [key for key, _ in nats] == ["host", "port"] * 2
    assert {value for key, value in nats if key == "host"} == {"127.0.0.1"}


def test_brokers_for_other_machines_ask_for_certificate_and_password() -> None:
    """That they hold to it is tried in ``tests/security``."""
    lines = [line.split(maxsplit=1) for line in _text("mosquitto-tls.conf").splitlines() if line and line[0] != "#"]
    settings = dict(lines)
    assert len(settings) == len(lines)
    assert (settings["require_certificate"], settings["allow_anonymous"]) == ("true", "false")
    plain = dict(line.split(maxsplit=1) for line in _text("mosquitto.conf").splitlines() if line and line[0] != "#")
    kept = plain.keys() - {"listener", "allow_anonymous"}
    assert {key: settings[key] for key in kept} == {key: plain[key] for key in kept}
    nats, plain_nats = _text("nats-server-tls.conf"), _text("nats-server.conf")
    assert "verify: true" in nats
    for line in ("sync_interval: always", "max_ack_pending: 256", 'ack_wait: "2s"', "max_payload: 256KB"):
        assert line in nats
        assert line in plain_nats
    users = re.findall(r"user: (\S+?),", nats)
    assert (
        nats.count("permissions: {")
        == nats.count('allowed_connection_types: ["MQTT"]')
        == len(users)
        == len(set(users))
        == 4
    )


# The service


class _Repeating(dict[str, object]):
    """Keeps every value of a key that a unit file repeats."""

    def __setitem__(self, key: str, value: object) -> None:
        held = self.get(key)
        if isinstance(held, list) and isinstance(value, list):
            value = held + value
        super().__setitem__(key, value)


def _service() -> dict[str, str]:
    parser = configparser.RawConfigParser(
        strict=False, dict_type=_Repeating, delimiters=("=",), comment_prefixes=("#",)
    )
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read_string(_text("sillwatch.service"))
    return dict(parser["Service"])


def test_the_service_holds_no_privileges() -> None:
    service = _service()
    for key, value in {
        "DynamicUser": "yes",
        "NoNewPrivileges": "yes",
        "ProtectSystem": "strict",
        "ProtectHome": "yes",
        "PrivateTmp": "yes",
        "CapabilityBoundingSet": "",
        "StateDirectory": "sillwatch",
        "Type": "notify",
        "NotifyAccess": "main",
        "WatchdogSec": "30",
        "Restart": "always",
    }.items():
        assert service[key] == value, key


def test_the_service_starts_what_exists_and_writes_where_it_may() -> None:
    service = _service()
    program, command, *args = shlex.split(service["ExecStart"])
    assert Path(program).name == "sillwatch"
    assert args[args.index("--data") + 1] == f"/var/lib/{service['StateDirectory']}"
    shown = subprocess.run(
        [Path(sys.executable).parent / "sillwatch", command, "--help"],
        cwd=ROOT,
        env={**os.environ, "COLUMNS": "200", "NO_COLOR": "1", "TERM": "dumb"},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert shown.returncode == 0, shown.stderr
    assert [flag for flag in args if flag.startswith("--") and flag not in shown.stdout] == []


def test_systemd_takes_the_unit(tmp_path: Path, require_program: Require) -> None:
    require_program("systemd-analyze")
    unit = tmp_path / "sillwatch.service"
    unit.write_text(
        _text("sillwatch.service").replace("/opt/sillwatch/bin/sillwatch", sys.executable), encoding="utf-8"
    )
    checked = subprocess.run(["systemd-analyze", "verify", unit], capture_output=True, text=True, timeout=60)
    assert (checked.returncode, [line for line in checked.stderr.splitlines() if unit.name in line]) == (0, [])


# Prometheus


def test_prometheus_scrapes_the_path_that_is_served() -> None:
    scraping = yaml.safe_load(_text("prometheus.yml"))
    assert scraping["rule_files"] == ["alerts.rules.yml"]
    [job] = scraping["scrape_configs"]
    assert (job["job_name"], job["metrics_path"]) == ("sillwatch", "/metrics")


def test_alert_rules_are_whole_and_use_metrics_that_exist() -> None:
    exposed = "\n".join(path.read_text(encoding="utf-8") for path in (ROOT / "monitor/adapters").rglob("metrics*.py"))
    names = set(re.findall(r'"(sillwatch_\w+)"', exposed))
    names |= {f"sillwatch_{name}" for name in re.findall(r'^\s*\("(\w+)", "', exposed, flags=re.MULTILINE)}
    [group] = yaml.safe_load(_text("alerts.rules.yml"))["groups"]
    assert len({rule["alert"] for rule in group["rules"]}) == len(group["rules"])
    for rule in group["rules"]:
        assert rule["labels"]["severity"] in {"page", "ticket"}
        assert {"summary", "action"} == set(rule["annotations"])
        for metric in re.findall(r"\bsillwatch_\w+", rule["expr"]):
            assert re.sub(r"_(?:total|bucket|sum|count)$", "", metric) in names, metric
