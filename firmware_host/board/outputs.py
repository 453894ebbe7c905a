"""Drives pumps and valves in the one safe order, and only for as long as the lease lasts.

Opening: valves first, the pump once a valve has been open for its opening time. Shutting: pump first, its valves one
second later. Written for MicroPython and CPython alike; uptimes in milliseconds, bit n of a mask is output n.
"""

from firmware_host.board.hardware import Hardware
from firmware_host.board.limits import LAPSE_LEAD_MS, PUMP_REST_MS, SETTLE_MS, SLACK_MS, Limits

NEVER = 1 << 60


class Outputs:
    """pumps, valves: what is driven now. want_pumps, want_valves: what the host asked for.

    at_rest: true while nothing is driven and nothing wanted.

    intact: false once the end of a lease, which is kept twice, was not the same in both places.

    valves_of_pump[n] is the mask of valves that pump n feeds.

    first_open_ms: since when the valve has been open that has been so for longest; only while one is.
    """

    def __init__(
        self, hardware: Hardware, pump_count: int, valve_count: int, limits: Limits, valves_of_pump: list[int]
    ):
        self._hardware = hardware
        self._limits = limits
        self.valves_of_pump = valves_of_pump
        self.pump_count = pump_count
        self.valve_count = valve_count
        self.pumps = 0
        self.valves = 0
        self.want_pumps = 0
        self.want_valves = 0
        self.at_rest = False
        self.lapsed = False
        self.lease_end_ms = 0
        self._lease_end_inverse = ~0
        self.intact = True
        self._closing_ms = hardware.closing_ms()
        self.next_ms = NEVER
        self.pump_on_ms = [0] * pump_count
        self._pump_off_ms = [-PUMP_REST_MS] * pump_count
        self.valve_open_ms = [0] * valve_count
        self.first_open_ms = 0
        self.drive_shut()

    def drive_shut(self) -> None:
        """Drive every output shut at once, pumps first, whatever is believed of it: at boot and after a mismatch."""
        for output in range(self.pump_count):
            self._hardware.set_pump(output, False)
        for output in range(self.valve_count):
            self._hardware.set_valve(output, False)
        self.pumps = 0
        self.valves = 0
        self.shut()

    def ask(self, pumps: int, valves: int, lease_end_ms: int) -> bool:
        """Take over what the host wants until `lease_end_ms`; True when that differs from before."""
        changed = pumps != self.want_pumps or valves != self.want_valves
        self.want_pumps = pumps
        self.want_valves = valves
        if pumps or valves:
            self.at_rest = False
        self.lease_end_ms = lease_end_ms
        self._lease_end_inverse = ~lease_end_ms
        return changed

    def shut(self) -> None:
        """Want nothing any more; `step` then shuts in order."""
        self.want_pumps = 0
        self.want_valves = 0

    def active(self) -> bool:
        return bool(self.pumps or self.valves or self.want_pumps or self.want_valves)

    def closing_lead_ms(self) -> int:
        """How much earlier the open valves must be told to close than they are to be shut."""
        return bin(self.valves).count("1") * self._closing_ms if self._closing_ms else 0

    def lease_left_ms(self, now: int) -> int:
        if not (self.want_pumps or self.want_valves):
            return 0
        return max(0, self.lease_end_ms - now)

    def step(self, now: int) -> bool:
        """Move every output that may move now; True when one did. `next_ms` is when the next may."""
        self.next_ms = NEVER
        if not self.active():
            self.at_rest = True
            return False
        pumps = self.pumps
        valves = self.valves
        self._end_lease(now)
        if pumps:
            self._stop_pumps(now)
        self._open_valves(now)
        if self.pumps != self.want_pumps or self.valves != self.want_valves:
            ready = self._ready_valves(now)
            self._close_valves(now, ready)
            self._start_pumps(now, ready)
        self.at_rest = not self.active()
        return pumps != self.pumps or valves != self.valves

    def _later(self, when: int) -> None:
        if when < self.next_ms:
            self.next_ms = when

    def _end_lease(self, now: int) -> None:
        if not (self.want_pumps or self.want_valves):
            return
        end = self.lease_end_ms
        if end != ~self._lease_end_inverse:
            self.intact = False
            self.shut()
            return
        if self._closing_ms:
            end -= self.closing_lead_ms()
        end -= LAPSE_LEAD_MS if self.pumps or self.want_pumps else SLACK_MS
        if now >= end:
            self.shut()
            self.lapsed = True
        else:
            self._later(end)

    def _stop_pumps(self, now: int) -> None:
        for output in range(self.pump_count):
            bit = 1 << output
            if not self.pumps & bit:
                continue
            if self.want_pumps & bit and self.want_valves & self.valves_of_pump[output]:
                continue
            self._hardware.set_pump(output, False)
            self.pumps &= ~bit
            self._pump_off_ms[output] = now

    def _open_valves(self, now: int) -> None:
        opening = self.want_valves & ~self.valves
        if not opening:
            return
        for output in range(self.valve_count):
            if opening & (1 << output):
                self._hardware.set_valve(output, True)
                self.valve_open_ms[output] = now + self._hardware.moving_ms()
        self.valves |= opening
        self._note_first_open()

    def _note_first_open(self) -> None:
        """Work out `first_open_ms` anew: here, because valves move seldom and are watched at every turn."""
        self.first_open_ms = NEVER
        for output in range(self.valve_count):
            if self.valves & (1 << output) and self.valve_open_ms[output] < self.first_open_ms:
                self.first_open_ms = self.valve_open_ms[output]

    def _ready_valves(self, now: int) -> int:
        """Mask of the wanted valves that have been open for their opening time."""
        ready = 0
        candidates = self.valves & self.want_valves
        for output in range(self.valve_count):
            bit = 1 << output
            if candidates & bit:
                since = self.valve_open_ms[output] + self._limits.opening_ms
                if now >= since:
                    ready |= bit
                else:
                    self._later(since)
        return ready

    def _close_valves(self, now: int, ready: int) -> None:
        closing = self.valves & ~self.want_valves
        if not closing:
            return
        for output in range(self.valve_count):
            bit = 1 << output
            if closing & bit and self._may_close(bit, ready, now):
                self._hardware.set_valve(output, False)
                self.valves &= ~bit
        self._note_first_open()

    def _may_close(self, valve_bit: int, ready: int, now: int) -> bool:
        may = True
        for pump in range(self.pump_count):
            fed = self.valves_of_pump[pump]
            if not fed & valve_bit:
                continue
            if self.pumps & (1 << pump):
                may = may and bool(ready & fed)
            elif now < self._pump_off_ms[pump] + SETTLE_MS:
                self._later(self._pump_off_ms[pump] + SETTLE_MS)
                may = False
        return may

    def _start_pumps(self, now: int, ready: int) -> None:
        starting = self.want_pumps & ~self.pumps
        if not starting:
            return
        for output in range(self.pump_count):
            bit = 1 << output
            if not (starting & bit and ready & self.valves_of_pump[output]):
                continue
            rested = self._pump_off_ms[output] + PUMP_REST_MS
            if now < rested:
                self._later(rested)
                continue
            self._hardware.set_pump(output, True)
            self.pumps |= bit
            self.pump_on_ms[output] = now
