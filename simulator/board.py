"""The board over the plant: pins, buffers and resets that the real board logic runs on, unchanged."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Protocol

from controller.site.model import Pump, Site
from firmware_host.board.console import READ_BYTES
from firmware_host.board.hardware import Hardware
from firmware_host.board.limits import SETTINGS
from firmware_host.board.logic import Board
from simulator.plant.plant import Plant
from simulator.plant.sensors import Sensors
from simulator.plant.weather import Weather

WATCHDOG_MS = 500
BROWNOUT_V, POWER_BACK_V = 9.5, 11.8
_BUFFER_BYTES = 16_384
_NEVER_MS = 1 << 62


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
        self._memory = (0, 0, 0)
        self._board_id = f"{self._rng.getrandbits(48):012x}"
        self._fitted = fitted_parts(plant.site, shunt)
        self._boots_ever = 0
        self._pulses_before = [0] * self._fitted["flow"]
        self._tips_before = 0
        self._cause = self._cause_before = "unknown"
        self._echo_channels = frozenset(t.sensor_channel for t in plant.site.tanks)
        self._flow_channels = frozenset(p.flow_meter.channel for p in plant.site.pumps if p.flow_meter)
        self._soil_channels = frozenset(z.soil_probe.channel for z in plant.site.zones if z.soil_probe)
        direct = ["temperature_centi_c", "battery_mv", "panel_mv", "current_ma", "rain_tips", "float_wet"]
        if len(self._flow_channels) == self._fitted["flow"]:
            direct.append("flow_pulses")
        if not ping_gap_ms and len(self._echo_channels) == self._fitted["echo"]:
            direct.append("echo_burst_us")
        for part in direct:
            # The sensor itself answers, without a call in between: all are read for every report of a season.
            setattr(self, part, getattr(self.sensors, part))
        self._boot("power")

    def _boot(self, cause: str) -> None:
        self._boots_ever += 1
        self._cause_before, self._cause = self._cause, cause
        self.boot_plant_ms = self.plant.now_ms
        """Plant time of the last boot: plant time = this + uptime."""
        self._boot_id = f"{self._rng.getrandbits(32):08x}"
        self.inbox = b""
        """What the host has sent and the board has not read yet: it takes little in one turn."""
        self._outbox = b""
        self._pumps_on = 0
        self._valves_open = 0
        self._burst_done_ms: dict[int, int] = {}
        for channel in range(self._fitted["flow"]):
            self._pulses_before[channel] += self.flow_pulses(channel)
        self._tips_before += self._tips()
        self.sensors.count_from_now()
        self.fed_ms = self.boot_plant_ms

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
        self._pumps_on = 0
        self._valves_open = 0
        self.inbox = self._outbox = b""

    def host_write(self, data: bytes) -> None:
        """Bytes the host sends; what does not fit the receive buffer is lost, as on a cable."""
        if self.powered:
            self.inbox += data[: _BUFFER_BYTES - len(self.inbox)]

    def host_read(self) -> bytes:
        """Bytes the board has sent since the last call."""
        data = self._outbox
        self._outbox = b""
        return data

    @property
    def is_driving(self) -> bool:
        """Whether any output is on."""
        return bool(self._pumps_on or self._valves_open)

    def output_masks(self) -> tuple[int, int]:
        """Pump pins and valve pins that are on, as bit masks."""
        return self._pumps_on, self._valves_open

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
        return self.plant.now_ms - self.boot_plant_ms

    def echo_burst_us(self, channel: int, count: int) -> list[int] | None:
        if channel not in self._echo_channels:
            return [0] * count
        if not self._ping_gap_ms:
            return self.sensors.echo_burst_us(channel, count)
        now = self.plant.now_ms
        done_ms = self._burst_done_ms.setdefault(channel, now + count * self._ping_gap_ms)
        if now < done_ms:
            return None
        del self._burst_done_ms[channel]
        return self.sensors.echo_burst_us(channel, count)

    def soil_mv(self, channel: int) -> int | None:
        return self.sensors.soil_mv(channel) if channel in self._soil_channels else None

    def flow_pulses(self, channel: int) -> int:
        return self.sensors.flow_pulses(channel) if channel in self._flow_channels else 0

    # The board numbers its outputs without gaps; a number the site does not use is a pin with nothing on it.

    def set_pump(self, output: int, on: bool) -> None:
        self._pumps_on = self._pumps_on | 1 << output if on else self._pumps_on & ~(1 << output)
        if output in self.plant.pumps:
            self.plant.set_pump(output, on)

    def set_valve(self, output: int, is_open: bool) -> None:
        self._valves_open = self._valves_open | 1 << output if is_open else self._valves_open & ~(1 << output)
        if output in self.plant.valves:
            self.plant.set_valve(output, is_open)

    def pump_on(self, output: int) -> bool:
        return bool(self._pumps_on >> output & 1)

    def valve_open(self, output: int) -> bool:
        return bool(self._valves_open >> output & 1)

    def pumps_on(self, count: int) -> int:
        return self._pumps_on & ((1 << count) - 1)

    def valves_open(self, count: int) -> int:
        return self._valves_open & ((1 << count) - 1)

    def outputs_on(self, pump_count: int, valve_count: int) -> int:
        if not self.is_driving:
            return 0
        return self.pumps_on(pump_count) | self.valves_open(valve_count) << pump_count

    def read(self) -> bytes:
        data = self.inbox
        if data:
            self.inbox = data[READ_BYTES:]
            data = data[:READ_BYTES]
        return data

    def write(self, data: bytes) -> None:
        # Whole lines are few and short: to put bytes together costs less than to keep a bytearray.
        if len(self._outbox) + len(data) <= _BUFFER_BYTES:
            self._outbox += data

    def remembered(self) -> tuple[int, int, int]:
        return self._memory

    def remember(self, boots: int, lock_outs: int, locked: int) -> None:
        self._memory = (boots, lock_outs, locked)

    def lifetime(self) -> tuple[int, str, list[int], int] | None:
        pulses = [self._pulses_before[n] + self.flow_pulses(n) for n in range(self._fitted["flow"])]
        return self._boots_ever, self._cause_before, pulses, self._tips_before + self._tips()

    def _tips(self) -> int:
        return self.sensors.rain_tips() if self._fitted["rain"] else 0

    def feed_watchdog(self) -> None:
        self.fed_ms = self.plant.now_ms


def fitted_parts(site: Site, shunt: bool) -> dict[str, int]:
    """Counts as the board is told them: channels and outputs are numbered from 0 without gaps."""
    floats = [t.float_switch_channel for t in site.tanks if t.float_switch_channel is not None]
    meters = [p.flow_meter.channel for p in site.pumps if p.flow_meter]
    probes = [z.soil_probe.channel for z in site.zones if z.soil_probe]
    fitted = {
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
    if probes:
        fitted["soil"] = 1 + max(probes)
    return fitted


def board_settings(site: Site) -> dict[str, int | list[int]]:
    """The wiring and limits the owner of a site puts into the board, within what the board allows."""
    pumps = {pump.output: pump for pump in site.pumps}
    count = 1 + max(pumps, default=-1)
    opening_ms = max((round(1000.0 * zone.valve.opening_s) for zone in site.zones), default=0)
    wanted = {
        "opening_ms": opening_ms,
        "low_mv": round(1000.0 * site.battery.disconnect_v),
        "floor_mv": round(1000.0 * site.battery.floor_v),
    }
    settings: dict[str, int | list[int]] = {
        name: min(max(wanted[name], least), most) for name, _, least, most in SETTINGS if name in wanted
    }
    settings["flow_of_pump"] = [_flow_channel(pumps.get(output)) for output in range(count)]
    settings["float_of_pump"] = [_float_channel(site, pumps.get(output)) for output in range(count)]
    settings["valves_of_pump"] = [_valve_mask(site, pumps.get(output)) for output in range(count)]
    return settings


def _flow_channel(pump: Pump | None) -> int:
    return -1 if pump is None or pump.flow_meter is None else pump.flow_meter.channel


def _float_channel(site: Site, pump: Pump | None) -> int:
    channel = None if pump is None else site.tank(pump.tank_id).float_switch_channel
    return -1 if channel is None else channel


def _valve_mask(site: Site, pump: Pump | None) -> int:
    if pump is None:
        return 0
    return sum(1 << zone.valve.output for zone in site.zones if zone.tank_id == pump.tank_id)


class TickedBoard(Protocol):
    """Whatever runs the board logic, see `firmware_host.board.logic.Board`."""

    def tick(self) -> int: ...


MakeBoard = Callable[[Hardware, dict[str, int | list[int]]], TickedBoard]
"""Boots the board logic: `Board` itself, or `simulator.interpreter.InterpretedBoard` on MicroPython."""


class VirtualBoard:
    """The real board logic over a plant, moved along in plant time.

    Bytes written by the host are heard at the next `run_until`. An empty battery takes the board down; it comes back,
    with reset cause `brownout`, once the panel has brought the voltage up.
    """

    def __init__(
        self,
        site: Site,
        weather: Weather,
        seed: int,
        start_wall_ms: int,
        *,
        fill: float = 0.6,
        shunt: bool = True,
        ping_gap_ms: int = 0,
        make_board: MakeBoard = Board,
    ) -> None:
        plant = Plant(site, weather, seed, start_wall_ms, fill)
        self._begin(PlantHardware(plant, seed, shunt=shunt, ping_gap_ms=ping_gap_ms), make_board)

    @classmethod
    def over(cls, hardware: PlantHardware, make_board: MakeBoard = Board) -> VirtualBoard:
        """A board that starts now over hardware, and a plant, that have been running."""
        board = cls.__new__(cls)
        hardware.reboot("power")
        board._begin(hardware, make_board)
        return board

    def _begin(self, hardware: PlantHardware, make_board: MakeBoard) -> None:
        self.plant, self.hardware = hardware.plant, hardware
        self._make_board = make_board
        self._settings = board_settings(hardware.plant.site)
        self._hung_until_ms = _NEVER_MS
        self._browned_out = False
        self._due_ms = self.plant.now_ms
        self.board: TickedBoard = make_board(self.hardware, self._settings)

    @property
    def now_ms(self) -> int:
        """Plant time."""
        return self.plant.now_ms

    @property
    def due_ms(self) -> int:
        """Plant time at which the board has something to do again at the latest; far off while it has no power."""
        return self._due_ms

    def run_until(self, to_ms: int) -> None:
        """Let plant and board run until `to_ms`, the board at each instant it asked for."""
        plant = self.plant
        while self._due_ms <= to_ms:
            plant.advance(max(self._due_ms, plant.now_ms))
            self._step()
        plant.advance(to_ms)

    def _step(self) -> None:
        hardware = self.hardware
        if self._browned_out:
            self._await_power()
        elif self.plant.bank.is_empty and self.plant.supply_v() < BROWNOUT_V:
            self._browned_out = True
            hardware.cut_power()
            self._await_power()
        elif self.now_ms >= self._hung_until_ms:
            self.reboot("watchdog")
        else:
            due_ms = self.board.tick()
            while hardware.inbox:
                due_ms = self.board.tick()
            self._due_ms = hardware.boot_plant_ms + due_ms

    def _await_power(self) -> None:
        if self.plant.supply_v() >= POWER_BACK_V:
            self.reboot("brownout")
        else:
            self._due_ms = self.now_ms + 60_000

    def host_write(self, data: bytes) -> None:
        """Bytes from the host, now."""
        self.hardware.host_write(data)
        if self.hardware.powered and self._hung_until_ms == _NEVER_MS:
            self._due_ms = self.now_ms

    def host_read(self) -> bytes:
        """Bytes the board has sent since the last call."""
        return self.hardware.host_read()

    def reboot(self, cause: str = "soft") -> None:
        """Reset the board now, or give it power again."""
        self.hardware.reboot(cause)
        self._hung_until_ms = _NEVER_MS
        self._browned_out = False
        self.board = self._make_board(self.hardware, self._settings)
        self._due_ms = self.now_ms

    def power_cut(self) -> None:
        """Take the board's supply away until `power_restore`."""
        self.hardware.cut_power()
        self._hung_until_ms = self._due_ms = _NEVER_MS

    def power_restore(self) -> None:
        """Give the board its supply again."""
        self.reboot("power")

    def hang(self) -> None:
        """The board's program stops where it is; its watchdog resets it half a second later."""
        self._hung_until_ms = self._due_ms = self.now_ms + WATCHDOG_MS
