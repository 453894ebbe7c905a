"""Routes of the pages that people read, and of the parts that refresh by themselves."""

from __future__ import annotations

from datetime import datetime

from fastapi import FastAPI, Request
from fastapi.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response

from dashboards.access import Looker
from dashboards.frame import address, head, site_page, waiting_page
from dashboards.history_page import glimpse, history, void_rain_form
from dashboards.ledger_page import ledger, month_of
from dashboards.log_page import before_of, log
from dashboards.orders_page import orders
from dashboards.page import now_page, present
from dashboards.periods import period_of
from dashboards.routes_shared import RECENT_ORDERS, DateParameter, OrderParameter, Pages, SiteParameter
from dashboards.view import SiteView
from dashboards.zone_page import zone_now, zone_past


def add_pages(app: FastAPI, pages: Pages) -> None:
    """All pages, their parts, and the check that the server is alive."""
    _add_now(app, pages)
    _add_past(app, pages)
    _add_parts(app, pages)

    @app.get(
        "/healthz",
        response_class=PlainTextResponse,
        responses={503: {"description": "No connection to the broker", "content": {"text/plain": {}}}},
    )
    def healthz() -> PlainTextResponse:
        """200 while the broker is connected, else 503. Open to everybody, so it says no more."""
        if pages.feed.connected:
            return PlainTextResponse("ok\n")
        return PlainTextResponse("no connection to the broker\n", status_code=503)


def _add_now(app: FastAPI, pages: Pages) -> None:
    @app.get("/", response_class=HTMLResponse, include_in_schema=False)
    def page(request: Request, person: Looker, site: SiteParameter = None, order: OrderParameter = "") -> Response:
        feed = pages.feed
        if site is None and len(pages.sites(person)) > 1:
            return RedirectResponse("/sites", status_code=303)
        view = pages.find(person, site)
        if view is None:
            broker = f"{feed.settings.host}:{feed.settings.port}"
            waiting = waiting_page(feed.settings.domain, broker, feed.connected, feed.problem)
            return HTMLResponse(waiting, status_code=404 if site else 200)
        before = pages.strips(request, view, order)
        return HTMLResponse(now_page(view, pages.around(request, person, view), before, _glimpse(pages, view)))

    @app.get("/zone/{zone_id}", response_class=HTMLResponse, include_in_schema=False)
    def zone_page(
        request: Request,
        person: Looker,
        zone_id: str,
        site: SiteParameter = None,
        span: str = "month",
        end: DateParameter = None,
        order: OrderParameter = "",
    ) -> HTMLResponse:
        view = pages.view(person, site)
        zone = pages.zone(view, zone_id)
        period = period_of(span, end, view.now_ms, view.time_zone)
        key = (view.id, "zone", zone_id, period.span, period.last.isoformat(), view.units)
        past = pages.kept.html(key, lambda: zone_past(pages.feed.store, view, zone, period))
        around, before = pages.around(request, person, view), pages.strips(request, view, order)
        page = site_page(
            view,
            around,
            "zone",
            zone.name,
            zone_now(view, zone, around.desk),
            part=address(f"/part/zone/{zone.id}", view),
            reloads=True,
            before=before,
            after=past,
        )
        return HTMLResponse(page)

    @app.get("/orders", response_class=HTMLResponse, include_in_schema=False)
    def orders_page(request: Request, person: Looker, site: SiteParameter = None) -> HTMLResponse:
        view = pages.view(person, site)
        around = pages.around(request, person, view)
        content = orders(view, pages.dispatch.book.recent(view.id, RECENT_ORDERS), around.desk)
        return HTMLResponse(site_page(view, around, "orders", "Orders given", content, reloads=True))


def _add_past(app: FastAPI, pages: Pages) -> None:
    @app.get("/history", response_class=HTMLResponse, include_in_schema=False)
    def history_page(
        request: Request, person: Looker, site: SiteParameter = None, span: str = "week", end: DateParameter = None
    ) -> HTMLResponse:
        view = pages.view(person, site)
        period = period_of(span, end, view.now_ms, view.time_zone)
        key = (view.id, "history", period.span, period.last.isoformat(), view.units)
        content = pages.kept.html(key, lambda: history(pages.feed.store, view, period))
        around = pages.around(request, person, view)
        if around.desk is not None:
            content += void_rain_form(pages.feed.store, view, around.desk)
        return HTMLResponse(site_page(view, around, "history", "History", content))

    @app.get("/ledger", response_class=HTMLResponse, include_in_schema=False)
    def ledger_page(
        request: Request, person: Looker, site: SiteParameter = None, month: DateParameter = None
    ) -> HTMLResponse:
        view = pages.view(person, site)
        asked = month_of(month)
        key = (view.id, "ledger", asked.isoformat() if asked else "", view.units)
        content = pages.kept.html(key, lambda: ledger(pages.feed.store, view, asked))
        return HTMLResponse(site_page(view, pages.around(request, person, view), "ledger", "Ledger", content))

    @app.get("/log", response_class=HTMLResponse, include_in_schema=False)
    def log_page(
        request: Request, person: Looker, site: SiteParameter = None, kind: str = "all", before: str | None = None
    ) -> HTMLResponse:
        view = pages.view(person, site)
        content = log(pages.feed.store, view, kind, before_of(before))
        return HTMLResponse(site_page(view, pages.around(request, person, view), "log", "Log", content))


def _add_parts(app: FastAPI, pages: Pages) -> None:
    @app.get("/part/present", response_class=HTMLResponse, include_in_schema=False)
    def present_part(request: Request, person: Looker, site: SiteParameter = None) -> HTMLResponse:
        view = pages.view(person, site)
        return HTMLResponse(_with_head(view, present(view, pages.desk(request))))

    @app.get("/part/zone/{zone_id}", response_class=HTMLResponse, include_in_schema=False)
    def zone_part(request: Request, person: Looker, zone_id: str, site: SiteParameter = None) -> HTMLResponse:
        view = pages.view(person, site)
        return HTMLResponse(_with_head(view, zone_now(view, pages.zone(view, zone_id), pages.desk(request))))

    @app.get("/part/orders", response_class=HTMLResponse, include_in_schema=False)
    def orders_part(
        request: Request, person: Looker, site: SiteParameter = None, order: OrderParameter = ""
    ) -> HTMLResponse:
        return HTMLResponse(pages.strips(request, pages.view(person, site), order))


def _with_head(view: SiteView, content: str) -> str:
    """A renewed content brings the head along, which tells whether the rest is still true."""
    return f'<div id="head">{head(view)}</div><div id="content">{content}</div>'


def _glimpse(pages: Pages, view: SiteView) -> str:
    today = datetime.fromtimestamp(view.now_ms / 1000, view.time_zone).date().isoformat()
    period = period_of("week", today, view.now_ms, view.time_zone)
    key = (view.id, "glimpse", today, view.units)
    return pages.kept.html(key, lambda: glimpse(pages.feed.store, view, period))
