"""Orders at the edge: bytes from anyone become a checked order, or a refusal with a plain reason. Nothing in between.

What is valid is decided here against the site's declaration; whether it may act now is the core's business.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StrictInt, StrictStr, TypeAdapter, ValidationError

from controller.contract import (
    FORECAST_DAYS,
    ClearFault,
    Command,
    DayWeather,
    DrainZone,
    Forecast,
    ForecastDay,
    ForgetLooks,
    HoldAll,
    HoldZone,
    Note,
    Order,
    ResumeAll,
    ResumeZone,
    RunZone,
    SetSchedule,
    StopAll,
    UndoSchedule,
    VoidRain,
    ZoneLooks,
)
from controller.core.drain import LONGEST_DRAIN_MIN
from controller.service.strict_json import RefusedError, quoted, read_json_object
from controller.site.model import DEFAULT_SOAK_MIN, Schedule, Site, Window

ORDER_BYTES = 4 * 1024
SCHEDULE_BYTES = 64 * 1024
DEFAULT_LIFE_MS = 60_000
LONGEST_LIFE_MS = 24 * 3_600_000
LONGEST_SOAK_MIN = 12 * 60
LONGEST_HOLD_MS = 400 * 86_400_000
DAILY_CAP_LIMIT_L = 100_000.0
FORECAST_LIFE_MS, FORECAST_EARLY_MS = 24 * 3_600_000, 3_600_000
WEATHER_DAYS_BACK = 8
"""One more than the seven the core looks back, because the sender's today may be the site's yesterday."""


@dataclass(frozen=True, slots=True)
class Ground:
    """What orders are checked against: the declared site, the clock, and the daily caps now in force by zone id."""

    site: Site
    now_wall_ms: int
    clock_known: bool = True
    caps_l: Mapping[str, float] | None = None
    life_ms: int = DEFAULT_LIFE_MS
    """How long an order without `not_after` may act."""

    def default_not_after_wall_ms(self) -> int | None:
        """End of an order's life when it does not say; None while the time is not known."""
        return self.now_wall_ms + self.life_ms if self.clock_known else None

    def cap_l(self, zone_id: str) -> float:
        caps_l = self.caps_l or {}
        return caps_l.get(zone_id, self.site.zone(zone_id).schedule.daily_cap_l)


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why an order was not taken, in words; the id when one could be read."""

    reason: str
    id: str | None = None


# --- shapes ----------------------------------------------------------------------------------------------------

Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
OrderId = Annotated[StrictStr, Field(pattern=r"^[A-Za-z0-9._:-]{1,64}$")]
Sender = Annotated[StrictStr, Field(min_length=1, max_length=40, pattern=r"^[^\x00-\x1f\x7f]+$")]
FaultId = Annotated[StrictStr, Field(pattern=r"^[A-Za-z0-9._:/-]{1,64}$")]
Name = Annotated[StrictStr, Field(min_length=1, max_length=64)]
ClockTime = Annotated[StrictStr, Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$|^24:00$")]


class Shape(BaseModel):
    """What all JSON objects have in common: exact types, no unknown fields."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class _WindowShape(Shape):
    start: ClockTime
    end: ClockTime


class ScheduleShape(Shape):
    """JSON of a schedule, see docs/mqtt.md."""

    mode: Literal["need", "fixed", "off"]
    windows: Annotated[list[_WindowShape], Field(max_length=24)]
    daily_cap_l: Annotated[Number, Field(gt=0, le=DAILY_CAP_LIMIT_L)]
    doses_per_day: Annotated[StrictInt, Field(ge=1, le=24)] = 1
    fixed_volume_l: Annotated[Number, Field(ge=0, le=DAILY_CAP_LIMIT_L)] = 0.0
    fixed_times: Annotated[list[ClockTime], Field(max_length=24)] = []
    soak_min: Annotated[StrictInt, Field(ge=0, le=LONGEST_SOAK_MIN)] = DEFAULT_SOAK_MIN


class _Base(Shape):
    id: OrderId
    sender: Sender
    not_after: StrictStr | None = None


class _RunZone(_Base):
    order: Literal["run-zone"]
    zone: Name
    volume_l: Annotated[Number, Field(gt=0)]


class _Hold(_Base):
    order: Literal["hold"]
    until: StrictStr | None = None


class _Resume(_Base):
    order: Literal["resume"]


class _StopAll(_Base):
    order: Literal["stop-all"]


class _ClearFault(_Base):
    order: Literal["clear-fault"]
    fault: FaultId


class _SetSchedule(_Base):
    order: Literal["set-schedule"]
    zone: Name
    base_version: Annotated[StrictInt, Field(ge=0)]
    schedule: ScheduleShape


class _DayWeather(_Base):
    order: Literal["day-weather"]
    date: StrictStr
    tmin_c: Annotated[Number, Field(ge=-60, le=60)]
    tmax_c: Annotated[Number, Field(ge=-60, le=60)]
    humidity_mean_percent: Annotated[Number, Field(ge=1, le=100)]
    wind_2m_m_s: Annotated[Number, Field(ge=0, le=60)]
    radiation_mj_m2: Annotated[Number, Field(ge=0, le=45)]


class _VoidRain(_Base):
    order: Literal["void-rain"]
    date: StrictStr
    reason: Annotated[StrictStr, Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]+$")]


class _ZoneLooks(_Base):
    order: Literal["zone-looks"]
    zone: Name
    look: Literal["dry", "wet"]


class _ForgetLooks(_Base):
    order: Literal["forget-looks"]
    zone: Name


class _HoldZone(_Base):
    order: Literal["hold-zone"]
    zone: Name
    until: StrictStr | None = None


class _ResumeZone(_Base):
    order: Literal["resume-zone"]
    zone: Name


class _UndoSchedule(_Base):
    order: Literal["undo-schedule"]
    zone: Name
    base_version: Annotated[StrictInt, Field(ge=0)]


class _DrainZone(_Base):
    order: Literal["drain-zone"]
    zone: Name
    duration_min: Annotated[Number, Field(ge=1, le=LONGEST_DRAIN_MIN)]


class _Note(_Base):
    order: Literal["note"]
    text: Annotated[StrictStr, Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]+$")]


class _ForecastDay(Shape):
    date: StrictStr
    rain_mm: Annotated[Number, Field(ge=0, le=1000)]
    tmin_c: Annotated[Number, Field(ge=-60, le=60)]
    tmax_c: Annotated[Number, Field(ge=-60, le=60)]


class _Forecast(_Base):
    order: Literal["forecast"]
    issued: StrictStr
    days: Annotated[list[_ForecastDay], Field(min_length=1, max_length=FORECAST_DAYS)]


ORDER_SHAPES: dict[str, type[BaseModel]] = {
    "run-zone": _RunZone,
    "hold": _Hold,
    "resume": _Resume,
    "stop-all": _StopAll,
    "clear-fault": _ClearFault,
    "set-schedule": _SetSchedule,
    "day-weather": _DayWeather,
    "void-rain": _VoidRain,
    "zone-looks": _ZoneLooks,
    "forget-looks": _ForgetLooks,
    "hold-zone": _HoldZone,
    "resume-zone": _ResumeZone,
    "undo-schedule": _UndoSchedule,
    "drain-zone": _DrainZone,
    "note": _Note,
    "forecast": _Forecast,
}
"""What each kind of order may and must say."""

_AnyOrder = Annotated[
    _RunZone
    | _Hold
    | _Resume
    | _StopAll
    | _ClearFault
    | _SetSchedule
    | _DayWeather
    | _VoidRain
    | _ZoneLooks
    | _ForgetLooks
    | _HoldZone
    | _ResumeZone
    | _UndoSchedule
    | _DrainZone
    | _Note
    | _Forecast,
    Field(discriminator="order"),
]
_ADAPTER: TypeAdapter[Any] = TypeAdapter(_AnyOrder)


# --- reading ----------------------------------------------------------------------------------------------------


def parse_order(payload: bytes, ground: Ground, retained: bool = False) -> Order | Refusal:
    """One order of the request topic, checked against the site; never raises, whatever the bytes."""
    try:
        values = read_json_object(payload, retained, _limit_for(payload))
    except RefusedError as refused:
        return Refusal(str(refused))
    return order_from_values(values, ground)


def parse_set(
    payload: bytes, kind: str, zone_id: str | None, ground: Ground, retained: bool = False
) -> Order | Refusal:
    """One command of a Homie `set` topic that says kind and zone; without an id it gets one from its content.

    The same bytes then have the same id, so a second delivery of the same message does nothing.
    """
    try:
        limit = SCHEDULE_BYTES if kind == "set-schedule" else ORDER_BYTES
        values = read_json_object(payload, retained, limit)
        for key in ("order", "zone"):
            if key in values:
                raise RefusedError(f"{key} does not belong here: the topic says it")
    except RefusedError as refused:
        return Refusal(str(refused))
    if kind != "run-zone":
        values.setdefault("id", f"set-{hashlib.sha256(payload).hexdigest()[:24]}")
    values.setdefault("sender", "homie")
    values["order"] = kind
    if zone_id is not None:
        values["zone"] = zone_id
    return order_from_values(values, ground)


def order_from_values(values: dict[str, Any], ground: Ground) -> Order | Refusal:
    """An order from a decoded JSON object."""
    order_id = values.get("id")
    known_id = order_id if isinstance(order_id, str) and len(order_id) <= 64 else None
    try:
        shape = _ADAPTER.validate_python(values)
        not_after_wall_ms = _not_after(shape.not_after, ground)
        command = _command(shape, ground)
    except ValidationError as error:
        return Refusal(first_reason(error, "order", 1), known_id)
    except RefusedError as refused:
        return Refusal(str(refused), known_id)
    return Order(shape.id, shape.sender, not_after_wall_ms, command)


def _limit_for(payload: bytes) -> int:
    return SCHEDULE_BYTES if b'"set-schedule"' in payload[:SCHEDULE_BYTES] else ORDER_BYTES


def first_reason(error: ValidationError, what: str, tag_levels: int = 0) -> str:
    """The first thing wrong with `what`, by field; `tag_levels` of its place are the kind's name, not a field's."""
    first = error.errors(include_url=False, include_context=False)[0]
    where = ".".join(str(part) for part in first["loc"][tag_levels:]) or what
    allowed = ", ".join(ORDER_SHAPES)
    match first["type"]:
        case "union_tag_invalid" | "union_tag_not_found":
            return f"order: must be one of {allowed}"
        case "extra_forbidden":
            return f"{quoted(where)[1:-1]}: no such field in this {what}"
        case "missing":
            return f"{where}: is missing"
        case "string_pattern_mismatch":
            return f"{where}: has not the form it must have, see docs/mqtt.md"
        case _:
            message = first["msg"]
            return f"{where}: {message[0].lower()}{message[1:]}"


# --- meaning ----------------------------------------------------------------------------------------------------


def _not_after(text: str | None, ground: Ground) -> int | None:
    if text is None:
        return ground.default_not_after_wall_ms()
    now_wall_ms = _known_now(ground, "not_after")
    not_after_ms = _instant_ms("not_after", text)
    if not_after_ms <= now_wall_ms:
        raise RefusedError(f"not_after: {text} is over, the order came too late (or a clock is wrong)")
    if not_after_ms > now_wall_ms + LONGEST_LIFE_MS:
        raise RefusedError(f"not_after: {text} is more than 24 hours ahead")
    return not_after_ms


def _known_now(ground: Ground, field: str) -> int:
    if not ground.clock_known:
        raise RefusedError(f"{field}: the controller does not know the time yet; send the order without it")
    return ground.now_wall_ms


def _instant_ms(field: str, text: str) -> int:
    try:
        if len(text) > 40 or "T" not in text:
            raise ValueError("no date and time")
        instant = datetime.fromisoformat(text)
    except ValueError as error:
        raise RefusedError(f"{field}: {quoted(text)} is no time; write 2026-05-14T05:30:00Z") from error
    if instant.tzinfo is None:
        raise RefusedError(f"{field}: {text} does not say its time zone; write Z (UTC) or an offset at the end")
    try:
        return round(instant.astimezone(UTC).timestamp() * 1000)
    except (OverflowError, ValueError) as error:
        raise RefusedError(f"{field}: {text} is out of range") from error


def _command(shape: Any, ground: Ground) -> Command:
    match shape.order:
        case "run-zone":
            return _run_zone(shape, ground)
        case "hold":
            return HoldAll(_hold_until(shape.until, ground))
        case "resume":
            return ResumeAll()
        case "stop-all":
            return StopAll()
        case "clear-fault":
            return ClearFault(shape.fault)
        case "set-schedule":
            check_zone(shape.zone, ground.site)
            return SetSchedule(shape.zone, schedule_from_shape(shape.schedule), shape.base_version)
        case "zone-looks":
            check_zone(shape.zone, ground.site)
            return ZoneLooks(shape.zone, shape.look)
        case "forget-looks":
            check_zone(shape.zone, ground.site)
            return ForgetLooks(shape.zone)
        case "hold-zone":
            check_zone(shape.zone, ground.site)
            return HoldZone(shape.zone, _hold_until(shape.until, ground))
        case "resume-zone":
            check_zone(shape.zone, ground.site)
            return ResumeZone(shape.zone)
        case "undo-schedule":
            check_zone(shape.zone, ground.site)
            return UndoSchedule(shape.zone, shape.base_version)
        case "drain-zone":
            check_zone(shape.zone, ground.site)
            return DrainZone(shape.zone, shape.duration_min)
        case "note":
            return Note(shape.text)
        case "forecast":
            return _forecast(shape, ground)
        case "void-rain":
            return VoidRain(_day("date", shape.date).isoformat(), shape.reason)
        case _:
            return _day_weather(shape, ground)


def _run_zone(shape: _RunZone, ground: Ground) -> RunZone:
    check_zone(shape.zone, ground.site)
    cap_l = ground.cap_l(shape.zone)
    if shape.volume_l > cap_l:
        raise RefusedError(f"volume_l: {shape.volume_l:g} L is above the daily cap of {shape.zone}, {cap_l:g} L")
    return RunZone(shape.zone, shape.volume_l)


def check_zone(zone_id: str, site: Site) -> None:
    """Raises a refusal for an id that is no zone's."""
    if all(zone.id != zone_id for zone in site.zones):
        known = ", ".join(zone.id for zone in site.zones)
        raise RefusedError(f"zone: there is no zone {quoted(zone_id)}; there are {known}")


def _hold_until(text: str | None, ground: Ground) -> int | None:
    if text is None:
        return None
    now_wall_ms = _known_now(ground, "until")
    until_ms = _instant_ms("until", text)
    if until_ms <= now_wall_ms:
        raise RefusedError(f"until: {text} is over")
    if until_ms > now_wall_ms + LONGEST_HOLD_MS:
        raise RefusedError(f"until: {text} is more than 400 days ahead; leave it out to hold until someone resumes")
    return until_ms


def schedule_from_shape(shape: ScheduleShape) -> Schedule:
    """The schedule a checked JSON object means. Raises a refusal for windows or times that contradict each other."""
    windows = tuple(sorted((_window(w) for w in shape.windows), key=lambda w: w.start_min))
    for earlier, later in pairwise(windows):
        if later.start_min < earlier.end_min:
            raise RefusedError(
                f"schedule.windows: {_clock(later.start_min)} begins before {_clock(earlier.end_min)} ends"
            )
    times = tuple(_minutes(text) for text in shape.fixed_times)
    if 1440 in times:
        raise RefusedError("schedule.fixed_times: 24:00 is 00:00 of the next day; write 00:00")
    if len(set(times)) != len(times):
        raise RefusedError("schedule.fixed_times: a time is there twice")
    if shape.mode == "need" and not windows:
        raise RefusedError("schedule.windows: mode need waters inside windows; give at least one, or mode off")
    if shape.mode == "fixed":
        _check_fixed(shape)
    return Schedule(
        shape.mode,
        windows,
        float(shape.daily_cap_l),
        shape.doses_per_day,
        float(shape.fixed_volume_l),
        times,
        shape.soak_min,
    )


def _check_fixed(shape: ScheduleShape) -> None:
    if not shape.fixed_times:
        raise RefusedError("schedule.fixed_times: mode fixed needs at least one time")
    if shape.fixed_volume_l <= 0:
        raise RefusedError("schedule.fixed_volume_l: mode fixed needs a volume above 0")
    if shape.fixed_volume_l > shape.daily_cap_l:
        raise RefusedError("schedule.fixed_volume_l: is above daily_cap_l, so it could never be given")


def _window(shape: _WindowShape) -> Window:
    window = Window(_minutes(shape.start), _minutes(shape.end))
    if window.start_min >= window.end_min:
        raise RefusedError(
            f"schedule.windows: {shape.start} to {shape.end} does not end after its start; write a window over "
            "midnight as two"
        )
    return window


def _minutes(text: str) -> int:
    return int(text[:2]) * 60 + int(text[3:])


def _clock(minutes: int) -> str:
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _day_weather(shape: _DayWeather, ground: Ground) -> DayWeather:
    now_wall_ms = _known_now(ground, "date")
    day = _day("date", shape.date)
    today = datetime.fromtimestamp(now_wall_ms / 1000.0, UTC).date()
    if not -WEATHER_DAYS_BACK <= (day - today).days <= 1:
        raise RefusedError(f"date: {shape.date} is neither today nor one of the last 7 days")
    if shape.tmin_c > shape.tmax_c:
        raise RefusedError("tmin_c: is above tmax_c")
    return DayWeather(
        day.isoformat(),
        float(shape.tmin_c),
        float(shape.tmax_c),
        float(shape.humidity_mean_percent),
        float(shape.wind_2m_m_s),
        float(shape.radiation_mj_m2),
    )


def _forecast(shape: _Forecast, ground: Ground) -> Forecast:
    now_wall_ms = _known_now(ground, "issued")
    issued_ms = _instant_ms("issued", shape.issued)
    if issued_ms > now_wall_ms + FORECAST_EARLY_MS:
        raise RefusedError(f"issued: {shape.issued} is still to come")
    if issued_ms < now_wall_ms - FORECAST_LIFE_MS:
        raise RefusedError(f"issued: {shape.issued} is more than 24 hours ago; send a newer forecast")
    days: list[ForecastDay] = []
    for entry in shape.days:
        day = _day("days.date", entry.date)
        if days and day.toordinal() != date.fromisoformat(days[-1].date).toordinal() + 1:
            raise RefusedError(f"days: {entry.date} does not follow {days[-1].date}; give every day once, in order")
        if entry.tmin_c > entry.tmax_c:
            raise RefusedError(f"days: tmin_c of {entry.date} is above tmax_c")
        days.append(ForecastDay(day.isoformat(), float(entry.rain_mm), float(entry.tmin_c), float(entry.tmax_c)))
    return Forecast(issued_ms, tuple(days))


def _day(field: str, text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise RefusedError(f"{field}: {quoted(text)} is no date; write 2026-05-13") from error


def schedule_to_values(schedule: Schedule) -> dict[str, Any]:
    """JSON-able form of a schedule, the one that `set-schedule` reads."""
    return {
        "mode": schedule.mode,
        "windows": [{"start": _clock(w.start_min), "end": _clock(w.end_min)} for w in schedule.windows],
        "daily_cap_l": schedule.daily_cap_l,
        "doses_per_day": schedule.doses_per_day,
        "fixed_volume_l": schedule.fixed_volume_l,
        "fixed_times": [_clock(minutes) for minutes in schedule.fixed_times_min],
        "soak_min": schedule.soak_min,
    }
