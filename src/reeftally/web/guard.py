"""Who may see and write what, and what a page may load.

Here:     the host check, the content policy, access codes, the same-origin check of everything that writes.
Not here: routes (`app`), what is written (`writing`).
Rules:    loopback needs no code and answers to loopback names only (a name that points here from elsewhere is
          refused); beyond loopback every request needs a code; codes are compared in constant time and guesses slow
          down; no page loads, sends or embeds anything from elsewhere.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
import time
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from typing import Literal
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["POLICY", "Access", "Guard", "host_of", "is_loopback"]

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "font-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
"""What a page of ours may load: its own files only."""

OPEN = frozenset({"/enter", "/static/page.css", "/static/mark.svg"})
"""What may be seen without a code."""

COOKIE = "reeftally"
GUESSES, PAUSE_S = 10, 60.0

Role = Literal["crew", "viewer"]


def host_of(header: str) -> str:
    """Return the host name of a Host header or of an origin's authority, without its port; lower case."""
    try:
        return (urlsplit(f"//{header}").hostname or "").lower()
    except ValueError:
        return ""


def is_loopback(host: str) -> bool:
    """Return whether a name or address is this machine's own loopback."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


@dataclass
class Access:
    """Who may do what.

    Parameters
    ----------
    codes : dict
        Code by role. Empty: loopback only, and whoever sits at this machine is crew.
    hosts : frozenset of str
        Names and addresses, beside loopback, under which the server answers; only with codes.
    """

    codes: dict[Role, str] = field(default_factory=dict)
    hosts: frozenset[str] = frozenset()
    secret: bytes = field(default_factory=lambda: secrets.token_bytes(32))
    _guesses: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        if self.hosts and not {"crew", "viewer"} <= self.codes.keys():
            message = "Serving beyond this machine needs a code for viewers and one for the crew."
            raise ValueError(message)

    def answers_to(self, host: str) -> bool:
        """Return whether the server answers under a name."""
        return is_loopback(host) or host in self.hosts

    def role_of(self, cookie: str) -> Role | None:
        """Return the role that a cookie proves; crew where no codes are asked."""
        if not self.codes:
            return "crew"
        for role in ("crew", "viewer"):
            if hmac.compare_digest(cookie.encode(), self.cookie_for(role).encode()):
                return role
        return None

    def cookie_for(self, role: Role) -> str:
        """Return what proves a role until the server stops."""
        return hmac.new(self.secret, f"{role}:{self.codes[role]}".encode(), hashlib.sha256).hexdigest()

    def token(self, role: Role) -> str:
        """Return what every form of a role carries."""
        return hmac.new(self.secret, f"form:{role}".encode(), hashlib.sha256).hexdigest()

    def enter(self, code: str) -> Role | None:
        """Return the role of a code; None for a wrong one, or while guesses are slowed down."""
        now = time.monotonic()
        self._guesses = [t for t in self._guesses if now - t < PAUSE_S][-GUESSES:]
        if len(self._guesses) >= GUESSES:
            return None
        for role, known in self.codes.items():
            if hmac.compare_digest(code.strip().encode(), known.encode()):
                return role
        self._guesses.append(now)
        return None


class Guard:
    """Checks every request before it reaches a page, and marks every answer."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self.app, self.access = app, access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it here."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        refused = self._refused(scope, headers)
        if refused is not None:
            await refused(scope, receive, _marked(send))
            return
        await self.app(scope, receive, _marked(send))

    def _refused(self, scope: Scope, headers: Headers) -> PlainTextResponse | RedirectResponse | None:
        host = headers.get("host", "")
        if not self.access.answers_to(host_of(host)):
            return PlainTextResponse(
                "This page answers only under the address that `reeftally watch` printed.\n", status_code=421
            )
        if scope["method"] not in {"GET", "HEAD", "POST"}:
            return PlainTextResponse("Only GET, HEAD and POST are understood.\n", status_code=405)
        if scope["method"] == "POST" and not _same_origin(headers, host):
            return PlainTextResponse("Only the page's own forms may write.\n", status_code=403)
        role = self.access.role_of(_cookie(headers))
        scope["state"] = {**scope.get("state", {}), "role": role}
        if role is None and scope["path"] not in OPEN:
            if scope["method"] == "GET" and "text/html" in headers.get("accept", ""):
                return RedirectResponse("/enter", status_code=303)
            return PlainTextResponse("An access code is needed: open /enter.\n", status_code=401)
        return None


def _cookie(headers: Headers) -> str:
    jar: SimpleCookie = SimpleCookie()
    try:
        jar.load(headers.get("cookie", ""))
    except CookieError:
        # A cookie that cannot be read is no access code.
        return ""
    return jar[COOKIE].value if COOKIE in jar else ""


def _same_origin(headers: Headers, host: str) -> bool:
    """Return whether a writing request comes from a page of this server."""
    site = headers.get("sec-fetch-site")
    if site is not None and site != "same-origin":
        return False
    origin = headers.get("origin")
    if origin is None:
        return site == "same-origin"
    return urlsplit(origin).netloc.lower() == host.lower()


def _marked(send: Send) -> Send:
    async def marked(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            headers.setdefault("content-security-policy", POLICY)
            headers.setdefault("x-content-type-options", "nosniff")
            headers.setdefault("referrer-policy", "same-origin")
            headers.setdefault("cross-origin-opener-policy", "same-origin")
            headers.setdefault("cross-origin-resource-policy", "same-origin")
            headers.setdefault("x-frame-options", "DENY")
            headers.setdefault("cache-control", "no-store")
        await send(message)

    return marked
