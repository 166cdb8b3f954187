"""How the service is reached: under which names, through which proxies, with or without TLS.

Owns what of a request may be believed about where it came from and what it was sent to. A
name that is not ours is never answered, so that no other site can point its own at us.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.types import Scope

from monitor.config import Http
from monitor.config.http_file import is_loopback

Network = ipaddress.IPv4Network | ipaddress.IPv6Network

_HOST: Final = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[^:\[\]/@]+)(?::[0-9]{1,5})?")
_FORWARDING: Final = ("x-forwarded-for", "x-forwarded-host", "x-real-ip", "forwarded", "via")


@dataclass(frozen=True, slots=True)
class Front:
    """The outside of one instance.

    ``public_url`` is the address that people use, empty where it is the one listened on;
    ``proxies`` are those whose ``X-Forwarded-For`` is believed; ``host`` is the name or
    address listened on. Certificate and key are paths of PEM files, both or none.
    """

    host: str = "127.0.0.1"
    public_url: str = ""
    cert_file: Path | None = None
    key_file: Path | None = None
    proxies: Sequence[Network] = ()

    @property
    def secure(self) -> bool:
        """Whether browsers reach us by TLS, ours or a proxy's."""
        return self.cert_file is not None or self.public_url.startswith("https://")

    @property
    def origin(self) -> str:
        """The origin of our own page as a browser writes it; empty where no address is set."""
        if not self.public_url:
            return ""
        parts = urlsplit(self.public_url)
        return f"{parts.scheme}://{parts.netloc}".lower()

    @property
    def owns_its_host(self) -> bool:
        """Whether all of the public host is ours, so that a browser may be told to use TLS alone there."""
        parts = urlsplit(self.public_url)
        return parts.scheme == "https" and parts.port in (None, 443)

    def answers_to(self, host: str, server: str) -> bool:
        """Tell whether a Host header names us: by loopback, a name of ours, or the address ``server`` that it reached."""
        match = _HOST.fullmatch(host)
        if match is None:
            return False
        name = match[1].lower().strip("[]")
        ours = {self.host.lower(), (urlsplit(self.public_url).hostname or "").lower()} - {""}
        # A page of another site cannot have an address for its name, so one that it came to is ours.
        return is_loopback_host(host) or name in ours or _is_same_address(name, server)

    def find_client(self, scope: Scope) -> str:
        """Return the address that a request came from; what a proxy says only where it is one of ours."""
        peer = scope["client"][0] if scope.get("client") else ""
        if not self.is_proxy(peer):
            return str(peer)
        told = ",".join(Headers(scope=scope).getlist("x-forwarded-for")).split(",")
        for text in reversed(told):
            try:
                hop = str(ipaddress.ip_address(text.strip()))
            except ValueError:
                break
            peer = hop
            if not self.is_proxy(hop):
                break
        return str(peer)

    def is_local(self, scope: Scope) -> bool:
        """Tell whether a request surely comes from this machine itself, and not from far away through a proxy on it."""
        headers = Headers(scope=scope)
        peer = scope["client"][0] if scope.get("client") else ""
        behind_a_proxy = self.proxies or (self.public_url and is_loopback(self.host))
        return (
            is_loopback(peer)
            and is_loopback_host(headers.get("host", ""))
            and not behind_a_proxy
            and not any(name in headers for name in _FORWARDING)
        )

    def is_proxy(self, address: str) -> bool:
        """Tell whether many may speak through this address."""
        try:
            found = ipaddress.ip_address(address)
        except ValueError:
            return False
        if isinstance(found, ipaddress.IPv6Address) and found.ipv4_mapped is not None:
            # So a socket for both families writes IPv4.
            found = found.ipv4_mapped
        return any(found in network for network in self.proxies)


def build_front(http: Http) -> Front:
    """Return the front that the configuration describes."""
    return Front(
        host=http.host,
        public_url=http.public_url or "",
        cert_file=http.tls_cert_file,
        key_file=http.tls_key_file,
        proxies=tuple(ipaddress.ip_network(text) for text in http.trusted_proxies),
    )


FRONT: Final = Front()
"""Loopback alone, without TLS and without a proxy."""


def is_loopback_host(host: str) -> bool:
    """Tell whether a Host header names this machine itself, at any port.

    A page of another site that points its own name at 127.0.0.1 (DNS rebinding) still
    sends that name.
    """
    match = _HOST.fullmatch(host)
    return match is not None and is_loopback(match[1].lower().strip("[]"))


def _is_same_address(name: str, server: str) -> bool:
    try:
        return ipaddress.ip_address(name) == ipaddress.ip_address(server.partition("%")[0])
    except ValueError:
        return False
