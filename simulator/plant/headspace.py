"""The air above a tank's water, the water's own warmth, and what both do to sound and to the ranger's face.

Five temperatures follow each other: the lid takes sun and loses warmth to a clear sky; the air under it hangs between
lid, walls and water; the probe hangs in that air; the air at the surface is near the water; the water, heavy, follows
over days. Warm air over cold water lies in layers, cold air over warm water turns over, so the mean along the sound's
path is half way in the one case and near the upper air in the other.

States are worked out for the end of each quarter of an hour and run there in straight lines: no echo jumps when one
ends. Exchange coefficients and time constants are own choices for a plastic tank out of doors, about those of still air
and of thin walls; no source.
"""

from __future__ import annotations

from math import exp, pi, sqrt
from random import Random

from simulator.plant.evaporation import saturation_kpa
from simulator.plant.sound import speed_of_sound_m_s
from simulator.plant.tank import TankWater
from simulator.plant.water import HEAT_J_L_K, density_kg_m3
from simulator.plant.weather import HOUR_MS, Hour

_MINUTE_MS = 60_000
_LID_LAG_MS, _AIR_LAG_MS, _PROBE_LAG_MS = 15 * _MINUTE_MS, 25 * _MINUTE_MS, 5 * _MINUTE_MS
_LID_SUN_K_PER_W_M2, _LID_CLEAR_SKY_K = 0.012, 3.0
_WALL_SUN_K_PER_W_M2 = 0.005
_AIR_FROM_LID, _AIR_FROM_WALL = 0.35, 0.30
_SURFACE_FROM_AIR = 0.3
_LAYERED, _TURNING = 0.5, 0.15
_WALL_W_M2_K, _SURFACE_W_M2_K = 5.0, 3.0
_LEAST_WATER_L = 5.0
_NEARLY_SATURATED = 0.98
_DEW_HUMIDITY = 85.0
_DEW_EXCESS_KPA, _SPELLS_PER_H = 0.4, 0.08
_SPELL_MS, _DRYING_MS = 60 * _MINUTE_MS, 15 * _MINUTE_MS


class Headspace:
    """Air and water of one tank. `turn` is called at least once in each quarter of an hour; temperatures in Celsius."""

    def __init__(self, tank: TankWater, rng: Random, air_c: float) -> None:
        self.tank = tank
        self.water_c = self.lid_c = self.air_c = self.probed_c = air_c
        self.face_lost_part = 0.0
        """Part of the pings that drops on the ranger's face swallow; 0 while it is clear."""
        self.since_ms = 0
        """When the present stretch began; all but the water runs from then on at the rates below."""
        self.us_per_mm = self._slowness(air_c, saturation_kpa(air_c))
        """Round-trip time of sound for each millimetre between face and surface."""
        self.us_per_mm_ms = self.probed_c_ms = self._lid_c_ms = self._air_c_ms = 0.0
        self._rng = rng
        self._caught_l = 0.0
        self._wall_c = self._outdoor_c = air_c
        self._dew_kpa = 0.0

    def us_per_mm_at(self, now_ms: int) -> float:
        """Round-trip time for each millimetre at an instant of the present stretch."""
        return self.us_per_mm + self.us_per_mm_ms * (now_ms - self.since_ms)

    def sound_m_s(self, now_ms: int) -> float:
        """Mean speed of sound between face and surface."""
        return 2000.0 / self.us_per_mm_at(now_ms)

    def turn(self, hour: Hour, now_ms: int, until_ms: int) -> None:
        """Close the stretch up to now, and take up the one to `until_ms` under an hour's weather."""
        elapsed_ms, span_ms = now_ms - self.since_ms, until_ms - now_ms
        if elapsed_ms:
            self._pass_time(elapsed_ms, hour.humidity_percent)
        self.since_ms = now_ms
        self._outdoor_c = outdoor_c = hour.temperature_c
        self._wall_c = wall_c = outdoor_c + _WALL_SUN_K_PER_W_M2 * hour.radiation_w_m2
        lid_goal_c = outdoor_c + _LID_SUN_K_PER_W_M2 * hour.radiation_w_m2 - _LID_CLEAR_SKY_K * (1.0 - hour.cloud)
        lid_end_c = _follow(self.lid_c, lid_goal_c, span_ms, _LID_LAG_MS)
        water_c = self.water_c
        air_goal_c = water_c + _AIR_FROM_LID * (lid_end_c - water_c) + _AIR_FROM_WALL * (wall_c - water_c)
        air_end_c = _follow(self.air_c, air_goal_c, span_ms, _AIR_LAG_MS)
        over_water, at_lid = saturation_kpa(water_c), saturation_kpa(lid_end_c)
        vapour_kpa = _NEARLY_SATURATED * 0.5 * (over_water + min(over_water, at_lid))
        self._dew_kpa = vapour_kpa - at_lid
        self._lid_c_ms = (lid_end_c - self.lid_c) / span_ms
        self._air_c_ms = (air_end_c - self.air_c) / span_ms
        self.probed_c_ms = (_follow(self.probed_c, air_end_c, span_ms, _PROBE_LAG_MS) - self.probed_c) / span_ms
        slowness = self._slowness(path_mean_c(air_end_c, water_c), vapour_kpa)
        self.us_per_mm_ms = (slowness - self.us_per_mm) / span_ms

    def _pass_time(self, elapsed_ms: int, outdoor_humidity: float) -> None:
        self.us_per_mm += self.us_per_mm_ms * elapsed_ms
        self.probed_c += self.probed_c_ms * elapsed_ms
        self.lid_c += self._lid_c_ms * elapsed_ms
        self.air_c += self._air_c_ms * elapsed_ms
        self._warm_water(self._wall_c, self._outdoor_c, self.air_c, elapsed_ms)
        self._bedew(self._dew_kpa, outdoor_humidity, elapsed_ms)

    def _slowness(self, path_c: float, vapour_kpa: float) -> float:
        humidity = min(100.0, 100.0 * vapour_kpa / saturation_kpa(path_c))
        return 2000.0 / speed_of_sound_m_s(path_c, humidity)

    def _warm_water(self, wall_c: float, rain_c: float, air_c: float, span_ms: int) -> None:
        """Exchange warmth through wetted walls and the surface, mix in the rain, and swell or shrink the water."""
        tank = self.tank
        volume_l = max(_LEAST_WATER_L, tank.volume_l)
        surface_m2 = tank.table.surface_m2(volume_l)
        wetted_m2 = 2.0 * sqrt(pi * surface_m2) * tank.table.level_mm(volume_l) / 1000.0
        wall_w_k, surface_w_k = _WALL_W_M2_K * wetted_m2, _SURFACE_W_M2_K * surface_m2
        settled_c = (wall_w_k * wall_c + surface_w_k * air_c) / (wall_w_k + surface_w_k)
        lag_ms = 1000.0 * HEAT_J_L_K * volume_l / (wall_w_k + surface_w_k)
        before_c = self.water_c
        mixed = min(1.0, (tank.inflow_l - self._caught_l) / volume_l)
        self._caught_l = tank.inflow_l
        self.water_c = _follow(before_c + mixed * (rain_c - before_c), settled_c, span_ms, lag_ms)
        # Mixing two waters changes no volume to speak of; only warmth through walls and surface does.
        warmed_c = self.water_c - before_c - mixed * (rain_c - before_c)
        tank.swell(density_kg_m3(self.water_c - warmed_c) / density_kg_m3(self.water_c))

    def _bedew(self, excess_kpa: float, outdoor_humidity: float, span_ms: int) -> None:
        """Let drops form on the ranger's face in a cold, damp night, and go again, sooner once the lid is warm."""
        luck = self._rng.random()
        if self.face_lost_part > 0.0:
            if luck < 1.0 - exp(-span_ms / (_SPELL_MS if excess_kpa > 0.0 else _DRYING_MS)):
                self.face_lost_part = 0.0
        elif excess_kpa > 0.0 and outdoor_humidity > _DEW_HUMIDITY:
            often_h = _SPELLS_PER_H * min(1.0, excess_kpa / _DEW_EXCESS_KPA)
            if luck < often_h * span_ms / HOUR_MS:
                self.face_lost_part = self._rng.uniform(0.6, 0.97)


def path_mean_c(upper_air_c: float, water_c: float) -> float:
    """Mean temperature of the air between lid and surface: layered when warm above, turned over when cold above."""
    surface_c = water_c + _SURFACE_FROM_AIR * (upper_air_c - water_c)
    return upper_air_c + (_LAYERED if upper_air_c > surface_c else _TURNING) * (surface_c - upper_air_c)


def _follow(present: float, goal: float, span_ms: float, lag_ms: float) -> float:
    """First-order lag, exact over a stretch in which the goal stands."""
    return goal + (present - goal) * exp(-span_ms / lag_ms)
