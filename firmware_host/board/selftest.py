"""The board's tests of itself, after the list in IEC 60730-1 Annex H, class B: processor, memory, program, clock.

The voltage converter's test is in analogue.py, that of the outputs in guards.py; limits and leases are kept twice.
"""

import binascii

from firmware_host.board.clock import between, calendar_s, now_ms, now_us

LIST_PATH = "/firmware.sums"
SLICE_BYTES = 2048
PATTERNS = (0x00000000, 0x3FFFFFFF, 0x15555555, 0x2AAAAAAA, 0x0F0F0F0F)
_CHECK_TEXT = b"123456789"
_CHECK_CRC = 0xCBF43926

_TICKS_EVERY_MS = 1000
_TICKS_PERMILLE = 20
_CALENDAR_EVERY_MS = 100_000
_CALENDAR_SLACK_MS = 3500


def processor_good() -> bool:
    """Patterns through registers, and the checksum that everything else here relies on (its published check value)."""
    for pattern in PATTERNS:
        turned = pattern ^ 0x3FFFFFFF
        if turned & pattern or turned | pattern != 0x3FFFFFFF or turned + pattern != 0x3FFFFFFF:
            return False
    return binascii.crc32(_CHECK_TEXT) == _CHECK_CRC


def memory_good(buffer: bytearray) -> bool:
    """March C-: up write 0; up read 0 write 1; up read 1 write 0; down read 0 write 1; down read 1 write 0; read 0."""
    size = len(buffer)
    for index in range(size):
        buffer[index] = 0x00
    up, down = range(size), range(size - 1, -1, -1)
    for order, expected, written in ((up, 0x00, 0xFF), (up, 0xFF, 0x00), (down, 0x00, 0xFF), (down, 0xFF, 0x00)):
        for index in order:
            if buffer[index] != expected:
                return False
            buffer[index] = written
    return all(buffer[index] == 0x00 for index in up)


class Program:
    """The program files against the list of their sizes and checksums that was flashed with them."""

    def __init__(self, folder: str):
        self._folder = folder
        self._files: list[tuple[str, int, int]] = []
        self._buffer = bytearray(SLICE_BYTES)
        self._view = memoryview(self._buffer)
        self._file = 0
        self._offset = 0
        self._crc = 0

    def wrong_at_boot(self) -> str:
        """What is wrong with the files; empty when all are as listed."""
        try:
            with open(self._folder + LIST_PATH, "rb") as file:
                text = file.read()
        except OSError:
            return "no list of program files"
        if not self._take_list(text):
            return "list of program files damaged"
        for _ in range(self._slices()):
            wrong = self.step()
            if wrong:
                return wrong
        return ""

    def _take_list(self, text: bytes) -> bool:
        lines = text.split(b"\n")
        if len(lines) < 3 or lines[-1] or lines[-2] != f"{binascii.crc32(text[:-9]):08x}".encode():
            return False
        try:
            for line in lines[:-2]:
                crc, size, path = line.decode().split(" ")
                self._files.append((path, int(size), int(crc, 16)))
        except ValueError:
            return False
        return True

    def _slices(self) -> int:
        return sum([size // SLICE_BYTES + 1 for _, size, _ in self._files])

    def step(self) -> str:
        """Read one slice; the name of a file that is not as listed, else empty."""
        path, size, crc = self._files[self._file]
        try:
            with open(self._folder + path, "rb") as file:
                file.seek(self._offset)
                got = file.readinto(self._buffer)
        except OSError:
            return f"{path} cannot be read"
        self._crc = binascii.crc32(self._view[:got], self._crc)
        self._offset += got
        if got == SLICE_BYTES and self._offset <= size:
            return ""
        wrong = self._offset != size or self._crc != crc
        self._file = (self._file + 1) % len(self._files)
        self._offset = self._crc = 0
        return f"{path} is damaged" if wrong else ""


class TickRate:
    """Milliseconds against microseconds each second, and against the calendar clock, which may once be set."""

    def __init__(self) -> None:
        self._ms = now_ms()
        self._us = now_us()
        self._calendar_ms = self._ms
        self._calendar_s = calendar_s()
        self._strikes = 0

    def good(self) -> bool:
        """Call about once a second."""
        now = now_ms()
        span_ms = between(now, self._ms)
        if span_ms < _TICKS_EVERY_MS:
            return True
        us = now_us()
        span_us = between(us, self._us)
        self._ms, self._us = now, us
        slack_us = span_ms * _TICKS_PERMILLE + 2000
        return abs(span_us - 1000 * span_ms) <= slack_us and self._calendar_agrees(now)

    def _calendar_agrees(self, now: int) -> bool:
        span_ms = between(now, self._calendar_ms)
        if span_ms < _CALENDAR_EVERY_MS:
            return True
        seconds = calendar_s()
        off_ms = abs(1000 * (seconds - self._calendar_s) - span_ms)
        self._calendar_ms, self._calendar_s = now, seconds
        self._strikes = self._strikes + 1 if off_ms > _CALENDAR_SLACK_MS else 0
        return self._strikes < 2
