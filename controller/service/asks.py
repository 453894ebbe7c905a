"""Questions at the edge: bytes from anyone become a checked question, or a refusal. Questions change nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from pydantic import ValidationError

from controller.contract import AskReadings, Intention, Preview, PreviewSchedule, Question
from controller.service.homie import iso_time
from controller.service.orders import (
    ORDER_BYTES,
    Name,
    OrderId,
    Refusal,
    ScheduleShape,
    Sender,
    Shape,
    check_zone,
    first_reason,
    schedule_from_shape,
)
from controller.service.strict_json import RefusedError, read_json_object
from controller.site.model import Site


class AskShape(Shape):
    """JSON of a question, see docs/mqtt.md."""

    ask: Literal["preview-schedule"]
    id: OrderId
    sender: Sender
    zone: Name
    schedule: ScheduleShape


class ReadingsShape(Shape):
    """JSON of the question what the board reads."""

    ask: Literal["readings"]
    id: OrderId
    sender: Sender


@dataclass(frozen=True, slots=True)
class AskAnswer:
    """What is said to a question: a preview, readings, or why there are none."""

    ask_id: str
    reason: str = ""
    preview: Preview | None = None
    readings: dict[str, Any] | None = None


def parse_ask(payload: bytes, site: Site, retained: bool = False) -> Question | Refusal:
    """One question, checked against the site; never raises, whatever the bytes."""
    known_id = None
    try:
        values = read_json_object(payload, retained, ORDER_BYTES)
        ask_id = values.get("id")
        known_id = ask_id if isinstance(ask_id, str) and len(ask_id) <= 64 else None
        if values.get("ask") == "readings":
            return AskReadings(ReadingsShape.model_validate(values).id)
        shape = AskShape.model_validate(values)
        check_zone(shape.zone, site)
        return PreviewSchedule(shape.id, shape.zone, schedule_from_shape(shape.schedule))
    except ValidationError as error:
        return Refusal(first_reason(error, "question"), known_id)
    except RefusedError as refused:
        return Refusal(str(refused), known_id)


def answer_values(answer: AskAnswer) -> dict[str, Any]:
    """What an answer holds beside id, accepted and reason; empty when there is nothing to tell."""
    if answer.preview is not None:
        return {"preview": preview_values(answer.preview)}
    return {} if answer.readings is None else {"readings": answer.readings}


def preview_values(preview: Preview) -> dict[str, Any]:
    """JSON-able form of a preview."""
    return {
        "zone": preview.zone_id,
        "base_version": preview.base_version,
        "in_force": _intention_values(preview.in_force),
        "asked": _intention_values(preview.asked),
    }


def _intention_values(intention: Intention) -> dict[str, Any]:
    start_ms = intention.next_start_wall_ms
    return {
        "next_start": None if start_ms is None else iso_time(start_ms),
        "volume_l": round(intention.volume_l, 1),
        "zone_day_l": round(intention.zone_day_l, 1),
        "site_day_l": round(intention.site_day_l, 1),
        "why": intention.why,
        "tanks": {
            tank.tank_id: {
                "days_of_supply": None if tank.days_of_supply is None else round(tank.days_of_supply, 1),
                "days_of_supply_low": None if tank.likely is None else round(tank.likely.low, 1),
                "days_of_supply_likely": None if tank.likely is None else round(tank.likely.likely, 1),
                "days_of_supply_high": None if tank.likely is None else round(tank.likely.high, 1),
            }
            for tank in intention.tanks
        },
    }
