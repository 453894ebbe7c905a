"""The board over the plant: pins, buffers and resets that the real board logic runs on, unchanged."""

from __future__ import annotations

from random import Random

from controller.site.model import Site
from firmware_host.board.hardware import Hardware
from simulator.plant.plant import Plant
from simulator.plant.sensors import Sensors

_BUFFER_BYTES = 16_384


class PlantHardware(Hardware):
    """`Hardware` whose pins move a plant and whose sensors read it.

    `shunt` says whether a current shunt is fitted; `ping_gap_ms` is how long each ping of a burst takes (0: no wait).
    """

    def __init__(self, plant: Plant, seed: int, *, shunt: bool = True, ping_gap_ms: int = 0) -> None:
        self.plant = plant
        self.sensors = Sensors(plant, seed)
        self.powered = True
        self.fed_ms = plant.now_ms
        self._rng = Random(f"{seed} board")
        self._ping_gap_ms = ping_gap_ms
        self._board_id = f"{self._rng.getrandbits(48):012x}"
        self._fitted = fitted_parts(plant.site, shunt)
        self._pump_outputs = tuple(plant.pumps)
        self._valve_outputs = tuple(plant.valves)
        self._flow_channels = tuple(p.flow_meter.channel for p in plant.site.pumps if p.flow_meter)
        self._boot("power")

    def _boot(self, cause: str) -> None:
        self._cause = cause
        self._boot_ms = self.plant.now_ms
        self._boot_id = f"{self._rng.getrandbits(32):08x}"
        self._inbox = bytearray()
        self._outbox = bytearray()
        self._pumps_on: set[int] = set()
        self._valves_open: set[int] = set()
        self._burst_done_ms: dict[int, int] = {}
        self._pulses_at_boot = {c: self.sensors.flow_pulses(c) for c in self._flow_channels}
        self._tips_at_boot = self.sensors.rain_tips()
        self.fed_ms = self._boot_ms

    # --- from outside -------------------------------------------------------------------------------------------------

    def reboot(self, cause: str) -> None:
        """Reset: pins fall to rest, counters and buffers start afresh, a new boot id is drawn."""
        self.plant.lose_power()
        self.powered = True
        self._boot(cause)

    def cut_power(self) -> None:
        """Supply gone; the board does nothing until `reboot`."""
        self.plant.lose_power()
        self.powered = False
        self._pumps_on.clear()
        self._valves_open.clear()
        self._inbox.clear()
        self._outbox.clear()

    def host_write(self, data: bytes) -> None:
        """Bytes the host sends; what does not fit the receive buffer is lost, as on a cable."""
        if self.powered:
            self._inbox += data[: _BUFFER_BYTES - len(self._inbox)]

    def host_read(self) -> bytes:
        """Bytes the board has sent since the last call."""
        data = bytes(self._outbox)
        self._outbox.clear()
        return data

    @property
    def boot_plant_ms(self) -> int:
        """Plant time of the last boot: plant time = this + uptime."""
        return self._boot_ms

    # --- the board's view ---------------------------------------------------------------------------------------------

    def fitted(self) -> dict[str, int]:
        return self._fitted

    def board_id(self) -> str:
        return self._board_id

    def boot_id(self) -> str:
        return self._boot_id

    def reset_cause(self) -> str:
        return self._cause

    def uptime_ms(self) -> int:
        return self.plant.now_ms - self._boot_ms

    def echo_burst_us(self, channel: int, count: int) -> list[int] | None:
        if not self._ping_gap_ms:
            return self.sensors.echo_burst_us(channel, count)
        now = self.plant.now_ms
        done_ms = self._burst_done_ms.setdefault(channel, now + count * self._ping_gap_ms)
        if now < done_ms:
            return None
        del self._burst_done_ms[channel]
        return self.sensors.echo_burst_us(channel, count)

    def temperature_centi_c(self, channel: int) -> int | None:
        return self.sensors.temperature_centi_c(channel)

    def battery_mv(self) -> int | None:
        return self.sensors.battery_mv()

    def panel_mv(self) -> int | None:
        return self.sensors.panel_mv()

    def current_ma(self) -> int | None:
        return self.sensors.current_ma()

    def flow_pulses(self, channel: int) -> int:
        return self.sensors.flow_pulses(channel) - self._pulses_at_boot[channel]

    def rain_tips(self) -> int:
        return self.sensors.rain_tips() - self._tips_at_boot

    def float_wet(self, channel: int) -> bool:
        return self.sensors.float_wet(channel)

    def set_pump(self, output: int, on: bool) -> None:
        self._pumps_on.add(output) if on else self._pumps_on.discard(output)
        self.plant.set_pump(output, on)

    def set_valve(self, output: int, is_open: bool) -> None:
        self._valves_open.add(output) if is_open else self._valves_open.discard(output)
        self.plant.set_valve(output, is_open)

    def pump_on(self, output: int) -> bool:
        return output in self._pumps_on

    def valve_open(self, output: int) -> bool:
        return output in self._valves_open

    def read(self) -> bytes:
        if not self._inbox:
            return b""
        data = bytes(self._inbox)
        self._inbox.clear()
        return data

    def write(self, data: bytes) -> None:
        if len(self._outbox) + len(data) <= _BUFFER_BYTES:
            self._outbox += data

    def feed_watchdog(self) -> None:
        self.fed_ms = self.plant.now_ms


def fitted_parts(site: Site, shunt: bool) -> dict[str, int]:
    """Counts as the board is told them: channels and outputs are numbered from 0 without gaps."""
    floats = [t.float_switch_channel for t in site.tanks if t.float_switch_channel is not None]
    meters = [p.flow_meter.channel for p in site.pumps if p.flow_meter]
    return {
        "echo": 1 + max(t.sensor_channel for t in site.tanks),
        "temperature": 1,
        "flow": 1 + max(meters, default=-1),
        "float_switch": 1 + max(floats, default=-1),
        "pump": 1 + max((p.output for p in site.pumps), default=-1),
        "valve": 1 + max((z.valve.output for z in site.zones), default=-1),
        "rain": int(site.rain_gauge is not None),
        "shunt": int(shunt),
        "panel": int(site.panel is not None),
    }
