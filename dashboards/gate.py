"""The gate in front of every route: finds out who asks, and lets through only what they may do.

Nothing is open unless it is on the short list of public paths, so that a route nobody thought of is shut. What changes
something (any method but GET, HEAD and OPTIONS) needs three things: a browser that says the form is from this page, the
form's own token, and the right to act. A program with a token of its own in the Authorization header sends no cookie
that somebody else could misuse, so it needs the right alone. Plain ASGI, no framework.
"""

from __future__ import annotations

import ipaddress
import json
import secrets
import time
from dataclasses import dataclass
from typing import Protocol
from urllib.parse import quote, urlsplit

from dashboards.access import FORM_FIELD, Person, Visit, form_token, is_form_token
from dashboards.account_pages import trouble_page
from dashboards.forms import FormError, read_form
from dashboards.http_guard import App, Receive, Scope, Send, header, refuse, replay, respond, whole_body
from dashboards.pace import Pace

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
SET_UP = "/set-up"
SIGN_IN = "/sign-in"
NEW_PASSWORD = "/new-password"
PUBLIC_PATHS = frozenset({"/healthz", SET_UP, SIGN_IN, NEW_PASSWORD})
PUBLIC_FOLDERS = ("/static/",)
OWN_PATHS = frozenset({"/sign-out", "/sign-out-everywhere", "/account/password"})
"""What everybody who signed in may send, whatever their role: it concerns nobody but themselves."""
FOR_PROGRAMS = ("/api/", "/part/", "/openapi.json")
"""Asked for by programs and by the page's own script: refused in words, never sent to the sign-in page."""
LONGEST_NEXT = 500
UNTOLD_PROXY = (
    "This page was opened with https, but something between hands it on without. If that is a proxy of yours, start "
    "pumphouse watch with --behind-proxy and its address."
)
TITLES = {
    400: "This cannot be read",
    403: "Not allowed",
    404: "Not found",
    409: "It has changed meanwhile",
    422: "This cannot be right",
    429: "Too fast",
}

ORDERS_PER_S, ORDER_BURST = 1.0, 10
"""As many as the controller takes from all together, so that one person alone gets no further; own choice."""
ASKS_PER_S, ASK_BURST = 2.0, 20
"""Questions that change nothing, such as what a schedule would do: asked while somebody types. Own choice."""
REQUESTS_PER_S, REQUEST_BURST = 10.0, 120
"""For an address that has not signed in, and for each person; a page with all its parts is six requests. Own choice."""


@dataclass(frozen=True, slots=True)
class Caller:
    """Who a request is from. `secret` is what forms are bound to; `cookies` are to be set with the answer."""

    person: Person | None
    secret: str = ""
    by_token: bool = False
    has_account: bool = False
    wrong_token: bool = False
    cookies: tuple[str, ...] = ()
    paced: bool = True
    """Whether it counts how often they ask; orders are counted always."""


class DoorStuckError(Exception):
    """Nobody can be told from anybody else at this moment."""


class Door(Protocol):
    """Tells who is there."""

    def caller(self, scope: Scope) -> Caller:
        """Who sent this request. Raises DoorStuckError."""
        ...

    def has_accounts(self) -> bool:
        """False as long as nobody can sign in: then nothing but the set-up page is served."""
        ...


class OpenDoor:
    """No accounts: everybody who reaches this machine's own address may do everything except keep accounts."""

    def __init__(self, person: Person | None = None) -> None:
        self._caller = Caller(person or Person("this machine", "act"), secrets.token_urlsafe(32), paced=False)

    def caller(self, scope: Scope) -> Caller:  # noqa: ARG002
        return self._caller

    def has_accounts(self) -> bool:
        return True


class Gate:
    """Wraps an application; routes find a `Visit` with each request (`dashboards.access`)."""

    def __init__(self, app: App, door: Door, requests: Pace | None = None, orders: Pace | None = None) -> None:
        self._app = app
        self._door = door
        self._requests = requests or Pace(REQUESTS_PER_S, REQUEST_BURST)
        self._orders = orders or Pace(ORDERS_PER_S, ORDER_BURST)
        self._asks = Pace(ASKS_PER_S, ASK_BURST)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return  # Nothing else is served, so nothing else needs a way in.
        try:
            caller = self._door.caller(scope)
        except DoorStuckError:
            await _refuse(
                scope, send, 503, "The accounts cannot be read at this moment; the log of this page says why."
            )
            return
        if caller.paced and not self._requests.allows(_who(scope, caller), time.monotonic()):
            await _refuse(scope, send, 429, "Too many requests one after another. Wait a few seconds.")
            return
        send = with_cookies(send, caller.cookies)
        if not self._is_open_to(scope, caller):
            await self._show_the_way(scope, caller, send)
            return
        if scope["method"] not in SAFE_METHODS:
            body = await whole_body(receive)
            problem = self._problem(scope, caller, body)
            if problem is not None:
                await _refuse(scope, send, *problem)
                return
            receive = replay(body, receive)
        token = form_token(caller.secret) if caller.secret else ""
        scope.setdefault("state", {})["visit"] = Visit(caller.person, token, caller.has_account)
        await self._app(scope, receive, send)

    def _is_open_to(self, scope: Scope, caller: Caller) -> bool:
        if caller.wrong_token:
            return False
        return caller.person is not None or is_public(scope["path"])

    async def _show_the_way(self, scope: Scope, caller: Caller, send: Send) -> None:
        path = scope["path"]
        if caller.wrong_token or not wants_page(scope):
            said = "this token is not known here (any more)" if caller.wrong_token else "sign in, or send a token"
            answer = json.dumps({"detail": said}).encode()
            await respond(send, 401, b"application/json", answer, [(b"www-authenticate", b"Bearer")])
            return
        where = SET_UP
        if self._door.has_accounts():
            query = scope["query_string"].decode("latin-1")
            asked = path + (f"?{query}" if query else "") if scope["method"] in SAFE_METHODS else "/"
            where = SIGN_IN if asked == "/" else f"{SIGN_IN}?next={quote(safe_next(asked), safe='/')}"
        await respond(send, 303, b"text/plain; charset=utf-8", b"", [(b"location", where.encode("latin-1"))])

    def _problem(self, scope: Scope, caller: Caller, body: bytes) -> tuple[int, str] | None:
        """Why this must not change anything; None when it may."""
        if not caller.by_token:
            problem = form_problem(scope, body, caller.secret)
            if problem is not None:
                return problem
        person = caller.person
        if person is None or scope["path"] in OWN_PATHS:
            return None
        if not person.may("act"):
            return 403, "Your account may look, but not change anything. Whoever keeps the accounts can allow it."
        pace = self._asks if scope["path"].startswith("/part/") else self._orders
        if not pace.allows(person.name, time.monotonic()):
            return 429, "Too many orders one after another. Wait a few seconds and send it again."
        return None


def wants_page(scope: Scope) -> bool:
    """Whether somebody sits before a browser and waits for a page, rather than a program for its data."""
    return "text/html" in header(scope, b"accept") and not scope["path"].startswith(FOR_PROGRAMS)


def is_public(path: str) -> bool:
    """What is served to everybody."""
    return path in PUBLIC_PATHS or path.startswith(PUBLIC_FOLDERS)


def form_problem(scope: Scope, body: bytes, secret: str) -> tuple[int, str] | None:
    """Why this is no form from our own page; None when it is."""
    origin = header(scope, b"origin")
    own = f"{scope.get('scheme', 'http')}://{header(scope, b'host')}"
    if origin.lower() != own.lower() or header(scope, b"sec-fetch-site") not in ("", "same-origin"):
        if origin.lower() == f"https://{header(scope, b'host')}".lower():
            return 403, UNTOLD_PROXY
        return 403, "Forms are taken from this page only."
    try:
        fields = read_form(body, header(scope, b"content-type"))
    except FormError as error:
        return error.status, str(error)
    if not secret or not is_form_token(fields.get(FORM_FIELD, [""])[0], secret):
        return 403, "This form is not from the page as it is now. Load the page again, then send it."
    return None


def safe_next(path: str) -> str:
    """Where to go after signing in: a path of ours, or "/" for anything that could lead elsewhere.

    Browsers read a backslash as a slash and skip tabs and line ends (WHATWG URL standard, section 4.4), so what holds
    any of them is not followed.
    """
    odd = len(path) > LONGEST_NEXT or "\\" in path or any(ord(c) < 33 or ord(c) > 126 for c in path)
    if odd or not path.startswith("/") or path.startswith("//"):
        return "/"
    try:
        parts = urlsplit(path)
    except ValueError:
        return "/"
    if parts.scheme or parts.netloc or parts.path.startswith(("//", *FOR_PROGRAMS, SIGN_IN, SET_UP)):
        return "/"
    return path


def network_of(address: str) -> str:
    """The address whose owner is taken for one: an IPv4 address, or the /64 network that one IPv6 line is given."""
    try:
        parsed = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address[:64]
    if isinstance(parsed, ipaddress.IPv6Address):
        if parsed.ipv4_mapped is not None:
            return str(parsed.ipv4_mapped)
        return str(ipaddress.ip_network((parsed, 64), strict=False))
    return str(parsed)


def address_of(scope: Scope) -> str:
    """Where a request came from, as the server saw it (or as a trusted proxy said)."""
    client = scope.get("client")
    return network_of(client[0]) if client else ""


def with_cookies(send: Send, cookies: tuple[str, ...]) -> Send:
    """Sets cookies with whatever the answer is."""
    if not cookies:
        return send

    async def sending(message: Scope) -> None:
        if message["type"] == "http.response.start":
            added = [(b"set-cookie", cookie.encode("latin-1")) for cookie in cookies]
            message["headers"] = [*message.get("headers", ()), *added]
        await send(message)

    return sending


def _who(scope: Scope, caller: Caller) -> tuple[str, str]:
    if caller.person is not None:
        return "person", caller.person.name
    return "address", address_of(scope)


async def _refuse(scope: Scope, send: Send, status: int, text: str) -> None:
    headers = [(b"retry-after", b"5")] if status == 429 else []
    if wants_page(scope):
        page = trouble_page(TITLES.get(status, "That did not work"), text)
        await respond(send, status, b"text/html; charset=utf-8", page.encode(), headers)
    else:
        await refuse(send, status, text, headers)
