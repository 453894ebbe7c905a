"""Routes of the list of sites: the page, and the same as data."""

from __future__ import annotations

from typing import Annotated

from fastapi import FastAPI, Query, Request
from fastapi.responses import HTMLResponse
from pydantic import BaseModel

from dashboards.access import Looker, Person, may_see, visit
from dashboards.overview import LONGEST_WORDS, overview_page
from dashboards.routes_shared import Pages
from dashboards.standing import Need, Standing, by_need

Words = Annotated[str, Query(max_length=LONGEST_WORDS)]


class SiteInShort(BaseModel):
    """A site in a list; null is unknown. `need` is what draws attention to it, "none" when nothing does."""

    id: str
    name: str
    state: str
    need: Need
    faults: int
    warnings: int
    fill_percent: float | None
    charge_percent: float | None
    heard_at_ms: int


def add_overview(app: FastAPI, pages: Pages) -> None:
    """The list of the sites a person may see."""

    @app.get("/sites", response_class=HTMLResponse, include_in_schema=False)
    def overview(request: Request, person: Looker, words: Words = "", page: int = 1) -> HTMLResponse:
        account = person.name if visit(request).has_account else ""
        seen, feed, troubles = _seen(pages, person), pages.feed, pages.troubles(person)
        return HTMLResponse(overview_page(seen, feed.now_ms(), feed.connected, words, page, account, troubles))

    @app.get("/api/sites")
    def sites(person: Looker) -> list[SiteInShort]:
        """All sites, those that need somebody first. Times are UTC milliseconds since 1970."""
        return [
            SiteInShort(
                id=standing.id,
                name=standing.name,
                state=standing.state,
                need=need,
                faults=len(standing.worst("fault")),
                warnings=len(standing.worst("warning")),
                fill_percent=standing.fill_percent,
                charge_percent=standing.charge_percent,
                heard_at_ms=standing.heard_at_ms,
            )
            for need, standing in by_need(_seen(pages, person), pages.feed.now_ms())
        ]


def _seen(pages: Pages, person: Person) -> list[Standing]:
    return [standing for standing in pages.feed.standings() if may_see(person, standing.id)]
