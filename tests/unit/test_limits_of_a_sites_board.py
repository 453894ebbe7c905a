"""What a site asks its board to enforce: a little laxer than the controller itself, and never laxer than built in."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.guard.board_limits import board_limits
from controller.site.model import Site
from firmware_host.board.limits import allowed
from tests.unit.example_site import SITE


def with_openings(*openings_s: float) -> Site:
    zones = [
        replace(zone, valve=replace(zone.valve, opening_s=opening_s))
        for zone, opening_s in zip(SITE.zones, openings_s, strict=True)
    ]
    return replace(SITE, zones=tuple(zones))


def with_battery(disconnect_v: float, floor_v: float) -> Site:
    return replace(SITE, battery=replace(SITE.battery, disconnect_v=disconnect_v, floor_v=floor_v))


@pytest.mark.parametrize(
    ("openings_s", "opening_ms"),
    [((1.0, 0.5), 2000), ((2.0, 2.0), 2000), ((2.001, 1.0), 2001), ((3.0, 7.25), 7250), ((7.25, 3.0), 7250)],
)
def test_the_pump_waits_for_the_slowest_valve_and_two_seconds_at_least(
    openings_s: tuple[float, float], opening_ms: int
) -> None:
    assert board_limits(with_openings(*openings_s)).opening_ms == opening_ms


@pytest.mark.parametrize(
    ("disconnect_v", "floor_v", "low_mv", "floor_mv"),
    [
        # The board judges the bare voltage, so it is given 0.3 V for the pump's sag.
        (11.8, 11.3, 11_500, 11_000),
        (12.034, 11.506, 11_734, 11_206),
        (11.101, 10.301, 10_801, 10_001),
        (11.1, 10.3, 10_800, 10_000),
        (10.9, 10.1, 10_800, 10_000),
    ],
)
def test_the_board_trips_below_the_controller_and_not_below_what_is_built_in(
    disconnect_v: float, floor_v: float, low_mv: int, floor_mv: int
) -> None:
    limits = board_limits(with_battery(disconnect_v, floor_v))
    assert (limits.low_mv, limits.floor_mv) == (low_mv, floor_mv)
    assert allowed("low_mv", limits.low_mv)
    assert allowed("floor_mv", limits.floor_mv)


def test_what_a_site_says_nothing_about_is_left_to_the_board() -> None:
    limits = board_limits(SITE)
    left = (limits.open_max_ms, limits.pump_max_ms, limits.pump_blind_max_ms, limits.flow_start_ms, limits.flow_run_ms)
    assert left == (None,) * 5
    assert limits.flow_min_pulses is None
