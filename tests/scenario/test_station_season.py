"""A year of a real station's daily record runs through the real controller.

Source: the daily record of Brussels (temperature, rain, reference evapotranspiration) that comes as a data file with
the Python package `aquacrop`; only the file is read, none of its code runs.
"""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta

import pytest

from controller.contract import Now, StepResult
from simulator.allocation.stations import station_rows
from simulator.plant.daily_records import weather_from_daily
from simulator.plant.weather import local_midnight_wall_ms
from simulator.season import SeasonRun
from simulator.season_summary import SeasonTally
from tests.scenario.garden import DAY_MS, EXAMPLE

YEAR = 2003
"""A year with a hot, dry summer."""
FIRST = date(YEAR, 3, 1)
DAYS = 245


class StationSeason:
    def __init__(self) -> None:
        before, after = FIRST - timedelta(days=1), FIRST + timedelta(days=DAYS + 2)
        rows = [row for row in station_rows("Brussels") if before <= row.date < after]
        weather = weather_from_daily(rows, EXAMPLE.place, seed=1)
        self.run = SeasonRun(EXAMPLE, weather, 1, local_midnight_wall_ms(FIRST, EXAMPLE.place))
        self.tally = SeasonTally(EXAMPLE, self.run.plant)
        self.days: list[dict[str, object]] = []
        self.kinds: Counter[str] = Counter()
        self.run.watch = self._take
        self.run.run_until(DAYS * DAY_MS)

    def _take(self, now: Now, result: StepResult) -> None:
        self.tally.take(now, result)
        for record in result.records:
            self.kinds[record.kind] += 1
            if record.kind == "day":
                self.days.append({"zone": record.key, **record.data})


@pytest.fixture(scope="module")
def season() -> StationSeason:
    return StationSeason()


def test_the_record_is_the_one_that_is_named() -> None:
    rows = station_rows("Brussels")
    assert rows[0].date == date(1976, 1, 1)
    assert len(rows) > 10_000
    assert all(row.tmin_c <= row.tmax_c for row in rows)


def test_the_whole_season_runs_through_and_every_day_is_closed(season: StationSeason) -> None:
    for zone in EXAMPLE.zones:
        closed = [day["date"] for day in season.days if day["zone"] == zone.id]
        assert len(closed) >= DAYS - 1
        assert len(closed) == len(set(closed))


def test_the_plant_s_water_balance_closes(season: StationSeason) -> None:
    assert abs(season.run.plant.water_balance_error_l()) < 1e-6


def test_a_healthy_garden_raises_nothing_but_the_rung_in_its_tank(season: StationSeason) -> None:
    raised = dict(season.tally.faults)
    # A rung truly stands in the beam of this tank's ranger; it is only named while it echoes.
    raised.pop("false-echo:main", None)
    assert raised == {}


def test_every_zone_is_watered_or_its_refusal_is_explained_each_day(season: StationSeason) -> None:
    assert {zone_id: tally.unexplained for zone_id, tally in season.tally.zones.items()} == {
        zone.id: [] for zone in EXAMPLE.zones
    }
    assert all(tally.runs > 0 for tally in season.tally.zones.values())


def test_the_tank_never_gives_its_reserve_to_the_beds(season: StationSeason) -> None:
    tank = EXAMPLE.tanks[0]
    lowest_l = season.tally.lowest_l[tank.id]
    # Evaporation may take a little more; the level's own error is a few litres.
    assert lowest_l > tank.reserve_l - 25.0


def test_in_a_dry_summer_that_empties_the_tank_what_counts_most_goes_short_least(season: StationSeason) -> None:
    drunk: dict[int, float] = {}
    for zone in EXAMPLE.zones:
        truth = season.run.plant.truth.zone(zone.id)
        part = truth.transpired_l / truth.potential_l
        drunk[zone.priority] = min(part, drunk.get(zone.priority, 1.0))
    # Under cover nothing but the tank waters them: first priority, and nearly all they need.
    assert drunk[1] > 0.8
    assert drunk[2] > 0.6
    assert min(drunk.values()) > 0.4
