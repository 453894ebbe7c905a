"""What stands between the network and the pages: host names, sizes, headers. Plain ASGI, no framework."""

from __future__ import annotations

import ipaddress
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MAX_BODY_BYTES = 64 * 1024

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


class HttpGuard:
    """Wraps an application. `host_names` are allowed besides localhost and plain addresses.

    A page opened by a foreign name that was made to point here (DNS rebinding) carries that name as its host; a plain
    address cannot be such a name.
    """

    def __init__(self, app: App, host_names: Iterable[str] = ()) -> None:
        self._app = app
        self._host_names = {"localhost", *(name.lower() for name in host_names)}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        guarded = _with_headers(send, scope["path"])
        headers = {name: value.decode("latin-1") for name, value in scope["headers"]}
        if not self._host_allowed(headers.get(b"host", "")):
            await refuse(guarded, 421, "This name is not served here. Start with --host-name NAME to allow it.")
            return
        if _declared_length(headers) > MAX_BODY_BYTES:
            await refuse(guarded, 413, f"At most {MAX_BODY_BYTES} bytes are taken.")
            return
        body = await _whole_body(receive)
        if body is None:
            await refuse(guarded, 413, f"At most {MAX_BODY_BYTES} bytes are taken.")
            return
        await self._app(scope, _replay(body, receive), guarded)

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


async def refuse(send: Send, status: int, text: str) -> None:
    """A plain refusal."""
    body = text.encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


def _declared_length(headers: dict[bytes, str]) -> int:
    text = headers.get(b"content-length", "0")
    return int(text) if text.isdigit() else MAX_BODY_BYTES + 1


async def _whole_body(receive: Receive) -> bytes | None:
    """The body, or None when it is longer than allowed, whatever length was declared."""
    parts: list[bytes] = []
    while True:
        message = await receive()
        parts.append(message.get("body", b""))
        if sum(map(len, parts)) > MAX_BODY_BYTES:
            return None
        if message["type"] != "http.request" or not message.get("more_body", False):
            return b"".join(parts)


def _replay(body: bytes, receive: Receive) -> Receive:
    """Hands over the body once, then whatever the server says next (that the client left)."""
    waiting = [body]

    async def replayed() -> MutableMapping[str, Any]:
        if waiting:
            return {"type": "http.request", "body": waiting.pop(), "more_body": False}
        return await receive()

    return replayed


def _with_headers(send: Send, path: str) -> Send:
    caching = b"max-age=3600" if path.startswith("/static/") else b"no-store"

    async def guarded(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            message["headers"] = [*message.get("headers", ()), *SECURITY_HEADERS, (b"cache-control", caching)]
        await send(message)

    return guarded
