"""The web application: one page, its parts for refreshing, a JSON interface, and orders when they are allowed."""

from __future__ import annotations

import hmac
import secrets
import threading
import time
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any
from urllib.parse import parse_qs, urlsplit

from fastapi import FastAPI, HTTPException, Query, Request
from fastapi.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from pydantic import BaseModel
from starlette.concurrency import run_in_threadpool
from starlette.middleware.gzip import GZipMiddleware
from starlette.staticfiles import StaticFiles

from dashboards import words
from dashboards.feed import Feed
from dashboards.http_guard import App, HttpGuard
from dashboards.page import Completeness, OrderDesk, full_page, present, waiting_page
from dashboards.past import DEFAULT_DAYS, RANGES, past
from dashboards.store import DAY_MS
from dashboards.view import SiteView, UnitSystem, finite, time_ms, utc_text

STATIC = Path(__file__).with_name("static")
PAST_KEPT_S = 60.0
MAX_POINTS = 5000
ORDER_VALID_MS = 60_000
ORDERS = {
    "hold": "Hold watering",
    "resume": "Resume watering",
    "stop-all": "Stop everything",
    "run-zone": "Give water",
    "clear-fault": "Clear a fault",
}
SiteParameter = Annotated[str | None, Query(max_length=64, pattern=r"^[a-z0-9-]+$")]


class SeriesList(BaseModel):
    """Which series a site has."""

    site: str
    series: list[dict[str, str]]


class SeriesPoints(BaseModel):
    """Points of one series: `[time in ms since 1970, lowest, mean, highest, number of readings]`."""

    site: str
    series: str
    unit: str
    points: list[tuple[int, float, float, float, int]]


class PastCache:
    """The history half of the page is costly on a small board and changes slowly: drawn at most once a minute."""

    def __init__(self, feed: Feed) -> None:
        self._feed = feed
        self._lock = threading.Lock()
        self._kept: dict[tuple[str, int, str], tuple[float, str]] = {}

    def html(self, view: SiteView, day_count: int) -> str:
        key = (view.id, day_count, view.units)
        with self._lock:
            drawn_s, text = self._kept.get(key, (-PAST_KEPT_S, ""))
            if time.monotonic() - drawn_s >= PAST_KEPT_S:
                text = past(self._feed.store, view, day_count)
                if len(self._kept) > 12:
                    self._kept.clear()
                self._kept[key] = (time.monotonic(), text)
            return text

    def forget(self) -> None:
        """Draw anew at the next request: something is known to have changed."""
        with self._lock:
            self._kept.clear()


class Pages:
    """What the routes have in common."""

    def __init__(self, feed: Feed, units: UnitSystem | None, allow_orders: bool) -> None:
        self.feed = feed
        self.units = units
        self.token = secrets.token_urlsafe(32)
        self.last_answer = ""
        self.allow_orders = allow_orders
        self.cache = PastCache(feed)

    def view(self, site: str | None) -> SiteView:
        """Raises HTTPException 404 when the site has not been heard of."""
        view = self.feed.view(site, self.units)
        if view is None:
            raise HTTPException(404, "no such site has been heard of")
        return view

    def desk(self) -> OrderDesk | None:
        return OrderDesk(self.token, self.last_answer) if self.allow_orders else None

    def completeness(self, view: SiteView) -> Completeness:
        missing = sum(last - first + 1 for first, last in self.feed.missing(view))
        newest = max(self.feed.store.newest(view.id) or 0, view.newest_sequence or 0) or None
        failures = self.feed.unanswered_refills(view.id)
        note = f"The last {failures} requests brought nothing." if failures > 1 else ""
        return Completeness(newest, missing, note)


def build_app(
    feed: Feed, units: UnitSystem | None = None, allow_orders: bool = False, host_names: tuple[str, ...] = ()
) -> App:
    """The whole application, guarded."""
    app = FastAPI(title="pumphouse watch", version="1", docs_url=None, redoc_url=None)
    pages = Pages(feed, units, allow_orders)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    _add_pages(app, pages)
    _add_interface(app, pages)
    if allow_orders:
        _add_orders(app, pages)
    app.add_middleware(GZipMiddleware, minimum_size=1000)
    return HttpGuard(app, host_names)


def _add_pages(app: FastAPI, pages: Pages) -> None:
    @app.get("/", response_class=HTMLResponse, include_in_schema=False)
    def page(site: SiteParameter = None, days: int = DEFAULT_DAYS) -> HTMLResponse:
        feed = pages.feed
        view = feed.view(site, pages.units)
        if view is None:
            broker = f"{feed.settings.host}:{feed.settings.port}"
            waiting = waiting_page(feed.settings.domain, broker, feed.connected, feed.problem)
            return HTMLResponse(waiting, status_code=404 if site else 200)
        text = pages.cache.html(view, _range(days))
        return HTMLResponse(full_page(view, text, feed.sites(), pages.desk(), pages.completeness(view)))

    @app.get("/part/present", response_class=HTMLResponse, include_in_schema=False)
    def present_part(site: SiteParameter = None) -> HTMLResponse:
        return HTMLResponse(present(pages.view(site), pages.desk()))

    @app.get("/part/past", response_class=HTMLResponse, include_in_schema=False)
    def past_part(site: SiteParameter = None, days: int = DEFAULT_DAYS) -> HTMLResponse:
        return HTMLResponse(pages.cache.html(pages.view(site), _range(days)))

    @app.get("/healthz", response_class=PlainTextResponse)
    def healthz() -> PlainTextResponse:
        """200 while the broker is connected, else 503; the text says why."""
        if pages.feed.connected:
            return PlainTextResponse("ok\n")
        return PlainTextResponse(f"no connection to the broker. {pages.feed.problem}\n", status_code=503)


def _add_interface(app: FastAPI, pages: Pages) -> None:
    @app.get("/api/site")
    def site_now(site: SiteParameter = None) -> dict[str, Any]:
        """The present of a site. Times are UTC milliseconds since 1970; null is unknown."""
        view = pages.view(site)
        done = pages.completeness(view)
        plain = asdict(view) | {"time_zone": view.time_zone.key, "live": view.live}
        return plain | {"newest_record": done.newest, "missing_records": done.missing}

    @app.get("/api/series")
    def series_list(site: SiteParameter = None) -> SeriesList:
        """Names and units of the recorded series."""
        view = pages.view(site)
        return SeriesList(
            site=view.id, series=[{"name": s.name, "unit": s.unit} for s in pages.feed.store.series(view.id)]
        )

    @app.get("/api/history")
    def history(
        series: Annotated[str, Query(max_length=200)],
        site: SiteParameter = None,
        start: Annotated[str | None, Query(alias="from", max_length=40)] = None,
        end: Annotated[str | None, Query(alias="to", max_length=40)] = None,
    ) -> SeriesPoints:
        """Points between two ISO 8601 instants (default: the last day), at most 5000, the newest of them."""
        view = pages.view(site)
        to_ms = _instant(end, view.now_ms)
        from_ms = _instant(start, to_ms - DAY_MS)
        known = {s.name: s.unit for s in pages.feed.store.series(view.id)}
        if series not in known:
            raise HTTPException(404, "no such series; /api/series lists them")
        points = pages.feed.store.points(view.id, series, from_ms, to_ms)[-MAX_POINTS:]
        return SeriesPoints(
            site=view.id,
            series=series,
            unit=known[series],
            points=[(p.at_ms, p.low, p.mean, p.high, p.count) for p in points],
        )


def _add_orders(app: FastAPI, pages: Pages) -> None:
    @app.post("/orders", include_in_schema=False)
    async def order(request: Request) -> Response:
        _check_origin(request)
        form = _form(await request.body(), request.headers.get("content-type", ""))
        if not hmac.compare_digest(form.get("token", "").encode(), pages.token.encode()):
            raise HTTPException(403, "this form is not from the page as it is now; load the page again")
        view = pages.view(form.get("site"))
        command = _command(form, view)
        answer = await run_in_threadpool(pages.feed.send_order, view.id, command)
        when = words.moment(view.now_ms, view.now_ms, view.time_zone)
        pages.last_answer = f"{ORDERS[command['order']]}, {when}: {answer}"
        pages.cache.forget()
        return RedirectResponse(f"/?site={view.id}", status_code=303)


def _check_origin(request: Request) -> None:
    """Raises 403 unless the browser says that the form was sent from this very page."""
    origin = request.headers.get("origin")
    fetch_site = request.headers.get("sec-fetch-site")
    same = origin is not None and urlsplit(origin).netloc == request.headers.get("host")
    if not same or fetch_site not in (None, "same-origin"):
        raise HTTPException(403, "orders are taken from this page only")


def _form(body: bytes, content_type: str) -> dict[str, str]:
    if content_type.partition(";")[0].strip() != "application/x-www-form-urlencoded":
        raise HTTPException(415, "orders come as a form")
    try:
        fields = parse_qs(body.decode("utf-8"), max_num_fields=20, strict_parsing=True)
    except ValueError:
        raise HTTPException(400, "this form cannot be read") from None
    return {name: values[0] for name, values in fields.items()}


def _command(form: dict[str, str], view: SiteView) -> dict[str, Any]:
    """The order as the controller takes it; it checks everything again."""
    order = form.get("order", "")
    if order not in ORDERS:
        raise HTTPException(400, "no such order")
    command: dict[str, Any] = {"order": order}
    if not view.clocks_apart_ms:
        command["not_after"] = utc_text(view.now_ms + ORDER_VALID_MS)
    if order == "run-zone":
        if form.get("zone") not in {z.id for z in view.zones}:
            raise HTTPException(400, "no such zone")
        amount = finite(form.get("volume", "").replace(",", "."), 0.0)
        if not amount:
            raise HTTPException(400, "the volume must be a number above 0, for example 6 or 2.5")
        litres = amount * words.L_PER_US_GAL if view.units == "us" else amount
        command |= {"zone": form["zone"], "volume_l": round(litres, 3)}
    if order == "clear-fault":
        command["fault"] = form.get("fault", "")[:64]
    return command


def _range(days: int) -> int:
    return days if days in {count for count, _ in RANGES} else DEFAULT_DAYS


def _instant(text: str | None, default_ms: int) -> int:
    if text is None:
        return default_ms
    at_ms = time_ms(text)
    if at_ms is None:
        raise HTTPException(422, "times are ISO 8601 with a zone, for example 2026-05-14T05:30:00Z")
    return at_ms
