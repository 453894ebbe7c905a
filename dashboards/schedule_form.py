"""A schedule as a form and back: what people type, what is wrong with it, and what differs between two schedules.

Pure: forms are mappings of text. What the controller allows is repeated here only to say at once, beside the field,
what it would refuse; it checks everything again.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from dashboards import words
from dashboards.view import UnitSystem, ZoneSchedule, finite

ROWS = 24
"""Pairs of hours, and fixed times, that a schedule may have (docs/mqtt.md)."""
LONGEST_SOAK_MIN = 720
MOST_L = 100_000.0
CLOCK = re.compile(r"([01]?[0-9]|2[0-4])[:.]([0-5][0-9])")
MODES = {
    "need": "As much as it needs",
    "fixed": "A fixed amount at fixed times",
    "off": "Never",
}

Form = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Draft:
    """What was typed, the schedule it means (None while something is wrong), and what is wrong, by field."""

    fields: dict[str, str]
    schedule: dict[str, Any] | None = None
    problems: dict[str, str] = field(default_factory=dict)


def fields_of(schedule: ZoneSchedule, units: UnitSystem) -> dict[str, str]:
    """The form of a schedule."""
    values = {
        "mode": schedule.mode,
        "cap": _amount(schedule.daily_cap_l, units),
        "doses": str(schedule.doses_per_day),
        "soak": str(schedule.soak_min),
        "fixed": _amount(schedule.fixed_volume_l or None, units),
    }
    for n, (start, end) in enumerate(schedule.windows[:ROWS], start=1):
        # A time field knows no 24:00; a window that ends with 00:00 ends with the day.
        values |= {f"start{n}": words.clock_minutes(start), f"end{n}": words.clock_minutes(end % 1440)}
    for n, minutes in enumerate(schedule.fixed_times_min[:ROWS], start=1):
        values[f"time{n}"] = words.clock_minutes(minutes)
    return values


def schedule_values(schedule: ZoneSchedule) -> dict[str, Any]:
    """A schedule as the controller takes it (docs/mqtt.md)."""
    return {
        "mode": schedule.mode,
        "windows": [
            {"start": words.clock_minutes(start), "end": words.clock_minutes(end)} for start, end in schedule.windows
        ],
        "daily_cap_l": schedule.daily_cap_l,
        "doses_per_day": schedule.doses_per_day,
        "fixed_volume_l": schedule.fixed_volume_l or 0.0,
        "fixed_times": [words.clock_minutes(minutes) for minutes in schedule.fixed_times_min],
        "soak_min": schedule.soak_min,
    }


def read_draft(form: Form, units: UnitSystem, base: ZoneSchedule | None = None) -> Draft:
    """What a sent form means. A volume left as `base` has it stays exactly that, whatever its rounded text says."""
    names = ["mode", "cap", "doses", "soak", "fixed", *(f"time{n}" for n in range(1, ROWS + 1))]
    names += [f"{end}{n}" for n in range(1, ROWS + 1) for end in ("start", "end")]
    fields = {name: form.get(name, "").strip()[:20] for name in names}
    reader = _Reader(fields, units, base)
    schedule = reader.schedule()
    return Draft(fields, None if reader.problems else schedule, reader.problems)


def differences(before: ZoneSchedule, after: ZoneSchedule, units: UnitSystem) -> list[str]:
    """What is different in `after`, a sentence each."""
    told = []
    if before.mode != after.mode:
        told.append(f"Watered: {_mode(after)} instead of {_mode(before)}.")
    rows = (
        ("Hours", _windows(before), _windows(after)),
        ("At most a day", words.volume(before.daily_cap_l, units), words.volume(after.daily_cap_l, units)),
        ("Doses a day", str(before.doses_per_day), str(after.doses_per_day)),
        ("Pause between doses", f"{before.soak_min} min", f"{after.soak_min} min"),
        (
            "Fixed amount",
            words.volume(before.fixed_volume_l or 0.0, units),
            words.volume(after.fixed_volume_l or 0.0, units),
        ),
        ("Fixed times", _times(before), _times(after)),
    )
    return told + [f"{name}: {new} instead of {old}." for name, old, new in rows if old != new]


class _Reader:
    """Reads one form; everything wrong is collected, so that it is said all at once."""

    def __init__(self, fields: Form, units: UnitSystem, base: ZoneSchedule | None) -> None:
        self._fields = fields
        self._units = units
        self._kept_l = {} if base is None else {"cap": base.daily_cap_l, "fixed": base.fixed_volume_l}
        self.problems: dict[str, str] = {}

    def schedule(self) -> dict[str, Any]:
        mode = self._fields["mode"]
        if mode not in MODES:
            self.problems["mode"] = "Choose one of the three."
        windows = self._windows()
        if mode == "need" and not windows and not self.problems:
            self.problems["start1"] = "Give at least one pair of hours between which it may be watered."
        times = self._times()
        fixed_l = self._litres("fixed", required=mode == "fixed")
        cap_l = self._litres("cap", required=True)
        if mode == "fixed":
            if not times and "time1" not in self.problems:
                self.problems["time1"] = "Give at least one time."
            if fixed_l and cap_l and fixed_l > cap_l:
                self.problems["fixed"] = "More than it may get in a day, so it could never be given."
        return {
            "mode": mode,
            "windows": windows,
            "daily_cap_l": cap_l,
            "doses_per_day": self._whole("doses", 1, 24, 1),
            "fixed_volume_l": fixed_l,
            "fixed_times": times,
            "soak_min": self._whole("soak", 0, LONGEST_SOAK_MIN, 60),
        }

    def _windows(self) -> list[dict[str, str]]:
        found: list[tuple[str, str, int]] = []
        for n in range(1, ROWS + 1):
            start, end = self._fields[f"start{n}"], self._fields[f"end{n}"]
            if not start and not end:
                continue
            first, last = self._clock(f"start{n}"), self._clock(f"end{n}")
            if first is None or last is None:
                continue
            last = "24:00" if last == "00:00" else last
            if first >= last:
                self.problems[f"end{n}"] = "Ends before it begins; write hours over midnight as two pairs."
            found.append((first, last, n))
        found.sort()
        for (_, earlier_end, _n), (start, _end, number) in pairwise(found):
            if start < earlier_end:
                self.problems.setdefault(f"start{number}", f"Begins before the pair that ends {earlier_end} is over.")
        return [{"start": start, "end": end} for start, end, _ in found]

    def _times(self) -> list[str]:
        found: list[str] = []
        for n in range(1, ROWS + 1):
            if not self._fields[f"time{n}"]:
                continue
            clock = self._clock(f"time{n}")
            if clock is None:
                continue
            clock = "00:00" if clock == "24:00" else clock
            if clock in found:
                self.problems[f"time{n}"] = "This time is there twice."
            found.append(clock)
        return sorted(found)

    def _clock(self, name: str) -> str | None:
        match = CLOCK.fullmatch(self._fields[name])
        if match is None or (match[1] == "24" and match[2] != "00"):
            self.problems[name] = "Write a time of day, for example 05:30."
            return None
        return f"{int(match[1]):02d}:{match[2]}"

    def _litres(self, name: str, required: bool) -> float:
        text = self._fields[name].replace(",", ".")
        kept_l = self._kept_l.get(name)
        if kept_l and text == _amount(kept_l, self._units):
            return kept_l
        if not text and not required:
            return 0.0
        amount = finite(text, 0.0)
        if amount is None or amount <= 0.0:
            self.problems[name] = f"Write a number of {words.volume_unit(self._units)} above 0, for example 12.5."
            return 0.0
        litres = amount * words.L_PER_US_GAL if self._units == "us" else amount
        if litres > MOST_L:
            self.problems[name] = f"At most {words.volume(MOST_L, self._units)}."
        return round(litres, 3)

    def _whole(self, name: str, least: int, most: int, default: int) -> int:
        text = self._fields[name]
        if not text:
            return default
        if not text.isdecimal() or len(text) > 4 or not least <= int(text) <= most:
            self.problems[name] = f"Write a whole number from {least} to {most}."
            return default
        return int(text)


def _amount(volume_l: float | None, units: UnitSystem) -> str:
    """A volume for a field: no thousands marks, as many digits as it has, two decimals at most."""
    return "" if volume_l is None else f"{words.volume_value(volume_l, units):.2f}".rstrip("0").rstrip(".")


def _mode(schedule: ZoneSchedule) -> str:
    return MODES[schedule.mode][0].lower() + MODES[schedule.mode][1:]


def _windows(schedule: ZoneSchedule) -> str:
    pairs = [f"{words.clock_minutes(start)}–{words.clock_minutes(end)}" for start, end in schedule.windows]
    return words.listing(pairs) or "none"


def _times(schedule: ZoneSchedule) -> str:
    return words.listing([words.clock_minutes(minutes) for minutes in schedule.fixed_times_min]) or "none"
