"""The web application: pages, a JSON interface, and orders when they are allowed, behind one guard."""

from __future__ import annotations

from pathlib import Path

from fastapi import FastAPI
from starlette.middleware.gzip import GZipMiddleware
from starlette.staticfiles import StaticFiles

from dashboards.feed import Feed
from dashboards.http_guard import App, HttpGuard
from dashboards.routes_interface import add_interface
from dashboards.routes_orders import add_orders
from dashboards.routes_pages import add_pages
from dashboards.routes_shared import Pages
from dashboards.view import UnitSystem

STATIC = Path(__file__).with_name("static")


def build_app(
    feed: Feed, units: UnitSystem | None = None, allow_orders: bool = False, host_names: tuple[str, ...] = ()
) -> App:
    """The whole application, guarded."""
    app = FastAPI(title="pumphouse watch", version="1", docs_url=None, redoc_url=None)
    pages = Pages(feed, units, allow_orders)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    add_pages(app, pages)
    add_interface(app, pages)
    if allow_orders:
        add_orders(app, pages)
    app.add_middleware(GZipMiddleware, minimum_size=1000)
    return HttpGuard(app, host_names)
