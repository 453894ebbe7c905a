"""Numbers, times and schedules as people say them, in the owner's units. Unknown is a word, never a zero."""

from __future__ import annotations

import re
from datetime import datetime, timedelta, tzinfo

from dashboards.svg import number
from dashboards.view import UnitSystem, ZoneSchedule

UNKNOWN = "unknown"
L_PER_US_GAL = 3.785411784
MM_PER_IN = 25.4
THIN_SPACE = "\u202f"
LONGEST_SUPPLY_DAYS = 120
"""As far as the controller looks ahead (docs/mqtt.md)."""


def volume_value(volume_l: float, units: UnitSystem) -> float:
    return volume_l / L_PER_US_GAL if units == "us" else volume_l


def volume_unit(units: UnitSystem) -> str:
    return "gal" if units == "us" else "L"


def depth_value(depth_mm: float, units: UnitSystem) -> float:
    return depth_mm / MM_PER_IN if units == "us" else depth_mm


def depth_unit(units: UnitSystem) -> str:
    return "in" if units == "us" else "mm"


_METRIC = re.compile(r"(?<![\w.])(?:([0-9]+(?:\.[0-9]+)?) of )?([0-9]+(?:\.[0-9]+)?) ?(L/min|mm|L|°C)(?![\w/²2])")
_PER_METRIC: dict[str, tuple[str, float, float, float]] = {
    "mm": ("in", 1.0 / MM_PER_IN, 0.0, 0.01),
    "L": ("gal", 1.0 / L_PER_US_GAL, 0.0, 0.1),
    "L/min": ("gal/min", 1.0 / L_PER_US_GAL, 0.0, 0.01),
    "°C": ("°F", 1.8, 32.0, 1.0),
}
"""By metric unit: the other one, factor, shift, and the step it is shown in."""


def in_units(text: str, units: UnitSystem) -> str:
    """The controller's own words, which are metric, with their amounts in the owner's units."""
    if units == "metric":
        return text

    def converted(match: re.Match[str]) -> str:
        unit, factor, shift, step = _PER_METRIC[match[3]]
        before = f"{number(float(match[1]) * factor + shift, step)} of " if match[1] else ""
        return f"{before}{number(float(match[2]) * factor + shift, step)} {unit}"

    return _METRIC.sub(converted, text)


def sized(value: float) -> str:
    """A value with about three telling digits."""
    return number(value, 0.1 if abs(value) < 9.95 and abs(value - round(value)) >= 0.05 else 1.0)


def volume(volume_l: float | None, units: UnitSystem) -> str:
    if volume_l is None:
        return UNKNOWN
    return f"{sized(volume_value(volume_l, units))} {volume_unit(units)}"


def depth(depth_mm: float | None, units: UnitSystem) -> str:
    if depth_mm is None:
        return UNKNOWN
    return f"{number(depth_value(depth_mm, units), 0.01 if units == 'us' else 0.1)} {depth_unit(units)}"


def temperature_value(temperature_c: float, units: UnitSystem) -> float:
    return temperature_c * 1.8 + 32.0 if units == "us" else temperature_c


def temperature_unit(units: UnitSystem) -> str:
    return "°F" if units == "us" else "°C"


def temperature(temperature_c: float | None, units: UnitSystem) -> str:
    if temperature_c is None:
        return UNKNOWN
    return f"{number(temperature_value(temperature_c, units))} {temperature_unit(units)}"


def days(count: float | None) -> str:
    if count is None:
        return UNKNOWN
    if count >= 100:
        return ">100 days"
    words = number(count, 0.1 if count < 9.95 else 1.0)
    return f"{words} day" if words in ("1", "1.0") else f"{words} days"


def supply(count: float | None) -> str:
    """Days of supply as far as the controller looks ahead."""
    if count is not None and count >= LONGEST_SUPPLY_DAYS:
        return f"over {LONGEST_SUPPLY_DAYS} days"
    return days(count)


def days_range(low: float | None, high: float | None) -> str:
    """ "18 to 40 days"; whole days from two on, because nobody knows better."""
    if low is None or high is None:
        return UNKNOWN
    if low >= LONGEST_SUPPLY_DAYS:
        return f"over {LONGEST_SUPPLY_DAYS} days"
    least, most = days(low).rpartition(" ")[0], days(high)
    if high >= LONGEST_SUPPLY_DAYS:
        return f"{least} to over {LONGEST_SUPPLY_DAYS} days"
    return most if least == most.rpartition(" ")[0] else f"{least} to {most}"


def percent(value: float | None) -> str:
    return UNKNOWN if value is None else f"{value:.0f} %"


def span(span_ms: int) -> str:
    """A length of time in its largest whole unit."""
    seconds = max(0, span_ms) // 1000
    if seconds < 100:
        return f"{seconds} s"
    if seconds < 100 * 60:
        return f"{seconds // 60} min"
    if seconds < 48 * 3600:
        return f"{seconds // 3600} h"
    return f"{seconds // 86400} days"


def age(at_ms: int | None, now_ms: int) -> str:
    """How old a reading is."""
    if at_ms is None:
        return "time unknown"
    if at_ms > now_ms + 5000:
        return "stamped in the future"
    return "just now" if now_ms - at_ms < 3000 else f"{span(now_ms - at_ms)} ago"


def moment(at_ms: int | None, now_ms: int, zone: tzinfo) -> str:
    """An instant as local time, the day in words when it is near."""
    if at_ms is None:
        return UNKNOWN
    then, now = datetime.fromtimestamp(at_ms / 1000, zone), datetime.fromtimestamp(now_ms / 1000, zone)
    clock = f"{then:%H:%M}"
    near = {0: "today", 1: "tomorrow", -1: "yesterday"}.get((then.date() - now.date()).days)
    if near is not None:
        return f"{near} {clock}"
    if timedelta(0) < then - now < timedelta(days=7):
        return f"{then:%A} {clock}"
    year = f" {then.year}" if then.year != now.year else ""
    return f"{then.day} {then:%b}{year} {clock}"


def clock_minutes(minutes: int) -> str:
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def listing(words: list[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""


def schedule(plan: ZoneSchedule | None, units: UnitSystem) -> str:
    """A schedule as one sentence."""
    if plan is None:
        return "Schedule unknown."
    if plan.mode == "off":
        return "Off: never watered."
    cap = f", at most {volume(plan.daily_cap_l, units)} a day" if plan.daily_cap_l is not None else ""
    if plan.mode == "fixed":
        times = listing([clock_minutes(m) for m in plan.fixed_times_min])
        return f"{volume(plan.fixed_volume_l, units)} at {times or 'no time'}{cap}."
    windows = listing([f"{clock_minutes(start)}–{clock_minutes(end)}" for start, end in plan.windows])
    doses = f", in up to {plan.doses_per_day} doses" if plan.doses_per_day > 1 else ""
    return f"As much as it needs, between {windows or 'no hours'}{cap}{doses}."


def wetness(depletion_mm: float | None, total_mm: float | None, readily_mm: float | None = None) -> str:
    """The state of a root zone in a word, from the part of its water that is missing; below what plants draw with ease
    it is said."""
    if depletion_mm is None or not total_mm:
        return UNKNOWN
    missing = depletion_mm / total_mm
    steps = ((0.08, "full"), (0.25, "moist"), (0.45, "drying"), (0.7, "dry"))
    word = next((word for limit, word in steps if missing < limit), "very dry")
    return f"{word}, plants are thirsty" if readily_mm is not None and depletion_mm > readily_mm else word
