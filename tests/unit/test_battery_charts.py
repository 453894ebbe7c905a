"""Rested voltage against charge: our charts, the owner's, and how far they are doubted."""

from __future__ import annotations

from itertools import pairwise

import pytest

from controller.estimate.battery_charts import REST_TABLES, chart_of, rest_charge_percent, rest_table, rest_voltage
from controller.site.model import Chemistry
from tests.unit.batteries import make_battery

CHEMISTRIES: tuple[Chemistry, ...] = ("flooded", "agm", "lifepo4")


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_a_rest_table_rises_from_empty_to_full(chemistry: Chemistry) -> None:
    table = REST_TABLES[chemistry]
    assert table[0][1] == 0.0
    assert table[-1][1] == 100.0
    assert all(low[0] < high[0] and low[1] < high[1] for low, high in pairwise(table))


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_more_volts_never_mean_less_charge(chemistry: Chemistry) -> None:
    charges = [rest_charge_percent(REST_TABLES[chemistry], 9.0 + 0.01 * step) for step in range(700)]
    assert charges == sorted(charges)
    assert (charges[0], charges[-1]) == (0.0, 100.0)


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_the_points_of_a_table_are_met_and_the_middle_lies_between(chemistry: Chemistry) -> None:
    table = REST_TABLES[chemistry]
    for (low_v, low_percent), (high_v, high_percent) in pairwise(table):
        assert rest_charge_percent(table, low_v) == pytest.approx(low_percent)
        middle = rest_charge_percent(table, (low_v + high_v) / 2.0)
        assert middle == pytest.approx((low_percent + high_percent) / 2.0)


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_charge_and_voltage_are_read_from_a_table_both_ways(chemistry: Chemistry) -> None:
    table = REST_TABLES[chemistry]
    for percent in (0.0, 3.0, 20.0, 47.0, 75.0, 99.0, 100.0):
        assert rest_charge_percent(table, rest_voltage(table, percent)) == pytest.approx(percent)
    assert rest_voltage(table, 120.0) == table[-1][0]


def test_the_owners_table_replaces_ours_and_is_doubted_less() -> None:
    own = ((11.0, 0.0), (13.0, 100.0))
    assert rest_table(make_battery(own_table=own)) == own
    chart, general = chart_of(make_battery(own_table=own)), chart_of(make_battery())
    assert chart.full_v == 13.0
    assert chart.drop_v[20] == pytest.approx(-1.0)
    assert chart.depth_sd < general.depth_sd
    assert chart.bend_sd < general.bend_sd


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_a_full_battery_is_where_the_chart_is_anchored(chemistry: Chemistry) -> None:
    chart = chart_of(make_battery(chemistry))
    assert (chart.drop_v[-1], chart.depth_v[-1], chart.bend_v[-1]) == (0.0, 0.0, 0.0)
    assert len(chart.drop_v) == len(chart.depth_v) == len(chart.bend_v)
