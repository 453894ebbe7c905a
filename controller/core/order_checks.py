"""Orders that could never be carried out, found before they change anything.

The edge checks what people send; this is the second look, because a senseless schedule that was once taken over would
stop the core at every step, and again after every restart.
"""

from __future__ import annotations

import math
from datetime import date
from typing import Any

from controller.contract import FORECAST_DAYS, DayWeather, Forecast
from controller.site.model import Schedule

MINUTES_PER_DAY = 1440
LONGEST_SOAK_MIN = 720
LONGEST_HOLD_MS = 400 * 86_400_000
_WEATHER_RANGES = {
    "tmin_c": (-60.0, 60.0),
    "tmax_c": (-60.0, 60.0),
    "humidity_mean_percent": (0.0, 100.0),
    "wind_2m_m_s": (0.0, 60.0),
    "radiation_mj_m2": (0.0, 60.0),
}


_FORECAST_RANGES = {"rain_mm": (0.0, 1000.0), "tmin_c": (-60.0, 60.0), "tmax_c": (-60.0, 60.0)}


def schedule_problem(schedule: Schedule) -> str:
    """Why a schedule makes no sense: value and what is allowed; empty when it does."""
    if schedule.mode not in ("need", "fixed", "off"):
        return f"mode is {schedule.mode!r}, allowed are need, fixed and off"
    if not 0.0 <= schedule.daily_cap_l < math.inf:
        return f"daily_cap_l is {schedule.daily_cap_l}, allowed is a number from 0 on"
    if schedule.doses_per_day < 1:
        return f"doses_per_day is {schedule.doses_per_day}, allowed is 1 or more"
    if not 0 <= schedule.soak_min <= LONGEST_SOAK_MIN:
        return f"soak_min is {schedule.soak_min}, allowed is 0 to {LONGEST_SOAK_MIN}"
    for window in schedule.windows:
        if not 0 <= window.start_min < window.end_min <= MINUTES_PER_DAY:
            return f"a window from minute {window.start_min} to {window.end_min}: allowed is 0 <= start < end <= 1440"
    for minute in schedule.fixed_times_min:
        if not 0 <= minute < MINUTES_PER_DAY:
            return f"a fixed time at minute {minute} of the day: allowed is 0 to 1439"
    if not 0.0 <= schedule.fixed_volume_l < math.inf:
        return f"fixed_volume_l is {schedule.fixed_volume_l}, allowed is a number from 0 on"
    return ""


def weather_problem(command: DayWeather) -> str:
    """Why a day's weather cannot be; empty when it can."""
    try:
        date.fromisoformat(command.date)
    except ValueError:
        return f"date {command.date!r} is no date; write it as 2026-05-13"
    for name, (low, high) in _WEATHER_RANGES.items():
        value = getattr(command, name)
        if not low <= value <= high:
            return f"{name} is {value}, allowed is {low:g} to {high:g}"
    if command.tmin_c > command.tmax_c:
        return f"tmin_c {command.tmin_c} is above tmax_c {command.tmax_c}"
    return ""


def forecast_problem(command: Forecast) -> str:
    """Why a forecast cannot be: no days, dates that do not follow one another, values out of range."""
    if not 1 <= len(command.days) <= FORECAST_DAYS:
        return f"the forecast has {len(command.days)} days, allowed are 1 to {FORECAST_DAYS}"
    before = None
    for entry in command.days:
        try:
            day = date.fromisoformat(entry.date)
        except ValueError:
            return f"date {entry.date!r} is no date; write it as 2026-05-13"
        if before is not None and (day - before).days != 1:
            return f"date {entry.date} does not follow {before.isoformat()}; give every day once, in order"
        before = day
        for name, (low, high) in _FORECAST_RANGES.items():
            value = getattr(entry, name)
            if not low <= value <= high:
                return f"{name} of {entry.date} is {value}, allowed is {low:g} to {high:g}"
        if entry.tmin_c > entry.tmax_c:
            return f"tmin_c {entry.tmin_c} of {entry.date} is above tmax_c {entry.tmax_c}"
    return ""


def writable(value: Any) -> Any:
    """The same data with numbers that JSON does not know (not-a-number, infinite) as text."""
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    if isinstance(value, dict):
        return {key: writable(entry) for key, entry in value.items()}
    if isinstance(value, (list, tuple)):
        return [writable(entry) for entry in value]
    return value
