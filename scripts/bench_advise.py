"""The part of `scripts/bench` about planning: how long a grid of tanks takes, and how near its model is to seasons."""

from __future__ import annotations

import resource
import time
from datetime import date

from controller.site.load import parse_site
from simulator.advise.climate import climate_from_normals
from simulator.advise.season_check import season_and_model
from simulator.advise.storage_study import ROOF_FACTORS, SIZE_FACTORS, study_storage
from simulator.example import example_site_text

YEARS = 30
GRID_S = 10.0
MEAN_OFF_PERCENT, WORST_OFF_PERCENT = 2.0, 3.0
BLIND_PERCENT = 6.0
"""Where the model is not told what the garden's thermometer read, which in a tank's headspace is a milder day."""
SEASONS = (
    (date(2026, 5, 1), 120, 1, 1.0),
    (date(2026, 5, 1), 120, 2, 0.6),
    (date(2026, 4, 1), 150, 3, 1.0),
    (date(2026, 4, 15), 150, 7, 1.0),
)
"""First day, days, seed, part of the tank that is full."""

Row = tuple[str, str, str, bool]


def advise() -> list[Row]:
    """Rows as `scripts/bench` prints them."""
    return [*_grid(), *_seasons()]


def _grid() -> list[Row]:
    site = parse_site(example_site_text(), "site.toml")
    began_s, cpu_s = time.perf_counter(), _cpu_s()
    study = study_storage(site, site.tanks[0], climate_from_normals(site.place, YEARS))
    elapsed_s, used_s = time.perf_counter() - began_s, _cpu_s() - cpu_s
    assert study is not None
    what = f"{YEARS} years x {len(SIZE_FACTORS)} tanks x {len(ROOF_FACTORS)} roofs x 2 rules"
    return [
        (what, f"{elapsed_s:.2f} s", f"at most {GRID_S:g} s", elapsed_s <= GRID_S),
        ("  of all processors", f"{used_s:.2f} s", "", True),
    ]


def _cpu_s() -> float:
    usages = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(usage.ru_utime + usage.ru_stime for usage in usages)


def _seasons() -> list[Row]:
    site = parse_site(example_site_text(), "site.toml")
    rows: list[Row] = []
    offs = []
    for start, days, seed, fill in SEASONS:
        supplied = season_and_model(site, start, days, seed, fill)
        offs.append(abs(supplied.off_percent))
        name = f"{days} days from {start:%d %B}, seed {seed}"
        value = f"{supplied.season_l:.0f} L, model {supplied.model_l:.0f} L, {supplied.off_percent:+.1f} %"
        rows.append((name, value, f"within {WORST_OFF_PERCENT:g} %", offs[-1] <= WORST_OFF_PERCENT))
        off_percent = supplied.weather_off_percent
        value = f"{supplied.weather_l:.0f} L, {off_percent:+.1f} %"
        rows.append(
            (
                "  by the weather's own temperatures",
                value,
                f"within {BLIND_PERCENT:g} %",
                abs(off_percent) <= BLIND_PERCENT,
            )
        )
    mean = sum(offs) / len(offs)
    rows.append(("  on the mean", f"{mean:.1f} %", f"within {MEAN_OFF_PERCENT:g} %", mean <= MEAN_OFF_PERCENT))
    return rows
