"""What the sensors make of the truth: raw echo times, millivolts, counts, each with its own seeded error and faults."""

from __future__ import annotations

from random import Random

from simulator.plant.plant import Plant
from simulator.plant.ranger import Ranger
from simulator.plant.sensor_trouble import Troubles
from simulator.plant.soil_probe import StuckIn

_SHUNT_OFF_MA = 15.0
"""An amplifier's offset, 1 sd; own choice for a shunt of 20 A."""
_PROBE_STEP_C = 0.0625
_DAY_MS = 86_400_000
_GARBAGE_MV, _GARBAGE_CENTI_C = (0, 20_000), (-5500, 12_500)


class Sensors:
    """All sensors of a plant. Channels that the site does not declare raise KeyError."""

    def __init__(self, plant: Plant, seed: int, face_sd_mm: float = 2.0) -> None:
        """`face_sd_mm` is how well the owner has measured where the rangers' faces sit."""
        self._plant = plant
        site = plant.site
        self._rng = Random(f"{seed} sensors")
        self._random = self._rng.random
        self.rangers = {
            t.sensor_channel: Ranger(t, plant.tanks[t.id], plant.headspaces[t.id], f"{seed} ranger {t.id}", face_sd_mm)
            for t in site.tanks
        }
        self._drifts_since_ms: dict[int, int] = {}
        self._troubles = Troubles(Random(f"{seed} troubles"))
        self._miscounts = False
        """Whether a counter has ever been in trouble; what it missed then stays missed."""
        self._probed = next(iter(plant.headspaces.values()))
        self._probed_steps = self._probed_centi_c = 0
        self._soil = {
            zone.soil_probe.channel: StuckIn(zone.soil_probe, plant.roots[zone.id], Random(f"{seed} soil {zone.id}"))
            for zone in site.zones
            if zone.soil_probe is not None
        }
        self._floats = {
            t.float_switch_channel: plant.tanks[t.id] for t in site.tanks if t.float_switch_channel is not None
        }
        self._metered = {p.flow_meter.channel: plant.pumps[p.output] for p in site.pumps if p.flow_meter}
        self._probe_offset_c = self._rng.gauss(0.0, 0.2)
        self._divider = 1.0 + self._rng.gauss(0.0, 0.003)
        self._shunt = 1.0 + self._rng.gauss(0.0, 0.01)
        self._shunt_off_ma = Random(f"{seed} shunt").gauss(0.0, _SHUNT_OFF_MA)
        self._gauge_mm_per_tip = (site.rain_gauge.mm_per_tip if site.rain_gauge else 1.0) * (
            1.0 + self._rng.gauss(0.0, 0.02)
        )
        self._gauge_mm = 0.0
        self._gauge_seen_mm = 0.0
        self._tips = 0
        self._tips_before = 0
        self._pulses_before = dict.fromkeys(self._metered, 0)

    def face_mm(self, channel: int) -> float:
        """How high a ranger's face truly sits above the tank's floor."""
        return self.rangers[channel].face_mm

    def echo_burst_us(self, channel: int, count: int) -> list[int]:
        """One burst of a ranger."""
        plant = self._plant
        if plant.settled_ms != plant.now_ms:
            plant.settle()
        ranger, faults = self.rangers[channel], plant.faults
        if faults.echo_is_troubled:
            ranger.last_burst = burst = self._troubled_burst_us(ranger, channel, count)
            return burst
        ranger.last_burst = burst = ranger.burst_us(plant.now_ms, count)
        return burst

    def _troubled_burst_us(self, ranger: Ranger, channel: int, count: int) -> list[int]:
        faults, now_ms = self._plant.faults, self._plant.now_ms
        if channel in faults.echo_silent:
            return [0] * count
        if channel in faults.echo_frozen and ranger.last_burst:
            return ranger.last_burst
        further_mm = faults.echo_jump_mm.get(channel, 0.0)
        drift_mm_day = faults.echo_drift_mm_day.get(channel)
        if drift_mm_day is None:
            self._drifts_since_ms.pop(channel, None)
        else:
            since_ms = self._drifts_since_ms.setdefault(channel, now_ms)
            further_mm += drift_mm_day * (now_ms - since_ms) / _DAY_MS
        lost_part, false_mm = faults.echo_lost_part.get(channel, 0.0), faults.echo_false_mm.get(channel, 0.0)
        burst = ranger.burst_us(now_ms, count, further_mm, lost_part, false_mm)
        trouble = self._troubles.of(faults, "echo", channel)
        return burst if trouble is None else trouble.burst_us(now_ms, burst, ranger.us_per_mm(now_ms))

    def temperature_centi_c(self, channel: int) -> int | None:
        """The probe in the first tank's headspace, in hundredths of a degree, in steps of a sixteenth."""
        plant = self._plant
        faults = plant.faults
        if faults.temperature_bad or faults.temperature_frozen:
            if channel in faults.temperature_bad:
                return None
            if channel in faults.temperature_frozen:
                return round(100.0 * faults.temperature_frozen[channel])
        air = self._probed
        probed_c = air.probed_c + air.probed_c_ms * (plant.now_ms - air.since_ms)
        steps = round((probed_c + self._probe_offset_c) / _PROBE_STEP_C)
        if steps != self._probed_steps:
            self._probed_steps, self._probed_centi_c = steps, round(100.0 * _PROBE_STEP_C * steps)
        centi_c = self._probed_centi_c
        if faults.sensor:
            trouble = self._troubles.of(faults, "temperature", channel)
            if trouble is not None:
                return trouble.value(plant.now_ms, centi_c, 100.0, _GARBAGE_CENTI_C)
        return centi_c

    def soil_mv(self, channel: int) -> int | None:
        """A soil probe, in millivolts."""
        plant = self._plant
        if channel in plant.faults.soil_frozen_mv:
            return plant.faults.soil_frozen_mv[channel]
        if plant.settled_ms != plant.now_ms:
            plant.settle()
        return self._soil[channel].mv()

    def battery_mv(self) -> int | None:
        """Terminal voltage through a divider a few tenths of a per cent off, with converter noise."""
        plant = self._plant
        faults = plant.faults
        if faults.battery_bad:
            return None
        if faults.battery_frozen_mv is not None:
            return faults.battery_frozen_mv
        if plant.pumps_run:
            supply_v = plant.supply_v()
        else:
            if plant.settled_ms != plant.now_ms:
                plant.settle()
            supply_v = plant.bank.terminal_v()
        millivolts = int(1000.0 * supply_v * self._divider + 16.0 * self._random() - 8.0)
        if faults.sensor:
            trouble = self._troubles.of(faults, "battery")
            if trouble is not None:
                return trouble.value(plant.now_ms, millivolts, 1000.0, _GARBAGE_MV)
        return millivolts

    def panel_mv(self) -> int:
        """Panel terminals: near its working voltage in any sun, nothing at night."""
        bank = self._plant.bank
        if bank.panel_a <= 0.0:
            return 0
        taken = (bank.net_a + bank.load_a) / bank.panel_a
        return int(17_000.0 + 3_500.0 * (1.0 - taken) + 60.0 * self._random())

    def current_ma(self) -> int:
        """Battery current through the shunt, positive while charging."""
        # Currents stand from event to event; nothing needs settling to read one.
        return int(1000.0 * self._plant.bank.net_a * self._shunt + self._shunt_off_ma)

    def flow_pulses(self, channel: int) -> int:
        """Pulses since `count_from_now`, or the plant's start."""
        plant = self._plant
        if plant.settled_ms != plant.now_ms:
            plant.settle()
        pulses = self._metered[channel].pulses
        if self._miscounts or plant.faults.sensor:
            self._miscounts = True
            pulses = self._troubles.count(plant.faults, "flow", channel, pulses, plant.now_ms)
        return int(pulses) - self._pulses_before[channel]

    def count_from_now(self) -> None:
        """Pulses and tips count from nothing again, as they do when a board boots."""
        for channel in self._metered:
            self._pulses_before[channel] += self.flow_pulses(channel)
        self._tips_before += self.rain_tips()

    def rain_tips(self) -> int:
        """Bucket tips since `count_from_now`, or the plant's start."""
        plant = self._plant
        if plant.settled_ms != plant.now_ms:
            plant.settle()
        rain_mm = plant.rain_mm + plant.splashed_mm
        if rain_mm != self._gauge_seen_mm:
            if not plant.faults.rain_gauge_blocked:
                self._gauge_mm += rain_mm - self._gauge_seen_mm
            self._gauge_seen_mm = rain_mm
            self._tips = int(self._gauge_mm / self._gauge_mm_per_tip)
        tips = self._tips
        if self._miscounts or plant.faults.sensor:
            self._miscounts = True
            tips = int(self._troubles.count(plant.faults, "rain", 0, tips, plant.now_ms))
        return tips - self._tips_before

    def float_wet(self, channel: int) -> bool:
        """The float hangs at the suction."""
        plant = self._plant
        stuck = plant.faults.float_stuck
        if stuck and channel in stuck:
            return stuck[channel]
        if plant.settled_ms != plant.now_ms:
            plant.settle()
        tank = self._floats[channel]
        return tank.volume_l > tank.suction_volume_l
