"""What the sensors make of the truth: raw echo times, millivolts, counts, each with its own seeded error and faults."""

from __future__ import annotations

from itertools import chain
from random import Random

from controller.site.model import Tank
from simulator.plant.plant import Plant

_NOISE_TABLE = 4096
_ECHO_NOISE_US, _MISSED_WAVE_US, _MISSED_WAVE_PART = 5.0, 25, 0.03
_FALSE_ECHO_PART, _LOST_ECHO_PART = 0.004, 0.016
_ODD_ECHO_PART = _FALSE_ECHO_PART + _LOST_ECHO_PART
_LONGEST_ECHO_US = 26_000
_PROBE_STEP_C = 0.0625


class Ranger:
    """An ultrasonic ranger above a tank: times of pings in whole microseconds, 0 for none heard."""

    def __init__(self, tank: Tank, rng: Random) -> None:
        self._rng = rng
        self.face_mm = tank.sensor_height_mm + rng.gauss(0.0, 2.0)
        self._blind_mm = tank.blind_zone_mm
        # A table walked from a random place costs a tenth of a fresh normal number for each ping.
        noise = [self._ping_error_us() for _ in range(_NOISE_TABLE)]
        # Twice over, so that a walk from any place needs no look at the table's end.
        self._noise = noise + noise
        self.last_burst: list[int] = []

    def _ping_error_us(self) -> int:
        # Now and then the detector misses the first wave of 40 kHz and reports the next.
        late = _MISSED_WAVE_US if self._rng.random() < _MISSED_WAVE_PART else 0
        return round(self._rng.gauss(0.0, _ECHO_NOISE_US)) + late

    def burst_us(self, level_mm: float, sound_m_s: float, count: int) -> list[int]:
        """Round-trip times of `count` pings over a surface at `level_mm`."""
        random = self._rng.random
        distance = self.face_mm - level_mm
        if distance < self._blind_mm:
            # Still ringing from its own ping: it hears something nearer than the blind zone, whatever is there.
            return [int(self._blind_mm * (0.6 + 0.4 * random()) * 2000.0 / sound_m_s) for _ in range(count)]
        true_us = distance * 2000.0 / sound_m_s
        place = int(random() * _NOISE_TABLE) + 1
        errors_us = self._noise[place : place + count]
        lucks = [random() for _ in range(count)]
        if true_us > _LONGEST_ECHO_US or min(lucks) < _ODD_ECHO_PART:
            return self._odd_burst_us(true_us, errors_us, lucks)
        whole_us = int(true_us)
        return [whole_us + error_us for error_us in errors_us]

    def _odd_burst_us(self, true_us: float, errors_us: list[int], lucks: list[float]) -> list[int]:
        """A burst with pings that heard something nearer, or nothing. A false echo takes one more random number."""
        random = chain(lucks, iter(self._rng.random, None)).__next__
        errors = iter(errors_us)
        burst = []
        for _ in errors_us:
            luck = random()
            if luck < _FALSE_ECHO_PART:
                burst.append(int(true_us * (0.4 + 0.5 * random())))
            elif luck < _ODD_ECHO_PART or true_us > _LONGEST_ECHO_US:
                burst.append(0)
            else:
                burst.append(int(true_us) + next(errors))
        return burst


class Sensors:
    """All sensors of a plant. Channels that the site does not declare raise KeyError."""

    def __init__(self, plant: Plant, seed: int) -> None:
        self._plant = plant
        site = plant.site
        self._rng = Random(f"{seed} sensors")
        self._ranged = {t.sensor_channel: plant.tanks[t.id] for t in site.tanks}
        self._rangers = {t.sensor_channel: Ranger(t, Random(f"{seed} ranger {t.id}")) for t in site.tanks}
        self._floats = {
            t.float_switch_channel: plant.tanks[t.id] for t in site.tanks if t.float_switch_channel is not None
        }
        self._metered = {p.flow_meter.channel: plant.pumps[p.output] for p in site.pumps if p.flow_meter}
        self._probe_offset_c = self._rng.gauss(0.0, 0.2)
        self._divider = 1.0 + self._rng.gauss(0.0, 0.003)
        self._shunt = 1.0 + self._rng.gauss(0.0, 0.01)
        self._gauge_mm_per_tip = (site.rain_gauge.mm_per_tip if site.rain_gauge else 1.0) * (
            1.0 + self._rng.gauss(0.0, 0.02)
        )
        self._gauge_mm = 0.0
        self._gauge_seen_mm = 0.0

    def echo_burst_us(self, channel: int, count: int) -> list[int]:
        """One burst of a ranger."""
        plant, faults = self._plant, self._plant.faults
        ranger = self._rangers[channel]
        if channel in faults.echo_silent:
            return [0] * count
        if channel in faults.echo_frozen and ranger.last_burst:
            return ranger.last_burst
        if plant.settled_ms != plant.now_ms:
            plant.settle()
        tank = self._ranged[channel]
        level_mm = tank.table.level_mm(tank.volume_l)
        if faults.echo_jump_mm:
            level_mm -= faults.echo_jump_mm.get(channel, 0.0)
        burst = ranger.last_burst = ranger.burst_us(level_mm, plant.sound_m_s, count)
        return burst

    def temperature_centi_c(self, channel: int) -> int | None:
        """The probe in the headspace, in hundredths of a degree, in steps of a sixteenth."""
        faults = self._plant.faults
        if channel in faults.temperature_bad:
            return None
        if channel in faults.temperature_frozen:
            return round(100.0 * faults.temperature_frozen[channel])
        steps = round((self._plant.headspace_c + self._probe_offset_c) / _PROBE_STEP_C)
        return round(100.0 * steps * _PROBE_STEP_C)

    def battery_mv(self) -> int | None:
        """Terminal voltage through a divider a few tenths of a per cent off, with converter noise."""
        plant = self._plant
        faults = plant.faults
        if faults.battery_bad:
            return None
        if faults.battery_frozen_mv is not None:
            return faults.battery_frozen_mv
        return int(1000.0 * plant.supply_v() * self._divider + 16.0 * self._rng.random() - 8.0)

    def panel_mv(self) -> int:
        """Panel terminals: near its working voltage in any sun, nothing at night."""
        bank = self._plant.bank
        if bank.panel_a <= 0.0:
            return 0
        taken = (bank.net_a + bank.load_a) / bank.panel_a
        return int(17_000.0 + 3_500.0 * (1.0 - taken) + 60.0 * self._rng.random())

    def current_ma(self) -> int:
        """Battery current through the shunt, positive while charging."""
        # Currents stand from event to event; nothing needs settling to read one.
        return int(1000.0 * self._plant.bank.net_a * self._shunt)

    def flow_pulses(self, channel: int) -> int:
        """Pulses since the plant's start."""
        plant = self._plant
        if plant.settled_ms != plant.now_ms:
            plant.settle()
        return int(self._metered[channel].pulses)

    def rain_tips(self) -> int:
        """Bucket tips since the plant's start."""
        plant = self._plant
        if plant.settled_ms != plant.now_ms:
            plant.settle()
        rain_mm = plant.rain_mm
        if rain_mm != self._gauge_seen_mm:
            if not plant.faults.rain_gauge_blocked:
                self._gauge_mm += rain_mm - self._gauge_seen_mm
            self._gauge_seen_mm = rain_mm
        return int(self._gauge_mm / self._gauge_mm_per_tip)

    def float_wet(self, channel: int) -> bool:
        """The float hangs at the suction."""
        plant = self._plant
        if channel in plant.faults.float_stuck:
            return plant.faults.float_stuck[channel]
        if plant.settled_ms != plant.now_ms:
            plant.settle()
        tank = self._floats[channel]
        return tank.volume_l > tank.suction_volume_l
