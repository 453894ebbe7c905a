"""The board's own limits: built-in values that settings can only make stricter.

Written for MicroPython and CPython alike; whole numbers only.
"""

LEASE_MAX_MS = 5000
"""Outputs are shut this long after the last accepted command, whatever the host asked for."""

AGE_MAX_MS = 2500
"""A command that was, or may have been, on its way for longer is refused: too little of its lease would be left."""

SETTLE_MS = 1000
"""A valve closes no sooner than this after its pump stopped, so that no pump runs down against shut valves."""

SLACK_MS = 200
"""What must be shut by a certain time is told so this much earlier: a turn of the loop takes time too."""

LAPSE_LEAD_MS = SETTLE_MS + SLACK_MS
"""The pump stops this long before a lease or an open time ends: the valves are then shut when it does end."""

PUMP_REST_MS = 2000
"""A pump that stopped starts no sooner than this again, so that a poor cable cannot make it chatter."""

MISMATCH_MS = 1000
SUPPLY_LOW_MS = 10_000
SUPPLY_FLOOR_MS = 200
SUPPLY_RECOVER_MV = 500
SUPPLY_RECOVER_MS = 1_800_000
SUPPLY_READABLE_MS = 60_000
DRY_MS = 500
WET_AGAIN_MS = 60_000
REST_AFTER_TOO_LONG_MS = 60_000
FLOW_AT_REST_MS = 60_000
FLOW_AT_REST_WINDOW_MS = 5000

BOOTS_MAX = 3
"""One boot more in a row, none of which lasted for STABLE_MS, locks the outputs out for LOCK_OUT_MS."""

STABLE_MS = 600_000
LOCK_OUT_MS = 1_800_000
LOCK_OUTS_MAX = 3
LONG_STABLE_MS = 86_400_000
"""A boot that lasts this long makes earlier lock-outs forgotten."""

REPORT_MIN_MS = 200
REPORT_MAX_MS = 300_000
REPORT_DEFAULT_MS = 10_000

# name, built-in value, least allowed, most allowed. The built-in value is always the laxest one.
SETTINGS = (
    ("opening_ms", 2000, 2000, 60_000),
    ("open_max_ms", 3_600_000, 60_000, 3_600_000),
    ("pump_max_ms", 14_400_000, 60_000, 14_400_000),
    ("pump_blind_max_ms", 1_800_000, 60_000, 1_800_000),
    ("flow_start_ms", 15_000, 2000, 15_000),
    ("flow_run_ms", 5000, 1000, 5000),
    ("flow_min_pulses", 1, 1, 10_000),
    ("low_mv", 10_800, 10_800, 13_500),
    ("floor_mv", 10_000, 10_000, 13_000),
)
"""
opening_ms         how long a valve must have been open before its pump may start
open_max_ms        longest time one valve may stay open
pump_max_ms        longest run of a pump whose flow is metered
pump_blind_max_ms  longest run of a pump without a flow meter
flow_start_ms      flow must have been seen this long after the pump started
flow_run_ms        once seen, flow must not be missing for longer than this
flow_min_pulses    pulses within those times that count as flow
low_mv             supply below this for 10 s stops the pump
floor_mv           supply below this for 0.2 s stops the pump
"""


class Limits:
    """The limits in force. Each is an attribute with the name it has in SETTINGS."""

    opening_ms: int
    open_max_ms: int
    pump_max_ms: int
    pump_blind_max_ms: int
    flow_start_ms: int
    flow_run_ms: int
    flow_min_pulses: int
    low_mv: int
    floor_mv: int

    def __init__(self) -> None:
        for name, value, _, _ in SETTINGS:
            setattr(self, name, value)
        self._inverse = ~self._sum()

    def _sum(self) -> int:
        return (
            self.opening_ms
            + self.open_max_ms
            + self.pump_max_ms
            + self.pump_blind_max_ms
            + self.flow_start_ms
            + self.flow_run_ms
            + self.flow_min_pulses
            + self.low_mv
            + self.floor_mv
        )

    def intact(self) -> bool:
        """Whether the limits are still what was put in force: their sum is kept a second time, inverted."""
        return self._sum() == ~self._inverse

    def start_mv(self) -> int:
        """The supply below which no pump starts: below either limit it would soon be stopped."""
        return self.low_mv if self.low_mv > self.floor_mv else self.floor_mv

    def tighten(self, name: str, value: int | None) -> bool:
        """Put a setting in force; False, and nothing changed, when it is unknown or laxer than the built-in value."""
        if value is None or not allowed(name, value):
            return False
        # Only the difference is put into the second sum: what was damaged before must not become whole by this.
        self._inverse += getattr(self, name) - value
        setattr(self, name, value)
        return True


def allowed(name: str, value: int | None) -> bool:
    """Whether a setting is known and at least as strict as the built-in value."""
    for known, _, least, most in SETTINGS:
        if known == name:
            return value is not None and least <= value <= most
    return False
