"""What stands between the network and the pages: host names, sizes, patience, headers. Plain ASGI, no framework."""

from __future__ import annotations

import asyncio
import ipaddress
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]
Headers = list[tuple[bytes, bytes]]

MAX_BODY_BYTES = 64 * 1024
MAX_HEADERS = 64
MAX_HEADER_BYTES = 16 * 1024
MAX_TARGET_BYTES = 4 * 1024
BODY_WITHIN_S = 10.0
"""A form is a few hundred bytes: over the poorest mobile link it takes seconds. Own choice."""

SECURITY_HEADERS: tuple[tuple[bytes, bytes], ...] = (
    (
        b"content-security-policy",
        b"default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "
        b"form-action 'self'; frame-ancestors 'none'; base-uri 'none'",
    ),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), geolocation=(), microphone=()"),
)
STRICT_TRANSPORT = (b"strict-transport-security", b"max-age=31536000")
"""For a year browsers ask this name over TLS only (RFC 6797), whatever the port: sent when the owner says so."""


class BodyRefusedError(Exception):
    """The body is too long or does not come; `status` says which."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status = status


class HttpGuard:
    """Wraps an application. `host_names` are allowed besides localhost and plain addresses.

    A page opened by a foreign name that was made to point here (DNS rebinding) carries that name as its host; a plain
    address cannot be such a name.
    """

    def __init__(
        self,
        app: App,
        host_names: Iterable[str] = (),
        body_within_s: float = BODY_WITHIN_S,
        *,
        strict_transport: bool = False,
    ) -> None:
        self._app = app
        self._host_names = {"localhost", *(name.lower() for name in host_names)}
        self._body_within_s = body_within_s
        self._over_tls = (*SECURITY_HEADERS, STRICT_TRANSPORT) if strict_transport else SECURITY_HEADERS

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        always = self._over_tls if scope.get("scheme") == "https" else SECURITY_HEADERS
        guarded = _with_headers(send, scope["path"], always)
        problem = self._problem(scope)
        if problem is not None:
            await refuse(guarded, *problem)
            return
        try:
            body = await asyncio.wait_for(whole_body(receive), self._body_within_s)
        except BodyRefusedError as error:
            await refuse(guarded, error.status, str(error), CLOSE)
            return
        except TimeoutError:
            await refuse(guarded, 408, f"The rest did not come within {self._body_within_s:g} s.", CLOSE)
            return
        await self._app(scope, replay(body, receive), guarded)

    def _problem(self, scope: Scope) -> tuple[int, str, Headers] | None:
        """Why this request is not even looked at; None when it is."""
        headers = scope["headers"]
        if len(headers) > MAX_HEADERS or sum(len(n) + len(v) for n, v in headers) > MAX_HEADER_BYTES:
            return 431, f"At most {MAX_HEADERS} header lines of together {MAX_HEADER_BYTES} bytes are taken.", CLOSE
        if len(scope.get("raw_path") or b"") + len(scope["query_string"]) > MAX_TARGET_BYTES:
            return 414, f"At most {MAX_TARGET_BYTES} bytes of address are taken.", CLOSE
        hosts = [value for name, value in headers if name == b"host"]
        if len(hosts) != 1 or not self._host_allowed(hosts[0].decode("latin-1")):
            return 421, "This name is not served here. Start with --host-name NAME to allow it.", []
        if _declared_length(header(scope, b"content-length")) > MAX_BODY_BYTES:
            return 413, f"At most {MAX_BODY_BYTES} bytes are taken.", CLOSE
        return None

    def _host_allowed(self, host: str) -> bool:
        name = host.rpartition(":")[0] if not host.endswith("]") and ":" in host else host
        name = name.strip("[]").lower()
        if name in self._host_names:
            return True
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return False
        return True


CLOSE: Headers = [(b"connection", b"close")]
"""What was not read is still on its way: the connection cannot be used for another request."""


def header(scope: Scope, name: bytes) -> str:
    """The value of a header, "" when it is not there; of several, the last."""
    found = ""
    for other, value in scope["headers"]:
        if other == name:
            found = value.decode("latin-1")
    return found


async def respond(
    send: Send, status: int, kind: bytes, body: bytes, headers: Iterable[tuple[bytes, bytes]] = ()
) -> None:
    """A whole answer at once."""
    about = [(b"content-type", kind), (b"content-length", str(len(body)).encode()), *headers]
    await send({"type": "http.response.start", "status": status, "headers": about})
    await send({"type": "http.response.body", "body": body})


async def refuse(send: Send, status: int, text: str, headers: Iterable[tuple[bytes, bytes]] = ()) -> None:
    """A plain refusal."""
    await respond(send, status, b"text/plain; charset=utf-8", text.encode(), headers)


async def whole_body(receive: Receive) -> bytes:
    """The body. Raises BodyRefusedError when it is longer than allowed, whatever length was declared, or broke off."""
    parts: list[bytes] = []
    length = 0
    while True:
        message = await receive()
        if message["type"] != "http.request":
            raise BodyRefusedError(400, "The rest of this request never came.")
        parts.append(message.get("body", b""))
        length += len(parts[-1])
        if length > MAX_BODY_BYTES:
            raise BodyRefusedError(413, f"At most {MAX_BODY_BYTES} bytes are taken.")
        if not message.get("more_body", False):
            return b"".join(parts)


def replay(body: bytes, receive: Receive) -> Receive:
    """Hands over the body once, then whatever the server says next (that the client left)."""
    waiting = [body]

    async def replayed() -> MutableMapping[str, Any]:
        if waiting:
            return {"type": "http.request", "body": waiting.pop(), "more_body": False}
        return await receive()

    return replayed


def _declared_length(text: str) -> int:
    if not text:
        return 0
    return int(text) if text.isascii() and text.isdigit() and len(text) < 20 else MAX_BODY_BYTES + 1


def _with_headers(send: Send, path: str, always: Iterable[tuple[bytes, bytes]]) -> Send:
    caching = b"max-age=3600" if path.startswith("/static/") else b"no-store"

    async def guarded(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            message["headers"] = [*message.get("headers", ()), *always, (b"cache-control", caching)]
        await send(message)

    return guarded
