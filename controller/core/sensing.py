"""The estimators of a site, fed from board reports: levels, battery, rain, temperature, flow counters, the ledgers.

The only place where a board's report is taken apart. What the meter counted is handed back to the caller, who knows
which watering it belongs to.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from controller.core.run_trace import RunTrace
from controller.estimate.battery import BatteryEstimator
from controller.estimate.board_clock import BoardClock
from controller.estimate.charge_trend import ChargeTrend
from controller.estimate.counters import Counter
from controller.estimate.daily import DayTemperatures, RainDay
from controller.estimate.flow import FlowWatch
from controller.estimate.flow_excess import PulseCeiling
from controller.estimate.frozen_echo import FrozenEcho
from controller.estimate.ledger import (
    DayLedger,
    Evidence,
    book,
    ledger_data,
    ledger_from_data,
    millilitres,
    next_day,
    reconcile,
    zone_account,
)
from controller.estimate.level import CLOUDBURST_MM_MIN, HAND_FILLING_L_MIN, LevelEstimator, LevelReading
from controller.estimate.line_noise import LineNoise
from controller.estimate.meter_correction import AS_COUNTED_SD
from controller.estimate.soil_volts import SoilVolts
from controller.estimate.tank_watch import TankWatch
from controller.site.geometry import LevelTable
from controller.site.model import Site
from firmware_host.messages import Report

NEARLY_FULL_PART = 0.97
"""A tank that holds more than this part need not rise in rain."""
AIR_CHANNEL = 0
EXTREMES_EVERY_MS = 5 * 60_000
"""How often the air temperature counts for the day's extremes. Weather services average over a minute and keep extremes
of that; a probe in a box follows the air within minutes anyway, so this is often enough (own choice)."""
NEVER_MS = -(10**12)


class Sensing:
    """All that is measured. `dump` and `load` round-trip exactly."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._tables = {tank.id: LevelTable(tank.shape) for tank in site.tanks}
        self._capacity_l = {tank.id: self._tables[tank.id].volume_l(tank.overflow_mm) for tank in site.tanks}
        stale_ms = max(60_000, 2500 * site.idle_report_s)
        self._levels: dict[str, LevelEstimator] = {}
        for tank in site.tanks:
            roofs_m2 = sum(roof.area_m2 for roof in site.roofs if roof.tank_id == tank.id)
            draw_l_min = sum(pump.max_flow_l_min for pump in site.pumps if pump.tank_id == tank.id)
            self._levels[tank.id] = LevelEstimator(
                tank,
                self._tables[tank.id],
                max_inflow_l_min=HAND_FILLING_L_MIN + CLOUDBURST_MM_MIN * roofs_m2,
                dry_inflow_l_min=HAND_FILLING_L_MIN if site.rain_gauge else None,
                max_draw_l_min=draw_l_min,
                stale_after_ms=stale_ms,
            )
        self._frozen = {tank.id: FrozenEcho() for tank in site.tanks}
        self._channels = [
            (tank.id, tank.sensor_channel, self._levels[tank.id].observe, self._frozen[tank.id]) for tank in site.tanks
        ]
        self._with_roofs = {roof.tank_id for roof in site.roofs}
        tip_mm = site.rain_gauge.mm_per_tip if site.rain_gauge else 0.0
        self.watches = {
            tank.id: TankWatch(tank, self._tables[tank.id], [r for r in site.roofs if r.tank_id == tank.id], tip_mm)
            for tank in site.tanks
        }
        self._look_due_mono_ms = 0
        self.flows = {
            pump.id: FlowWatch(pump, site.tank(pump.tank_id), [z for z in site.zones if z.tank_id == pump.tank_id])
            for pump in site.pumps
            if pump.flow_meter is not None and site.pump_for_tank(pump.tank_id) is pump
        }
        """What each metered pump's runs tell of it, its filter and its zones."""
        self._trace: RunTrace | None = None
        self._pumps = [(pump, 1 << pump.output, Counter()) for pump in site.pumps]
        self._unmetered = [(1 << pump.output, pump.tank_id) for pump in site.pumps if pump.flow_meter is None]
        self.ceilings = {
            pump.id: PulseCeiling(pump.max_flow_l_min, pump.flow_meter.pulses_per_l)
            for pump in site.pumps
            if pump.flow_meter is not None
        }
        """What of each meter's pulses may have been water."""
        self._pumps_before = 0
        """Pumps that the report before this one showed on."""
        self._totals_seen: dict[int, int] | None = None
        """The flow meters' totals last taken; the same words of a report are read into the same mapping."""
        self._boot_id = ""
        self.battery = BatteryEstimator(site.battery, site.panel, site.place)
        self.charge_trend = ChargeTrend()
        self.line_noise = LineNoise()
        self.board_clock = BoardClock()
        self.panel_v: float | None = None
        """The panel's voltage in the newest report."""
        self._rain = RainDay(site.rain_gauge.mm_per_tip) if site.rain_gauge else None
        self.temperatures = DayTemperatures()
        self.temperature_c: float | None = None
        self.temperature_mono_ms: int | None = None
        self.extremes_due_mono_ms = NEVER_MS
        """When the air temperature is next to count for the day's extremes."""
        self._last_rain_mono_ms = NEVER_MS
        self.ledgers: dict[str, DayLedger] = {}
        self.soil = {zone.soil_probe.channel: SoilVolts() for zone in site.zones if zone.soil_probe is not None}
        """The soil probes by channel."""

    # --- feeding ---------------------------------------------------------------------------------------------

    def note_extremes(self, mono_ms: int, minute_of_day: int) -> None:
        """Let the newest air temperature count for the day's extremes; call it when `extremes_due_mono_ms` is past."""
        if self.temperature_c is not None and self.temperature_mono_ms == mono_ms:
            self.extremes_due_mono_ms = mono_ms + EXTREMES_EVERY_MS
            self.temperatures.add(self.temperature_c, minute_of_day)

    def take(self, report: Report, mono_ms: int) -> dict[str, int]:
        """Feed one report; returns the pulses counted since the last one, by pump id (zero ones left out)."""
        # Taken apart at once: reading a field of a named tuple by its name costs as much as three of these.
        (
            _, boot_id, uptime_ms, echoes, temperatures, battery_v, panel_v, current_a, flow_pulses, rain_tips, _,
            pump_on, valve_open, *_, soil_v,
        ) = report  # fmt: skip
        air_c = temperatures.get(AIR_CHANNEL)
        if air_c is not None:
            self.temperature_c = air_c
            self.temperature_mono_ms = mono_ms
        rain_mm = 0.0
        if rain_tips is not None and self._rain is not None:
            rain_mm = self._rain.add(boot_id, rain_tips, mono_ms)
            if rain_mm > 0.0:
                self._rained(rain_mm, mono_ms)
        pulses: dict[str, int] = {}
        drawn_l: dict[str, float] = {}
        load_a = 0.0
        if pump_on or flow_pulses is not self._totals_seen or boot_id != self._boot_id:
            # At rest nothing is counted, and what was counted before need not be looked at again.
            load_a = self._count(boot_id, uptime_ms, flow_pulses, pump_on, valve_open, pulses, drawn_l)
        if self._unmetered and (pump_on or self._pumps_before):
            for mask, tank_id in self._unmetered:
                if (pump_on | self._pumps_before) & mask:
                    self._levels[tank_id].drawn_unmetered(mono_ms)
                    self.watches[tank_id].drawn_unmetered()
        self._pumps_before = pump_on
        raining = rain_mm > 0.0 or mono_ms - self._last_rain_mono_ms < 1_800_000
        for tank_id, channel, observe, frozen in self._channels:
            burst = echoes.get(channel)
            if burst is not None:
                if burst == frozen.burst:
                    frozen.again(air_c, mono_ms)
                else:
                    frozen.burst, frozen.count = burst, 0
                observe(burst, air_c, mono_ms, drawn_l.get(tank_id, 0.0) if pulses else 0.0, raining)
        self.panel_v = panel_v
        self.battery.observe(battery_v, load_a, mono_ms, panel_v, current_a)
        if soil_v:
            self._note_soil(soil_v)
        if drawn_l or rain_mm > 0.0:
            for tank_id, watch in self.watches.items():
                metered_l = drawn_l.get(tank_id, 0.0)
                self._frozen[tank_id].add(rain_mm, metered_l)
                watch.add(rain_mm, metered_l * (1.0 + self.meter_correction(tank_id)[0]) if metered_l else 0.0)
        if mono_ms >= self._look_due_mono_ms:
            self._look(echoes, air_c, mono_ms, raining)
        if self._trace is not None:
            self._follow_run(self._trace, report, pulses, raining, mono_ms)
        return pulses

    # --- one watering ----------------------------------------------------------------------------------------

    def begin_run(self, zone_id: str) -> None:
        """A watering of a zone is being prepared; it is followed until `end_run`, where its pump has a meter."""
        zone = self._site.zone(zone_id)
        pump_id = self._site.pump_for_tank(zone.tank_id).id
        if pump_id in self.ceilings:
            self.ceilings[pump_id].begin()
        if pump_id in self.flows:
            self._trace = RunTrace(zone_id, self._site.tank(zone.tank_id), self._tables[zone.tank_id])

    def _follow_run(
        self, trace: RunTrace, report: Report, pulses: Mapping[str, int], raining: bool, mono_ms: int
    ) -> None:
        tank = trace.tank
        pump = self._site.pump_for_tank(tank.id)
        on = bool(report.pump_on & (1 << pump.output))
        level_mm = self._levels[tank.id].reading(mono_ms).level_mm
        trace.observe(mono_ms, on, pulses.get(pump.id, 0), report.battery_v, level_mm, report.current_a, raining)
        burst = report.echo_us.get(tank.sensor_channel)
        if burst is not None and not on:
            trace.look(burst, report.temperature_c.get(AIR_CHANNEL), level_mm)

    def forget_flow_finding(self, finding_id: str) -> bool:
        """Somebody mended what a finding named: it is taken back, and found again if it is still so. False: no such."""
        for flow in self.flows.values():
            for finding in flow.findings():
                if f"{finding.kind}:{finding.about}" == finding_id:
                    flow.clear(finding.kind, finding.about, relearn=finding.kind == "supply-up")
                    return True
        return False

    def relearn_flow(self, zone_id: str) -> None:
        """Somebody worked on a zone's line: what flows there usually is learned anew."""
        flow = self.flows.get(self._site.pump_for_tank(self._site.zone(zone_id).tank_id).id)
        if flow is not None:
            flow.relearn(zone_id)

    def drop_run(self) -> None:
        """The watering did not begin."""
        self._trace = None

    def end_run(self, mono_ms: int, float_dry: bool | None) -> None:
        """The watering is over: judge what it showed. None for `float_dry` without a float."""
        trace, self._trace = self._trace, None
        if trace is None:
            return
        pump = self._site.pump_for_tank(trace.tank.id)
        if pump.flow_meter is not None:
            reading = self._levels[trace.tank.id].reading(mono_ms)
            level_mm = reading.level_mm if reading.quality != "unknown" else None
            trace.judge(self.flows[pump.id], mono_ms, pump.flow_meter.pulses_per_l, level_mm, float_dry)

    def _look(self, echoes: Mapping[int, Sequence[int]], air_c: float | None, mono_ms: int, raining: bool) -> None:
        """Every few minutes: what a burst says of loss and storms."""
        for tank_id, channel, _, _ in self._channels:
            watch, burst = self.watches[tank_id], echoes.get(channel)
            if burst is not None and mono_ms >= watch.due_mono_ms:
                watch.look(mono_ms, self.level(tank_id, mono_ms), burst, air_c, raining)
        self._look_due_mono_ms = min(watch.due_mono_ms for watch in self.watches.values())

    def _note_soil(self, soil_v: dict[int, float | None]) -> None:
        for channel, readings in self.soil.items():
            volts = soil_v.get(channel)
            if volts is not None:
                readings.add(volts)

    def _count(
        self,
        boot_id: str,
        uptime_ms: int,
        flow_pulses: dict[int, int],
        pump_on: int,
        valve_open: int,
        pulses: dict[str, int],
        drawn_l: dict[str, float],
    ) -> float:
        """Follow the meters, by pump into `pulses`, by tank into `drawn_l`; returns the pumps' declared current."""
        load_a = 0.0
        for pump, mask, counter in self._pumps:
            if pump_on & mask:
                load_a += pump.current_a
            meter = pump.flow_meter
            if meter is not None and meter.channel in flow_pulses:
                counted = counter.follow(boot_id, flow_pulses[meter.channel])
                if counted:
                    counted = self.ceilings[pump.id].possible(counted, uptime_ms)
                    pulses[pump.id] = counted
                    if (pump_on | self._pumps_before) & mask or valve_open:
                        # Pulses at rest are a fault of their own; as a draw they would count the tank empty.
                        # With a valve open they are water: of a pump that runs although it is off.
                        drawn_l[pump.tank_id] = drawn_l.get(pump.tank_id, 0.0) + counted / meter.pulses_per_l
        self._totals_seen = flow_pulses
        self._boot_id = boot_id
        return load_a

    def _rained(self, rain_mm: float, mono_ms: int) -> None:
        """Tell the levels how much may run in."""
        self._last_rain_mono_ms = mono_ms
        for roof in self._site.roofs:
            self._levels[roof.tank_id].rained(roof.area_m2 * rain_mm)

    def meter_correction(self, tank_id: str) -> tuple[float, float]:
        """What to add to the metered volume of a tank's waterings, and how sure it is then, as parts of it."""
        flow = self.flows.get(self._site.pump_for_tank(tank_id).id)
        return (0.0, AS_COUNTED_SD) if flow is None else flow.correction[:2]

    def note_delivery(self, tank_id: str, zone_id: str, delivered_ml: int, sd_part: float, mono_ms: int) -> None:
        """Book what a watering drew since it was last booked, to the zone's account of the tank's day."""
        ledger = self.ledgers.get(tank_id)
        if ledger is not None and delivered_ml:
            evidence = Evidence(sd_part * delivered_ml, mono_ms, mono_ms)
            # One meter counts all of it: what it counts wrong adds up.
            self.ledgers[tank_id] = book(ledger, zone_account(zone_id), -delivered_ml, evidence, same_error=True)

    # --- asking ----------------------------------------------------------------------------------------------

    def level(self, tank_id: str, mono_ms: int) -> LevelReading:
        reading = self._levels[tank_id].reading(mono_ms)
        if self._frozen[tank_id].lasts and reading.quality == "good" and self.frozen_why(tank_id, mono_ms):
            return reading._replace(quality="suspect")
        return reading

    def frozen_why(self, tank_id: str, mono_ms: int) -> str:
        """Why a level that repeats itself cannot be true, in words; empty when it does not, or may well be true."""
        reading = self._levels[tank_id].reading(mono_ms)
        nearly_full_l = NEARLY_FULL_PART * self._capacity_l[tank_id]
        fills = tank_id in self._with_roofs and not reading.at_or_above and (reading.volume_l or 0.0) < nearly_full_l
        return self._frozen[tank_id].why(fills)

    def frozen_since_ms(self, tank_id: str) -> int:
        """Since when a level repeats itself; means nothing while it does not."""
        return self._frozen[tank_id].since_ms

    def capacity_l(self, tank_id: str) -> float:
        """Volume at the overflow."""
        return self._capacity_l[tank_id]

    @property
    def rain_today_mm(self) -> float:
        return self._rain.rain_mm if self._rain is not None else 0.0

    def void_rain_today(self, voided_mm: float) -> None:
        """So much of what was counted today was no rain."""
        if self._rain is not None:
            self._rain.rain_mm = max(0.0, self._rain.rain_mm - voided_mm)

    # --- days ------------------------------------------------------------------------------------------------

    def close_day(self, mono_ms: int, opening_date: str) -> list[DayLedger]:
        """Close every tank's ledger on what was measured and open the next day's; starts the day's extremes anew."""
        closed: list[DayLedger] = []
        for tank in self._site.tanks:
            reading = self._levels[tank.id].reading(mono_ms)
            ledger = self.ledgers.get(tank.id)
            known = reading.volume_l is not None and reading.quality != "unknown"
            bookings = self.watches[tank.id].close_day(mono_ms)
            if ledger is not None:
                for account, into_tank_ml, evidence in bookings:
                    ledger = book(ledger, account, into_tank_ml, evidence)
                if known and reading.volume_l is not None:
                    ledger = reconcile(ledger, millilitres(reading.volume_l), 1000.0 * (reading.sd_l or 0.0))
                closed.append(ledger)
                self.ledgers[tank.id] = next_day(ledger, opening_date)
            elif known:
                self.open_ledger(tank.id, mono_ms, opening_date)
        self.temperatures.start_day()
        for readings in self.soil.values():
            readings.start_day()
        if self._rain is not None:
            self._rain.start_day()
        return closed

    def open_ledger(self, tank_id: str, mono_ms: int, local_date: str) -> None:
        """Begin a tank's first ledger, once a volume is known."""
        reading = self._levels[tank_id].reading(mono_ms)
        if tank_id not in self.ledgers and reading.volume_l is not None and reading.quality != "unknown":
            self.ledgers[tank_id] = DayLedger(tank_id, local_date, millilitres(reading.volume_l))

    # --- memory ----------------------------------------------------------------------------------------------

    def restarted(self, shift_ms: int) -> None:
        """The monotonic clock began anew: levels and battery are measured afresh."""
        for level in self._levels.values():
            level.restarted()
        for frozen in self._frozen.values():
            frozen.restarted(shift_ms)
        for watch in self.watches.values():
            watch.restarted()
        self._look_due_mono_ms = 0
        self._trace = None
        for flow in self.flows.values():
            flow.restarted(shift_ms)
        self.battery.restarted()
        self.charge_trend.restarted(shift_ms)
        self.line_noise.restarted()
        self.board_clock.restarted()
        if self.temperature_mono_ms is not None:
            self.temperature_mono_ms += shift_ms
        if self.extremes_due_mono_ms != NEVER_MS:
            self.extremes_due_mono_ms += shift_ms
        if self._last_rain_mono_ms != NEVER_MS:
            self._last_rain_mono_ms += shift_ms

    def dump(self) -> dict[str, Any]:
        return {
            "levels": {tank_id: level.dump() for tank_id, level in self._levels.items()},
            "frozen": {tank_id: frozen.dump() for tank_id, frozen in self._frozen.items()},
            "pumps_before": self._pumps_before,
            "battery": self.battery.dump(),
            "charge_trend": self.charge_trend.dump(),
            "line_noise": self.line_noise.dump(),
            "board_clock": self.board_clock.dump(),
            "panel_v": self.panel_v,
            "rain": self._rain.dump() if self._rain is not None else None,
            "temperatures": self.temperatures.dump(),
            "soil": {str(channel): readings.dump() for channel, readings in self.soil.items()},
            "temperature_c": self.temperature_c,
            "temperature_mono_ms": self.temperature_mono_ms,
            "extremes_due_mono_ms": self.extremes_due_mono_ms,
            "counters": {pump.id: counter.dump() for pump, _, counter in self._pumps},
            "ceilings": {pump_id: ceiling.dump() for pump_id, ceiling in self.ceilings.items()},
            "watches": {tank_id: watch.dump() for tank_id, watch in self.watches.items()},
            "flows": {pump_id: flow.dump() for pump_id, flow in self.flows.items()},
            "trace": None if self._trace is None else self._trace.dump(),
            "last_rain_mono_ms": self._last_rain_mono_ms,
            "ledgers": {tank_id: ledger_data(ledger) for tank_id, ledger in self.ledgers.items()},
        }

    def load(self, data: dict[str, Any]) -> None:
        """Take back a dump; parts of tanks, pumps or roofs that the site no longer has are left out."""
        for tank_id, level in self._levels.items():
            if tank_id in data["levels"]:
                level.load(data["levels"][tank_id])
        for tank_id, frozen in self._frozen.items():
            if tank_id in data.get("frozen", {}):
                frozen.load(data["frozen"][tank_id])
        self._pumps_before = data["pumps_before"]
        self.battery.load(data["battery"])
        if "charge_trend" in data:
            self.charge_trend.load(data["charge_trend"])
        if "line_noise" in data:
            self.line_noise.load(data["line_noise"])
            self.board_clock.load(data["board_clock"])
        self.panel_v = data.get("panel_v")
        if self._rain is not None and data["rain"] is not None:
            self._rain.load(data["rain"])
        self.temperatures.load(data["temperatures"])
        for channel, readings in self.soil.items():
            if str(channel) in data.get("soil", {}):
                readings.load(data["soil"][str(channel)])
        self.temperature_c = data["temperature_c"]
        self.temperature_mono_ms = data["temperature_mono_ms"]
        self.extremes_due_mono_ms = data.get("extremes_due_mono_ms", NEVER_MS)
        for pump, _, counter in self._pumps:
            if pump.id in data["counters"]:
                counter.load(data["counters"][pump.id])
        for tank_id, watch in self.watches.items():
            if tank_id in data.get("watches", {}):
                watch.load(data["watches"][tank_id])
        self._look_due_mono_ms = min(watch.due_mono_ms for watch in self.watches.values())
        for pump_id, flow in self.flows.items():
            if pump_id in data.get("flows", {}):
                flow.load(data["flows"][pump_id])
        trace = data.get("trace")
        if trace is not None and any(zone.id == trace["zone_id"] for zone in self._site.zones):
            self.begin_run(trace["zone_id"])
            if self._trace is not None:
                self._trace.load(trace)
        for pump_id, ceiling in self.ceilings.items():
            if pump_id in data.get("ceilings", {}):
                ceiling.load(data["ceilings"][pump_id])
        self._last_rain_mono_ms = data["last_rain_mono_ms"]
        self.ledgers = {
            tank_id: ledger_from_data(ledger) for tank_id, ledger in data["ledgers"].items() if tank_id in self._levels
        }
