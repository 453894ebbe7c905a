"""Screens show what the owner declared: litres or gallons, millimetres or inches."""

from __future__ import annotations

import pytest

from controller.site.show import Show, clock

METRIC, US = Show("metric"), Show("us")


@pytest.mark.parametrize(
    ("shown", "expected"),
    [
        (METRIC.volume(1901.7), "1902 L"),
        (METRIC.volume(12.34), "12.3 L"),
        (METRIC.volume(99.96), "100 L"),
        (METRIC.volume(-0.01), "0.0 L"),
        (US.volume(1892.706), "500 gal"),
        (US.volume(37.85411784), "10.0 gal"),
        (METRIC.depth(1090.4), "1090 mm"),
        (US.depth(1219.2), "48.0 in"),
        (METRIC.rain(2.794), "2.8 mm"),
        (US.rain(25.4), "1.00 in"),
        (METRIC.flow(3.2), "3.2 L/min"),
        (US.flow(3.785411784), "1.00 gal/min"),
        (METRIC.temperature(-0.04), "0.0 °C"),
        (METRIC.temperature(-4.0), "-4.0 °C"),
        (US.temperature(20.0), "68.0 °F"),
        (METRIC.area(24.0), "24.0 m2"),
        (US.area(9.290304), "100.0 ft2"),
        (METRIC.voltage(12.345), "12.35 V"),
        (US.voltage(12.0), "12.00 V"),
    ],
)
def test_values_read_in_the_owners_units(shown: str, expected: str) -> None:
    assert shown == expected


@pytest.mark.parametrize("show", [METRIC, US], ids=["metric", "us"])
def test_what_is_not_known_reads_unknown_and_never_zero(show: Show) -> None:
    formatters = (show.volume, show.depth, show.rain, show.flow, show.temperature, show.area, show.voltage)
    assert {formatter(None) for formatter in formatters} == {"unknown"}


@pytest.mark.parametrize(("minutes", "expected"), [(0, "00:00"), (330, "05:30"), (1440, "24:00")])
def test_minutes_after_midnight_read_as_a_clock(minutes: int, expected: str) -> None:
    assert clock(minutes) == expected
