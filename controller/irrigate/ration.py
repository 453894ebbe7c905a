"""Who gets how much water when it has no price: refill by priority, the less important cut off first.

Without monthly normals, or for a tank that no roof feeds, nothing is known of the water to come. What is left is a
count of days: with less than a month of everybody's need in the tank, and again with less than ten days, the later
priorities get none, so that what stands in containers under cover is the last to go dry.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from controller.irrigate.plan import PlanLine, Supply, ZoneNeed, allocate, gross_l

CUTS = ((30.0, 2), (10.0, 1))
"""(days of supply, last priority that is still watered with less); judged beside the price in the bench."""


def allocate_on_ration(needs: Sequence[ZoneNeed], supplies: Mapping[str, Supply]) -> list[PlanLine]:
    """Plan lines as `allocate` gives them, those of zones that are cut off with nothing and the reason."""
    days = {tank_id: _days_of_supply(needs, tank_id, supply) for tank_id, supply in supplies.items()}
    served: list[ZoneNeed] = []
    cut: list[ZoneNeed] = []
    for need in needs:
        last = _last_priority(days[need.zone.tank_id])
        by_need = need.schedule.mode == "need" and need.growing
        (cut if by_need and need.zone.priority > last else served).append(need)
    return allocate(served, supplies) + [_cut_line(need, days[need.zone.tank_id]) for need in cut]


def _days_of_supply(needs: Sequence[ZoneNeed], tank_id: str, supply: Supply) -> float:
    """Days the tank's water would last if every growing zone got all it needs."""
    daily_l = sum(
        gross_l(need.zone, need.etc_day_mm)
        for need in needs
        if need.zone.tank_id == tank_id and need.growing and need.schedule.mode != "off"
    )
    if daily_l <= 0.0 or not supply.level_known:
        return float("inf")
    return supply.available_l / daily_l


def _last_priority(days: float) -> float:
    last: float = float("inf")
    for below_days, priority in CUTS:
        if days < below_days:
            last = float(priority)
    return last


def _cut_line(need: ZoneNeed, days: float) -> PlanLine:
    wanted_l = gross_l(need.zone, max(0.0, need.depletion_mm))
    why = (
        f"{max(0.0, need.depletion_mm):.1f} mm short of full ({need.zone.total_available_mm:.0f} mm); the tank holds "
        f"{days:.0f} days of everybody's need, and as nothing is known of the water to come (no monthly normals in the "
        f"site file, or no roof feeds the tank) only priorities up to {_last_priority(days):.0f} are watered"
    )
    return PlanLine(need.zone.id, 0.0, wanted_l, why)
