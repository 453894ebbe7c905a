"""The weather that a journal has seen, day by day, in the columns that `advise`, `season` and `what-if` read again."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date
from typing import Any

from controller.core.localclock import LocalClock
from controller.service.journal import StoredRecord

COLUMNS = ("date", "tmin_c", "tmax_c", "rain_mm", "et0_mm")
FEWEST_READINGS = 20
"""Of a day's air temperature, for its extremes to be the day's: so many hours, when readings are old and are means of
hours, and fewer quarters than that would be guesses (own choice)."""


def weather_rows(records: Iterable[StoredRecord], time_zone: str) -> Iterator[list[Any]]:
    """A row for each local day that was closed and whose temperature was read through; days in between are left out.

    records  of the kinds `measure` and `day`, in order
    """
    yield list(COLUMNS)
    clock, span_c = LocalClock(time_zone), dict[int, tuple[float, float, int]]()
    for record in records:
        data = record.data
        if record.kind == "measure":
            air_c = data.get("temperature_c")
            if air_c is not None:
                day = clock.ordinal(record.wall_ms)
                low_c, high_c, count = span_c.get(day, (air_c, air_c, 0))
                span_c[day] = min(low_c, air_c), max(high_c, air_c), count + 1
        elif not record.key:
            closed = date.fromisoformat(data["date"])
            low_c, high_c, count = span_c.pop(closed.toordinal(), (0.0, 0.0, 0))
            if count >= FEWEST_READINGS:
                yield [closed.isoformat(), low_c, high_c, round(data["rain_mm"], 3), round(data["et0_mm"], 3)]
