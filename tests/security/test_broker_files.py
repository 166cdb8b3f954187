"""The files that let an instance in at its broker: tried before anything starts, and never repeated."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives import serialization

from monitor.adapters.mqtt_access import find_open_secrets, read_password, try_tls_files
from monitor.adapters.mqtt_settings import MqttSettings
from monitor.config import Broker
from monitor.ports import InstanceError
from tests.security.authority import Authority

SECRET = "open-sesame-of-the-tests"


def settings(**files: Any) -> MqttSettings:
    return MqttSettings(
        url="mqtts://127.0.0.1", instance="i", inputs=(), outputs=(), status_topic="s", started="", online=b"",
        offline=b"", **files,
    )  # fmt: skip


def test_a_pair_of_one_authority_is_taken(tmp_path: Path) -> None:
    authority = Authority(tmp_path, "Test authority")
    cert, key = authority.sign("monitor")
    try_tls_files(settings(ca_file=authority.ca, cert_file=cert, key_file=key))


def test_a_file_that_cannot_be_used_ends_the_start_with_one_line_that_names_it(tmp_path: Path) -> None:
    authority = Authority(tmp_path, "Test authority")
    cert, key = authority.sign("monitor")
    _, other_key = authority.sign("other")
    private = serialization.load_pem_private_key(key.read_bytes(), None)
    locked = tmp_path / "locked.key"
    locked.write_bytes(
        private.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.BestAvailableEncryption(SECRET.encode()),
        )
    )
    text = tmp_path / "text.pem"
    text.write_text(SECRET)
    missing = tmp_path / "missing.pem"
    for files, named, why in (
        ({"ca_file": missing}, missing, "No such file"),
        ({"ca_file": tmp_path}, tmp_path, "Is a directory"),
        ({"ca_file": text}, text, "not usable for TLS"),
        ({"cert_file": cert, "key_file": missing}, missing, "No such file"),
        ({"cert_file": text, "key_file": key}, text, "not usable for TLS"),
        ({"cert_file": cert, "key_file": other_key}, other_key, "mismatch"),
        ({"cert_file": cert, "key_file": locked}, locked, "the key has a password"),
    ):
        with pytest.raises(InstanceError) as caught:
            try_tls_files(settings(**files))
        said = str(caught.value)
        assert str(named) in said
        assert why in said
        assert "\n" not in said
        assert SECRET not in said


@pytest.mark.parametrize("content", [b"", b"\xff\xfe", None])
def test_a_password_that_cannot_be_read_is_one_line(tmp_path: Path, content: bytes | None) -> None:
    path = tmp_path / "password"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(InstanceError, match="no password to read on its first line"):
        read_password(path)


def test_the_first_line_is_the_password(tmp_path: Path) -> None:
    path = tmp_path / "password"
    path.write_text(f"{SECRET}\nand a remark\n")
    assert read_password(path) == SECRET
    assert read_password(None) is None


@pytest.mark.parametrize("mode", [0o600, 0o400])
def test_secrets_of_one_user_are_not_spoken_of(tmp_path: Path, mode: int) -> None:
    assert [*find_open_secrets(broker(tmp_path, mode))] == []


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644, 0o620])
def test_an_open_secret_is_named_with_what_to_do(tmp_path: Path, mode: int) -> None:
    told = [*find_open_secrets(broker(tmp_path, mode))]
    assert told == [
        f"broker.{key}: other users can read or change {tmp_path / key}; run: chmod 600 {tmp_path / key}"
        for key in ("password_file", "key_file")
    ]


def broker(folder: Path, mode: int) -> Broker:
    for name in ("password_file", "key_file"):
        (folder / name).write_text(SECRET)
        (folder / name).chmod(mode)
    return Broker(
        url="mqtts://h",
        user="monitor",
        password_file=folder / "password_file",
        cert_file=folder / "cert.pem",
        key_file=folder / "key_file",
    )
