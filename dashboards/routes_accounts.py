"""Routes of accounts: set up, sign in and out, passwords, and what whoever keeps the accounts can do."""

from __future__ import annotations

import logging
import math
import time
from collections.abc import Callable

from fastapi import FastAPI, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from dashboards import account_pages as pages
from dashboards import passwords
from dashboards.access import ROLES, Keeper, Looker, Person, Role, csrf_token, visit
from dashboards.accounts import NAME, SESSION_LONGEST_S, AccountError, checked_name, sites_from
from dashboards.door import DEVICE_COOKIE_S, AccountDoor, BusyError, cookie, device_cookie, session_cookie
from dashboards.forms import sent_form
from dashboards.gate import NEW_PASSWORD, SET_UP, SIGN_IN, address_of, safe_next

log = logging.getLogger("pumphouse.accounts")

WRONG = "Name and password do not belong together."
KNOWN = "This is too easy to guess: it is on the list of passwords that are tried first."
BUSY = "Too many people are signing in at this moment. Try again in a few seconds."
SAID = {
    "changed": "Changed.",
    "removed": "The account is gone.",
    "revoked": "The token is taken back.",
    "password": "The password is changed; everything else this account was signed in on has been signed out.",
}
Sites = Callable[[], list[str]]


def add_accounts(app: FastAPI, door: AccountDoor, sites: Sites) -> None:
    """`sites` gives the ids of all sites heard of, to choose from."""
    _add_first_steps(app, door)
    _add_own_account(app, door)
    _add_keeping(app, door, sites)


def _add_first_steps(app: FastAPI, door: AccountDoor) -> None:
    accounts = door.accounts

    @app.get(SET_UP, include_in_schema=False)
    def set_up_form(request: Request, key: str = "") -> Response:
        if door.has_accounts():
            return RedirectResponse(SIGN_IN, 303)
        if not accounts.is_set_up_link(key, door.wall_s()):
            return HTMLResponse(pages.dead_link_page() if key else pages.needs_set_up_page(), 403 if key else 200)
        return HTMLResponse(pages.set_up_page(csrf_token(request), key))

    @app.post(SET_UP, include_in_schema=False)
    async def set_up(request: Request) -> Response:
        form = await sent_form(request)
        key, name, password = form.get("key", ""), _typed_name(form), form.get("password", "")
        if not await run_in_threadpool(accounts.is_set_up_link, key, door.wall_s()):
            return HTMLResponse(pages.dead_link_page(), 403)
        try:
            checked_name(name)
            kept = await _hashed(door, request, password, name)
            await run_in_threadpool(accounts.set_up, key, name, kept, door.wall_s())
        except AccountError as error:
            return HTMLResponse(pages.set_up_page(csrf_token(request), key, name, str(error)), 422)
        log.info("the first account, %s, was made from %s", name, address_of(request.scope))
        return await _let_in(door, request, name, kept, "/")

    @app.get(SIGN_IN, include_in_schema=False)
    def sign_in_form(request: Request) -> Response:
        leads_to = safe_next(request.query_params.get("next", "/"))
        if not door.has_accounts():
            return RedirectResponse(SET_UP, 303)
        if visit(request).has_account:
            return RedirectResponse(leads_to, 303)
        return HTMLResponse(pages.sign_in_page(csrf_token(request), leads_to))

    @app.post(SIGN_IN, include_in_schema=False)
    async def sign_in(request: Request) -> Response:
        form = await sent_form(request)
        name, leads_to = _typed_name(form), safe_next(form.get("next", "/"))
        try:
            kept = await _proved(door, request, name, form.get("password", ""))
            kept = await _renewed(door, request, name, kept, form.get("password", ""))
        except _Refused as refused:
            page = pages.sign_in_page(csrf_token(request), leads_to, name, str(refused))
            return HTMLResponse(page, refused.status, headers=refused.headers)
        return await _let_in(door, request, name, kept, leads_to)

    @app.get(NEW_PASSWORD, include_in_schema=False)
    def new_password_form(request: Request, key: str = "") -> Response:
        name = accounts.owner_of_link(key, door.wall_s())
        if name is None:
            return HTMLResponse(pages.dead_link_page(), 403)
        return HTMLResponse(pages.new_password_page(csrf_token(request), key, name))

    @app.post(NEW_PASSWORD, include_in_schema=False)
    async def new_password(request: Request) -> Response:
        form = await sent_form(request)
        key = form.get("key", "")
        name = await run_in_threadpool(accounts.owner_of_link, key, door.wall_s())
        if name is None:
            return HTMLResponse(pages.dead_link_page(), 403)
        try:
            kept = await _hashed(door, request, form.get("password", ""), name)
            await run_in_threadpool(accounts.use_link, key, kept, door.wall_s())
        except AccountError as error:
            return HTMLResponse(pages.new_password_page(csrf_token(request), key, name, str(error)), 422)
        log.info("%s chose a password by a link, from %s", name, address_of(request.scope))
        return await _let_in(door, request, name, kept, "/")


def _add_own_account(app: FastAPI, door: AccountDoor) -> None:
    accounts = door.accounts

    @app.get("/account", include_in_schema=False)
    def account(request: Request, person: Looker, done: str = "") -> HTMLResponse:
        _people_only(request)
        return HTMLResponse(pages.account_page(csrf_token(request), person, SAID.get(done, "")))

    @app.post("/account/password", include_in_schema=False)
    async def password(request: Request, person: Looker) -> Response:
        _people_only(request)
        form = await sent_form(request)
        try:
            before = await _proved(door, request, person.name, form.get("old", ""), signed_in=True)
            kept = await _hashed(door, request, form.get("password", ""), person.name)
        except (_Refused, AccountError) as error:
            status = error.status if isinstance(error, _Refused) else 422
            said = "The password as it is now is another." if str(error) == WRONG else str(error)
            return HTMLResponse(pages.account_page(csrf_token(request), person, problem=said), status)
        if not await run_in_threadpool(accounts.set_password, person.name, before, kept):
            raise HTTPException(409, "The password was changed elsewhere at this very moment. Look again.")
        await run_in_threadpool(accounts.sign_out_everywhere, person.name)
        log.info("%s changed the password, from %s", person.name, address_of(request.scope))
        return await _let_in(door, request, person.name, kept, "/account?done=password")

    @app.post("/sign-out", include_in_schema=False)
    def sign_out(request: Request, person: Looker) -> Response:  # noqa: ARG001
        _people_only(request)
        accounts.sign_out(session_cookie(request.scope))
        return _signed_out(request)

    @app.post("/sign-out-everywhere", include_in_schema=False)
    def sign_out_everywhere(request: Request, person: Looker) -> Response:
        _people_only(request)
        accounts.sign_out_everywhere(person.name)
        log.info("%s signed out everywhere, from %s", person.name, address_of(request.scope))
        return _signed_out(request)


def _add_keeping(app: FastAPI, door: AccountDoor, sites: Sites) -> None:
    accounts = door.accounts

    def shown(request: Request, keeper: Person, said: str = "", problem: str = "") -> HTMLResponse:
        everybody = accounts.accounts(door.wall_s())
        page = pages.people_page(
            csrf_token(request), keeper, everybody, accounts.tokens(), sites(), said=said, problem=problem
        )
        return HTMLResponse(page, 422 if problem else 200)

    def link_for(request: Request, name: str) -> HTMLResponse:
        key = accounts.new_password_link(name, door.wall_s())
        return HTMLResponse(pages.link_page(name, f"{request.base_url}{NEW_PASSWORD[1:]}?key={key}"))

    @app.get("/people", include_in_schema=False)
    def people(request: Request, keeper: Keeper, done: str = "") -> HTMLResponse:
        return shown(request, keeper, said=SAID.get(done, ""))

    @app.post("/people/{what}", include_in_schema=False)
    async def keep(request: Request, keeper: Keeper, what: str) -> Response:
        form = await sent_form(request)
        return await run_in_threadpool(done, request, keeper, what, form)

    def done(request: Request, keeper: Person, what: str, form: dict[str, str]) -> Response:
        name = _typed_name(form)
        try:
            answer = _act(request, keeper, what, name, form)
        except AccountError as error:
            return shown(request, keeper, problem=str(error))
        log.info("%s: %s %s, from %s", keeper.name, what, name or form.get("label", ""), address_of(request.scope))
        return answer

    def _act(request: Request, keeper: Person, what: str, name: str, form: dict[str, str]) -> Response:
        now_s = door.wall_s()
        if what == "add":
            accounts.add_person(name, _role(form), sites_from(form.get("sites", "")), now_s)
            return link_for(request, name)
        if what == "link":
            return link_for(request, name)
        if what == "change":
            before = accounts.person(name)
            same = before.sites if before else None
            accounts.change_person(name, _role(form), sites_from(form["sites"]) if "sites" in form else same)
            return RedirectResponse("/people?done=changed", 303)
        if what == "remove":
            if name == keeper.name:
                raise AccountError("Your own account can be removed by another keeper.")
            accounts.remove_person(name)
            return RedirectResponse("/people?done=removed", 303)
        if what == "token":
            label = form.get("label", "").strip().lower()
            token = accounts.add_token(label, _role(form), sites_from(form.get("sites", "")), keeper.name, now_s)
            return HTMLResponse(pages.token_page(label, token))
        if what == "revoke":
            number = form.get("id", "")
            accounts.revoke_token(int(number) if number.isascii() and number.isdigit() and len(number) < 15 else 0)
            return RedirectResponse("/people?done=revoked", 303)
        raise HTTPException(404, "There is no such thing to do.")


class _Refused(Exception):  # noqa: N818
    """A password that was not taken, or not looked at."""

    def __init__(self, status: int, text: str, after_s: float = 0.0) -> None:
        super().__init__(text)
        self.status = status
        self.headers = {"retry-after": str(math.ceil(after_s))} if after_s else {}


async def _proved(door: AccountDoor, request: Request, name: str, password: str, signed_in: bool = False) -> str:
    """What is kept of a password that was right. Raises _Refused; in the same way, after the same work, whether the
    name is unknown or the password wrong."""
    address, now_s = address_of(request.scope), time.monotonic()
    mark = f"{name} {device_cookie(request.scope)}"
    known = signed_in or await run_in_threadpool(_knows, door, request, name)
    wait_s = door.guesses.admit(name, address, mark if known else None, now_s)
    if wait_s:
        raise _Refused(429, f"Too many tries. Try again in {math.ceil(wait_s)} seconds.", wait_s)
    kept = await run_in_threadpool(door.accounts.password, name) if NAME.fullmatch(name) else None
    try:
        right = await door.passwords.matches(password[: passwords.LONGEST_BYTES + 1], kept, known, address)
    except BusyError:
        raise _Refused(503, BUSY, 5.0) from None
    if not right or kept is None:
        # A name nobody has may be a password typed into the wrong field: it is not written down.
        log.warning("wrong password for %s, from %s", name if kept else "an unknown name", address)
        raise _Refused(403, WRONG)
    door.guesses.succeeded(name, address, mark if known else None, time.monotonic())
    return kept


async def _renewed(door: AccountDoor, request: Request, name: str, kept: str, password: str) -> str:
    """A password kept in an older way is kept in today's, now that it is at hand."""
    if passwords.is_current(kept):
        return kept
    try:
        new = await door.passwords.hashed(password, address_of(request.scope))
    except BusyError:
        return kept
    return new if await run_in_threadpool(door.accounts.set_password, name, kept, new) else kept


def _knows(door: AccountDoor, request: Request, name: str) -> bool:
    mark = device_cookie(request.scope)
    return bool(mark) and door.accounts.knows_device(mark, name, door.wall_s())


async def _hashed(door: AccountDoor, request: Request, password: str, name: str) -> str:
    """Raises AccountError for a password that is none, or when there is too much to do."""
    problem = passwords.why_not(password, name)
    if problem is not None:
        raise AccountError(problem)
    if door.known is not None and await run_in_threadpool(door.known.hold, password):
        raise AccountError(KNOWN)
    try:
        return await door.passwords.hashed(password, address_of(request.scope))
    except BusyError:
        raise AccountError(BUSY) from None


async def _let_in(door: AccountDoor, request: Request, name: str, kept: str, leads_to: str) -> Response:
    """A new session in place of whatever the browser had before; the browser is known from now on."""
    scope, now_s = request.scope, door.wall_s()
    secret = await run_in_threadpool(door.accounts.sign_in, name, kept, now_s, session_cookie(scope))
    if secret is None:
        raise HTTPException(409, "This account was changed at this very moment. Sign in again.")
    mark = await run_in_threadpool(door.accounts.know_device, device_cookie(scope), name, now_s)
    log.info("%s signed in, from %s", name, address_of(scope))
    answer = RedirectResponse(leads_to, 303)
    answer.headers.append("set-cookie", cookie(scope, "", secret, SESSION_LONGEST_S))
    answer.headers.append("set-cookie", cookie(scope, "device", mark, DEVICE_COOKIE_S))
    return answer


def _signed_out(request: Request) -> Response:
    answer = RedirectResponse(SIGN_IN, 303)
    answer.headers.append("set-cookie", cookie(request.scope, "", "", 0))
    # Nothing of the pages stays in this browser (W3C Clear Site Data); the mark of a browser known before may.
    answer.headers["clear-site-data"] = '"cache", "storage"'
    return answer


def _people_only(request: Request) -> None:
    """Raises HTTPException 404 for a program with a token: it has no account."""
    if not visit(request).has_account:
        raise HTTPException(404, "a token has no account")


def _typed_name(form: dict[str, str]) -> str:
    return form.get("name", "").strip().lower()[:64]


def _role(form: dict[str, str]) -> Role:
    role = next((role for role in ROLES if role == form.get("role")), None)
    if role is None:
        raise AccountError("Choose what they may do: look, act or keep.")
    return role
