"""The two clocks of the service: one that never steps, and one that says what time it is and how far to trust it.

With trust "unknown" the wall time is a guess: what the machine says, or, when that is behind the journal, the journal's
end plus the time since. The core keeps plants alive on it; nothing is dated by it.

The monotonic clock handed to the core goes on across restarts of the service and of the machine: it starts where the
journal ended, plus the time away as far as wall time tells.
"""

from __future__ import annotations

import ctypes
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from controller.contract import ClockTrust, Now

EARLIEST_SANE_WALL_MS = int(datetime(2026, 1, 1, tzinfo=UTC).timestamp() * 1000)
"""This program did not exist before: an earlier wall clock is wrong."""
COASTING_LIMIT_MS = 30 * 86_400_000
TIMESYNC_FLAG = Path("/run/systemd/timesync/synchronized")
CLOCK_CHIP = Path("/dev/rtc0")
JITTER_MS = 100
STEP_MS = 2_000
_STA_UNSYNC = 0x0040
_TIME_ERROR = 5


def kernel_synchronised() -> bool:
    """Whether the kernel says that its clock is disciplined by a time source (adjtimex, read only)."""
    buffer = ctypes.create_string_buffer(512)
    try:
        state = ctypes.CDLL(None, use_errno=True).adjtimex(buffer)
    except (OSError, AttributeError):
        return TIMESYNC_FLAG.exists()
    # struct timex: modes (int), then longs: offset, freq, maxerror, esterror, then status (int).
    word = ctypes.sizeof(ctypes.c_long)
    status = ctypes.c_int.from_buffer(buffer, 5 * word).value
    return (state not in (-1, _TIME_ERROR) and not status & _STA_UNSYNC) or TIMESYNC_FLAG.exists()


def keeps_time_unpowered() -> bool:
    """Whether this machine has a clock chip; without one, the wall clock after a boot is a guess."""
    return CLOCK_CHIP.exists()


@dataclass(frozen=True, slots=True)
class Resumed:
    """Where the journal ended: the clocks go on from here. All 0 for a new journal.

    `kept_time` says that the wall clock ran through since then: same boot of the machine, or a clock chip.
    """

    mono_ms: int = 0
    wall_ms: int = 0
    kept_time: bool = False


class SystemClock:
    """Real time. `pace` 1.0; `now()` is cheap enough for every turn of the loop."""

    pace = 1.0

    def __init__(
        self,
        resumed: Resumed = Resumed(),
        synchronised: Callable[[], bool] = kernel_synchronised,
        mono_ns: Callable[[], int] = lambda: time.clock_gettime_ns(time.CLOCK_BOOTTIME),
        wall_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self._synchronised = synchronised
        self._mono_ns = mono_ns
        self._wall_ns = wall_ns
        self._resumed = resumed
        self._was_synchronised = False
        self._last_synchronised_mono_ms = 0
        self._checked_mono_ms = -(1 << 60)
        self._trust: ClockTrust = "unknown"
        self._newest_wall_ms = resumed.wall_ms
        self.steps = 0
        """How often the wall clock was found to have jumped against the monotonic one."""
        wall_ms = wall_ns() // 1_000_000
        known = self._judge(0, wall_ms) != "unknown"
        self.away_ms = max(0, wall_ms - resumed.wall_ms) if known and resumed.wall_ms else 0
        """How long the service was away as far as wall time tells; 0 when that is not known."""
        self._mono_base_ms = resumed.mono_ms + self.away_ms - mono_ns() // 1_000_000
        self._guessing = bool(resumed.wall_ms) and not self._plausible(wall_ms)
        """The machine's wall clock is behind the journal: time is taken to go on where the journal ended."""
        self._offset_ms = (resumed.wall_ms if self._guessing else wall_ms) - self._mono_ms()

    def now(self) -> Now:
        """Both clocks and the trust in the second."""
        mono_ms = self._mono_ms()
        wall_ms = mono_ms + self._offset_ms
        machine_ms = self._wall_ns() // 1_000_000
        if self._guessing and not self._plausible(machine_ms) and not self._synchronised():
            return Now(mono_ms, wall_ms, "unknown")
        self._guessing = False
        drift_ms = machine_ms - wall_ms
        if not -JITTER_MS <= drift_ms <= JITTER_MS:
            # Small differences are left alone, so that times derived from both clocks do not flicker.
            self._offset_ms += drift_ms
            wall_ms += drift_ms
            if not -STEP_MS <= drift_ms <= STEP_MS:
                self.steps += 1
                self._checked_mono_ms = -(1 << 60)
        if mono_ms - self._checked_mono_ms >= 1000:
            self._checked_mono_ms = mono_ms
            self._trust = self._judge(mono_ms, wall_ms)
        return Now(mono_ms, wall_ms, self._trust)

    def _mono_ms(self) -> int:
        return self._mono_base_ms + self._mono_ns() // 1_000_000

    def _plausible(self, wall_ms: int) -> bool:
        return wall_ms >= max(EARLIEST_SANE_WALL_MS, self._newest_wall_ms - STEP_MS)

    def _judge(self, mono_ms: int, wall_ms: int) -> ClockTrust:
        if self._synchronised():
            # A time source wins over what the journal remembers: the journal may have been written by a wrong clock.
            if wall_ms < EARLIEST_SANE_WALL_MS:
                return "unknown"
            self._was_synchronised = True
            self._last_synchronised_mono_ms = mono_ms
            self._newest_wall_ms = wall_ms
            return "synchronised"
        if not self._plausible(wall_ms):
            return "unknown"
        if self._was_synchronised and mono_ms - self._last_synchronised_mono_ms > COASTING_LIMIT_MS:
            return "unknown"
        self._newest_wall_ms = max(self._newest_wall_ms, wall_ms)
        return "coasting" if self._was_synchronised or self._resumed.kept_time else "unknown"

    def peek(self) -> Now:
        """The same without looking at the outside or changing anything: for other threads."""
        mono_ms = self._mono_ms()
        return Now(mono_ms, mono_ms + self._offset_ms, self._trust)


class PacedClock:
    """Made-up time for demonstrations: from a start, so many times faster than real time, always trusted."""

    def __init__(
        self,
        start_wall_ms: int,
        pace: float,
        resumed: Resumed = Resumed(),
        mono_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self.pace = pace
        self.steps = 0
        """Made-up time never jumps."""
        self._start_wall_ms = max(start_wall_ms, resumed.wall_ms)
        self.away_ms = self._start_wall_ms - resumed.wall_ms if resumed.wall_ms else 0
        self._start_mono_ms = resumed.mono_ms + self.away_ms
        self._mono_ns = mono_ns
        self._began_ns = mono_ns()

    def now(self) -> Now:
        elapsed_ms = int((self._mono_ns() - self._began_ns) * self.pace / 1_000_000)
        return Now(self._start_mono_ms + elapsed_ms, self._start_wall_ms + elapsed_ms)

    def peek(self) -> Now:
        """As `now`; for other threads."""
        return self.now()


Clock = SystemClock | PacedClock
