"""Voltages behind dividers, in whole millivolts, and a check that the converter itself tells the truth."""

from machine import ADC, Pin  # type: ignore[import-not-found]

SUPPLY_MV = 3300
COUNTS = 65_535
SAMPLES = 16
_CLIPPED = COUNTS - 64

_TEMPERATURE_CHANNEL = 4
_COLD_CHIP_MV = 850
_HOT_CHIP_MV = 550
"""The chip's own sensor gives 706 mV at 27 degrees and 1.721 mV less for each degree more: -55 to +115 degrees."""


def full_scale_mv(top_ohm: int, bottom_ohm: int, trim_permille: int) -> int:
    """The voltage before a divider that puts the converter at its upper end."""
    scale = bottom_ohm * 1000
    return (SUPPLY_MV * (top_ohm + bottom_ohm) * trim_permille + scale // 2) // scale


class Voltage:
    """channel: a GPIO number, or the channel of the chip's own sensor.

    full_mv: what the upper end of the converter stands for; below least_mv a reading is bad: its wire is off.
    """

    def __init__(self, channel: int, full_mv: int, least_mv: int):
        self._adc = ADC(channel if channel == _TEMPERATURE_CHANNEL else Pin(channel))
        self._full_mv = full_mv
        self._least_mv = least_mv

    def mv(self) -> int | None:
        """Mean of SAMPLES readings without the highest and the lowest; None when it is clipped or too low."""
        counts = self.counts()
        if counts >= _CLIPPED:
            return None
        mv = (counts * self._full_mv + COUNTS // 2) // COUNTS
        return mv if mv >= self._least_mv else None

    def counts(self) -> int:
        read = self._adc.read_u16
        lowest = highest = total = int(read())
        for _ in range(SAMPLES - 1):
            value = int(read())
            total += value
            if value < lowest:
                lowest = value
            elif value > highest:
                highest = value
        return (total - lowest - highest) // (SAMPLES - 2)


class Reference:
    """A voltage that is known, so that a stuck converter or a stuck multiplexer shows."""

    def __init__(self, channel: int, least_mv: int, most_mv: int):
        self._voltage = Voltage(channel, SUPPLY_MV, 0)
        self._least_mv = least_mv
        self._most_mv = most_mv

    def good(self) -> bool:
        mv = self._voltage.mv()
        return mv is not None and self._least_mv <= mv <= self._most_mv


def chip_reference() -> Reference:
    """The chip's own temperature sensor: always there."""
    return Reference(_TEMPERATURE_CHANNEL, _HOT_CHIP_MV, _COLD_CHIP_MV)
