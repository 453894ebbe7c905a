"""Reads the sensors and puts their raw values into the words of a report line.

Written for MicroPython and CPython alike. Everything is sent raw: the host does the physics.
"""

from firmware_host.board.hardware import Hardware

ECHO_COUNT = 7
ECHO_PATIENCE_MS = 1500


class Sampler:
    """Collects one burst of echoes per ranging sensor, then one reading of everything else."""

    def __init__(self, hardware: Hardware, fitted: dict[str, int]):
        self._hardware = hardware
        self._bursts: list[list[int] | None] = [None] * fitted["echo"]
        self._asked_ms = -1
        self._echo_keys = [f" echo{channel}=" for channel in range(fitted["echo"])]
        self._temperature_keys = [f" temp{channel}=" for channel in range(fitted["temperature"])]
        self._flow_keys = [f" flow{channel}=" for channel in range(fitted["flow"])]
        self._wet_keys = [f" wet{channel}=" for channel in range(fitted["float_switch"])]
        self._has_rain = bool(fitted["rain"])
        self._has_shunt = bool(fitted["shunt"])
        self._has_panel = bool(fitted["panel"])

    def collected(self, now: int) -> bool:
        """Ask for the bursts still missing; True when all are there or have been waited for long enough."""
        missing = False
        for channel in range(len(self._bursts)):
            if self._bursts[channel] is None:
                burst = self._hardware.echo_burst_us(channel, ECHO_COUNT)
                self._bursts[channel] = burst
                missing = missing or burst is None
        if not missing:
            return True
        if self._asked_ms < 0:
            self._asked_ms = now
        return now - self._asked_ms >= ECHO_PATIENCE_MS

    def words(self) -> str:
        """The measured words of a report, each with a leading blank; the collected bursts are used up."""
        hardware = self._hardware
        text = ""
        for channel, key in enumerate(self._echo_keys):
            burst = self._bursts[channel]
            text += key + (",".join([str(echo_us) for echo_us in burst]) if burst else "-")
            self._bursts[channel] = None
        self._asked_ms = -1
        for channel, key in enumerate(self._temperature_keys):
            text += key + _word(hardware.temperature_centi_c(channel))
        text += " battery=" + _word(hardware.battery_mv())
        if self._has_panel:
            text += " panel=" + _word(hardware.panel_mv())
        if self._has_shunt:
            text += " current=" + _word(hardware.current_ma())
        for channel, key in enumerate(self._flow_keys):
            text += key + str(hardware.flow_pulses(channel))
        if self._has_rain:
            text += " rain=" + str(hardware.rain_tips())
        for channel, key in enumerate(self._wet_keys):
            text += key + ("1" if hardware.float_wet(channel) else "0")
        return text


def _word(value: int | None) -> str:
    return "-" if value is None else str(value)
