"""A schedule can be tried on a copy of the controller: it says what would come of it and changes nothing."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date

import pytest

from controller.contract import Preview, PreviewSchedule, SetSchedule
from controller.core import Core
from controller.core.preview import NoPreviewError, preview
from controller.irrigate.outlook import Use, basis
from controller.irrigate.prospect import supply_days
from controller.service.asks import parse_ask, preview_values
from controller.service.orders import Refusal
from controller.site.model import Schedule, Window
from tests.scenario.garden import EXAMPLE, Garden, fixed

ZONE = "bench-north"
BY_NEED = EXAMPLE.zone(ZONE).schedule


@pytest.fixture(scope="module")
def garden() -> Garden:
    """A dry July afternoon after three days of watering."""
    garden = Garden(days=6, tmax_c=30.0)
    garden.run_hours(24 * 3 + 15)
    return garden


def asked(garden: Garden, schedule: Schedule) -> Preview:
    now = garden.season.now()
    return preview(garden.site, garden.season.core.dump(), now, PreviewSchedule("q", ZONE, schedule))


def test_the_schedule_in_force_is_shown_as_the_plan_shows_it(garden: Garden) -> None:
    found = asked(garden, BY_NEED)
    shown = next(zone for zone in garden.snapshot.zones if zone.id == ZONE)
    assert found.in_force == found.asked
    assert found.in_force.next_start_wall_ms == shown.next_start_wall_ms
    assert found.base_version == shown.schedule_version
    assert found.in_force.tanks[0].days_of_supply == garden.snapshot.tanks[0].days_of_supply


def test_fixed_times_use_their_volume_at_each_and_shorten_the_supply(garden: Garden) -> None:
    found = asked(garden, fixed(20.0, 6 * 60, 18 * 60))
    assert found.asked.volume_l == 20.0
    assert found.asked.zone_day_l == 40.0
    assert found.asked.site_day_l > found.in_force.site_day_l
    now, then = found.in_force.tanks[0], found.asked.tanks[0]
    assert now.likely is not None
    assert then.likely is not None
    assert then.likely.likely < now.likely.likely
    assert (then.days_of_supply or 0.0) < (now.days_of_supply or 0.0)


def test_a_zone_that_is_switched_off_uses_nothing_and_the_water_lasts_longer(garden: Garden) -> None:
    found = asked(garden, Schedule("off", (), 10.0))
    assert (found.asked.volume_l, found.asked.zone_day_l) == (0.0, 0.0)
    assert found.asked.next_start_wall_ms is None
    assert (found.asked.tanks[0].days_of_supply or 0.0) > (found.in_force.tanks[0].days_of_supply or 0.0)


def test_asking_changes_nothing(garden: Garden) -> None:
    before = json.dumps(garden.season.core.dump(), sort_keys=True)
    asked(garden, fixed(20.0, 6 * 60))
    assert json.dumps(garden.season.core.dump(), sort_keys=True) == before


def test_what_was_previewed_is_what_the_controller_does_with_the_schedule() -> None:
    garden = Garden(days=4, tmax_c=30.0)
    garden.run_hours(24 + 15)
    schedule = fixed(7.0, 16 * 60 + 30)
    found = asked(garden, schedule)
    assert garden.order(SetSchedule(ZONE, schedule, found.base_version)).accepted
    before_l = garden.given_l(ZONE)
    garden.run_hours(3)
    assert garden.given_l(ZONE) - before_l == pytest.approx(found.asked.volume_l, rel=0.15)
    start = next(now for now in garden.times_of("start", ZONE) if now.wall_ms >= (found.asked.next_start_wall_ms or 0))
    assert start.wall_ms - (found.asked.next_start_wall_ms or 0) < 120_000


def test_a_senseless_schedule_and_an_unknown_date_have_no_preview(garden: Garden) -> None:
    with pytest.raises(NoPreviewError, match="window from minute 500"):
        asked(garden, replace(BY_NEED, windows=(Window(500, 400),)))
    fresh = Core(EXAMPLE)
    now = garden.season.now()._replace(trust="unknown")
    with pytest.raises(NoPreviewError, match="date is not known"):
        preview(EXAMPLE, fresh.dump(), now, PreviewSchedule("q", ZONE, BY_NEED))


# --- how long it lasts --------------------------------------------------------------------------------------------


def test_less_use_makes_the_water_last_longer() -> None:
    known = basis(EXAMPLE, "main", None)
    assert known is not None
    today = date(2026, 7, 4)
    none = supply_days(known, today, 400.0, {zone_id: Use(0.0, 0.0) for zone_id in known.zones})
    some = supply_days(known, today, 400.0)
    much = supply_days(known, today, 400.0, {zone_id: Use(99.0, 20.0) for zone_id in known.zones})
    assert none == (120.0, 120.0, 120.0)
    assert much.middle < some.middle < none.middle


# --- the edge -----------------------------------------------------------------------------------------------------


def question(**changes: object) -> bytes:
    schedule = {"mode": "need", "windows": [{"start": "05:00", "end": "08:00"}], "daily_cap_l": 60}
    return json.dumps(
        {"ask": "preview-schedule", "id": "q-1", "sender": "test", "zone": ZONE, "schedule": schedule} | changes
    ).encode()


def test_a_question_is_read() -> None:
    assert parse_ask(question(), EXAMPLE) == PreviewSchedule(
        "q-1", ZONE, Schedule("need", (Window(300, 480),), 60.0, 1)
    )


@pytest.mark.parametrize(
    ("payload", "said"),
    [
        (question(ask="stop-all"), "ask: "),
        (question(zone="nowhere"), "there is no zone"),
        (question(schedule={"mode": "need", "windows": [], "daily_cap_l": 5}), "at least one"),
        (question(schedule={"mode": "need"}), "schedule.windows: is missing"),
        (question(base_version=3), "no such field in this question"),
        (b"[]", "object"),
        (b"\xff", "UTF-8"),
        (b"{" + b" " * 5000 + b"}", "too many"),
    ],
)
def test_a_wrong_question_is_refused_in_words(payload: bytes, said: str) -> None:
    refusal = parse_ask(payload, EXAMPLE)
    assert isinstance(refusal, Refusal)
    assert said in refusal.reason


def test_the_answer_is_plain_data(garden: Garden) -> None:
    values = json.loads(json.dumps(preview_values(asked(garden, fixed(20.0, 360)))))
    assert values["asked"]["zone_day_l"] == 20.0
    assert values["asked"]["next_start"].endswith("Z")
    assert values["in_force"]["tanks"]["main"]["days_of_supply_likely"] > 0
