"""What became of the water in a simulated season: true figures of the plant beside the controller's own decisions."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from controller.contract import Now, StepResult
from controller.site.model import Site
from simulator.plant.plant import Plant

WILTED_STRESS = 0.5
"""A day on which plants got less than half of what they would have drunk counts as a day of severe thirst."""


@dataclass(slots=True)
class ZoneTally:
    """One zone's season as the controller saw it, and the true days of thirst."""

    runs: int = 0
    delivered_l: float = 0.0
    refused_days: int = 0
    thirsty_days: int = 0
    explained_days: int = 0
    unexplained: list[str] = field(default_factory=list)
    """Dates on which a thirsty zone got nothing and no reason was recorded."""


class SeasonTally:
    """Collects while the season runs: give `take` every step's result."""

    def __init__(self, site: Site, plant: Plant) -> None:
        self._site = site
        self._plant = plant
        self.zones = {zone.id: ZoneTally() for zone in site.zones}
        self.blockers: Counter[str] = Counter()
        self.faults: Counter[str] = Counter()
        self.lowest_l = {tank.id: plant.truth.volume_l(tank.id) for tank in site.tanks}
        self.lowest_soc = 1.0

    def take(self, _now: Now, result: StepResult) -> None:
        for record in result.records:
            if record.kind == "delivery":
                tally = self.zones[record.key]
                tally.runs += 1
                tally.delivered_l += record.data["volume_l"]
            elif record.kind == "refusal":
                self.blockers.update(record.data["blockers"])
            elif record.kind == "fault" and record.data["raised"]:
                self.faults[record.key] += 1
            elif record.kind == "day" and record.key:
                self._take_day(record.key, record.data)
            elif record.kind == "measure":
                self._look_at_plant()

    def _take_day(self, zone_id: str, data: dict[str, object]) -> None:
        tally, truth = self.zones[zone_id], self._plant.truth.zone(zone_id)
        tally.refused_days += bool(data["refusal"])
        if truth.growing and truth.stress_yesterday >= WILTED_STRESS:
            tally.thirsty_days += 1
        if data["applied_l"] == 0.0:
            # Nothing given: the day must say why, by its plan or by its refusal.
            if data["refusal"] or data["why"]:
                tally.explained_days += 1
            else:
                tally.unexplained.append(str(data["date"]))

    def _look_at_plant(self) -> None:
        for tank_id, lowest_l in self.lowest_l.items():
            self.lowest_l[tank_id] = min(lowest_l, self._plant.truth.volume_l(tank_id))
        self.lowest_soc = min(self.lowest_soc, self._plant.truth.battery_soc)


def summary_lines(site: Site, plant: Plant, tally: SeasonTally) -> list[str]:
    """The table that `pumphouse season` prints; litres are the plant's true ones."""
    lines = [f"{site.name}: what became of the water"]
    lines.append(f"  rain                    {plant.rain_mm:8.0f} mm")
    for tank in site.tanks:
        water = plant.tanks[tank.id]
        lines += [
            f"  tank {tank.id}",
            f"    caught from the roof  {water.inflow_l:8.0f} L",
            f"    overflowed            {water.overflow_l:8.0f} L",
            f"    lowest                {tally.lowest_l[tank.id]:8.0f} L   (reserve {tank.reserve_l:.0f} L)",
        ]
    lines.append(f"  battery at its lowest   {100.0 * tally.lowest_soc:8.0f} %")
    lines.append("")
    lines.append(f"  {'zone':<22} {'runs':>5} {'given':>9} {'drunk':>9} {'of need':>8} {'thirsty':>8} {'refused':>8}")
    for zone in site.zones:
        truth, own = plant.truth.zone(zone.id), tally.zones[zone.id]
        share = f"{100.0 * truth.transpired_l / truth.potential_l:.0f} %" if truth.potential_l > 0.0 else "-"
        lines.append(
            f"  {zone.id:<22} {own.runs:5d} {truth.applied_l:7.0f} L {truth.transpired_l:7.0f} L {share:>8} "
            f"{own.thirsty_days:6d} d {own.refused_days:6d} d"
        )
    lines.append("")
    lines.append("  refused because of: " + (_counts(tally.blockers) or "nothing was refused"))
    lines.append("  faults raised: " + (_counts(tally.faults) or "none"))
    lines.append(f"  water balance of the plant closes to {abs(plant.water_balance_error_l()):.1e} L")
    return lines


def _counts(counter: Counter[str]) -> str:
    return ", ".join(f"{name} {count}x" for name, count in counter.most_common())
