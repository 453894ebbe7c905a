"""Lock-out of a board that keeps booting: a pump must not start again and again at every boot.

What it knows from before comes from the hardware's memory. Written for MicroPython and CPython alike.
"""

from firmware_host.board import faults as ids
from firmware_host.board.faults import Faults
from firmware_host.board.hardware import Hardware
from firmware_host.board.limits import (
    BOOTS_MAX,
    LOCK_OUT_MS,
    LOCK_OUTS_MAX,
    LONG_STABLE_MS,
    STABLE_MS,
)
from firmware_host.board.outputs import NEVER


class Reboots:
    """A boot lasts when the board ran for STABLE_MS; one that somebody ordered (cause soft) does not count.

    next_ms: when `check` must run again at the latest."""

    def __init__(self, hardware: Hardware, faults: Faults):
        self._hardware = hardware
        self._faults = faults
        boots, lock_outs, locked = hardware.remembered()
        if hardware.reset_cause() != "soft":
            boots += 1
        if boots > BOOTS_MAX:
            boots = 1
            lock_outs += 1
            locked = 1
        self._boots = boots
        self._lock_outs = lock_outs
        self._locked = locked
        if lock_outs >= LOCK_OUTS_MAX:
            faults.raise_(ids.REBOOTS_LATCHED)
        elif locked:
            faults.raise_(ids.REBOOTS)
        self.next_ms = 0
        self._stable = False
        self._remember()

    def _remember(self) -> None:
        self._hardware.remember(self._boots, self._lock_outs, self._locked)

    def check(self, now: int) -> None:
        """Forget short boots, lock-outs and their count once the board has run for long enough."""
        if not self._stable and now >= STABLE_MS:
            self._stable = True
            self._boots = 0
            self._remember()
        if self._faults.stand(ids.REBOOTS) and now >= LOCK_OUT_MS:
            self._faults.clear(ids.REBOOTS)
            self._locked = 0
            self._remember()
        if self._lock_outs and now >= LONG_STABLE_MS and not self._faults.stand(ids.REBOOTS_LATCHED):
            self._lock_outs = 0
            self._remember()
        self.next_ms = STABLE_MS if now < STABLE_MS else LOCK_OUT_MS if now < LOCK_OUT_MS else NEVER
        if self._lock_outs and now < LONG_STABLE_MS < self.next_ms:
            self.next_ms = LONG_STABLE_MS

    def cleared(self) -> None:
        """Somebody cleared the lock-out, deliberately."""
        self._boots = self._lock_outs = self._locked = 0
        self._remember()
