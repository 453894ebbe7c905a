"""What can stop the outputs, by stable id, and when each is over. See docs/protocol.md for causes and cures.

Written for MicroPython and CPython alike.
"""

NO_FLOW = "board-no-flow"
MISMATCH = "board-output-mismatch"
SUPPLY_LOW = "board-supply-low"
SUPPLY_UNKNOWN = "board-supply-unknown"
DRY = "board-dry"
VALVE_TOO_LONG = "board-valve-too-long"
PUMP_TOO_LONG = "board-pump-too-long"
SETTINGS_BAD = "board-settings-bad"
FLOW_AT_REST = "board-flow-at-rest"
SELF_TEST = "board-self-test"
REBOOTS = "board-reboots"
REBOOTS_LATCHED = "board-reboots-latched"
LEASE_LAPSED = "board-lease-lapsed"
NO_VALVE = "board-no-valve"

DELIBERATE = (NO_FLOW, MISMATCH, FLOW_AT_REST, SELF_TEST, REBOOTS_LATCHED)
"""Stay until someone clears them."""

SELF_CLEARING = (SUPPLY_LOW, SUPPLY_UNKNOWN, DRY, VALVE_TOO_LONG, PUMP_TOO_LONG, REBOOTS)
"""Go by themselves once the board has seen that the condition is over for long enough; may also be cleared."""

NOTICES = (LEASE_LAPSED,)
"""Shown in reports but block nothing; gone with the next accepted command."""

REFUSALS = (NO_VALVE,)
"""Never stand: only the answer to a command."""


class Faults:
    """standing: the faults that stand now, oldest first. changed: whether that changed since last asked."""

    def __init__(self) -> None:
        self.standing: list[str] = []
        self.changed = False

    def stand(self, fault: str) -> bool:
        return fault in self.standing

    def blocking(self) -> str:
        """The oldest fault that keeps the outputs shut; empty when none does."""
        for fault in self.standing:
            if fault not in NOTICES:
                return fault
        return ""

    def raise_(self, fault: str) -> None:
        if fault not in self.standing:
            self.standing.append(fault)
            self.changed = True

    def clear(self, fault: str) -> None:
        if fault in self.standing:
            self.standing.remove(fault)
            self.changed = True

    def text(self) -> str:
        return ",".join(self.standing)


class Persistence:
    """How long a condition has been true without a break."""

    def __init__(self) -> None:
        self.since = -1

    def update(self, present: bool, now: int) -> int:
        """Milliseconds since the condition became true, -1 while it is not."""
        if not present:
            self.since = -1
            return -1
        if self.since < 0:
            self.since = now
        return now - self.since
