"""Routes of the pages that people read, and of the parts that refresh by themselves."""

from __future__ import annotations

from fastapi import FastAPI, Request
from fastapi.responses import HTMLResponse, PlainTextResponse

from dashboards.access import Looker
from dashboards.page import full_page, present, waiting_page
from dashboards.past import DEFAULT_DAYS, RANGES
from dashboards.routes_shared import Pages, SiteParameter


def add_pages(app: FastAPI, pages: Pages) -> None:
    @app.get("/", response_class=HTMLResponse, include_in_schema=False)
    def page(request: Request, person: Looker, site: SiteParameter = None, days: int = DEFAULT_DAYS) -> HTMLResponse:
        feed = pages.feed
        view = pages.find(person, site)
        if view is None:
            broker = f"{feed.settings.host}:{feed.settings.port}"
            waiting = waiting_page(feed.settings.domain, broker, feed.connected, feed.problem)
            return HTMLResponse(waiting, status_code=404 if site else 200)
        text = pages.cache.html(view, shown_days(days))
        return HTMLResponse(full_page(view, text, pages.sites(person), pages.desk(request), pages.completeness(view)))

    @app.get("/part/present", response_class=HTMLResponse, include_in_schema=False)
    def present_part(request: Request, person: Looker, site: SiteParameter = None) -> HTMLResponse:
        return HTMLResponse(present(pages.view(person, site), pages.desk(request)))

    @app.get("/part/past", response_class=HTMLResponse, include_in_schema=False)
    def past_part(person: Looker, site: SiteParameter = None, days: int = DEFAULT_DAYS) -> HTMLResponse:
        return HTMLResponse(pages.cache.html(pages.view(person, site), shown_days(days)))

    @app.get("/healthz", response_class=PlainTextResponse)
    def healthz() -> PlainTextResponse:
        """200 while the broker is connected, else 503. Open to everybody, so it says no more."""
        if pages.feed.connected:
            return PlainTextResponse("ok\n")
        return PlainTextResponse("no connection to the broker\n", status_code=503)


def shown_days(days: int) -> int:
    return days if days in {count for count, _ in RANGES} else DEFAULT_DAYS
