"""Daily records of real stations: data files of the Python package `aquacrop` (Tunis, Brussels, Hyderabad).

Only the files are read, none of the package's code runs; it is there for judging and tests, never for the service.
"""

from __future__ import annotations

from datetime import date
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

from controller.errors import ConfigurationError
from simulator.plant.daily_records import DailyRecord

SOURCE = "aquacrop 3.1.0"


def station_rows(name: str) -> list[DailyRecord]:
    """All days of a station; ConfigurationError when the package is not installed.

    Where a day's coldest and warmest are the wrong way round in the file, they are turned.
    """
    try:
        files = distribution("aquacrop")
    except PackageNotFoundError:
        raise ConfigurationError(
            f"the station records come with {SOURCE}, which is not installed; scripts/setup dev installs it"
        ) from None
    path = Path(str(files.locate_file(f"aquacrop/data/{name.lower()}_climate.txt")))
    rows = []
    for line in path.read_text(encoding="ascii").splitlines()[1:]:
        day, month, year, tmin, tmax, rain, et0 = line.split()
        low, high = sorted((float(tmin), float(tmax)))
        rows.append(DailyRecord(date(int(year), int(month), int(day)), low, high, float(rain), float(et0)))
    return rows
