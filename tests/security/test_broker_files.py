"""The files that let an instance in at its broker: tried before anything starts, and never repeated."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives import serialization

from monitor.adapters.mqtt_access import read_password, try_tls_files
from monitor.adapters.mqtt_settings import MqttSettings
from monitor.config import Broker
from monitor.config.notify_file import Destination, Notify
from monitor.config.secret_files import find_unfit_secrets, list_broker_secrets, list_notify_secrets
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
    assert said_of(broker(tmp_path, mode)) == []


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644, 0o620])
def test_an_open_secret_is_named_with_what_to_do(tmp_path: Path, mode: int) -> None:
    assert said_of(broker(tmp_path, mode)) == [
        f"broker.{key}: other users can read or change {tmp_path / key}; run: chmod 600 {tmp_path / key}"
        for key in ("password_file", "key_file")
    ]


def test_a_secret_that_is_not_there_is_named_with_what_to_do(tmp_path: Path) -> None:
    there = broker(tmp_path, 0o600)
    (tmp_path / "password_file").unlink()
    assert said_of(there) == [
        f"broker.password_file: there is no file {tmp_path / 'password_file'};"
        " write the secret into it, for its owner alone (chmod 600)"
    ]
    (tmp_path / "password_file").mkdir()
    (line,) = said_of(there)
    assert "is a folder" in line


def test_the_secrets_of_every_destination_are_looked_at(tmp_path: Path) -> None:
    (tmp_path / "open").write_text(SECRET)
    (tmp_path / "open").chmod(0o644)
    (tmp_path / "shut").write_text(SECRET)
    (tmp_path / "shut").chmod(0o600)
    notify = Notify(
        destinations={
            "pager": Destination(kind="webhook", url="http://h", secret_file=tmp_path / "none"),
            "chat": Destination(kind="apprise", url_file=tmp_path / "open"),
            "desk": Destination(kind="webhook", url_file=tmp_path / "shut", secret_file=tmp_path / "shut"),
        }
    )
    missing, lies_open = find_unfit_secrets(list_notify_secrets(notify))
    assert missing.startswith("notify.destinations.pager.secret_file: there is no file ")
    assert lies_open.startswith("notify.destinations.chat.url_file: other users can read or change ")
    assert SECRET not in missing + lies_open


def said_of(broker: Broker) -> list[str]:
    return [*find_unfit_secrets(list_broker_secrets(broker))]


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
