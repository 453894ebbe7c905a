"""Slow wear over years: it turns the fault knobs a little each day.

Nothing ages unless a plant is given an `Ageing`. Rates are drawn by the seed; all of them are common practice or own
choices, no source.
"""

from __future__ import annotations

from datetime import date
from random import Random

from controller.site.model import Site
from simulator.plant.faults import PlantFaults

_DAYS_PER_YEAR = 365.25
_FADE_A_YEAR = {"flooded": (0.03, 0.07), "agm": (0.02, 0.05), "lifepo4": (0.01, 0.025)}
_WEAR_A_YEAR = (0.01, 0.04)
_EMITTERS_A_YEAR = (0.01, 0.06)
_CLOGGED_A_CUBIC_METRE = (0.01, 0.04)
_DRIFT_MM_YEAR = 2.0
_MOST_CLOGGED, _MOST_WORN = 0.95, 0.9


class Ageing:
    """The wear of one site. It adds to what `PlantFaults` already holds, so a fault set by hand stays and ages too."""

    def __init__(self, site: Site, seed: int, cleaning_day: tuple[int, int] | None = (3, 15)) -> None:
        """Filters are cleaned each year on `cleaning_day` (month, day); None: never by itself."""
        rng = Random(f"{seed} ageing")
        self._cleaning_day = cleaning_day
        self.fade_a_day = rng.uniform(*_FADE_A_YEAR[site.battery.chemistry]) / _DAYS_PER_YEAR
        self.wear_a_day = {p.id: rng.uniform(*_WEAR_A_YEAR) / _DAYS_PER_YEAR for p in site.pumps}
        self.clogging_a_l = {p.id: rng.uniform(*_CLOGGED_A_CUBIC_METRE) / 1000.0 for p in site.pumps}
        self.emitters_a_day = {z.id: rng.uniform(*_EMITTERS_A_YEAR) / _DAYS_PER_YEAR for z in site.zones}
        self.drift_mm_day = {t.sensor_channel: rng.gauss(0.0, _DRIFT_MM_YEAR) / _DAYS_PER_YEAR for t in site.tanks}
        self._delivered_l = dict.fromkeys(self.wear_a_day, 0.0)

    def pass_day(self, faults: PlantFaults, today: date, delivered_l: dict[str, float]) -> None:
        """Age by the day that is over. `delivered_l` is what each pump, by id, has given since the plant's start."""
        faults.battery_fade = min(_MOST_WORN, faults.battery_fade + self.fade_a_day)
        for pump_id, wear in self.wear_a_day.items():
            _add(faults.pump_worn, pump_id, wear, _MOST_WORN)
            passed_l = delivered_l[pump_id] - self._delivered_l[pump_id]
            self._delivered_l[pump_id] = delivered_l[pump_id]
            _add(faults.filter_clogged, pump_id, passed_l * self.clogging_a_l[pump_id], _MOST_CLOGGED)
        for zone_id, part in self.emitters_a_day.items():
            _add(faults.emitters_clogged, zone_id, part, _MOST_CLOGGED)
        for channel, drift in self.drift_mm_day.items():
            faults.echo_drift_mm_day.setdefault(channel, drift)
        if (today.month, today.day) == self._cleaning_day:
            self.clean_filters(faults)

    def clean_filters(self, faults: PlantFaults) -> None:
        """What a gardener does with a brush."""
        for pump_id in self.wear_a_day:
            faults.filter_clogged.pop(pump_id, None)


def _add(knob: dict[str, float], key: str, more: float, most: float) -> None:
    knob[key] = min(most, knob.get(key, 0.0) + more)
