"""Quantities as people read them, in the units the owner declared. What is not known reads "unknown"."""

from __future__ import annotations

from dataclasses import dataclass

from controller.site.model import UnitSystem
from controller.site.units import FOOT_MM, INCH_MM, US_GALLON_L

UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Show:
    """Formatters for one system of units; every method takes the program's own unit."""

    units: UnitSystem = "metric"

    def volume(self, volume_l: float | None) -> str:
        """Litres or US gallons: whole from 100 up, one decimal below."""
        if volume_l is None:
            return UNKNOWN
        return self._scaled(volume_l, "L") if self.units == "metric" else self._scaled(volume_l / US_GALLON_L, "gal")

    def depth(self, depth_mm: float | None) -> str:
        """Water level or height: millimetres, or inches with one decimal."""
        if depth_mm is None:
            return UNKNOWN
        return f"{_whole(depth_mm)} mm" if self.units == "metric" else f"{_fixed(depth_mm / INCH_MM, 1)} in"

    def rain(self, rain_mm: float | None) -> str:
        """Rain, evapotranspiration, depletion: millimetres with one decimal, or inches with two."""
        if rain_mm is None:
            return UNKNOWN
        return f"{_fixed(rain_mm, 1)} mm" if self.units == "metric" else f"{_fixed(rain_mm / INCH_MM, 2)} in"

    def flow(self, flow_l_min: float | None) -> str:
        """Pump or zone flow: litres or US gallons per minute."""
        if flow_l_min is None:
            return UNKNOWN
        if self.units == "metric":
            return f"{_fixed(flow_l_min, 1)} L/min"
        return f"{_fixed(flow_l_min / US_GALLON_L, 2)} gal/min"

    def temperature(self, temperature_c: float | None) -> str:
        """Degrees Celsius or Fahrenheit, one decimal."""
        if temperature_c is None:
            return UNKNOWN
        return (
            f"{_fixed(temperature_c, 1)} °C" if self.units == "metric" else f"{_fixed(temperature_c * 1.8 + 32, 1)} °F"
        )

    def area(self, area_m2: float | None) -> str:
        """Square metres or square feet, one decimal."""
        if area_m2 is None:
            return UNKNOWN
        square_foot_m2 = (FOOT_MM / 1000.0) ** 2
        return f"{_fixed(area_m2, 1)} m2" if self.units == "metric" else f"{_fixed(area_m2 / square_foot_m2, 1)} ft2"

    def voltage(self, voltage_v: float | None) -> str:
        """Volts, two decimals, in both systems."""
        return UNKNOWN if voltage_v is None else f"{_fixed(voltage_v, 2)} V"

    @staticmethod
    def _scaled(value: float, unit: str) -> str:
        return f"{_whole(value)} {unit}" if abs(value) >= 99.95 else f"{_fixed(value, 1)} {unit}"


def clock(minutes: int) -> str:
    """Minutes after midnight as hh:mm."""
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _whole(value: float) -> str:
    return _fixed(value, 0)


def _fixed(value: float, decimals: int) -> str:
    """Without the minus sign that rounding leaves on a zero."""
    text = f"{value:.{decimals}f}"
    return text.lstrip("-") if not text.strip("-0.") else text
