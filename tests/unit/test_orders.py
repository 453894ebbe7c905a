"""Orders: what is well formed passes whole; everything else is refused with a reason a person can act on."""

from __future__ import annotations

import json
from typing import Any

import pytest

from controller.contract import (
    ClearFault,
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
from controller.service.orders import (
    ORDER_BYTES,
    SCHEDULE_BYTES,
    Ground,
    Refusal,
    parse_order,
    parse_set,
    schedule_to_values,
)
from controller.service.rate_limit import RateLimit
from controller.site.model import Schedule, Window
from tests.unit.example_site import SITE
from tests.unit.journal_data import START_WALL_MS

GROUND = Ground(SITE, START_WALL_MS)
RUN: dict[str, Any] = {"order": "run-zone", "id": "p-1", "sender": "phone", "zone": "bench", "volume_l": 6}
HOLD: dict[str, Any] = {"order": "hold", "id": "p-2", "sender": "phone"}
SCHEDULE: dict[str, Any] = {"mode": "need", "windows": [{"start": "05:00", "end": "08:00"}], "daily_cap_l": 40}
SET: dict[str, Any] = {
    "order": "set-schedule",
    "id": "p-3",
    "sender": "phone",
    "zone": "salad",
    "base_version": 2,
    "schedule": SCHEDULE,
}
WEATHER: dict[str, Any] = {
    "order": "day-weather",
    "id": "w-1",
    "sender": "station",
    "date": "2026-05-13",
    "tmin_c": 6.1,
    "tmax_c": 18.2,
    "humidity_mean_percent": 71,
    "wind_2m_m_s": 2.1,
    "radiation_mj_m2": 19.5,
}
VOID = {"order": "void-rain", "id": "p-6", "sender": "phone", "date": "2026-05-13", "reason": "a sprinkler"}
LOOK: dict[str, Any] = {"order": "zone-looks", "id": "p-4", "sender": "phone", "zone": "salad", "look": "dry"}
ONE_ZONE: dict[str, Any] = {"order": "resume-zone", "id": "p-5", "sender": "phone", "zone": "salad"}
UNDO: dict[str, Any] = {**ONE_ZONE, "order": "undo-schedule", "base_version": 2}
DRAIN: dict[str, Any] = {**ONE_ZONE, "order": "drain-zone", "duration_min": 4}
NOTE = {"order": "note", "id": "p-7", "sender": "phone", "text": "the pump is carried in"}
FORECAST_DAYS: list[dict[str, Any]] = [
    {"date": "2026-05-14", "rain_mm": 0, "tmin_c": 8, "tmax_c": 19},
    {"date": "2026-05-15", "rain_mm": 9.5, "tmin_c": 9, "tmax_c": 15},
]
FORECAST: dict[str, Any] = {
    "order": "forecast",
    "id": "fc-1",
    "sender": "net",
    "issued": "2026-05-14T05:00:00Z",
    "days": FORECAST_DAYS,
}


def _forecast_day(number: int, **changes: Any) -> str:
    changed = {key: value for key, value in {**FORECAST_DAYS[number], **changes}.items() if value is not ...}
    return _with(FORECAST, days=[changed if n == number else day for n, day in enumerate(FORECAST_DAYS)])


def _with(base: dict[str, Any], **changes: Any) -> str:
    return json.dumps({key: value for key, value in {**base, **changes}.items() if value is not ...})


def _schedule(**changes: Any) -> str:
    return _with(SET, schedule={key: value for key, value in {**SCHEDULE, **changes}.items() if value is not ...})


@pytest.mark.parametrize(
    ("values", "command"),
    [
        (RUN, RunZone("bench", 6.0)),
        (HOLD, HoldAll(None)),
        ({**HOLD, "until": "2026-05-16T07:00:00+01:00"}, HoldAll(1_778_911_200_000)),
        ({**HOLD, "order": "resume"}, ResumeAll()),
        ({**HOLD, "order": "stop-all"}, StopAll()),
        ({**HOLD, "order": "clear-fault", "fault": "no-flow"}, ClearFault("no-flow")),
        (SET, SetSchedule("salad", Schedule("need", (Window(300, 480),), 40.0), 2)),
        (WEATHER, DayWeather("2026-05-13", 6.1, 18.2, 71.0, 2.1, 19.5)),
        (VOID, VoidRain("2026-05-13", "a sprinkler")),
        (LOOK, ZoneLooks("salad", "dry")),
        ({**ONE_ZONE, "order": "forget-looks"}, ForgetLooks("salad")),
        (
            {**ONE_ZONE, "order": "hold-zone", "until": "2026-05-16T07:00:00+01:00"},
            HoldZone("salad", 1_778_911_200_000),
        ),
        ({**ONE_ZONE, "order": "hold-zone"}, HoldZone("salad", None)),
        (ONE_ZONE, ResumeZone("salad")),
        (UNDO, UndoSchedule("salad", 2)),
        (DRAIN, DrainZone("salad", 4.0)),
        (NOTE, Note("the pump is carried in")),
        (
            FORECAST,
            Forecast(
                START_WALL_MS - 1_800_000,
                (ForecastDay("2026-05-14", 0.0, 8.0, 19.0), ForecastDay("2026-05-15", 9.5, 9.0, 15.0)),
            ),
        ),
    ],
)
def test_a_well_formed_order_means_what_it_says(values: dict[str, Any], command: object) -> None:
    order = parse_order(json.dumps(values).encode(), GROUND)
    assert order == Order(values["id"], values["sender"], START_WALL_MS + 60_000, command)  # type: ignore[arg-type]


def test_not_after_bounds_the_order() -> None:
    order = parse_order(_with(RUN, not_after="2026-05-14T05:45:00Z").encode(), GROUND)
    assert isinstance(order, Order)
    assert order.not_after_wall_ms == START_WALL_MS + 900_000


def test_a_window_may_end_at_midnight_and_windows_are_put_in_order() -> None:
    windows = [{"start": "20:00", "end": "24:00"}, {"start": "05:00", "end": "07:30"}]
    order = parse_order(_schedule(windows=windows).encode(), GROUND)
    assert isinstance(order, Order)
    assert isinstance(order.command, SetSchedule)
    assert order.command.schedule.windows == (Window(300, 450), Window(1200, 1440))


# Each row: what arrives, and words its refusal must hold.
MALFORMED: list[tuple[str | bytes, str]] = [
    (b"", "empty"),
    (b"   ", "empty"),
    (b"\xff\xfe{}", "UTF-8"),
    (_with(RUN).encode("utf-16"), "UTF-8"),
    (b"\xef\xbb\xbf" + _with(RUN).encode(), "not JSON"),
    ("run bench", "not JSON"),
    ("{", "not JSON"),
    (_with(RUN)[:-1], "not JSON"),
    (_with(RUN) + "{}", "not JSON"),
    (_with(RUN).replace('"phone"', "'phone'"), "not JSON"),
    (_with(RUN).replace("}", ",}"), "not JSON"),
    ("[]", "not a JSON object"),
    ("null", "not a JSON object"),
    ("3", "not a JSON object"),
    ('"run-zone"', "not a JSON object"),
    (f"[{_with(RUN)}]", "not a JSON object"),
    ("{}", "order: must be one of"),
    ("[" * 100_000, "bytes are too many"),
    ('{"a":' + "[" * 9 + "]" * 9 + "}", "nested deeper"),
    ('{"a":' * 400 + "1" + "}" * 400, "nested deeper"),
    (_with(RUN, sender="x" * ORDER_BYTES), "bytes are too many"),
    (_schedule(mode="x" * SCHEDULE_BYTES), "bytes are too many"),
    (_with(RUN).replace('"volume_l": 6', '"volume_l": 6, "volume_l": 60'), 'volume_l" is there twice'),
    (_with(SET).replace('"mode"', '"mode": "off", "mode"'), 'mode" is there twice'),
    (_with(RUN).replace(": 6", ": NaN"), "NaN is not a number"),
    (_with(RUN).replace(": 6", ": Infinity"), "Infinity is not a number"),
    (_with(RUN).replace(": 6", ": -Infinity"), "-Infinity is not a number"),
    (_with(RUN).replace(": 6", ": 1e999"), "too large a number"),
    (_with(RUN).replace(": 6", ": -1e999"), "too large a number"),
    (_with(RUN).replace(": 6", ": " + "9" * 3800), "digits is too long"),
    (_schedule(daily_cap_l=7).replace('"daily_cap_l": 7', '"daily_cap_l": ' + "7" * 5000), "digits is too long"),
    (_with(RUN).replace(": 6", ": 06"), "not JSON"),
    (_with(RUN).replace(": 6", ": 0x10"), "not JSON"),
    (_with(RUN, order="water"), "order: must be one of"),
    (_with(RUN, order=7), "order: must be one of"),
    (_with(RUN, order=...), "order: must be one of"),
    (_with(RUN, id=...), "id: is missing"),
    (_with(RUN, id=17), "id: input should be a valid string"),
    (_with(RUN, id=""), "id: has not the form"),
    (_with(RUN, id="x" * 65), "id: has not the form"),
    (_with(RUN, id="p 1"), "id: has not the form"),
    (_with(RUN, id="p-1\n"), "id: has not the form"),
    (_with(RUN, sender=...), "sender: is missing"),
    (_with(RUN, sender=""), "sender: string should have at least 1"),
    (_with(RUN, sender="x" * 41), "sender: string should have at most 40"),
    (_with(RUN, sender="a\u0000b"), "sender: has not the form"),
    (_with(RUN).replace('"phone"', '"\\ud800"'), "surrogate"),
    (_with(RUN, zone="orchard"), "there are bench, salad"),
    (_with(RUN, zone=1), "zone: input should be a valid string"),
    (_with(RUN, zone=...), "zone: is missing"),
    (_with(RUN, volume_l=...), "volume_l: is missing"),
    (_with(RUN, volume_l="6"), "volume_l: input should be a valid number"),
    (_with(RUN, volume_l=True), "volume_l: input should be a valid number"),
    (_with(RUN, volume_l=None), "volume_l: input should be a valid number"),
    (_with(RUN, volume_l=[6]), "volume_l: input should be a valid number"),
    (_with(RUN, volume_l=0), "volume_l: input should be greater than 0"),
    (_with(RUN, volume_l=-3), "volume_l: input should be greater than 0"),
    (_with(RUN, volume_l=12.5), "above the daily cap of bench, 12 L"),
    (_with(RUN, minutes=5), "minutes: no such field"),
    (_with(RUN, not_after="2026-05-14T05:29:59Z"), "not_after: 2026-05-14T05:29:59Z is over"),
    (_with(RUN, not_after="2026-05-15T05:30:01Z"), "more than 24 hours"),
    (_with(RUN, not_after="2026-05-14T05:45:00"), "time zone"),
    (_with(RUN, not_after="soon"), "is no time"),
    (_with(RUN, not_after="2026-02-30T05:45:00Z"), "is no time"),
    (_with(RUN, not_after="0001-01-01T00:00:00+14:00"), "out of range"),
    (_with(RUN, not_after=1778736660), "not_after: input should be a valid string"),
    (_with(HOLD, until="2026-05-14T05:00:00Z"), "until: 2026-05-14T05:00:00Z is over"),
    (_with(HOLD, until="2030-01-01T00:00:00Z"), "400 days"),
    (_with(HOLD, until=5), "until: input should be a valid string"),
    (_with(HOLD, order="clear-fault"), "fault: is missing"),
    (_with(HOLD, order="clear-fault", fault="#"), "fault: has not the form"),
    (_with(HOLD, order="resume", zone="bench"), "zone: no such field"),
    (_with(SET, base_version=...), "base_version: is missing"),
    (_with(SET, base_version=-1), "base_version: input should be greater"),
    (_with(SET, base_version=2.0), "base_version: input should be a valid integer"),
    (_with(SET, base_version="2"), "base_version: input should be a valid integer"),
    (_with(SET, schedule=[]), "schedule: input should be a valid"),
    (_with(SET, schedule=None), "schedule: input should be a valid"),
    (_with(SET, zone="orchard"), "there is no zone"),
    (_schedule(mode="often"), "schedule.mode: input should be 'need'"),
    (_schedule(mode=...), "schedule.mode: is missing"),
    (_schedule(windows=[]), "at least one"),
    (_schedule(windows={}), "schedule.windows: input should be a valid list"),
    (_schedule(windows=[{"start": "05:00"}]), "schedule.windows.0.end: is missing"),
    (_schedule(windows=[{"start": "5:00", "end": "08:00"}]), "schedule.windows.0.start: has not the form"),
    (_schedule(windows=[{"start": "05:00", "end": "25:00"}]), "schedule.windows.0.end: has not the form"),
    (_schedule(windows=[{"start": "08:00", "end": "08:00"}]), "does not end after its start"),
    (_schedule(windows=[{"start": "22:00", "end": "02:00"}]), "midnight as two"),
    (
        _schedule(windows=[{"start": "05:00", "end": "08:00"}, {"start": "07:00", "end": "09:00"}]),
        "07:00 begins before",
    ),
    (_schedule(windows=[{"start": "05:00", "end": "06:00"}] * 25), "at most 24"),
    (_schedule(daily_cap_l=0), "schedule.daily_cap_l: input should be greater than 0"),
    (_schedule(daily_cap_l=100_001), "schedule.daily_cap_l: input should be less"),
    (_schedule(daily_cap_l=...), "schedule.daily_cap_l: is missing"),
    (_schedule(doses_per_day=0), "schedule.doses_per_day"),
    (_schedule(doses_per_day=25), "schedule.doses_per_day"),
    (_schedule(doses_per_day=1.5), "schedule.doses_per_day"),
    (_schedule(mode="fixed", fixed_volume_l=5), "at least one time"),
    (_schedule(mode="fixed", fixed_times=["06:00"]), "volume above 0"),
    (_schedule(mode="fixed", fixed_times=["06:00", "06:00"], fixed_volume_l=5), "twice"),
    (_schedule(mode="fixed", fixed_times=["24:00"], fixed_volume_l=5), "write 00:00"),
    (_schedule(mode="fixed", fixed_times=["06:00"], fixed_volume_l=50), "above daily_cap_l"),
    (_schedule(fixed_times=[360]), "schedule.fixed_times.0"),
    (_schedule(colour="green"), "schedule.colour: no such field"),
    (_with(WEATHER, date="13 May"), "is no date"),
    (_with(WEATHER, date="2026-05-01"), "last 7 days"),
    (_with(WEATHER, date="2026-06-01"), "last 7 days"),
    (_with(WEATHER, tmin_c=19), "above tmax_c"),
    (_with(WEATHER, humidity_mean_percent=0.71), "humidity_mean_percent"),
    (_with(WEATHER, radiation_mj_m2=200), "radiation_mj_m2"),
    (_schedule(soak_min=-1), "schedule.soak_min: input should be greater"),
    (_schedule(soak_min=721), "schedule.soak_min: input should be less"),
    (_schedule(soak_min=30.5), "schedule.soak_min: input should be a valid integer"),
    (_schedule(soak_min="30"), "schedule.soak_min: input should be a valid integer"),
    (_with(LOOK, look=...), "look: is missing"),
    (_with(LOOK, look="thirsty"), "look: input should be 'dry' or 'wet'"),
    (_with(LOOK, look=True), "look: input should be 'dry' or 'wet'"),
    (_with(LOOK, zone="orchard"), "there is no zone"),
    (_with(LOOK, zone=...), "zone: is missing"),
    (_with(LOOK, factor=1.2), "factor: no such field"),
    (_with(ONE_ZONE, order="forget-looks", zone="orchard"), "there is no zone"),
    (_with(ONE_ZONE, order="forget-looks", look="dry"), "look: no such field"),
    (_with(ONE_ZONE, order="hold-zone", until="2026-05-14T05:00:00Z"), "until: 2026-05-14T05:00:00Z is over"),
    (_with(ONE_ZONE, order="hold-zone", until="2030-01-01T00:00:00Z"), "400 days"),
    (_with(ONE_ZONE, order="hold-zone", until="tomorrow"), "is no time"),
    (_with(ONE_ZONE, order="hold-zone", zone="orchard"), "there is no zone"),
    (_with(DRAIN, duration_min=0.5), "duration_min: input should be greater than or equal to 1"),
    (_with(DRAIN, duration_min=16), "duration_min: input should be less than or equal to 15"),
    (_with(DRAIN, zone="orchard"), "there is no zone"),
    (_with(NOTE, text=""), "text: "),
    (_with(NOTE, text="two\nlines"), "text: "),
    (_with(NOTE, text="x" * 201), "text: "),
    (_with(ONE_ZONE, zone="orchard"), "there is no zone"),
    (_with(ONE_ZONE, until="2026-05-15T05:00:00Z"), "until: no such field"),
    (_with(UNDO, base_version=...), "base_version: is missing"),
    (_with(UNDO, base_version=-1), "base_version: input should be greater"),
    (_with(UNDO, zone="orchard"), "there is no zone"),
    (_with(FORECAST, issued=...), "issued: is missing"),
    (_with(FORECAST, issued="2026-05-14T06:31:00Z"), "issued: 2026-05-14T06:31:00Z is still to come"),
    (_with(FORECAST, issued="2026-05-13T05:29:00Z"), "more than 24 hours ago"),
    (_with(FORECAST, issued="2026-05-14T05:00:00"), "time zone"),
    (_with(FORECAST, issued=5), "issued: input should be a valid string"),
    (_with(FORECAST, days=[]), "days: list should have at least 1"),
    (_with(FORECAST, days=FORECAST_DAYS * 6), "days: list should have at most 10"),
    (_with(FORECAST, days=FORECAST_DAYS[0]), "days: input should be a valid list"),
    (_with(FORECAST, days=[1]), "days.0: input should be a valid"),
    (_with(FORECAST, days=FORECAST_DAYS[::-1]), "2026-05-14 does not follow 2026-05-15"),
    (_with(FORECAST, days=FORECAST_DAYS[:1] * 2), "2026-05-14 does not follow 2026-05-14"),
    (_forecast_day(1, date="Friday"), "is no date"),
    (_forecast_day(1, date="2026-05-16"), "does not follow"),
    (_forecast_day(0, rain_mm=-1), "days.0.rain_mm: input should be greater"),
    (_forecast_day(0, rain_mm="4"), "days.0.rain_mm: input should be a valid number"),
    (_forecast_day(0, rain_mm=...), "days.0.rain_mm: is missing"),
    (_forecast_day(0, tmin_c=20), "tmin_c of 2026-05-14 is above tmax_c"),
    (_forecast_day(1, tmax_c=61), "days.1.tmax_c: input should be less"),
    (_forecast_day(1, wind=3), "days.1.wind: no such field"),
]


@pytest.mark.parametrize(("payload", "reason"), MALFORMED, ids=range(len(MALFORMED)))
def test_a_malformed_order_is_refused_with_its_reason(payload: str | bytes, reason: str) -> None:
    answer = parse_order(payload if isinstance(payload, bytes) else payload.encode(), GROUND)
    assert isinstance(answer, Refusal)
    assert reason in answer.reason
    assert len(answer.reason) < 300


def test_a_retained_order_is_refused_however_good_it_is() -> None:
    answer = parse_order(json.dumps(RUN).encode(), GROUND, retained=True)
    assert isinstance(answer, Refusal)
    assert "retained" in answer.reason


def test_a_refusal_names_the_order_when_its_id_could_be_read() -> None:
    answer = parse_order(_with(RUN, zone="orchard").encode(), GROUND)
    assert isinstance(answer, Refusal)
    assert answer.id == "p-1"


def test_the_cap_in_force_counts_not_the_one_first_declared() -> None:
    raised = Ground(SITE, START_WALL_MS, caps_l={"bench": 20.0})
    assert isinstance(parse_order(_with(RUN, volume_l=15).encode(), raised), Order)


def test_without_a_clock_stop_passes_and_an_order_with_a_deadline_does_not() -> None:
    blind = Ground(SITE, 5000, clock_known=False)
    stop = parse_order(_with(HOLD, order="stop-all").encode(), blind)
    assert isinstance(stop, Order)
    assert stop.not_after_wall_ms is None
    late = parse_order(_with(RUN, not_after="2026-05-14T05:45:00Z").encode(), blind)
    assert isinstance(late, Refusal)


def test_a_set_topic_says_kind_and_zone_and_the_payload_may_not() -> None:
    run = parse_set(b'{"id": "h-1", "volume_l": 3}', "run-zone", "bench", GROUND)
    assert run == Order("h-1", "homie", START_WALL_MS + 60_000, RunZone("bench", 3.0))
    for key in ("order", "zone"):
        answer = parse_set(json.dumps({"id": "h-2", "volume_l": 3, key: "bench"}).encode(), "run-zone", "bench", GROUND)
        assert isinstance(answer, Refusal)
        assert key in answer.reason


def test_a_run_without_an_id_is_refused_on_a_set_topic_too() -> None:
    answer = parse_set(b'{"volume_l": 3}', "run-zone", "bench", GROUND)
    assert isinstance(answer, Refusal)
    assert "id: is missing" in answer.reason


def test_the_same_schedule_message_delivered_twice_has_one_id() -> None:
    payload = json.dumps({"base_version": 0, "schedule": SCHEDULE}).encode()
    first = parse_set(payload, "set-schedule", "salad", GROUND)
    again = parse_set(payload, "set-schedule", "salad", GROUND)
    other = parse_set(payload.replace(b"40", b"41"), "set-schedule", "salad", GROUND)
    assert isinstance(first, Order)
    assert isinstance(again, Order)
    assert isinstance(other, Order)
    assert first.id == again.id != other.id


def test_a_schedule_written_out_reads_back_the_same() -> None:
    schedule = Schedule("fixed", (Window(300, 480), Window(1200, 1440)), 40.0, 2, 6.5, (330, 1200), 45)
    order = parse_order(json.dumps({**SET, "schedule": schedule_to_values(schedule)}).encode(), GROUND)
    assert isinstance(order, Order)
    assert isinstance(order.command, SetSchedule)
    assert order.command.schedule == schedule


def test_ten_orders_pass_at_once_and_then_one_a_second() -> None:
    limit = RateLimit(per_s=1.0, burst=10)
    assert [limit.allows(0) for _ in range(12)] == [True] * 10 + [False] * 2
    assert [limit.allows(t) for t in (500, 1000, 1400, 2000)] == [False, True, False, True]
    assert [limit.allows(60_000) for _ in range(11)] == [True] * 10 + [False]
