"""The web application: pages, a JSON interface and orders, behind one guard and one gate."""

from __future__ import annotations

from pathlib import Path

from fastapi import FastAPI
from starlette.middleware.gzip import GZipMiddleware
from starlette.staticfiles import StaticFiles

from dashboards.feed import Feed
from dashboards.gate import Door, Gate
from dashboards.http_guard import App, HttpGuard
from dashboards.routes_interface import add_interface
from dashboards.routes_orders import add_orders
from dashboards.routes_pages import add_pages
from dashboards.routes_shared import Pages
from dashboards.view import UnitSystem

STATIC = Path(__file__).with_name("static")


def build_app(feed: Feed, door: Door, units: UnitSystem | None = None, host_names: tuple[str, ...] = ()) -> App:
    """The whole application, guarded; `door` knows who may come in."""
    app = FastAPI(title="pumphouse watch", version="1", docs_url=None, redoc_url=None, redirect_slashes=False)
    pages = Pages(feed, units)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    add_pages(app, pages)
    add_interface(app, pages)
    add_orders(app, pages)
    app.add_middleware(GZipMiddleware, minimum_size=1000)
    return HttpGuard(Gate(app, door), host_names)
