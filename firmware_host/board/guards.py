"""The board's own checks: each looks at one hazard and raises the fault that shuts the outputs.

They need no host and cannot be switched off. Written for MicroPython and CPython alike; uptimes in milliseconds.
"""

from firmware_host.board import faults as ids
from firmware_host.board.faults import Faults, Persistence
from firmware_host.board.hardware import Hardware
from firmware_host.board.limits import (
    DRY_MS,
    FLOW_AT_REST_MS,
    FLOW_AT_REST_WINDOW_MS,
    LAPSE_LEAD_MS,
    MISMATCH_MS,
    REST_AFTER_TOO_LONG_MS,
    SUPPLY_FLOOR_MS,
    SUPPLY_LOW_MS,
    SUPPLY_READABLE_MS,
    SUPPLY_RECOVER_MS,
    SUPPLY_RECOVER_MV,
    WET_AGAIN_MS,
    Limits,
)
from firmware_host.board.outputs import NEVER, Outputs

NOT_WIRED = -1
LOOK_MS = 600_000
"""At rest the limits are summed up this often only; before and while anything is driven at every check."""


class Guards:
    """flow_of_pump[n], float_of_pump[n]: the meter and the float switch on pump n, NOT_WIRED when it has none."""

    def __init__(
        self,
        hardware: Hardware,
        limits: Limits,
        outputs: Outputs,
        faults: Faults,
        flow_of_pump: list[int],
        float_of_pump: list[int],
    ):
        self._hardware = hardware
        self._limits = limits
        self._outputs = outputs
        self._faults = faults
        self._flow_of_pump = flow_of_pump
        self._float_of_pump = float_of_pump
        self.next_ms = NEVER
        self.pumps_read = 0
        self.valves_read = 0
        self._mismatch = Persistence()
        self._low = Persistence()
        self._floor = Persistence()
        self._recovered = Persistence()
        self._readable = Persistence()
        self._wet = Persistence()
        self._shut = Persistence()
        self._dry = [Persistence() for _ in flow_of_pump]
        self._watched_run_ms = [-1] * len(flow_of_pump)
        self._flow_since_ms = [0] * len(flow_of_pump)
        self._flow_pulses = [0] * len(flow_of_pump)
        self._flowing = [False] * len(flow_of_pump)
        self._metered = [(pump, channel) for pump, channel in enumerate(flow_of_pump) if channel != NOT_WIRED]
        self._calm = False
        self._look_ms = 0
        self._resting = False
        self._rest_pulses = [0] * len(flow_of_pump)
        self._rest_window_ms = [0] * len(flow_of_pump)
        self._rest_flow_ms = [-1] * len(flow_of_pump)

    def check(self, now: int) -> None:
        """Run every check that applies now. `next_ms` is when the next one must run at the latest."""
        self.next_ms = NEVER
        if self._calm and now < self._look_ms and self._outputs.at_rest and self._still_calm():
            return
        outputs = self._outputs
        self.read_back(now)
        if not (self._hardware.healthy() and outputs.intact and self._limits.intact()):
            self._faults.raise_(ids.SELF_TEST)
        if outputs.valves:
            self._valves_open_too_long(now)
        if outputs.valves or outputs.pumps:
            self._resting = False
        else:
            self._at_rest(now)
        if outputs.pumps:
            self._supply(now)
            for pump in range(outputs.pump_count):
                if outputs.pumps & (1 << pump):
                    self._pump_running(pump, now)
        elif self._low.since >= 0 or self._floor.since >= 0:
            self._low.since = -1
            self._floor.since = -1
        if self._faults.standing:
            self._clear_what_is_over(now)
        self._calm = self._resting and self.next_ms == NEVER
        self._look_ms = now + LOOK_MS

    def _still_calm(self) -> bool:
        """At rest, and no condition was being timed: whether all that could change that is as it was."""
        hardware = self._hardware
        outputs = self._outputs
        still = not self._faults.standing and hardware.healthy()
        if not still or hardware.outputs_on(outputs.pump_count, outputs.valve_count):
            return False
        for pump, channel in self._metered:
            still = still and hardware.flow_pulses(channel) == self._rest_pulses[pump]
        return still

    def refusal(self, pumps: int) -> str:
        """Why these pumps may not start now although no fault stands: a fault id, or empty when they may."""
        if not pumps & ~self._outputs.pumps:
            return ""
        battery_mv = self._hardware.battery_mv()
        if battery_mv is None:
            return ids.SUPPLY_UNKNOWN
        if battery_mv < self._limits.start_mv():
            return ids.SUPPLY_LOW
        for pump in range(self._outputs.pump_count):
            channel = self._float_of_pump[pump]
            if pumps & (1 << pump) and channel != NOT_WIRED and not self._hardware.float_wet(channel):
                return ids.DRY
        return ""

    def still_present(self, fault: str) -> bool:
        """Whether the cause of a standing fault can be seen now, so that clearing it would be pointless."""
        if fault == ids.MISMATCH:
            return self.pumps_read != self._outputs.pumps or self.valves_read != self._outputs.valves
        if fault == ids.SUPPLY_LOW:
            battery_mv = self._hardware.battery_mv()
            return battery_mv is None or battery_mv < self._limits.start_mv()
        if fault == ids.SUPPLY_UNKNOWN:
            return self._hardware.battery_mv() is None
        if fault == ids.DRY:
            return not self._all_wet()
        if fault == ids.FLOW_AT_REST:
            return any(since >= 0 for since in self._rest_flow_ms)
        if fault == ids.SELF_TEST:
            return not (self._hardware.healthy() and self._outputs.intact and self._limits.intact())
        return fault == ids.SETTINGS_BAD

    def _later(self, when: int) -> None:
        if when < self.next_ms:
            self.next_ms = when

    def read_back(self, now: int) -> None:
        """Read what the pins really do; one that disagrees with what is driven for a second shuts everything."""
        outputs = self._outputs
        hardware = self._hardware
        pump_count = outputs.pump_count
        pins = hardware.outputs_on(pump_count, outputs.valve_count)
        valves = pins >> pump_count
        pumps = pins ^ (valves << pump_count)
        self.pumps_read = pumps
        self.valves_read = valves
        if pumps == outputs.pumps and valves == outputs.valves:
            self._mismatch.since = -1
        elif self._mismatch.update(True, now) >= MISMATCH_MS:
            if not self._faults.stand(ids.MISMATCH):
                outputs.drive_shut()
            self._faults.raise_(ids.MISMATCH)
        else:
            self._later(self._mismatch.since + MISMATCH_MS)

    def _valves_open_too_long(self, now: int) -> None:
        outputs = self._outputs
        longest = self._limits.open_max_ms - LAPSE_LEAD_MS - outputs.closing_lead_ms()
        end = outputs.first_open_ms + longest
        if now >= end:
            self._faults.raise_(ids.VALVE_TOO_LONG)
        else:
            self._later(end)

    def _supply(self, now: int) -> None:
        battery_mv = self._hardware.battery_mv()
        low = battery_mv is None or battery_mv < self._limits.low_mv
        # The two are independent: the floor may have been set above the limit.
        below_floor = battery_mv is not None and battery_mv < self._limits.floor_mv
        if not low and not below_floor:
            self._low.since = -1
            self._floor.since = -1
            return
        if self._low.update(low, now) >= SUPPLY_LOW_MS:
            self._faults.raise_(ids.SUPPLY_UNKNOWN if battery_mv is None else ids.SUPPLY_LOW)
        elif low:
            self._later(self._low.since + SUPPLY_LOW_MS)
        if self._floor.update(below_floor, now) >= SUPPLY_FLOOR_MS:
            self._faults.raise_(ids.SUPPLY_LOW)
        elif below_floor:
            self._later(self._floor.since + SUPPLY_FLOOR_MS)

    def _pump_running(self, pump: int, now: int) -> None:
        channel = self._flow_of_pump[pump]
        started = self._outputs.pump_on_ms[pump]
        self._suction_wet(pump, started, now)
        if channel == NOT_WIRED:
            end = started + self._limits.pump_blind_max_ms
        else:
            end = started + self._limits.pump_max_ms
            self._flow(pump, channel, started, now)
        if now >= end:
            self._faults.raise_(ids.PUMP_TOO_LONG)
        else:
            self._later(end)

    def _suction_wet(self, pump: int, started: int, now: int) -> None:
        channel = self._float_of_pump[pump]
        if channel == NOT_WIRED:
            return
        dry = self._dry[pump]
        if self._hardware.float_wet(channel):
            dry.since = -1
            return
        if dry.since < started:
            dry.since = -1
        if dry.update(True, now) >= DRY_MS:
            self._faults.raise_(ids.DRY)
        else:
            self._later(dry.since + DRY_MS)

    def _flow(self, pump: int, channel: int, started: int, now: int) -> None:
        pulses = self._hardware.flow_pulses(channel)
        if self._watched_run_ms[pump] != started:
            self._watched_run_ms[pump] = started
            self._flow_since_ms[pump] = started
            self._flow_pulses[pump] = pulses
            self._flowing[pump] = False
        elif pulses - self._flow_pulses[pump] >= self._limits.flow_min_pulses:
            self._flow_since_ms[pump] = now
            self._flow_pulses[pump] = pulses
            self._flowing[pump] = True
        patience = self._limits.flow_run_ms if self._flowing[pump] else self._limits.flow_start_ms
        end = self._flow_since_ms[pump] + patience
        if now >= end:
            self._faults.raise_(ids.NO_FLOW)
        else:
            self._later(end)

    def _at_rest(self, now: int) -> None:
        """Water that runs for a minute while everything is shut: a welded contact, or a valve that does not close."""
        for pump, channel in self._metered:
            pulses = self._hardware.flow_pulses(channel)
            if not self._resting:
                self._rest_flow_ms[pump] = -1
                self._rest_pulses[pump] = pulses
            elif self._rest_flow_ms[pump] >= 0:
                self._flowing_at_rest(pump, pulses, now)
            elif pulses > self._rest_pulses[pump]:
                self._rest_flow_ms[pump] = now
                self._rest_window_ms[pump] = now + FLOW_AT_REST_WINDOW_MS
                self._later(now + FLOW_AT_REST_WINDOW_MS)
                self._rest_pulses[pump] = pulses
        self._resting = True

    def _flowing_at_rest(self, pump: int, pulses: int, now: int) -> None:
        """Flow goes on for as long as each window has as many pulses as count as flow."""
        if now >= self._rest_window_ms[pump]:
            if pulses - self._rest_pulses[pump] < self._limits.flow_min_pulses:
                self._rest_flow_ms[pump] = -1
                self._rest_pulses[pump] = pulses
                return
            self._rest_pulses[pump] = pulses
            self._rest_window_ms[pump] = now + FLOW_AT_REST_WINDOW_MS
        self._later(self._rest_window_ms[pump])
        end = self._rest_flow_ms[pump] + FLOW_AT_REST_MS
        if now < end:
            self._later(end)
        elif not self._faults.stand(ids.FLOW_AT_REST):
            self._outputs.drive_shut()
            self._faults.raise_(ids.FLOW_AT_REST)

    def _all_wet(self) -> bool:
        return all(channel == NOT_WIRED or self._hardware.float_wet(channel) for channel in self._float_of_pump)

    def _clear_what_is_over(self, now: int) -> None:
        faults = self._faults
        if faults.stand(ids.SUPPLY_LOW) or faults.stand(ids.SUPPLY_UNKNOWN):
            battery_mv = self._hardware.battery_mv()
            recovered = battery_mv is not None and battery_mv >= self._limits.start_mv() + SUPPLY_RECOVER_MV
            self._end_when(ids.SUPPLY_LOW, self._recovered, recovered, SUPPLY_RECOVER_MS, now)
            self._end_when(ids.SUPPLY_UNKNOWN, self._readable, battery_mv is not None, SUPPLY_READABLE_MS, now)
        if faults.stand(ids.DRY):
            self._end_when(ids.DRY, self._wet, self._all_wet(), WET_AGAIN_MS, now)
        if faults.stand(ids.VALVE_TOO_LONG) or faults.stand(ids.PUMP_TOO_LONG):
            shut = not self._outputs.active()
            self._end_when(ids.VALVE_TOO_LONG, self._shut, shut, REST_AFTER_TOO_LONG_MS, now)
            self._end_when(ids.PUMP_TOO_LONG, self._shut, shut, REST_AFTER_TOO_LONG_MS, now)

    def _end_when(self, fault: str, over: Persistence, is_over: bool, long_enough_ms: int, now: int) -> None:
        if not self._faults.stand(fault):
            return
        if over.update(is_over, now) >= long_enough_ms:
            self._faults.clear(fault)
            over.since = -1
        elif over.since >= 0:
            self._later(over.since + long_enough_ms)
