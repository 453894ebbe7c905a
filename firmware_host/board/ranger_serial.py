"""Ultrasonic ranger that sends its distance by itself: frames of 0xFF, millimetres high and low, and their sum."""

from machine import UART, Pin  # type: ignore[import-not-found]

BAUD = 9600
_START = 0xFF
_FRAME_BYTES = 4
_READ_MAX = 64
_DISTANCE_MAX_MM = 10_000
_PATIENCE_MS = 1300
_FORGOTTEN_MS = 3000


class SerialRanger:
    """ns_per_mm: round trip per millimetre at the speed of sound that the ranger reckons with."""

    def __init__(self, unit: int, tx: int, rx: int, ns_per_mm: int):
        self._uart = UART(unit, BAUD, tx=Pin(tx), rx=Pin(rx), rxbuf=4 * _READ_MAX)
        self._ns_per_mm = ns_per_mm
        self._partial = b""
        self._times_us: list[int] = []
        self._began_ms = -1
        self._asked_ms = 0
        self.bad_frames = 0

    def burst_us(self, count: int, now: int) -> list[int] | None:
        """As `PulseRanger.burst_us`: only frames that came after the first call count, what is missing is 0."""
        if self._began_ms < 0 or now - self._asked_ms > _FORGOTTEN_MS:
            self._drain()
            self._began_ms = now
        self._asked_ms = now
        self._listen()
        if len(self._times_us) < count and now - self._began_ms < _PATIENCE_MS:
            return None
        times_us = self._times_us[:count]
        while len(times_us) < count:
            times_us.append(0)
        self._began_ms = -1
        return times_us

    def _drain(self) -> None:
        """Forget what came before: it may be as old as the last burst."""
        while self._uart.any():
            self._uart.read(_READ_MAX)
        self._partial = b""
        self._times_us = []

    def _listen(self) -> None:
        waiting = int(self._uart.any())
        if not waiting:
            return
        data = self._partial + (self._uart.read(min(waiting, _READ_MAX)) or b"")
        first = 0
        while len(data) - first >= _FRAME_BYTES:
            high, low = data[first + 1], data[first + 2]
            if data[first] == _START and data[first + 3] == (_START + high + low) & 0xFF:
                self._times_us.append(self._round_trip_us(high << 8 | low))
                first += _FRAME_BYTES
            else:
                self.bad_frames += data[first] == _START
                first += 1
        self._partial = data[first:]

    def _round_trip_us(self, distance_mm: int) -> int:
        if not 0 < distance_mm <= _DISTANCE_MAX_MM:
            return 0
        return distance_mm * self._ns_per_mm // 1000
