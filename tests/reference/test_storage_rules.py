"""Yield after and before spillage against the rules worked by hand; sources in `data/storage.sources.md`."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from controller.irrigate.likely_weather import DAYS_PER_YEAR
from controller.irrigate.water_price import LEVELS, PERIODS, SPELLS
from controller.site.load import parse_site
from controller.site.model import Schedule, Zone
from simulator.advise.demand import demand_of
from simulator.advise.prices import THIRSTS
from simulator.advise.storage import PRICE_GRID, Columns, StorageRun
from simulator.example import example_site_text

ROWS = list(csv.DictReader((Path(__file__).parent / "data/storage_spillage_rules.csv").read_text().splitlines()))
CAPACITY_L, START_L = 500.0, 200.0


def zone_that_takes(litres: float) -> Zone:
    """Watered at a fixed time with a fixed volume, whatever the weather."""
    zone = parse_site(example_site_text(), "example").zones[0]
    return replace(zone, schedule=Schedule("fixed", (), 200.0, fixed_volume_l=litres, fixed_times_min=(360,)))


def run_of(before_spillage: bool) -> StorageRun:
    demand = demand_of([zone_that_takes(120.0)])
    columns = Columns(
        usable_l=np.array([CAPACITY_L]),
        priced_l=np.array([CAPACITY_L]),
        roof=np.ones(1),
        before=np.array([before_spillage]),
        prices=np.zeros((1, SPELLS, PERIODS, LEVELS)),
        wet_from_mm=np.zeros(PERIODS),
        levels=np.zeros((PERIODS, len(THIRSTS), 1, len(PRICE_GRID))),
        mean_et0_mm=np.full(DAYS_PER_YEAR, 3.0),
    )
    return StorageRun(demand, columns, fill=START_L / CAPACITY_L)


@pytest.mark.parametrize(("rule", "before"), [("YAS", False), ("YBS", True)])
def test_every_step_of_the_rule_is_as_worked_by_hand(rule: str, before: bool) -> None:
    run = run_of(before)
    for row in ROWS:
        sums = run.days(180, np.zeros(1), np.zeros(1), np.array([float(row["inflow"])]))
        assert sums.supplied[0, 0] == pytest.approx(float(row[f"yield_{rule}"])), row["step"]
        assert sums.overflow[0] == pytest.approx(float(row[f"overflow_{rule}"])), row["step"]
        assert run.stored_l[0] == pytest.approx(float(row[f"storage_end_{rule}"])), row["step"]


@pytest.mark.parametrize(("before", "supplied_l", "spilt_l"), [(False, 1040.0, 400.0), (True, 1160.0, 280.0)])
def test_what_comes_in_is_given_spilt_or_still_there(before: bool, supplied_l: float, spilt_l: float) -> None:
    run = run_of(before)
    inflow = np.array([float(row["inflow"]) for row in ROWS])
    sums = run.days(180, np.zeros(len(inflow)), np.zeros(len(inflow)), inflow)
    assert sums.supplied.sum() == pytest.approx(supplied_l)
    assert sums.overflow[0] == pytest.approx(spilt_l)
    assert run.stored_l[0] == pytest.approx(0.0)
    assert START_L + inflow.sum() - sums.supplied.sum() - sums.overflow[0] == pytest.approx(0.0)
