"""What the sensors make of the truth: raw echo times, millivolts, counts, each with its own seeded error and faults."""

from __future__ import annotations

from random import Random

from controller.site.model import Tank
from simulator.plant.plant import Plant
from simulator.plant.tank import TankWater

_NOISE_TABLE = 4096
_ECHO_NOISE_US, _MISSED_WAVE_US, _MISSED_WAVE_PART = 5.0, 25, 0.03
_FALSE_ECHO_PART, _LOST_ECHO_PART = 0.004, 0.016
_ODD_ECHO_PART = _FALSE_ECHO_PART + _LOST_ECHO_PART
_LONGEST_ECHO_US = 26_000
_PROBE_STEP_C = 0.0625


class Ranger:
    """An ultrasonic ranger above a tank: times of pings in whole microseconds, 0 for none heard.

    What luck does to the pings of a burst stands in a table, a burst being a run of it from a random place. That costs
    one random number for a burst instead of several for each ping. Two bursts have pings in common only when their
    places are nearer than a burst is long, about one pair in five hundred: independent enough for a level that is the
    mean of a burst and smoothed afterwards.
    """

    def __init__(self, tank: Tank, rng: Random) -> None:
        self._rng = rng
        self._random = rng.random
        self.face_mm = tank.sensor_height_mm + rng.gauss(0.0, 2.0)
        self._blind_mm = tank.blind_zone_mm
        self._errors_us = [self._ping_error_us() for _ in range(_NOISE_TABLE)]
        self._runs_us: dict[int, list[tuple[int | None, ...]]] = {}
        self._seen: tuple[float, float] = (-1.0, 0.0)
        self._true_us = 0.0
        self.last_burst: list[int] = []

    def _ping_error_us(self) -> int | None:
        """Error of a ping; None for one that hears something nearer, or nothing."""
        if self._random() < _ODD_ECHO_PART:
            return None
        # Now and then the detector misses the first wave of 40 kHz and reports the next.
        late = _MISSED_WAVE_US if self._random() < _MISSED_WAVE_PART else 0
        return round(self._rng.gauss(0.0, _ECHO_NOISE_US)) + late

    def _runs(self, count: int) -> list[tuple[int | None, ...]]:
        """Every run of `count` pings in the table, which is a ring; made once for each length."""
        ring = self._errors_us + self._errors_us[:count]
        runs = self._runs_us[count] = [tuple(ring[place : place + count]) for place in range(_NOISE_TABLE)]
        return runs

    def burst_us(self, tank: TankWater, sound_m_s: float, count: int, jump_mm: float = 0.0) -> list[int]:
        """Round-trip times of `count` pings over a tank's surface, which seems to be `jump_mm` further away."""
        volume_l = tank.volume_l
        if self._seen != (volume_l, sound_m_s) or jump_mm:
            distance_mm = self.face_mm - tank.level_mm + jump_mm
            if distance_mm < self._blind_mm:
                return [self._ringing_us(sound_m_s) for _ in range(count)]
            self._true_us = distance_mm * 2000.0 / sound_m_s
            self._seen = (-1.0, 0.0) if jump_mm else (volume_l, sound_m_s)
        true_us = self._true_us
        errors_us = (self._runs_us.get(count) or self._runs(count))[int(self._random() * _NOISE_TABLE)]
        if None in errors_us or true_us > _LONGEST_ECHO_US:
            return [self._odd_ping_us(true_us, error_us) for error_us in errors_us]
        # Adding by `map` spares a pass of the interpreter for each ping.
        return list(map(int(true_us).__add__, errors_us))  # type: ignore[arg-type]

    def _ringing_us(self, sound_m_s: float) -> int:
        """Still ringing from its own ping, it hears something nearer than the blind zone, whatever is there."""
        return int(self._blind_mm * (0.6 + 0.4 * self._random()) * 2000.0 / sound_m_s)

    def _odd_ping_us(self, true_us: float, error_us: int | None) -> int:
        """A ping of a burst in which some heard something nearer, or nothing."""
        if error_us is None and self._random() * _ODD_ECHO_PART < _FALSE_ECHO_PART:
            return int(true_us * (0.4 + 0.5 * self._random()))
        return 0 if error_us is None or true_us > _LONGEST_ECHO_US else int(true_us) + error_us


class Sensors:
    """All sensors of a plant. Channels that the site does not declare raise KeyError."""

    def __init__(self, plant: Plant, seed: int) -> None:
        self._plant = plant
        site = plant.site
        self._rng = Random(f"{seed} sensors")
        self._random = self._rng.random
        self._ranged = {t.sensor_channel: plant.tanks[t.id] for t in site.tanks}
        self._rangers = {t.sensor_channel: Ranger(t, Random(f"{seed} ranger {t.id}")) for t in site.tanks}
        self._floats = {
            t.float_switch_channel: plant.tanks[t.id] for t in site.tanks if t.float_switch_channel is not None
        }
        self._metered = {p.flow_meter.channel: plant.pumps[p.output] for p in site.pumps if p.flow_meter}
        self._probe_offset_c = self._rng.gauss(0.0, 0.2)
        self._probed_c = -1000.0
        self._probed_centi_c = 0
        self._divider = 1.0 + self._rng.gauss(0.0, 0.003)
        self._shunt = 1.0 + self._rng.gauss(0.0, 0.01)
        self._gauge_mm_per_tip = (site.rain_gauge.mm_per_tip if site.rain_gauge else 1.0) * (
            1.0 + self._rng.gauss(0.0, 0.02)
        )
        self._gauge_mm = 0.0
        self._gauge_seen_mm = 0.0
        self._tips = 0
        self._tips_before = 0
        self._pulses_before = dict.fromkeys(self._metered, 0)

    def echo_burst_us(self, channel: int, count: int) -> list[int]:
        """One burst of a ranger."""
        plant = self._plant
        faults = plant.faults
        ranger = self._rangers[channel]
        jump_mm = 0.0
        if faults.echo_silent or faults.echo_frozen or faults.echo_jump_mm:
            if channel in faults.echo_silent:
                return [0] * count
            if channel in faults.echo_frozen and ranger.last_burst:
                return ranger.last_burst
            jump_mm = faults.echo_jump_mm.get(channel, 0.0)
        if plant.settled_ms != plant.now_ms:
            plant.settle()
        ranger.last_burst = burst = ranger.burst_us(self._ranged[channel], plant.sound_m_s, count, jump_mm)
        return burst

    def temperature_centi_c(self, channel: int) -> int | None:
        """The probe in the headspace, in hundredths of a degree, in steps of a sixteenth."""
        plant = self._plant
        faults = plant.faults
        if faults.temperature_bad or faults.temperature_frozen:
            if channel in faults.temperature_bad:
                return None
            if channel in faults.temperature_frozen:
                return round(100.0 * faults.temperature_frozen[channel])
        if plant.headspace_c != self._probed_c:
            self._probed_c = plant.headspace_c
            steps = round((plant.headspace_c + self._probe_offset_c) / _PROBE_STEP_C)
            self._probed_centi_c = round(100.0 * steps * _PROBE_STEP_C)
        return self._probed_centi_c

    def battery_mv(self) -> int | None:
        """Terminal voltage through a divider a few tenths of a per cent off, with converter noise."""
        plant = self._plant
        faults = plant.faults
        if faults.battery_bad:
            return None
        if faults.battery_frozen_mv is not None:
            return faults.battery_frozen_mv
        if plant.settled_ms != plant.now_ms:
            plant.settle()
        supply_v = plant.supply_v() if plant.pumps_run else plant.bank.terminal_v()
        return int(1000.0 * supply_v * self._divider + 16.0 * self._random() - 8.0)

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
        return int(1000.0 * self._plant.bank.net_a * self._shunt)

    def flow_pulses(self, channel: int) -> int:
        """Pulses since `count_from_now`, or the plant's start."""
        plant = self._plant
        if plant.settled_ms != plant.now_ms:
            plant.settle()
        return int(self._metered[channel].pulses) - self._pulses_before[channel]

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
        rain_mm = plant.rain_mm
        if rain_mm != self._gauge_seen_mm:
            if not plant.faults.rain_gauge_blocked:
                self._gauge_mm += rain_mm - self._gauge_seen_mm
            self._gauge_seen_mm = rain_mm
            self._tips = int(self._gauge_mm / self._gauge_mm_per_tip)
        return self._tips - self._tips_before

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
