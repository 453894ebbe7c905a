"""Routes of the pages that people read, and of the parts that refresh by themselves."""

from __future__ import annotations

from fastapi import FastAPI
from fastapi.responses import HTMLResponse, PlainTextResponse

from dashboards.page import full_page, present, waiting_page
from dashboards.past import DEFAULT_DAYS, RANGES
from dashboards.routes_shared import Pages, SiteParameter


def add_pages(app: FastAPI, pages: Pages) -> None:
    @app.get("/", response_class=HTMLResponse, include_in_schema=False)
    def page(site: SiteParameter = None, days: int = DEFAULT_DAYS) -> HTMLResponse:
        feed = pages.feed
        view = feed.view(site, pages.units)
        if view is None:
            broker = f"{feed.settings.host}:{feed.settings.port}"
            waiting = waiting_page(feed.settings.domain, broker, feed.connected, feed.problem)
            return HTMLResponse(waiting, status_code=404 if site else 200)
        text = pages.cache.html(view, shown_days(days))
        return HTMLResponse(full_page(view, text, feed.sites(), pages.desk(), pages.completeness(view)))

    @app.get("/part/present", response_class=HTMLResponse, include_in_schema=False)
    def present_part(site: SiteParameter = None) -> HTMLResponse:
        return HTMLResponse(present(pages.view(site), pages.desk()))

    @app.get("/part/past", response_class=HTMLResponse, include_in_schema=False)
    def past_part(site: SiteParameter = None, days: int = DEFAULT_DAYS) -> HTMLResponse:
        return HTMLResponse(pages.cache.html(pages.view(site), shown_days(days)))

    @app.get("/healthz", response_class=PlainTextResponse)
    def healthz() -> PlainTextResponse:
        """200 while the broker is connected, else 503; the text says why."""
        if pages.feed.connected:
            return PlainTextResponse("ok\n")
        return PlainTextResponse(f"no connection to the broker. {pages.feed.problem}\n", status_code=503)


def shown_days(days: int) -> int:
    return days if days in {count for count, _ in RANGES} else DEFAULT_DAYS
