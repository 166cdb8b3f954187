"""What an instance shows a broker to be let in: the files of its password, certificate and key.

Owns reading the password and trying the TLS files before anything starts. Never opens a connection, and never repeats what a file holds.
"""

from __future__ import annotations

from pathlib import Path

from monitor.adapters.mqtt_settings import MqttSettings
from monitor.ports import InstanceError


def read_password(path: Path | None) -> str | None:
    """Return the first line of a password's file, ``None`` for no file; raises :class:`InstanceError`."""
    if path is None:
        return None
    try:
        return path.read_text(encoding="utf-8").splitlines()[0]
    except (OSError, UnicodeDecodeError, IndexError):
        raise InstanceError(f"{path}: no password to read on its first line") from None


def try_tls_files(settings: MqttSettings) -> None:
    """Read the certificates and the key once; raises :class:`InstanceError` naming the file that cannot be used."""
    for key, path in (
        ("ca_file", settings.ca_file),
        ("cert_file", settings.cert_file),
        ("key_file", settings.key_file),
    ):
        if path is not None:
            try:
                path.read_bytes()
            except OSError as error:
                raise InstanceError(f"broker.{key}: {path} cannot be read ({error.strerror})") from None
    try:
        settings.tls_context()
    except (OSError, ValueError) as error:
        files = ", ".join(str(path) for path in (settings.ca_file, settings.cert_file, settings.key_file) if path)
        why = getattr(error, "reason", None) or str(error)
        raise InstanceError(f"{files}: not usable for TLS ({why.lower().replace('_', ' ')}); give PEM files") from None
