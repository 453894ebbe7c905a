"""The web application: pages, a JSON interface and orders, behind one guard and one gate."""

from __future__ import annotations

import logging
import sqlite3
from pathlib import Path
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exception_handlers import http_exception_handler, request_validation_exception_handler
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse, Response
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.staticfiles import StaticFiles

from controller.errors import OperatingError
from dashboards.account_pages import trouble_page
from dashboards.dispatch import Dispatch
from dashboards.door import AccountDoor
from dashboards.feed import Feed
from dashboards.gate import TITLES, Door, Gate, wants_page
from dashboards.http_guard import App, HttpGuard
from dashboards.order_book import OrderBook
from dashboards.routes_accounts import add_accounts
from dashboards.routes_interface import add_interface
from dashboards.routes_orders import add_orders
from dashboards.routes_overview import add_overview
from dashboards.routes_pages import add_pages
from dashboards.routes_programs import add_programs
from dashboards.routes_shared import Pages
from dashboards.view import UnitSystem

log = logging.getLogger("pumphouse.watch")

REFUSALS: dict[int | str, str] = {
    400: "The request cannot be read",
    408: "The body did not come in time",
    413: "The body is too long",
    414: "The address is too long",
    421: "The name in the address is not served here",
    429: "Too many requests one after another",
    431: "The headers are too long, or too many",
}
"""What guard and gate may answer to any request, before a route is reached."""
STATIC = Path(__file__).with_name("static")


class _Files(StaticFiles):
    """Says of every text which characters it is written in, drawings too."""

    def file_response(self, *args: Any, **details: Any) -> Response:
        answer = super().file_response(*args, **details)
        if answer.headers.get("content-type") == "image/svg+xml":
            answer.headers["content-type"] = "image/svg+xml; charset=utf-8"
        return answer


def build_app(
    feed: Feed,
    door: Door,
    units: UnitSystem | None = None,
    host_names: tuple[str, ...] = (),
    book: OrderBook | None = None,
    *,
    strict_transport: bool = False,
) -> App:
    """The whole application, guarded; `door` knows who may come in. Without a `book` orders end with the program."""
    gated = Gate(build_routes(feed, door, units, book), door)
    return HttpGuard(gated, host_names, strict_transport=strict_transport)


def build_routes(feed: Feed, door: Door, units: UnitSystem | None = None, book: OrderBook | None = None) -> FastAPI:
    """All routes, behind no gate."""
    app = FastAPI(
        title="pumphouse watch",
        version="1",
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        responses={status: {"description": text, "content": {"text/plain": {}}} for status, text in REFUSALS.items()},
    )
    pages = Pages(feed, Dispatch(feed, book or OrderBook(":memory:")), units)
    app.mount("/static", _Files(directory=STATIC), name="static")
    add_pages(app, pages)
    add_overview(app, pages)
    add_interface(app, pages)
    add_orders(app, pages)
    add_programs(app, pages)
    if isinstance(door, AccountDoor):
        add_accounts(app, door, lambda: [site_id for site_id, _ in feed.sites()])
    _tell_trouble_in_words(app)
    app.add_middleware(GZipMiddleware, minimum_size=1000)
    return app


def _tell_trouble_in_words(app: FastAPI) -> None:
    """Programs get JSON, people a page with a way back."""

    @app.exception_handler(HTTPException)
    async def refused(request: Request, error: HTTPException) -> Response:
        if not wants_page(request.scope):
            return await http_exception_handler(request, error)
        said = (
            "There is no such page."
            if error.detail == "Not Found"
            else f"{error.detail[:1].upper()}{error.detail[1:]}."
        )
        page = trouble_page(TITLES.get(error.status_code, "That did not work"), said.replace("..", "."))
        return HTMLResponse(page, error.status_code, headers=error.headers)

    @app.exception_handler(sqlite3.Error)
    async def file_trouble(request: Request, error: sqlite3.Error) -> Response:
        log.error("a file of this page cannot be used: %s", error)
        text = "A file that this page needs cannot be read or written at this moment; its log says why."
        if not wants_page(request.scope):
            return JSONResponse({"detail": text}, 503)
        return HTMLResponse(trouble_page("Something is wrong with this machine", text), 503)

    @app.exception_handler(OperatingError)
    async def not_now(request: Request, error: OperatingError) -> Response:
        return await refused(request, HTTPException(503, str(error)))

    @app.exception_handler(RequestValidationError)
    async def not_understood(request: Request, error: RequestValidationError) -> Response:
        if not wants_page(request.scope):
            return await request_validation_exception_handler(request, error)
        wrong = ", ".join(str(problem["loc"][-1]) for problem in error.errors())
        return HTMLResponse(trouble_page(TITLES[422], f"This part of the address cannot be read: {wrong}."), 422)
