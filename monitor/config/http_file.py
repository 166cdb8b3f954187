"""The keys of the section ``http``: where the board is served, and who else vouches for people.

Owns names, ranges and defaults. Whether an address may be listened on depends on who can
sign in, so that is looked at when the instance starts; a secret is never among the keys,
only the file that holds it.
"""

from __future__ import annotations

import ipaddress
import re
from pathlib import Path
from typing import Annotated, Final, Literal
from urllib.parse import SplitResult, urlsplit

from pydantic import Field, field_validator, model_validator

from monitor.config.models import Section, wrong

HttpPath = Annotated[Path, Field(strict=False)]
_HOST: Final = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?")
RoleName = Literal["viewer", "coordinator", "administrator"]


class Oidc(Section):
    """Another provider of sign-in, by OpenID Connect."""

    issuer: str = Field(
        description="the provider's address as it calls itself, https://", examples=["https://sign-in.example"]
    )
    client_id: str = Field(min_length=1, description="what the provider calls this service", examples=["sillwatch"])
    client_secret_file: HttpPath = Field(
        description="the path of a file whose first line is the secret that the provider gave, relative to this file",
        examples=["oidc.secret"],
    )
    name_claim: str = Field(
        default="preferred_username",
        min_length=1,
        description="the claim that holds a person's name",
        examples=["preferred_username"],
    )
    role_claim: str = Field(
        default="groups",
        min_length=1,
        description="the claim that holds a person's groups or roles at the provider",
        examples=["groups"],
    )
    roles: dict[str, RoleName] = Field(
        min_length=1,
        description="a group of names in that claim, each with viewer, coordinator or administrator; "
        "of several the highest counts, and nobody else may sign in",
        examples=["{apron: coordinator}"],
    )

    @field_validator("issuer")
    @classmethod
    def _check_issuer(cls, value: str) -> str:
        parts = read_url(value, "https://sign-in.example")
        if parts.scheme != "https" and not is_loopback(parts.hostname or ""):
            raise wrong(f"{value!r} is not encrypted; give an address that starts with https://")
        return value


class Http(Section):
    """Where the board and the HTTP interface are served."""

    host: str = Field(
        default="127.0.0.1",
        min_length=1,
        description="the address to listen on; other than loopback only once somebody can sign in",
        examples=["127.0.0.1"],
    )
    port: int = Field(
        default=8080, ge=0, le=65535, description="the port to listen on, 0 for a free one", examples=[8080]
    )
    public_url: str | None = Field(
        default=None,
        description="the address that people open, where it is another than the one listened on: a name, or a proxy's",
        examples=["https://board.example"],
    )
    tls_cert_file: HttpPath | None = Field(
        default=None,
        description="the path of the certificate, with its chain, in PEM, relative to this file; left out, no TLS",
        examples=["board.pem"],
    )
    tls_key_file: HttpPath | None = Field(
        default=None,
        description="the path of the key of tls_cert_file in PEM, without a password, relative to this file",
        examples=["board.key"],
    )
    trusted_proxies: list[str] = Field(
        default_factory=list,
        description="a list of addresses or networks of proxies whose X-Forwarded-For is believed",
        examples=[["127.0.0.1", "192.0.2.0/28"]],
    )
    oidc: Oidc | None = Field(
        default=None,
        description="a group of keys on another provider of sign-in; left out, there is none",
        examples=["{issuer: 'https://sign-in.example', client_id: sillwatch}"],
    )

    @field_validator("host")
    @classmethod
    def _check_host(cls, value: str) -> str:
        if not _HOST.fullmatch(value) and not _is_address(value):
            raise wrong(f"{value[:80]!r} is no address or name of a machine; give one such as 127.0.0.1")
        return value

    @field_validator("public_url")
    @classmethod
    def _check_public_url(cls, value: str | None) -> str | None:
        if value is not None and read_url(value, "https://board.example").path not in ("", "/"):
            raise wrong(f"{value!r} goes on after the host; give one such as https://board.example")
        return value

    @field_validator("trusted_proxies")
    @classmethod
    def _check_proxies(cls, value: list[str]) -> list[str]:
        for text in value:
            try:
                ipaddress.ip_network(text)
            except ValueError:
                raise wrong(f"{text!r} is no address or network; give one such as 192.0.2.0/28") from None
        return value

    @model_validator(mode="after")
    def _check_whole(self) -> Http:
        if (self.tls_cert_file is None) != (self.tls_key_file is None):
            names = ("tls_cert_file", "tls_key_file")
            given, other = names if self.tls_key_file is None else names[::-1]
            raise wrong(f"{given} is given without {other}; give {other!r} too")
        if self.tls_cert_file is not None and (self.public_url or "https://").startswith("http://"):
            raise wrong("public_url has no TLS and tls_cert_file is given; give an address that starts with https://")
        if self.oidc is not None and self.public_url is None:
            raise wrong("oidc is given without public_url, to which the provider leads people back; give it too")
        return self


def read_url(value: str, such: str) -> SplitResult:
    """Return the parts of an http or https address, or raise the error of a validator."""
    try:
        parts = urlsplit(value)
        port = parts.port
    except ValueError:
        raise wrong(f"the address has no usable host and port; give one such as {such}") from None
    if parts.username is not None or parts.password is not None:
        raise wrong("an address must not hold a user or a password; leave them out")
    if parts.scheme not in ("http", "https") or not parts.hostname or port == 0 or parts.query or parts.fragment:
        raise wrong(f"{value!r} is no address of a site; give one such as {such}")
    return parts


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def is_loopback(host: str) -> bool:
    """Tell whether only this machine can reach ``host``."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
