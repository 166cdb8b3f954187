"""Signing in at another provider by OpenID Connect, with the authorization code and PKCE.

Owns what is asked of the provider and what of its answer is believed: the signature, the
issuer, the audience, the nonce, and then the claims that the configuration names. Tokens
are used once and kept nowhere.

Sources: OpenID Connect Core 1.0; RFC 7636 (PKCE); RFC 9207 and RFC 9700 (mix-up, open redirects).
"""

from __future__ import annotations

import logging
import secrets
import warnings
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

from monitor.adapters.access.lockout import widen_address
from monitor.adapters.access.names import check_name
from monitor.config import Oidc
from monitor.core.times import MINUTE
from monitor.ports import AccessError, Denied, Journey, Role

LOG: Final = logging.getLogger(__name__)

JOURNEY_MAX: Final = 10 * MINUTE
JOURNEYS_MAX: Final = 5000
JOURNEYS_OF_PLACE_MAX: Final = 50
"""Of one address the oldest beyond these is forgotten, so that nobody can keep all others from signing in."""

RETURN_PATH: Final = "/api/v1/sign-in/oidc/return"
TIMEOUT_S: Final = 10.0

_SIGNED_BY: Final = ("RS256", "RS384", "RS512", "PS256", "PS384", "PS512", "ES256", "ES384", "ES512", "EdDSA")
"""Signatures by a key that only the provider has."""

_FAILED: Final = Denied("failed", "The other provider's answer could not be used.")


class Identity(NamedTuple):
    """Whom the provider vouches for."""

    issuer: str
    subject: str
    name: str
    role: Role


class _Journey(NamedTuple):
    """What has to be the same when somebody comes back."""

    begun: int
    onwards: str
    nonce: str
    verifier: str
    place: str


class OidcProvider:
    """The provider that the configuration names."""

    def __init__(self, settings: Oidc, public_url: str, *, client: Mapping[str, Any] | None = None) -> None:
        """Make ready; ``client`` is handed to the HTTP client. Raises :class:`AccessError`."""
        self._settings = settings
        self._return_url = public_url.rstrip("/") + RETURN_PATH
        self._app = _load_app()(
            None,
            name="oidc",
            client_id=settings.client_id,
            client_secret=_read_secret(settings.client_secret_file),
            server_metadata_url=settings.issuer.rstrip("/") + "/.well-known/openid-configuration",
            client_kwargs={
                "scope": "openid profile",
                "code_challenge_method": "S256",
                "timeout": TIMEOUT_S,
                **(client or {}),
            },
        )
        self._journeys: dict[str, _Journey] = {}

    @property
    def issuer(self) -> str:
        """What the provider calls itself."""
        return self._settings.issuer

    @property
    def roles(self) -> frozenset[Role]:
        """The roles that it can give."""
        return frozenset(map(Role, self._settings.roles.values()))

    async def begin(self, onwards: str, now: int, address: str) -> Journey:
        """Return where to send a browser; raises :class:`AccessError` where the provider does not answer."""
        self._forget(now)
        place = widen_address(address)
        for state in [state for state, each in self._journeys.items() if each.place == place][
            : -JOURNEYS_OF_PLACE_MAX + 1
        ]:
            del self._journeys[state]
        if len(self._journeys) >= JOURNEYS_MAX:
            raise AccessError("too many people are on their way to the other provider")
        nonce = secrets.token_urlsafe(24)
        try:
            await self._learn()
            made = await self._app.create_authorization_url(self._return_url, nonce=nonce)
        except Exception as error:
            raise AccessError(f"the provider {self._settings.issuer} cannot be asked: {type(error).__name__}") from None
        self._journeys[made["state"]] = _Journey(now, onwards, nonce, made["code_verifier"], place)
        return Journey(made["url"], made["state"])

    async def end(self, state: str, query: Mapping[str, str], now: int) -> tuple[Identity | Denied, str]:
        """Judge what a browser brought back, once."""
        self._forget(now)
        journey = self._journeys.pop(state, None)
        if journey is None or "code" not in query or query.get("iss", self._settings.issuer) != self._settings.issuer:
            return _FAILED, "/"
        try:
            claims = await self._fetch_claims(journey, query["code"], state)
        except Exception as error:
            # Whatever a provider can send. The error's own text might repeat a token.
            LOG.warning("sign-in at the provider failed: %s", type(error).__name__, extra={"action": "oidc-failed"})
            return _FAILED, journey.onwards
        return self._read(claims), journey.onwards

    async def _learn(self) -> Mapping[str, Any]:
        metadata: dict[str, Any] = await self._app.load_server_metadata()
        if metadata.get("issuer") != self._settings.issuer:
            raise ValueError("the provider calls itself something else")
        offered = metadata.get("id_token_signing_alg_values_supported") or ["RS256"]
        metadata["id_token_signing_alg_values_supported"] = [each for each in offered if each in _SIGNED_BY]
        return metadata

    async def _fetch_claims(self, journey: _Journey, code: str, state: str) -> Mapping[str, Any]:
        await self._learn()
        token = await self._app.fetch_access_token(
            self._return_url, code=code, state=state, code_verifier=journey.verifier
        )
        claims: Mapping[str, Any] | None = await self._app.parse_id_token(
            token,
            journey.nonce,
            claims_options={
                "iss": {"essential": True, "value": self._settings.issuer},
                "aud": {"essential": True, "value": self._settings.client_id},
                "nonce": {"essential": True, "value": journey.nonce},
            },
        )
        if claims is None:
            raise ValueError("there is no identity token in the answer")
        return claims

    def _read(self, claims: Mapping[str, Any]) -> Identity | Denied:
        """From claims to a person; what they lack is said, since who they are is proved by now."""
        settings = self._settings
        name, subject = claims.get(settings.name_claim), claims.get("sub")
        if not isinstance(name, str) or not isinstance(subject, str):
            return Denied("refused", f"The other provider tells no {settings.name_claim}; ask an administrator.")
        try:
            name = check_name(name)
        except AccessError:
            return Denied("refused", "The name that the other provider tells cannot be used; ask an administrator.")
        held = claims.get(settings.role_claim)
        words = held.split() if isinstance(held, str) else held if isinstance(held, list) else []
        roles = [Role(settings.roles[word]) for word in words if isinstance(word, str) and word in settings.roles]
        if not roles:
            return Denied("refused", "Nothing that the other provider tells gives a role here; ask an administrator.")
        return Identity(settings.issuer, subject, name, max(roles, key=list(Role).index))

    def _forget(self, now: int) -> None:
        old = [state for state, journey in self._journeys.items() if now - journey.begun > JOURNEY_MAX]
        for state in old:
            del self._journeys[state]


def _load_app() -> Callable[..., Any]:
    """Return the library's client, which is installed only where it is wanted."""
    try:
        with warnings.catch_warnings():
            from authlib.deprecate import AuthlibDeprecationWarning

            # It deprecates the HTTP client beneath it, and would say so on every start.
            warnings.simplefilter("ignore", AuthlibDeprecationWarning)
            from authlib.integrations.base_client import BaseApp
            from authlib.integrations.base_client.async_app import AsyncOAuth2Mixin
            from authlib.integrations.base_client.async_openid import AsyncOpenIDMixin
            from authlib.integrations.httpx_client import AsyncOAuth2Client
    except ImportError:
        raise AccessError("http.oidc needs the package authlib; install sillwatch with the extra oidc") from None

    class App(AsyncOAuth2Mixin, AsyncOpenIDMixin, BaseApp):  # type: ignore[misc]
        client_cls = AsyncOAuth2Client

    return App


def _read_secret(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8").splitlines()[0].strip()
    except (OSError, UnicodeDecodeError, IndexError):
        raise AccessError(f"http.oidc.client_secret_file: {path}: no secret to read on its first line") from None
