"""Routes that take orders from the page's forms."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI, HTTPException, Request
from fastapi.responses import RedirectResponse, Response
from starlette.concurrency import run_in_threadpool

from dashboards import words
from dashboards.access import Actor
from dashboards.forms import sent_form
from dashboards.routes_shared import Pages
from dashboards.view import SiteView, finite, utc_text

ORDER_VALID_MS = 60_000
ORDERS = {
    "hold": "Hold watering",
    "resume": "Resume watering",
    "stop-all": "Stop everything",
    "run-zone": "Give water",
    "clear-fault": "Clear a fault",
}


def add_orders(app: FastAPI, pages: Pages) -> None:
    @app.post("/orders", include_in_schema=False)
    async def order(request: Request, person: Actor) -> Response:
        form = await sent_form(request)
        view = pages.view(person, form.get("site"))
        command = _command(form, view)
        answer = await run_in_threadpool(pages.feed.send_order, view.id, command)
        when = words.moment(view.now_ms, view.now_ms, view.time_zone)
        pages.last_answer = f"{ORDERS[command['order']]}, {when}: {answer}"
        pages.cache.forget()
        return RedirectResponse(f"/?site={view.id}", status_code=303)


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
