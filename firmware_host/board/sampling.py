"""Reads the sensors and puts their raw values into the words of a report line.

Written for MicroPython and CPython alike. Everything is sent raw: the host does the physics.
"""

from firmware_host.board.hardware import Hardware
from firmware_host.wire import BAD

ECHO_COUNT = 5
"""Three that agree make a level: with five, two may be lost or wrong."""
ECHO_PATIENCE_MS = 1500
_BURST_FORM = ",".join(["%d"] * ECHO_COUNT)


class Sampler:
    """Collects one burst of echoes per ranging sensor, then one reading of everything else."""

    def __init__(self, hardware: Hardware, fitted: dict[str, int]):
        self._hardware = hardware
        self._bursts: list[list[int] | None] = [None] * fitted["echo"]
        self._asked_ms = -1
        self._echo_channels = range(fitted["echo"])
        self._temperature_channels = range(fitted["temperature"])
        self._flow_channels = range(fitted["flow"])
        self._float_channels = range(fitted["float_switch"])
        self._soil_channels = range(fitted.get("soil", 0))
        self._has_rain = bool(fitted["rain"])
        self._has_shunt = bool(fitted["shunt"])
        self._has_panel = bool(fitted["panel"])
        keys = [f"echo{channel}" for channel in range(fitted["echo"])]
        keys += [f"temp{channel}" for channel in range(fitted["temperature"])]
        keys.append("battery")
        if self._has_panel:
            keys.append("panel")
        if self._has_shunt:
            keys.append("current")
        keys += [f"soil{channel}" for channel in self._soil_channels]
        keys += [f"flow{channel}" for channel in range(fitted["flow"])]
        if self._has_rain:
            keys.append("rain")
        keys += [f"wet{channel}" for channel in range(fitted["float_switch"])]
        # Which words there are is settled at boot: one format fills them all in.
        self._form = "".join([f" {key}=%s" for key in keys])

    def collected(self, now: int) -> bool:
        """Ask for the bursts still missing; True when all are there or have been waited for long enough."""
        bursts = self._bursts
        for channel in self._echo_channels:
            if bursts[channel] is None:
                bursts[channel] = self._hardware.echo_burst_us(channel, ECHO_COUNT)
        if None not in bursts:
            return True
        if self._asked_ms < 0:
            self._asked_ms = now
        return now - self._asked_ms >= ECHO_PATIENCE_MS

    def words(self) -> str:
        """The measured words of a report, each with a leading blank; the collected bursts are used up."""
        hardware = self._hardware
        values: list[int | str | None] = []
        bursts = self._bursts
        for channel in self._echo_channels:
            burst = bursts[channel]
            if burst and len(burst) == ECHO_COUNT:
                values.append(_BURST_FORM % tuple(burst))
            else:
                values.append(",".join(map(str, burst)) if burst else None)
            bursts[channel] = None
        self._asked_ms = -1
        for channel in self._temperature_channels:
            values.append(hardware.temperature_centi_c(channel))
        values.append(hardware.battery_mv())
        if self._has_panel:
            values.append(hardware.panel_mv())
        if self._has_shunt:
            values.append(hardware.current_ma())
        for channel in self._soil_channels:
            values.append(hardware.soil_mv(channel))
        for channel in self._flow_channels:
            values.append(hardware.flow_pulses(channel))
        if self._has_rain:
            values.append(hardware.rain_tips())
        for channel in self._float_channels:
            values.append(1 if hardware.float_wet(channel) else 0)
        if None in values:
            values = [BAD if value is None else value for value in values]
        return self._form % tuple(values)
