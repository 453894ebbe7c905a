"""Routes that take orders from the pages' forms, and the schedule editor.

Every order is answered by sending the browser to a page (post, redirect, get), so that loading that page again orders
nothing again.
"""

from __future__ import annotations

import json
from typing import Any
from urllib.parse import urlencode

from fastapi import FastAPI, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from dashboards.access import Actor, Person
from dashboards.commands import FormProblem, Ordered, ordered, schedule_order
from dashboards.dispatch import NoAnswerError
from dashboards.editor import editor, no_preview, preview_words
from dashboards.forms import sent_form
from dashboards.frame import site_page
from dashboards.routes_shared import OrderParameter, Pages, SiteParameter
from dashboards.schedule_form import Draft, differences, fields_of, read_draft, schedule_values
from dashboards.view import SiteView, ZoneStatus, read_schedule

ANSWER_WITHIN_S = 1.5
"""So long a form waits for the answer before it shows the order as open: a round trip over a poor link."""
Form = dict[str, str]


def add_orders(app: FastAPI, pages: Pages) -> None:
    """Orders of one button or field, and schedules."""
    _add_simple(app, pages)
    _add_editor(app, pages)


def _add_simple(app: FastAPI, pages: Pages) -> None:
    @app.post("/orders", include_in_schema=False)
    async def order(request: Request, person: Actor) -> Response:
        form = await sent_form(request)
        view = await run_in_threadpool(pages.view, person, form.get("site"))
        try:
            made = ordered(form, view)
        except FormProblem as problem:
            raise HTTPException(400, str(problem)) from None
        return await run_in_threadpool(_give, pages, view, made, person, form.get("zone", ""))


def _give(pages: Pages, view: SiteView, made: Ordered, person: Person, zone_id: str) -> Response:
    """Send an order, give its answer a moment, and show it on the page it came from."""
    entry = pages.dispatch.send(view.id, made.command, person.name, made.words, made.life_ms, made.context)
    if entry.state == "sent":
        pages.dispatch.book.wait(entry.id, ANSWER_WITHIN_S)
    pages.kept.forget()
    where = f"/zone/{zone_id}" if zone_id else "/"
    return RedirectResponse(f"{where}?{urlencode({'site': view.id, 'order': entry.id})}", status_code=303)


def _add_editor(app: FastAPI, pages: Pages) -> None:
    @app.get("/zone/{zone_id}/schedule", response_class=HTMLResponse, include_in_schema=False)
    def edit(
        request: Request, person: Actor, zone_id: str, site: SiteParameter = None, again: OrderParameter = ""
    ) -> HTMLResponse:
        view = pages.view(person, site)
        zone = pages.zone(view, zone_id)
        return _begun(pages, request, person, view, zone, again)

    @app.post("/zone/{zone_id}/schedule", include_in_schema=False)
    async def change(request: Request, person: Actor, zone_id: str) -> Response:
        form = await sent_form(request)
        view = await run_in_threadpool(pages.view, person, form.get("site"))
        zone = pages.zone(view, zone_id)
        return await run_in_threadpool(_changed, pages, request, person, view, zone, form)

    @app.post("/part/preview", response_class=HTMLResponse, include_in_schema=False)
    async def preview(request: Request, person: Actor) -> HTMLResponse:
        form = await sent_form(request)
        view = await run_in_threadpool(pages.view, person, form.get("site"))
        zone = pages.zone(view, form.get("zone", ""))
        draft = read_draft(form, view.units, zone.schedule)
        return HTMLResponse(await run_in_threadpool(_preview, pages, person, view, zone, draft))


def _begun(
    pages: Pages, request: Request, person: Person, view: SiteView, zone: ZoneStatus, again: str
) -> HTMLResponse:
    """The editor as it opens: with the schedule in force, or with what an order of before had typed."""
    if zone.schedule is None or zone.schedule_version is None:
        raise HTTPException(409, "the controller has not said what the schedule is, so it cannot be changed now")
    entry = pages.dispatch.book.get(again) if again else None
    typed = read_schedule(entry.command.get("schedule")) if entry is not None and entry.site == view.id else None
    if entry is None or typed is None:
        draft = Draft(fields_of(zone.schedule, view.units))
        return _editor_page(pages, request, person, view, zone, draft, [])
    base = read_schedule(entry.context.get("base"))
    changes = differences(base, zone.schedule, view.units) if base is not None else []
    return _editor_page(pages, request, person, view, zone, Draft(fields_of(typed, view.units)), changes)


def _changed(pages: Pages, request: Request, person: Person, view: SiteView, zone: ZoneStatus, form: Form) -> Response:
    """Look at what was typed: preview it, say what is wrong or what others changed, or order it."""
    draft = read_draft(form, view.units, zone.schedule)
    version, base = form.get("base_version", ""), _json_object(form.get("base", ""))
    if zone.schedule is None or zone.schedule_version is None or not version.isdecimal() or len(version) > 9:
        raise HTTPException(409, "the schedule this was made from is not known; load the page again")
    if draft.schedule is None:
        return _editor_page(pages, request, person, view, zone, draft, [], base, int(version), status=422)
    if int(version) != zone.schedule_version:
        was = read_schedule(base)
        changes = differences(was, zone.schedule, view.units) if was is not None else []
        changes = changes or ["Nothing that can be seen: it was changed and changed back."]
        return _editor_page(pages, request, person, view, zone, draft, changes, status=409)
    if form.get("do") != "save":
        shown = _preview(pages, person, view, zone, draft)
        return _editor_page(pages, request, person, view, zone, draft, [], base, int(version), preview=shown)
    made = schedule_order(zone, draft.schedule, int(version), _in_force(zone), view)
    return _give(pages, view, made, person, zone.id)


def _preview(pages: Pages, person: Person, view: SiteView, zone: ZoneStatus, draft: Draft) -> str:
    if draft.schedule is None:
        return no_preview("Something in the form is not right yet: " + " ".join(draft.problems.values()))
    try:
        found = pages.dispatch.preview(view.id, zone.id, draft.schedule, person.name)
    except NoAnswerError as none:
        return no_preview(str(none))
    return preview_words(view, zone, found)


def _editor_page(
    pages: Pages,
    request: Request,
    person: Person,
    view: SiteView,
    zone: ZoneStatus,
    draft: Draft,
    changed: list[str],
    base: dict[str, Any] | None = None,
    version: int | None = None,
    *,
    preview: str = "",
    status: int = 200,
) -> HTMLResponse:
    """The editor's page. Without a base it is made from the schedule in force."""
    around = pages.around(request, person, view)
    if around.desk is None:
        raise HTTPException(403, "your account may look, but not change anything")
    if version is None:
        base, version = _in_force(zone), zone.schedule_version or 0
    content = editor(view, zone, around.desk, draft, version, base, changed=changed, preview=preview)
    before = pages.strips(request, view)
    page = site_page(view, around, "editor", f"Schedule of {zone.name}", content, before=before)
    return HTMLResponse(page, status_code=status)


def _in_force(zone: ZoneStatus) -> dict[str, Any]:
    """The zone's schedule as the controller takes it."""
    return {} if zone.schedule is None else schedule_values(zone.schedule)


def _json_object(text: str) -> dict[str, Any] | None:
    try:
        value = json.loads(text[:8192])
    except (ValueError, RecursionError):
        return None
    return value if isinstance(value, dict) else None
