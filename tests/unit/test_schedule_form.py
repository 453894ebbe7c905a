"""A schedule typed into a form means what it says, or says what is wrong beside the field."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.service.orders import ScheduleShape, schedule_from_shape
from dashboards.commands import FormProblem, ordered
from dashboards.schedule_form import differences, fields_of, read_draft, schedule_values
from dashboards.view import ZoneSchedule, read_schedule
from tests.unit.test_dashboards_page import view_of

BY_NEED = ZoneSchedule("need", ((300, 510), (1140, 1440)), 52.0, 2, None, (), 90)
TYPED = {
    "mode": "need",
    "start1": "05:00",
    "end1": "08:30",
    "start2": "19:00",
    "end2": "00:00",
    "cap": "52",
    "doses": "2",
    "soak": "90",
}


def test_a_schedule_goes_into_the_form_and_comes_back_the_same() -> None:
    assert {name: text for name, text in fields_of(BY_NEED, "metric").items() if text} == TYPED
    draft = read_draft(TYPED, "metric")
    assert draft.problems == {}
    assert draft.schedule == schedule_values(BY_NEED)


minutes = st.integers(0, 1439)


@st.composite
def schedules(draw: st.DrawFn) -> ZoneSchedule:
    edges = sorted(draw(st.sets(minutes, min_size=2, max_size=12)))
    windows = tuple(zip(edges[::2], edges[1::2], strict=False))
    cap_l = draw(st.floats(5.0, 9000.0))
    fixed_l = draw(st.floats(0.5, 5.0))
    times = tuple(sorted(draw(st.sets(minutes, min_size=1, max_size=6))))
    mode = draw(st.sampled_from(("need", "fixed", "off")))
    return ZoneSchedule(mode, windows, cap_l, draw(st.integers(1, 24)), fixed_l, times, draw(st.integers(0, 720)))


@given(schedules(), st.sampled_from(("metric", "us")))
def test_what_is_not_touched_does_not_change_whatever_the_units(schedule: ZoneSchedule, units: str) -> None:
    draft = read_draft(fields_of(schedule, units), units, schedule)  # type: ignore[arg-type]
    assert draft.problems == {}
    assert draft.schedule == schedule_values(schedule)


@given(schedules())
def test_what_the_form_makes_the_controller_takes(schedule: ZoneSchedule) -> None:
    draft = read_draft(fields_of(schedule, "metric"), "metric", schedule)
    assert draft.schedule is not None
    taken = schedule_from_shape(ScheduleShape.model_validate(draft.schedule))
    assert taken.mode == schedule.mode
    assert taken.daily_cap_l == schedule.daily_cap_l
    assert read_schedule(draft.schedule) == schedule


@pytest.mark.parametrize(
    ("change", "field", "said"),
    [
        ({"mode": "sometimes"}, "mode", "one of the three"),
        ({"start1": "", "end1": "", "start2": "", "end2": ""}, "start1", "at least one pair"),
        ({"end1": "04:00"}, "end1", "Ends before it begins"),
        ({"start1": "25:00"}, "start1", "time of day"),
        ({"end1": ""}, "end1", "time of day"),
        ({"start2": "08:00"}, "start2", "is over"),
        ({"cap": ""}, "cap", "above 0"),
        ({"cap": "-3"}, "cap", "above 0"),
        ({"cap": "nan"}, "cap", "above 0"),
        ({"cap": "9e9"}, "cap", "At most"),
        ({"doses": "0"}, "doses", "from 1 to 24"),
        ({"doses": "2.5"}, "doses", "from 1 to 24"),
        ({"soak": "721"}, "soak", "from 0 to 720"),
        ({"mode": "fixed", "fixed": "4"}, "time1", "at least one time"),
        ({"mode": "fixed", "fixed": "60", "time1": "06:00"}, "fixed", "never be given"),
        ({"mode": "fixed", "time1": "06:00"}, "fixed", "above 0"),
        ({"mode": "fixed", "fixed": "4", "time1": "06:00", "time2": "6:00"}, "time2", "twice"),
    ],
)
def test_what_is_wrong_is_said_beside_its_field(change: dict[str, str], field: str, said: str) -> None:
    draft = read_draft(TYPED | change, "metric")
    assert draft.schedule is None
    assert said in draft.problems[field]
    assert draft.fields[field] == (TYPED | change).get(field, ""), "what was typed is kept"


def test_gallons_are_read_as_gallons() -> None:
    draft = read_draft(TYPED | {"cap": "10"}, "us")
    assert draft.schedule is not None
    assert draft.schedule["daily_cap_l"] == pytest.approx(37.854)


def test_differences_are_told_in_words() -> None:
    other = ZoneSchedule("fixed", ((300, 510),), 40.0, 2, 12.0, (360,), 90)
    assert differences(BY_NEED, other, "metric") == [
        "Watered: a fixed amount at fixed times instead of as much as it needs.",
        "Hours: 05:00–08:30 instead of 05:00–08:30 and 19:00–24:00.",
        "At most a day: 40 L instead of 52 L.",
        "Fixed amount: 12 L instead of 0 L.",
        "Fixed times: 06:00 instead of none.",
    ]
    assert differences(BY_NEED, BY_NEED, "metric") == []


# --- simple orders ---


@pytest.mark.parametrize(
    ("form", "command", "said"),
    [
        ({"order": "stop-all"}, {"order": "stop-all"}, "Stop everything"),
        ({"order": "hold"}, {"order": "hold"}, "Hold watering"),
        (
            {"order": "hold", "until": "2026-06-20"},
            {"order": "hold", "until": "2026-06-19T23:00:00Z"},
            "Hold watering until Saturday 20 June",
        ),
        (
            {"order": "hold-zone", "zone": "bench", "until": "2026-06-15"},
            {"order": "hold-zone", "zone": "bench", "until": "2026-06-14T23:00:00Z"},
            "Hold Polytunnel bench until Monday 15 June",
        ),
        (
            {"order": "zone-looks", "zone": "berries", "look": "dry"},
            {"order": "zone-looks", "zone": "berries", "look": "dry"},
            "Berry rows looks dry",
        ),
        (
            {"order": "void-rain", "date": "2026-06-13", "reason": " a sprinkler \n reached it"},
            {"order": "void-rain", "date": "2026-06-13", "reason": "a sprinkler reached it"},
            "Take back the rain of Saturday 13 June",
        ),
        (
            {"order": "undo-schedule", "zone": "bench", "base_version": "3"},
            {"order": "undo-schedule", "zone": "bench", "base_version": 3},
            "Undo the last change to the schedule of Polytunnel bench",
        ),
    ],
)
def test_a_form_means_one_order(form: dict[str, str], command: dict[str, object], said: str) -> None:
    made = ordered(form, view_of())
    assert {key: value for key, value in made.command.items() if key != "not_after"} == command
    assert made.words == said


def test_what_acts_at_once_lives_minutes_and_what_changes_intentions_hours() -> None:
    assert ordered({"order": "stop-all"}, view_of()).command["not_after"] == "2026-06-14T12:02:00Z"
    assert ordered({"order": "hold"}, view_of()).command["not_after"] == "2026-06-14T18:00:00Z"


@pytest.mark.parametrize(
    "form",
    [
        {},
        {"order": "set-schedule"},
        {"order": "hold", "until": "tomorrow"},
        {"order": "hold", "until": "2026-06-14"},
        {"order": "hold", "until": "2031-01-01"},
        {"order": "zone-looks", "zone": "bench", "look": "green"},
        {"order": "hold-zone", "zone": "nowhere"},
        {"order": "void-rain", "date": "2026-06-13", "reason": " "},
        {"order": "void-rain", "date": "the 13th", "reason": "a sprinkler"},
        {"order": "undo-schedule", "zone": "bench", "base_version": "-1"},
    ],
)
def test_a_form_that_makes_no_sense_orders_nothing(form: dict[str, str]) -> None:
    with pytest.raises(FormProblem):
        ordered(form, view_of())
