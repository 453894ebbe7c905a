"""Following a counter that counts up from the board's boot: lost lines cost nothing, reboots count nothing twice."""

from __future__ import annotations

from typing import Any

_WRAP = 1 << 32
_HALF = 1 << 31


class Counter:
    """The last value seen and the boot it belongs to.

    The first value ever seen is the baseline: what was counted before it is not ours to book. After a reboot the board
    counts from zero, so its first value is what was counted since that boot.
    """

    __slots__ = ("boot_id", "value")

    def __init__(self) -> None:
        self.boot_id: str | None = None
        self.value = 0

    def follow(self, boot_id: str, value: int) -> int:
        """Counts since the last call, never negative. A 32-bit counter that wrapped is followed through its wrap."""
        if boot_id == self.boot_id:
            delta = value - self.value
            if delta < 0:
                if delta > -_HALF:
                    return 0
                delta += _WRAP
            self.value = value
            return delta
        first_contact = self.boot_id is None
        self.boot_id = boot_id
        self.value = value
        return 0 if first_contact else max(value, 0)

    def dump(self) -> dict[str, Any]:
        return {"boot_id": self.boot_id, "value": self.value}

    def load(self, state: dict[str, Any]) -> None:
        self.boot_id = state["boot_id"]
        self.value = state["value"]
