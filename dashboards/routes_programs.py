"""Orders from programs: JSON in, the order's state out. A program shows a token that may act."""

from __future__ import annotations

from typing import Any, Literal, get_args

from fastapi import FastAPI, HTTPException
from pydantic import BaseModel, ConfigDict

from dashboards.access import Actor, Looker, may_see
from dashboards.commands import finished
from dashboards.order_book import Entry, State
from dashboards.routes_interface import ANSWERS, TOKEN, Problem
from dashboards.routes_orders import ANSWER_WITHIN_S
from dashboards.routes_shared import Pages, SiteParameter

Kind = Literal[
    "run-zone",
    "hold",
    "resume",
    "stop-all",
    "set-schedule",
    "clear-fault",
    "day-weather",
    "zone-looks",
    "forget-looks",
    "hold-zone",
    "resume-zone",
    "undo-schedule",
    "forecast",
    "void-rain",
    "drain-zone",
    "note",
]
KINDS: tuple[str, ...] = get_args(Kind)
OURS = ("id", "sender", "not_after")
ORDER_ANSWERS: dict[int | str, dict[str, Any]] = ANSWERS | {
    400: {"model": Problem, "description": "The request cannot be read", "content": {"text/plain": {}}},
    403: {"description": "This token may look, but not order", "content": {"text/plain": {}}},
}


class GivenOrder(BaseModel):
    """An order with the fields that docs/mqtt.md gives it, except `id`, `sender` and `not_after`: those are added here.
    The controller checks everything."""

    model_config = ConfigDict(extra="allow")
    order: Kind


class OrderState(BaseModel):
    """What has become of an order: waiting and sent are still open, lapsed was never answered."""

    id: str
    site: str
    state: State
    reason: str


def add_programs(app: FastAPI, pages: Pages) -> None:
    @app.post("/api/orders", responses=ORDER_ANSWERS, dependencies=TOKEN)
    def give(person: Actor, given: GivenOrder, site: SiteParameter = None) -> OrderState:
        """Order something, and wait a moment for the controller's answer."""
        view = pages.view(person, site)
        command = given.model_dump()
        if any(name in command for name in OURS):
            raise HTTPException(422, f"leave out {', '.join(OURS)}: they are added here")
        zone = command.get("zone")
        said = f"{given.order} {zone}" if isinstance(zone, str) and zone in {z.id for z in view.zones} else given.order
        made = finished(command, said, view)
        entry = pages.dispatch.send(view.id, made.command, person.name, made.words, made.life_ms)
        if entry.state == "sent":
            entry = pages.dispatch.book.wait(entry.id, ANSWER_WITHIN_S) or entry
        pages.kept.forget()
        return _state(entry)

    @app.get("/api/orders/{order_id}", responses=ORDER_ANSWERS, dependencies=TOKEN)
    def became(person: Looker, order_id: str) -> OrderState:
        """What has become of an order that was given here."""
        entry = pages.dispatch.book.get(order_id)
        if entry is None or not may_see(person, entry.site):
            raise HTTPException(404, "no such order was given here")
        return _state(entry)


def _state(entry: Entry) -> OrderState:
    return OrderState(id=entry.id, site=entry.site, state=entry.state, reason=entry.reason)
