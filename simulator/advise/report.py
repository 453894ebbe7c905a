"""All parts of the advice put together: one HTML page, one set of numbers, one list of findings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.site.model import Site
from simulator.advise.climate import Climate, climate_from_normals, climate_from_records
from simulator.advise.loads import study_loads
from simulator.advise.loads_section import loads_section
from simulator.advise.page import Section, report_html
from simulator.advise.power_section import power_section
from simulator.advise.power_study import study_power
from simulator.advise.storage_section import storage_section
from simulator.advise.storage_study import Progress, study_storage
from simulator.advise.typical_year import SUFFIX, read_typical_year
from simulator.advise.water_section import water_section
from simulator.advise.water_study import study_water
from simulator.advise.wiring_section import wiring_section
from simulator.plant.daily_records import DailyRecord, read_daily_csv

LEAD = (
    "Worked out from the site file alone, before or after anything is bought. Change the file (another tank, more "
    "roof, a longer pipe) and run it again to see what changes. Figures are for planning; every part says what it "
    "rests on, and where published sources disagree both are shown.",
    "Roof water is not drinking water. Foundations, mains water and its protection, batteries and fuses are subject to "
    "local codes: a licensed person decides.",
)


@dataclass(frozen=True, slots=True)
class Report:
    html: str
    data: dict[str, Any]
    found: tuple[str, ...]


def make_report(
    site: Site, weather: Path | None, years: int, progress: Progress | None = None, jobs: int | None = None
) -> Report:
    """The report of a site by daily records or by invented years. Raises ConfigurationError for what cannot be used."""
    rows = None if weather is None else _read(weather, site)
    climate = _climate(site, rows, weather, years)
    studies = [study_storage(site, tank, climate, progress, jobs) for tank in site.tanks]
    water = study_water(site)
    sections: Sequence[Section] = [
        storage_section(site, [study for study in studies if study is not None]),
        water_section(site, water),
        power_section(site, study_power(site, water, rows, years)),
        wiring_section(site),
        loads_section(site, study_loads(site)),
    ]
    title = f"{site.name}: what this site would do"
    return Report(
        report_html(title, LEAD, sections),
        {"site": site.id, "weather": climate.source, **{section.key: section.data for section in sections}},
        tuple(text for section in sections for text in section.found),
    )


def _read(weather: Path, site: Site) -> list[DailyRecord]:
    return read_typical_year(weather, site.place) if weather.suffix.lower() == SUFFIX else read_daily_csv(weather)


def _climate(site: Site, rows: list[DailyRecord] | None, weather: Path | None, years: int) -> Climate:
    if rows is None:
        return climate_from_normals(site.place, years)
    return climate_from_records(rows, site.place, str(weather))
