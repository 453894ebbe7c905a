"""The arithmetic of small circuits around the board: dividers, shunts, valve coils, pull-downs. All of it is Ohm's law.

Numbers are for planning; measure with a hand meter before anything is connected to the board.
"""

from __future__ import annotations

from dataclasses import dataclass

ADC_REFERENCE_V = 3.3
ADC_STEPS = 4096
"""An RP2040 resolves 12 bits (its data sheet, table of ADC characteristics)."""

S_PER_H = 3600.0
H_PER_YEAR = 8760.0


@dataclass(frozen=True, slots=True)
class Divider:
    """Two resistors in series from a voltage to ground, measured in the middle."""

    top_ohm: float
    bottom_ohm: float

    @property
    def ratio(self) -> float:
        return self.bottom_ohm / (self.top_ohm + self.bottom_ohm)

    @property
    def source_ohm(self) -> float:
        """What the pin sees: both resistors side by side."""
        return self.top_ohm * self.ratio

    def output_v(self, input_v: float) -> float:
        return input_v * self.ratio

    def highest_output_v(self, input_v: float, tolerance: float) -> float:
        """Output when the resistors are off by that fraction, both in the wrong direction."""
        return Divider(self.top_ohm * (1.0 - tolerance), self.bottom_ohm * (1.0 + tolerance)).output_v(input_v)

    def full_scale_v(self, reference_v: float = ADC_REFERENCE_V) -> float:
        """Input that brings the middle to the converter's reference."""
        return reference_v / self.ratio

    def step_v(self, reference_v: float = ADC_REFERENCE_V, steps: int = ADC_STEPS) -> float:
        """Change of the input that makes one count."""
        return self.full_scale_v(reference_v) / steps

    def current_a(self, input_v: float) -> float:
        """What it takes from the battery day and night."""
        return input_v / (self.top_ohm + self.bottom_ohm)

    def charge_ah_per_year(self, input_v: float) -> float:
        return self.current_a(input_v) * H_PER_YEAR

    def loading(self, input_ohm: float) -> float:
        """Fraction by which a converter with that input resistance reads too little."""
        return self.source_ohm / (self.source_ohm + input_ohm)

    def time_constant_s(self, capacitor_f: float) -> float:
        """How long the middle takes to follow a step to 63 % with that capacitor to ground."""
        return self.source_ohm * capacitor_f


@dataclass(frozen=True, slots=True)
class Shunt:
    """A resistor in the battery's lead, sold by the voltage it drops at its rated current."""

    rated_a: float
    rated_v: float

    @property
    def ohm(self) -> float:
        return self.rated_v / self.rated_a

    def drop_v(self, current_a: float) -> float:
        return self.ohm * current_a

    def heat_w(self, current_a: float) -> float:
        return self.ohm * current_a**2

    def range_a(self, converter_range_v: float) -> float:
        """Largest current the converter can tell."""
        return converter_range_v / self.ohm

    def step_a(self, converter_step_v: float) -> float:
        """Smallest current of which the converter's own step can tell."""
        return converter_step_v / self.ohm

    def calibration_word(self, count_a: float) -> int:
        """What the calibration register of the common 16-bit converters wants, so that one count is `count_a`.

        0.00512 is the constant of their data sheets (from memory); check it in that of yours.
        """
        return round(0.00512 / (count_a * self.ohm))


def coil_current_a(supply_v: float, coil_ohm: float) -> float:
    return supply_v / coil_ohm


def coil_energy_j(supply_v: float, coil_ohm: float, on_s: float) -> float:
    """Energy a coil takes while it is on; the pulse of a latching valve or the run of a held one."""
    return supply_v * coil_current_a(supply_v, coil_ohm) * on_s


def watt_hours(energy_j: float) -> float:
    return energy_j / S_PER_H


def capacitor_for_pulse_f(energy_j: float, full_v: float, least_v: float) -> float:
    """Capacitor that gives a pulse's energy while it falls from `full_v` to `least_v`: E = C (V1^2 - V2^2) / 2.

    Raises ValueError unless it falls.
    """
    if not full_v > least_v >= 0.0:
        raise ValueError(f"a capacitor gives energy only while it falls: from {full_v} V to {least_v} V it does not")
    return 2.0 * energy_j / (full_v**2 - least_v**2)


def pull_down_v(pull_down_ohm: float, leakage_a: float) -> float:
    """How far leakage lifts a line that only the pull-down holds."""
    return pull_down_ohm * leakage_a


def node_v(*branches: tuple[float, float]) -> float:
    """Voltage of a point that resistors join to several voltages: (volts, ohm) each (Millman's theorem)."""
    return sum(volts / ohm for volts, ohm in branches) / sum(1.0 / ohm for _, ohm in branches)
