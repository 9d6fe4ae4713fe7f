"""Who may ask for what: Host and Origin are checked, changing needs a token where others can reach the server.

- Host: an address (no name can be made to point at another machine's browser by it), localhost, or a name this server
  goes by. Anything else is a page elsewhere that had a name of its own point here.
- Origin: this server's own pages only; other sites may neither read nor change.
- Every answer carries a content security policy that lets nothing run but this server's own files.
"""

from __future__ import annotations

import hmac
import ipaddress
import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qsl, urlencode, urlsplit

from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "tapwright_token"
READING_METHODS = ("GET", "HEAD")
HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
        "font-src 'self'; media-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'self'; "
        "frame-ancestors 'none'"),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


@dataclass(frozen=True, kw_only=True)
class Access:
    """The rules of one server.

    Parameters
    ----------
    names : host names it goes by, besides localhost
    token : what changing needs; None where nothing does
    private : reading needs the token too
    open_paths : paths that never need it
    """

    names: frozenset[str] = frozenset()
    token: str | None = field(default=None, repr=False)
    private: bool = False
    open_paths: tuple[str, ...] = ("/health",)

    def host_is_ours(self, host: str) -> bool:
        """Whether a Host header names this server."""
        name = _host_name(host)
        if name is None:
            return False
        if name == "localhost" or name in self.names:
            return True
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return False
        return True

    def needs_token(self, method: str, path: str) -> bool:
        """Whether a request needs the token."""
        if self.token is None or path in self.open_paths:
            return False
        return self.private or method not in READING_METHODS

    def token_is_right(self, given: Iterable[str]) -> bool:
        """Whether one of the tokens given is the right one (compared in constant time)."""
        token = (self.token or "").encode()
        return any(hmac.compare_digest(one.encode(), token) for one in given)


class Guard:
    """Checks every request before the application sees it, and adds the headers to every answer."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self.app = app
        self.access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                there = {name for name, _ in message["headers"]}
                message["headers"] = [*message["headers"], *(
                    (name.encode(), value.encode()) for name, value in HEADERS.items() if name.encode() not in there)]
            await send(message)

        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await _answer(send_with_headers, *refusal)
            return
        entry = self._entry(scope)
        if entry is not None:
            await _answer(send_with_headers, *entry)
            return
        await self.app(scope, receive, send_with_headers)

    def _refusal(self, scope: Scope, headers: dict[str, str]) -> tuple[int, dict[str, str], bytes] | None:
        host, access = headers.get("host", ""), self.access
        if not access.host_is_ours(host):
            return _error(403, f"this server does not go by the name '{host[:80]}'",
                          "use its address, or start it with --allow-host")
        origin = headers.get("origin")
        if origin is not None and _host_of(origin) != host.lower():
            return _error(403, f"pages of {origin[:80]} may not use this server", "open this server's own page")
        if headers.get("sec-fetch-site") == "cross-site" and scope["method"] not in READING_METHODS:
            return _error(403, "another site's page asked for this", "open this server's own page")
        if access.needs_token(scope["method"], scope["path"]) and not access.token_is_right(_tokens(scope, headers)):
            return _error(401, "the token is missing or wrong",
                          "open the page by the address with ?token= that was printed at start, or send "
                          "'Authorization: Bearer TOKEN'", {"www-authenticate": "Bearer"})
        return None

    def _entry(self, scope: Scope) -> tuple[int, dict[str, str], bytes] | None:
        # A page opened with ?token= keeps it as a cookie and loses it from the address, which is seen on camera.
        if self.access.token is None or scope["method"] != "GET" or scope["path"].startswith(("/api/", "/static/")):
            return None
        query = parse_qsl(scope["query_string"].decode("latin-1"), keep_blank_values=True)
        given = [value for name, value in query if name == "token"]
        if not given or not self.access.token_is_right(given):
            return None
        rest = urlencode([(name, value) for name, value in query if name != "token"])
        # Not a path of two slashes: that would lead to another server.
        where = "/" + scope["path"].lstrip("/\\")
        return 303, {"location": where + (f"?{rest}" if rest else ""), "cache-control": "no-store",
                     "set-cookie": f"{COOKIE}={given[0]}; Path=/; HttpOnly; SameSite=Strict; Max-Age=31536000"}, b""


def _tokens(scope: Scope, headers: dict[str, str]) -> list[str]:
    found = []
    kind, _, value = headers.get("authorization", "").partition(" ")
    if kind.lower() == "bearer":
        found.append(value.strip())
    try:
        cookie = SimpleCookie(headers.get("cookie", ""))
    except CookieError:
        cookie = SimpleCookie()
    if COOKIE in cookie:
        found.append(cookie[COOKIE].value)
    if scope["method"] in READING_METHODS:
        found += [value for name, value in parse_qsl(scope["query_string"].decode("latin-1")) if name == "token"]
    return found


def _host_of(origin: str) -> str | None:
    try:
        parts = urlsplit(origin)
    except ValueError:
        return None
    return parts.netloc.lower() if parts.scheme in ("http", "https") else None


def _host_name(host: str) -> str | None:
    try:
        return urlsplit(f"//{host}").hostname
    except ValueError:
        return None


def _error(status: int, error: str, do: str, more: dict[str, str] | None = None
           ) -> tuple[int, dict[str, str], bytes]:
    body = json.dumps({"error": error, "do": do}, ensure_ascii=False).encode()
    return status, {"content-type": "application/json", "cache-control": "no-store", **(more or {})}, body


async def _answer(send: Send, status: int, headers: dict[str, str], body: bytes) -> None:
    all_headers = {**headers, "content-length": str(len(body))}
    await send({"type": "http.response.start", "status": status,
                "headers": [(name.encode(), value.encode("latin-1", "replace"))
                            for name, value in all_headers.items()]})
    await send({"type": "http.response.body", "body": body})
