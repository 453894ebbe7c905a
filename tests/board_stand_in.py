"""Hardware in virtual time for the tests of the board: every input can be set, every output is recorded."""

from __future__ import annotations

from firmware_host.board.hardware import Hardware
from firmware_host.board.logic import Board
from firmware_host.wire import encode, parse

FITTED = {
    "echo": 1,
    "temperature": 1,
    "flow": 1,
    "float_switch": 1,
    "pump": 1,
    "valve": 3,
    "rain": 1,
    "shunt": 1,
    "panel": 1,
}


class FakeHardware(Hardware):
    """A pump that moves 10 pulses a second while it runs, a healthy battery, a wet float switch."""

    def __init__(self, fitted: dict[str, int] | None = None, boot: str = "0000b001") -> None:
        self.parts = dict(FITTED if fitted is None else fitted)
        self.boot = boot
        self.now_ms = 0
        self.battery: int | None = 12_800
        self.wet = True
        self.pulses_per_s = 10
        self.burst: list[int] | None = [5400, 5401, 0, 5402, 5399]
        self.temperature: int | None = 1534
        self.pumps: set[int] = set()
        self.valves: set[int] = set()
        self.stuck_pump: bool | None = None
        self.stuck_valves: set[int] = set()
        self.history: list[tuple[int, str, int, bool]] = []
        self.inbox = b""
        self.outbox = b""
        self.feeds = 0
        self._millipulses = 0

    def advance_to(self, now_ms: int) -> None:
        if self.pumps:
            self._millipulses += (now_ms - self.now_ms) * self.pulses_per_s
        self.now_ms = now_ms

    def fitted(self) -> dict[str, int]:
        return self.parts

    def board_id(self) -> str:
        return "e6614c311b"

    def boot_id(self) -> str:
        return self.boot

    def reset_cause(self) -> str:
        return "power"

    def uptime_ms(self) -> int:
        return self.now_ms

    def echo_burst_us(self, channel: int, count: int) -> list[int] | None:  # noqa: ARG002
        return None if self.burst is None else list(self.burst[:count])

    def temperature_centi_c(self, channel: int) -> int | None:  # noqa: ARG002
        return self.temperature

    def battery_mv(self) -> int | None:
        return self.battery

    def panel_mv(self) -> int | None:
        return 18_200

    def current_ma(self) -> int | None:
        return -350

    def flow_pulses(self, channel: int) -> int:  # noqa: ARG002
        return self._millipulses // 1000

    def rain_tips(self) -> int:
        return 12

    def float_wet(self, channel: int) -> bool:  # noqa: ARG002
        return self.wet

    def set_pump(self, output: int, on: bool) -> None:
        self.history.append((self.now_ms, "pump", output, on))
        (self.pumps.add if on else self.pumps.discard)(output)

    def set_valve(self, output: int, is_open: bool) -> None:
        self.history.append((self.now_ms, "valve", output, is_open))
        (self.valves.add if is_open else self.valves.discard)(output)

    def pump_on(self, output: int) -> bool:
        return output in self.pumps if self.stuck_pump is None else self.stuck_pump

    def valve_open(self, output: int) -> bool:
        return output in self.valves or output in self.stuck_valves

    def read(self) -> bytes:
        data, self.inbox = self.inbox, b""
        return data

    def write(self, data: bytes) -> None:
        self.outbox += data

    def lifetime(self) -> tuple[int, str, list[int], int] | None:
        return 57, "watchdog", [310_000 + self.flow_pulses(n) for n in range(self.parts["flow"])], 4812

    def feed_watchdog(self) -> None:
        self.feeds += 1


Fields = dict[str, str]


class BoardRig:
    """A board in virtual time with a host that says what the test tells it."""

    def __init__(
        self,
        settings: dict[str, int | list[int]] | None = None,
        fitted: dict[str, int] | None = None,
        hardware_class: type[FakeHardware] = FakeHardware,
    ) -> None:
        self.hw = hardware_class(fitted)
        self.board = Board(self.hw, settings)
        self.seq = 0
        self.lines: list[tuple[str, int, Fields]] = []
        self.next_ms = self.board.tick()
        self.collect()

    def collect(self) -> list[tuple[str, int, Fields]]:
        """The lines the board has written since the last call, each checked for a readable form."""
        fresh = []
        for line in self.hw.outbox.splitlines():
            if line:
                message = parse(line[:-9].decode())
                assert message is not None, line
                fresh.append(message)
        self.hw.outbox = b""
        self.lines += fresh
        return fresh

    def command(self, kind: str, **fields: str | int) -> bytes:
        """A line addressed to this boot, written now, with the next sequence number."""
        self.seq += 1
        return encode(kind, self.seq, {"boot": self.hw.boot, "at": self.hw.now_ms, **fields})

    def set_line(self, pumps: str | int, valves: str | int, **fields: str | int) -> bytes:
        return self.command("set", **{"pumps": pumps, "valves": valves, "lease": 5000, "report": 1000, **fields})

    def send(self, line: bytes) -> list[tuple[str, int, Fields]]:
        self.hw.inbox += line
        self.next_ms = self.board.tick()
        return self.collect()

    def set(self, pumps: str | int, valves: str | int, **fields: str | int) -> list[tuple[str, int, Fields]]:
        return self.send(self.set_line(pumps, valves, **fields))

    def run(self, duration_ms: int, step_ms: int = 20) -> None:
        """Let time pass without a word from the host."""
        end = self.hw.now_ms + duration_ms
        while self.hw.now_ms < end:
            self.hw.advance_to(min(self.hw.now_ms + step_ms, end))
            self.next_ms = self.board.tick()
        self.collect()

    def hold(self, pumps: int, valves: int, duration_ms: int, step_ms: int = 20) -> None:
        """Let time pass while the host renews each second."""
        end = self.hw.now_ms + duration_ms
        while self.hw.now_ms < end:
            self.set(pumps, valves)
            self.run(min(1000, end - self.hw.now_ms), step_ms)

    def start(self) -> None:
        """Pump 0 runs into valve 0."""
        self.set(1, 1)
        self.hold(1, 1, 2100)
        assert self.hw.pumps == {0}

    @property
    def safe(self) -> bool:
        return not self.hw.pumps and not self.hw.valves

    def last(self, kind: str) -> Fields:
        return next(fields for line_kind, _, fields in reversed(self.lines) if line_kind == kind)

    def faults(self) -> str:
        return self.last("report").get("faults", "")

    def time_to_safe_ms(self, limit_ms: int = 60_000, renew: bool = True) -> int:
        """Milliseconds until all is shut, the host renewing pump 0 and valve 0 all the while if told to."""
        began = self.hw.now_ms
        next_renewal = began
        while not self.safe:
            assert self.hw.now_ms - began < limit_ms, "never became safe"
            if renew and self.hw.now_ms >= next_renewal:
                self.set(1, 1)
                next_renewal += 1000
            else:
                self.run(20)
        return self.hw.now_ms - began
