"""Routes of the JSON interface: the present of a site, and its recorded series."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import Depends, FastAPI, HTTPException, Query
from fastapi.security import HTTPBearer
from pydantic import BaseModel

from dashboards.access import Looker
from dashboards.routes_shared import Pages, SiteParameter
from dashboards.store import DAY_MS
from dashboards.view import time_ms

MAX_POINTS = 5000


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


class Problem(BaseModel):
    """Why there is no answer: in words, or what is wrong with which part of the question."""

    detail: str | list[dict[str, Any]]


INSTANT: dict[str, Any] = {"format": "date-time"}
ANSWERS: dict[int | str, dict[str, Any]] = {
    401: {"model": Problem, "description": "No token, or one that is not known here"},
    404: {"model": Problem, "description": "No such site or series that this token may see"},
    422: {"model": Problem, "description": "Part of the question cannot be read"},
}
# The gate looks at the token long before; this describes it.
TOKEN = [Depends(HTTPBearer(auto_error=False, description="A token made by whoever keeps the accounts"))]


def add_interface(app: FastAPI, pages: Pages) -> None:
    @app.get("/api/site", responses=ANSWERS, dependencies=TOKEN)
    def site_now(person: Looker, site: SiteParameter = None) -> dict[str, Any]:
        """The present of a site. Times are UTC milliseconds since 1970; null is unknown."""
        view = pages.view(person, site)
        done = pages.completeness(view)
        plain = asdict(view) | {"time_zone": view.time_zone.key, "live": view.live}
        return plain | {"newest_record": done.newest, "missing_records": done.missing}

    @app.get("/api/series", responses=ANSWERS, dependencies=TOKEN)
    def series_list(person: Looker, site: SiteParameter = None) -> SeriesList:
        """Names and units of the recorded series."""
        view = pages.view(person, site)
        return SeriesList(
            site=view.id, series=[{"name": s.name, "unit": s.unit} for s in pages.feed.store.series(view.id)]
        )

    @app.get("/api/history", responses=ANSWERS, dependencies=TOKEN)
    def history(
        person: Looker,
        series: Annotated[str, Query(max_length=200)],
        site: SiteParameter = None,
        start: Annotated[str | None, Query(alias="from", max_length=40, json_schema_extra=INSTANT)] = None,
        end: Annotated[str | None, Query(alias="to", max_length=40, json_schema_extra=INSTANT)] = None,
    ) -> SeriesPoints:
        """Points between two ISO 8601 instants (default: the last day), at most 5000, the newest of them."""
        view = pages.view(person, site)
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


def _instant(text: str | None, default_ms: int) -> int:
    if text is None:
        return default_ms
    at_ms = time_ms(text)
    if at_ms is None:
        raise HTTPException(422, "times are ISO 8601 with a zone, for example 2026-05-14T05:30:00Z")
    return at_ms
