"""What the board remembers over boots: why it booted, its lock-outs, and the pulses of its life.

Two files take turns, each whole with a checksum: a write that is cut short leaves the other one. Flash wears: apart
from boots and lock-outs, which must not wait, it is written at most once an hour, and never while an output is on,
because the chip stands still for a moment as it writes.
"""

import binascii
import struct

WORDS = 14
CHANNELS = 8
SAVE_EVERY_MS = 3_600_000
_FORM = "<4sI14I"
_MARK = b"PHR1"
_SEQ_MODULUS = 1 << 32
_MODULUS = 1 << 32
_BYTES = 4 + 4 + 4 * WORDS + 4


class Slots:
    """Two files in a folder. `failures` counts writes that the file system refused."""

    def __init__(self, folder: str):
        self._paths = (folder + "/record.0", folder + "/record.1")
        self._slot = 1
        self._seq = 0
        self.failures = 0

    def load(self) -> list[int]:
        """The newest words that are whole; zeros when there are none."""
        words = [0] * WORDS
        found = False
        for slot in range(2):
            record = self._read(self._paths[slot])
            if record is None:
                continue
            newer = 0 < (record[0] - self._seq) % _SEQ_MODULUS < _SEQ_MODULUS >> 1
            if newer or not found:
                found = True
                self._slot = slot
                self._seq = record[0]
                words = record[1:]
        return words

    def _read(self, path: str) -> list[int] | None:
        try:
            with open(path, "rb") as file:
                data = file.read(_BYTES + 1)
        except OSError:
            return None
        if len(data) != _BYTES or data[:4] != _MARK:
            return None
        if data[_BYTES - 4 :] != struct.pack("<I", binascii.crc32(data[: _BYTES - 4])):
            return None
        return list(struct.unpack(_FORM, data[: _BYTES - 4])[1:])

    def save(self, words: list[int]) -> bool:
        """Write into the older slot; False when that failed, and nothing else is lost by it."""
        slot = 1 - self._slot
        seq = (self._seq + 1) % _SEQ_MODULUS
        data = struct.pack(_FORM, _MARK, seq, *words)
        data += struct.pack("<I", binascii.crc32(data))
        try:
            with open(self._paths[slot], "wb") as file:
                file.write(data)
        except OSError:
            self.failures += 1
            return False
        self._slot = slot
        self._seq = seq
        return True


class Memory:
    """boots, lock_outs, locked: as `Hardware.remembered`. cause: the number of the last boot's cause.

    pulses[n], tips: totals of the board's whole life until this boot, modulo 2^32.
    """

    def __init__(self, slots: Slots, cause: int):
        self._slots = slots
        words = slots.load()
        self.boots, self.lock_outs, self.locked = words[0], words[1], words[2]
        self.cause_before = words[3]
        self.boots_ever = (words[4] + 1) % _MODULUS
        self._cause = cause
        self.pulses = words[5 : 5 + CHANNELS]
        self.tips = words[13]
        self._urgent = True
        self._saved_ms = 0
        self._saved_counts = -1

    def remember(self, boots: int, lock_outs: int, locked: int) -> None:
        self.boots, self.lock_outs, self.locked = boots, lock_outs, locked
        self._urgent = True

    def pulses_ever(self, pulses: list[int]) -> list[int]:
        """Totals of the board's life, given those since this boot."""
        return [(self.pulses[channel] + pulses[channel]) % _MODULUS for channel in range(len(pulses))]

    def tips_ever(self, tips: int) -> int:
        return (self.tips + tips) % _MODULUS

    def step(self, now: int, idle: bool, pulses: list[int], tips: int) -> None:
        """Write what is due. pulses, tips: since this boot."""
        if not idle or not (self._urgent or now - self._saved_ms >= SAVE_EVERY_MS):
            return
        counts = sum(pulses) + tips
        if self._urgent or counts != self._saved_counts:
            words = [self.boots, self.lock_outs, self.locked, self._cause, self.boots_ever]
            words += self.pulses_ever(pulses) + self.pulses[len(pulses) :]
            words.append(self.tips_ever(tips))
            self._slots.save(words)
            self._saved_counts = counts
        self._urgent = False
        self._saved_ms = now
