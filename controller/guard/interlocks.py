"""May water flow now? A list of independent checks; every one that objects is reported, not only the first.

Each check is a pure function of `Facts` and gives a `Blocker` or None. `START_CHECKS` decide whether a watering may
begin, `RUN_CHECKS` whether one that runs may go on: these have wider limits, so that a start is never followed at once
by a stop. Limits that the board enforces by itself (leases, its own no-flow and voltage limits) do not depend on any of
this.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from controller.contract import Quality
from controller.guard.catalogue import CATALOGUE, Severity

LEVEL_START_AGE_S = 15.0
"""A start needs a level reading this fresh: the board is asked for fast reports first."""
LEVEL_RUN_AGE_S = 60.0
BATTERY_AGE_S = 60.0
TEMPERATURE_AGE_S = 6 * 3600.0
START_MARGIN = 0.02
"""Part of the capacity that must lie above the reserve for a start, so that a run is worth its valve strokes."""
CHARGE_MARGIN_PERCENT = 5.0
FROST_MARGIN_C = 2.0
"""A start waits until it is so much warmer: the probe hangs in the tank's air, which on clear nights stays some degrees
above the air around the pipes (own choice)."""
COOLING_K_H = 3.0
"""How fast the air may have cooled since a thermometer was last heard of: a clear evening (own choice, no source)."""


@dataclass(slots=True)
class Facts:
    """All an interlock may look at, for one zone at one instant. Ages in seconds; None means never seen.

    Not frozen, so that the core can fill the same one anew each second of a watering. No check changes or keeps it.
    """

    zone_id: str
    zone_name: str
    tank_id: str
    clock_known: bool
    held: bool
    hold_text: str
    zone_held: bool
    zone_hold_text: str
    link_up: bool
    link_reason: str
    board_faults: tuple[str, ...]
    level_quality: Quality
    level_age_s: float
    volume_l: float
    volume_sd_l: float
    capacity_l: float
    reserve_l: float
    float_dry: bool
    battery_v: float
    battery_age_s: float
    battery_frozen: bool
    battery_low: bool
    battery_charge_percent: float | None
    minimum_charge_percent: float
    disconnect_v: float
    resume_v: float
    maximum_v: float
    temperature_c: float | None
    temperature_age_s: float
    frost_c: float
    month_can_freeze: bool
    applied_today_l: float
    daily_cap_l: float


@dataclass(frozen=True, slots=True)
class Blocker:
    """Why water may not flow: stable id, and its texts with the numbers filled in."""

    id: str
    severity: Severity
    text: str
    cure: str


Check = Callable[[Facts], Blocker | None]


def blocker(condition_id: str, numbers: Mapping[str, object]) -> Blocker:
    """A blocker from the catalogue row `condition_id` with `numbers` put into its texts."""
    row = CATALOGUE[condition_id]
    return Blocker(row.id, row.severity, row.text.format_map(numbers), row.cure.format_map(numbers))


def since_text(age_s: float) -> str:
    """ "for 75 s", "for 3 h", or "yet" for what was never there."""
    if not math.isfinite(age_s):
        return "yet"
    if age_s < 300.0:
        return f"for {age_s:.0f} s"
    return f"for {age_s / 60.0:.0f} min" if age_s < 7200.0 else f"for {age_s / 3600.0:.0f} h"


def clock_known(facts: Facts) -> Blocker | None:
    return None if facts.clock_known else blocker("clock-unknown", {})


def not_held(facts: Facts) -> Blocker | None:
    return blocker("held", {"until": facts.hold_text}) if facts.held else None


def zone_not_held(facts: Facts) -> Blocker | None:
    if not facts.zone_held:
        return None
    return blocker("zone-held", {"zone": facts.zone_name, "until": facts.zone_hold_text})


def board_answers(facts: Facts) -> Blocker | None:
    return None if facts.link_up else blocker("board-lost", {"reason": facts.link_reason})


def board_without_fault(facts: Facts) -> Blocker | None:
    return board_blocker(facts.board_faults[0]) if facts.board_faults else None


def board_blocker(fault_id: str) -> Blocker:
    """What a fault of the board means; one that this version does not know is named as it came."""
    return blocker(fault_id if fault_id in CATALOGUE else "board-fault", {"fault": fault_id})


def level_fresh(facts: Facts, limit_s: float) -> Blocker | None:
    # Written so that NaN blocks: every comparison with NaN is false.
    measured = 0.0 <= facts.volume_l < math.inf and 0.0 <= facts.volume_sd_l < math.inf
    if facts.level_quality != "unknown" and 0.0 <= facts.level_age_s <= limit_s and measured:
        return None
    return blocker("level-unknown", {"tank": facts.tank_id, "since": since_text(facts.level_age_s)})


def level_fresh_to_start(facts: Facts) -> Blocker | None:
    return level_fresh(facts, LEVEL_START_AGE_S)


def level_fresh_to_go_on(facts: Facts) -> Blocker | None:
    return level_fresh(facts, LEVEL_RUN_AGE_S)


def level_trusted(facts: Facts) -> Blocker | None:
    """A doubtful level needs 10 % of the capacity more above the reserve (catalogue fault N1)."""
    if facts.level_quality != "suspect":
        return None
    if facts.volume_l - facts.volume_sd_l >= facts.reserve_l + 0.10 * facts.capacity_l:
        return None
    return blocker("level-doubtful", {"tank": facts.tank_id})


def reserve_kept(facts: Facts, margin_l: float) -> Blocker | None:
    if facts.level_quality == "unknown":
        return None
    if facts.volume_l - facts.volume_sd_l >= facts.reserve_l + margin_l:
        return None
    numbers = {
        "tank": facts.tank_id,
        "volume_l": facts.volume_l,
        "margin_l": facts.volume_sd_l,
        "reserve_l": facts.reserve_l,
    }
    return blocker("tank-reserve", numbers)


def reserve_kept_to_start(facts: Facts) -> Blocker | None:
    return reserve_kept(facts, START_MARGIN * facts.capacity_l)


def reserve_kept_to_go_on(facts: Facts) -> Blocker | None:
    return reserve_kept(facts, 0.0)


def suction_wet(facts: Facts) -> Blocker | None:
    return blocker("suction-dry", {"tank": facts.tank_id}) if facts.float_dry else None


def battery_known(facts: Facts) -> Blocker | None:
    if 0.0 <= facts.battery_age_s <= BATTERY_AGE_S and facts.battery_v > 0.0:
        return None
    return blocker("battery-unknown", {"since": since_text(facts.battery_age_s)})


def battery_answers(facts: Facts) -> Blocker | None:
    """A voltage that does not move with the load protects no battery (catalogue fault N7)."""
    return blocker("battery-frozen", {"battery_v": facts.battery_v}) if facts.battery_frozen else None


def battery_above_disconnect(facts: Facts) -> Blocker | None:
    if not facts.battery_low:
        return None
    numbers = {"battery_v": facts.battery_v, "disconnect_v": facts.disconnect_v, "resume_v": facts.resume_v}
    return blocker("battery-low", numbers)


def battery_charged(facts: Facts, margin_percent: float) -> Blocker | None:
    charge = facts.battery_charge_percent
    if charge is None or charge >= facts.minimum_charge_percent + margin_percent:
        return None
    return blocker("battery-charge", {"charge": charge, "minimum": facts.minimum_charge_percent})


def battery_charged_to_start(facts: Facts) -> Blocker | None:
    return battery_charged(facts, CHARGE_MARGIN_PERCENT)


def battery_charged_to_go_on(facts: Facts) -> Blocker | None:
    return battery_charged(facts, 0.0)


def battery_not_overcharged(facts: Facts) -> Blocker | None:
    if facts.battery_v <= facts.maximum_v:
        return None
    return blocker("battery-high", {"battery_v": facts.battery_v, "maximum_v": facts.maximum_v})


def no_frost(facts: Facts, margin_c: float) -> Blocker | None:
    if facts.temperature_c is None or facts.frost_c + margin_c <= facts.temperature_c < math.inf:
        return None
    return blocker("frost", {"temperature_c": facts.temperature_c, "frost_c": facts.frost_c})


def no_frost_to_start(facts: Facts) -> Blocker | None:
    return no_frost(facts, FROST_MARGIN_C)


def no_frost_to_go_on(facts: Facts) -> Blocker | None:
    return no_frost(facts, 0.0)


def temperature_known(facts: Facts) -> Blocker | None:
    if not facts.month_can_freeze:
        return None
    if facts.temperature_c is not None and facts.temperature_age_s <= TEMPERATURE_AGE_S:
        # It may have become colder since: an old reading must be the warmer, the older it is (catalogue fault N8).
        coldest_c = facts.temperature_c - COOLING_K_H * facts.temperature_age_s / 3600.0
        # What is too cold to start already is told as frost.
        if coldest_c >= facts.frost_c or facts.temperature_c < facts.frost_c + FROST_MARGIN_C:
            return None
    return blocker("temperature-unknown", {"since": since_text(facts.temperature_age_s)})


def cap_left(facts: Facts) -> Blocker | None:
    return None if facts.applied_today_l < facts.daily_cap_l else cap_reached(facts)


def cap_reached(facts: Facts) -> Blocker:
    """The zone has had all that its cap for the day has room for."""
    numbers = {"zone": facts.zone_name, "applied_l": facts.applied_today_l, "cap_l": facts.daily_cap_l}
    return blocker("cap-reached", numbers)


START_CHECKS: Sequence[Check] = (
    clock_known,
    not_held,
    zone_not_held,
    board_answers,
    board_without_fault,
    level_fresh_to_start,
    level_trusted,
    reserve_kept_to_start,
    suction_wet,
    battery_known,
    battery_answers,
    battery_above_disconnect,
    battery_charged_to_start,
    battery_not_overcharged,
    no_frost_to_start,
    temperature_known,
    cap_left,
)

RUN_CHECKS: Sequence[Check] = (
    not_held,
    zone_not_held,
    board_answers,
    board_without_fault,
    level_fresh_to_go_on,
    reserve_kept_to_go_on,
    suction_wet,
    battery_known,
    battery_above_disconnect,
    battery_charged_to_go_on,
    battery_not_overcharged,
    no_frost_to_go_on,
    cap_left,
)


RELIEF_CHECKS: Sequence[Check] = (
    not_held,
    zone_not_held,
    board_answers,
    board_without_fault,
    level_fresh_to_go_on,
    reserve_kept_to_go_on,
    suction_wet,
    cap_left,
)
"""May a zone take the water of a pump that cannot be stopped? Battery and frost have no say: it runs anyway."""


DRAIN_CHECKS: Sequence[Check] = (
    board_answers,
    board_without_fault,
    cap_left,
)
"""May a zone's valve be open with the pump off, on a site on hold? Frost has no say: it is why a line is emptied."""


def objections(facts: Facts, checks: Sequence[Check]) -> list[Blocker]:
    """All blockers, in the order of the checks; empty: water may flow."""
    return [found for check in checks if (found := check(facts)) is not None]
