"""The board: listens, measures, guards, drives. One `tick` does everything that is due.

Written for MicroPython and CPython alike. On a real board call `tick` every 10 to 20 ms; in virtual time call it when
bytes arrive and at the uptime it returned.
"""

from firmware_host.board import faults as ids
from firmware_host.board.conversation import BAD_FIELD, Conversation
from firmware_host.board.faults import DELIBERATE, SELF_CLEARING, Faults
from firmware_host.board.guards import NOT_WIRED, Guards
from firmware_host.board.hardware import Hardware
from firmware_host.board.limits import (
    LEASE_MAX_MS,
    REPORT_DEFAULT_MS,
    REPORT_MAX_MS,
    REPORT_MIN_MS,
    SETTINGS,
    Limits,
    allowed,
)
from firmware_host.board.outputs import Outputs
from firmware_host.board.reboots import Reboots
from firmware_host.board.sampling import Sampler
from firmware_host.wire import number

IDLE_WAKE_MS = 60_000
BURST_WAKE_MS = 20
POLL_DEFAULT_MS = 1000
NOT_LATCHED = "not-latched"
STILL_PRESENT = "still-present"
NOT_SHUT = "not-shut"

_SET_FIELDS = ("boot", "at", "pumps", "valves", "lease", "report")
_WIRING = ("flow_of_pump", "float_of_pump", "valves_of_pump")


class Board:
    """settings, all optional:

    any name of limits.SETTINGS   a stricter limit
    flow_of_pump, float_of_pump   list, one entry per pump: channel of its flow meter or float switch, -1 for none;
                                  left out: channel n belongs to pump n, as far as fitted
    valves_of_pump                list, one mask per pump of the valves it feeds; left out: all
    poll_ms                       longest pause between ticks while an output is on; left out: 1000
    A setting that is wrong keeps every output shut until it is put right (fault board-settings-bad).
    """

    def __init__(self, hardware: Hardware, settings: dict[str, int | list[int]] | None = None):
        fitted = hardware.fitted()
        pumps = fitted["pump"]
        self._hardware = hardware
        self._pump_mask = (1 << pumps) - 1
        self._valve_mask = (1 << fitted["valve"]) - 1
        self.faults = Faults()
        self.limits = Limits()
        self._poll_ms = POLL_DEFAULT_MS
        wiring = {
            "flow_of_pump": [pump if pump < fitted["flow"] else NOT_WIRED for pump in range(pumps)],
            "float_of_pump": [pump if pump < fitted["float_switch"] else NOT_WIRED for pump in range(pumps)],
            "valves_of_pump": [self._valve_mask] * pumps,
        }
        wrong = self._apply(settings, wiring, fitted) if settings else []
        if wrong or not hardware.declaration_good():
            self.faults.raise_(ids.SETTINGS_BAD)
        self.outputs = Outputs(hardware, pumps, fitted["valve"], self.limits, wiring["valves_of_pump"])
        self.guards = Guards(
            hardware, self.limits, self.outputs, self.faults, wiring["flow_of_pump"], wiring["float_of_pump"]
        )
        self.reboots = Reboots(hardware, self.faults)
        self.talk = Conversation(hardware, fitted, wrong)
        self._sampler = Sampler(hardware, fitted)
        self._report_every_ms = REPORT_DEFAULT_MS
        now = hardware.uptime_ms()
        self._report_due_ms = now
        self.talk.hello(now)

    def tick(self) -> int:
        """Do everything that is due; returns the uptime at which there is something to do again at the latest."""
        hardware = self._hardware
        now = hardware.uptime_ms()
        data = hardware.read()
        if data:
            for kind, seq, fields, age_ms in self.talk.hear(data, now):
                self._obey(kind, seq, fields, age_ms, now)
        outputs = self.outputs
        guards = self.guards
        faults = self.faults
        guards.check(now)
        if now >= self.reboots.next_ms:
            self.reboots.check(now)
        if faults.standing and faults.blocking():
            outputs.shut()
        if not outputs.at_rest and outputs.step(now):
            guards.read_back(now)
            self._report_due_ms = now
        if outputs.lapsed:
            outputs.lapsed = False
            faults.raise_(ids.LEASE_LAPSED)
        if faults.changed:
            faults.changed = False
            self._report_due_ms = now
        if now >= self._report_due_ms:
            self._report(now)
        hardware.feed_watchdog()
        due = now + (IDLE_WAKE_MS if outputs.at_rest else self._poll_ms)
        if self._report_due_ms < due:
            due = self._report_due_ms
        if outputs.next_ms < due:
            due = outputs.next_ms
        if self.reboots.next_ms < due:
            due = self.reboots.next_ms
        return guards.next_ms if guards.next_ms < due else due

    def _report(self, now: int) -> None:
        sampler = self._sampler
        if not sampler.collected(now):
            self._report_due_ms = now + BURST_WAKE_MS
            return
        self._report_due_ms = now + self._report_every_ms
        guards = self.guards
        talk = self.talk
        text = (
            f"{sampler.words()} pumps={guards.pumps_read} valves={guards.valves_read} ack={talk.accepted_seq}"
            f" lease={self.outputs.lease_left_ms(now)}"
        )
        if self.faults.standing:
            text += " faults=" + self.faults.text()
        talk.send("report", now, text)

    def _obey(self, kind: str, seq: int, fields: dict[str, str], age_ms: int, now: int) -> None:
        if kind == "set":
            self._set(seq, fields, age_ms, now)
        elif kind == "clear":
            self._clear(seq, fields.get("fault", ""), now)
        elif kind == "restart":
            self._restart(seq, number(fields.get("program", "")), now)
        else:
            self.talk.accept(seq)
            self._report_due_ms = now

    def _set(self, seq: int, fields: dict[str, str], age_ms: int, now: int) -> None:
        pumps = number(fields.get("pumps", ""))
        valves = number(fields.get("valves", ""))
        lease_ms = number(fields.get("lease", ""))
        every_ms = number(fields.get("report", ""))
        if (
            pumps is None
            or valves is None
            or lease_ms is None
            or every_ms is None
            or pumps & ~self._pump_mask
            or valves & ~self._valve_mask
            or not 0 <= lease_ms <= LEASE_MAX_MS
            or not REPORT_MIN_MS <= every_ms <= REPORT_MAX_MS
            or not self._limits_good(fields)
        ):
            self.outputs.shut()
            self.talk.refuse(seq, BAD_FIELD, now)
            return
        refusal = self._refusal(pumps, valves)
        if refusal:
            self.outputs.shut()
            self.talk.refuse(seq, refusal, now)
            return
        self.talk.accept(seq)
        changed = self.outputs.ask(pumps, valves, now + lease_ms - age_ms)
        if len(fields) > len(_SET_FIELDS):
            self._tighten(fields)
            changed = True
        if every_ms != self._report_every_ms:
            changed = True
            self._report_due_ms = min(self._report_due_ms, now + every_ms)
            self._report_every_ms = every_ms
        self.faults.clear(ids.LEASE_LAPSED)
        if changed or not (pumps or valves):
            # A renewal of what is on is answered by the next report; everything else must not wait for that.
            self.talk.answer(seq, now)

    def _refusal(self, pumps: int, valves: int) -> str:
        """Why these outputs are refused now; empty when they are not. Shutting is never refused."""
        if not (pumps or valves):
            return ""
        standing = self.faults.blocking()
        if standing:
            return standing
        for pump in range(self.outputs.pump_count):
            if pumps & (1 << pump) and not valves & self.outputs.valves_of_pump[pump]:
                return ids.NO_VALVE
        return self.guards.refusal(pumps)

    def _limits_good(self, fields: dict[str, str]) -> bool:
        """Whether every further field of a `set` is a limit that may be put in force."""
        if len(fields) == len(_SET_FIELDS):
            return True
        return all(name in _SET_FIELDS or allowed(name, number(fields[name])) for name in fields)

    def _tighten(self, fields: dict[str, str]) -> None:
        for name, _, _, _ in SETTINGS:
            if name in fields:
                self.limits.tighten(name, number(fields[name]))

    def _clear(self, seq: int, fault: str, now: int) -> None:
        if not (self.faults.stand(fault) and (fault in DELIBERATE or fault in SELF_CLEARING)):
            self.talk.refuse(seq, NOT_LATCHED, now)
        elif self.guards.still_present(fault):
            self.talk.refuse(seq, STILL_PRESENT, now)
        else:
            self.talk.accept(seq)
            self.faults.clear(fault)
            if fault in (ids.REBOOTS, ids.REBOOTS_LATCHED):
                self.reboots.cleared()
            self.talk.answer(seq, now)

    def _restart(self, seq: int, program: int | None, now: int) -> None:
        if program not in (0, 1):
            self.talk.refuse(seq, BAD_FIELD, now)
        elif self.outputs.active():
            self.talk.refuse(seq, NOT_SHUT, now)
        else:
            self.talk.accept(seq)
            self.talk.answer(seq, now)
            self._hardware.restart(program == 0)

    def _apply(
        self, settings: dict[str, int | list[int]], wiring: dict[str, list[int]], fitted: dict[str, int]
    ) -> list[str]:
        """Put every good setting in force; the names of the others."""
        wrong = []
        for name in settings:
            value = settings[name]
            if name in _WIRING:
                most = {"flow_of_pump": fitted["flow"] - 1, "float_of_pump": fitted["float_switch"] - 1}
                good = _put_wiring(wiring, name, value, most.get(name, self._valve_mask))
            elif not isinstance(value, int):
                good = False
            elif name == "poll_ms":
                good = 10 <= value <= 1000
                self._poll_ms = value if good else POLL_DEFAULT_MS
            else:
                good = self.limits.tighten(name, value)
            if not good:
                wrong.append(name)
        return wrong


def _put_wiring(wiring: dict[str, list[int]], name: str, value: int | list[int], most: int) -> bool:
    if not isinstance(value, (list, tuple)) or len(value) != len(wiring[name]):
        return False
    least = 0 if name == "valves_of_pump" else NOT_WIRED
    for entry in value:
        if not isinstance(entry, int) or not least <= entry <= most:
            return False
    wiring[name] = list(value)
    return True
