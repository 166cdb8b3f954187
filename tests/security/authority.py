"""Certificates for the tests, made when they run: an authority and what it signs.

Owns keys and certificates in PEM files under a folder of the test's; none is ever committed.
"""

from __future__ import annotations

import datetime
import ipaddress
from pathlib import Path
from typing import NamedTuple

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

HOST = "127.0.0.1"


class Pair(NamedTuple):
    """A certificate and its key, as files."""

    cert: Path
    key: Path


class Authority:
    """A certificate authority of its own; ``ca`` is what trusts it."""

    def __init__(self, folder: Path, name: str) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder, self._name = folder, x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        self._key = ec.generate_private_key(ec.SECP256R1())
        self.ca = folder / "ca.pem"
        usage = x509.KeyUsage(False, False, False, False, False, True, True, False, False)
        made = (
            self._begin(self._name, self._key.public_key(), days=2)
            .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
            .add_extension(usage, critical=True)
            .sign(self._key, hashes.SHA256())
        )
        self.ca.write_bytes(made.public_bytes(serialization.Encoding.PEM))

    def sign(self, name: str, *, host: str = "", days: int = 2) -> Pair:
        """Make a pair called ``name``; ``host`` is the address a server is reached at, a negative ``days`` is over."""
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        builder = self._begin(subject, key.public_key(), days=days)
        if host:
            entry = x509.IPAddress(ipaddress.ip_address(host))
            builder = builder.add_extension(x509.SubjectAlternativeName([entry]), critical=False)
        cert = builder.sign(self._key, hashes.SHA256())
        pair = Pair(self._folder / f"{name}.pem", self._folder / f"{name}.key")
        pair.cert.write_bytes(cert.public_bytes(serialization.Encoding.PEM))
        pair.key.touch(mode=0o600)
        pair.key.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
            )
        )
        return pair

    def _begin(self, subject: x509.Name, public: ec.EllipticCurvePublicKey, *, days: int) -> x509.CertificateBuilder:
        now = datetime.datetime.now(datetime.UTC)
        return (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(self._name)
            .public_key(public)
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - datetime.timedelta(days=4))
            .not_valid_after(now + datetime.timedelta(days=days))
        )
