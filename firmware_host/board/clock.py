"""Time on the board: ticks that wrap, and an uptime that does not.

The only file that asks MicroPython for the time. Ticks wrap at 2^30 on this port and are only good for `between`.
"""

from time import sleep_ms, ticks_diff, ticks_ms, ticks_us, time  # type: ignore[attr-defined]


def now_ms() -> int:
    """Milliseconds as ticks."""
    return ticks_ms()  # type: ignore[no-any-return]


def now_us() -> int:
    """Microseconds as ticks."""
    return ticks_us()  # type: ignore[no-any-return]


def between(later: int, earlier: int) -> int:
    """Difference of two ticks of the same kind, right for spans below 2^29: 6 days, or 8 minutes in microseconds."""
    return ticks_diff(later, earlier)  # type: ignore[no-any-return]


def calendar_s() -> int:
    """Seconds of the chip's calendar clock, a second time base; somebody may set it while the board runs."""
    return int(time())


def pause_ms(duration_ms: int) -> None:
    """Sleep."""
    sleep_ms(duration_ms)


class Uptime:
    """Milliseconds since it was made. Never wraps, never steps back; must be asked at least every six days."""

    def __init__(self) -> None:
        self._last = now_ms()
        self._elapsed_ms = 0

    def ms(self) -> int:
        now = now_ms()
        step_ms = between(now, self._last)
        if step_ms > 0:
            self._last = now
            self._elapsed_ms += step_ms
        return self._elapsed_ms
