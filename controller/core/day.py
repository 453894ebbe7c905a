"""Every quarter of an hour: measurements to the journal; at local midnight: the day's books are closed.

Quarters of UTC hours, because every time zone's midnight falls on one.
"""

from __future__ import annotations

from datetime import date
from typing import Any

from controller.contract import Now
from controller.core import balance, choose, probes, rain_credit, stages, takers
from controller.core.context import Context
from controller.core.standing import update_standing
from controller.core.state import NEVER_MS
from controller.core.today import Today
from controller.estimate.ledger import ledger_data
from controller.guard.interlocks import CHARGE_MARGIN_PERCENT
from controller.irrigate.feedback import grown
from controller.irrigate.normal_et import local_correction
from controller.irrigate.plan import gross_l
from controller.irrigate.reference_et import (
    EXPECTATION_WEIGHT,
    hargreaves_mm,
    mean_saturation_vapour_pressure_kpa,
    penman_monteith_mm,
)
from controller.irrigate.root_zone import adjusted_fraction, advance_depletion, readily_available_mm
from controller.irrigate.water_price import RECENT_DAYS
from controller.site.model import Zone

QUARTER_MS = 15 * 60_000
DEFAULT_ET0_MM = 3.0
"""Before anything is known of the weather and without normals (own choice, a mild day)."""
MEAN_DAYS = 7.0
LONGEST_GAP_DAYS = 14
"""A clock that jumps years ahead does not dry the soil for years."""
KEPT_DAYS = 8
FORECAST_KEPT_MS = 3 * 86_400_000
"""An old forecast counts for nothing, but for so long it is said that none has come since."""
PENMAN_MONTEITH, HARGREAVES = "Penman-Monteith", "Hargreaves"
LOCAL_HARGREAVES = "Hargreaves, corrected by the monthly normals"
MEASURED_SOURCES = (PENMAN_MONTEITH, HARGREAVES, LOCAL_HARGREAVES)
CLOCK_DOUBT_MS = 3_600_000
"""A wall clock that is put right by up to this much still ends its day on time."""
SHORTEST_DAY_MS = 12 * 3_600_000
"""However wrong a time source is that jumps from midnight to midnight, no caps begin anew sooner than this after they
last did (own choice: half a day leaves room for a clock that is put right by hours)."""


def quarter_hour(ctx: Context, now: Now) -> None:
    """Bring the water balance up to now, close the day if it is over, note the measurements."""
    state, weather = ctx.state, ctx.state.weather
    ordinal = ctx.clock.ordinal(now.wall_ms)
    if weather.day == 0:
        _first_day(ctx, now, ordinal)
    balance.accrue(ctx, now)
    rain_credit.void_what_no_tank_caught(ctx, now)
    if ordinal > weather.day:
        _close_day(ctx, now, ordinal)
    elif ordinal < weather.day and now.trust == "synchronised" and _had_been_ahead(ctx, now, ordinal):
        _reopen(ctx, now, ordinal)
    for tank in ctx.site.tanks:
        ctx.sensing.open_ledger(tank.id, now.mono_ms, date.fromordinal(weather.day).isoformat())
    state.slow_due_wall_ms = (now.wall_ms // QUARTER_MS + 1) * QUARTER_MS
    least_percent = ctx.site.battery.minimum_charge_percent + CHARGE_MARGIN_PERCENT
    ctx.sensing.charge_trend.add(now.mono_ms, ctx.sensing.battery.charge_percent, least_percent)
    ctx.sensing.line_noise.settle(now.mono_ms)
    update_standing(ctx, now)
    takers.follow(ctx, now)
    _measure(ctx, now)


def _begin(ctx: Context, now: Now, ordinal: int) -> None:
    weather = ctx.state.weather
    weather.day, weather.began_wall_ms, weather.began_mono_ms = ordinal, now.wall_ms, now.mono_ms


def _really_over(ctx: Context, now: Now) -> bool:
    """Has the day ended by the clock that never steps, too? A wall clock put forward ends no day's cap."""
    weather = ctx.state.weather
    if weather.began_mono_ms == NEVER_MS:
        return True
    if weather.renewed_mono_ms != NEVER_MS and now.mono_ms - weather.renewed_mono_ms < SHORTEST_DAY_MS:
        return False
    reckoned_wall_ms = weather.began_wall_ms + now.mono_ms - weather.began_mono_ms + CLOCK_DOUBT_MS
    return ctx.clock.ordinal(reckoned_wall_ms) > weather.day


def _had_been_ahead(ctx: Context, now: Now, ordinal: int) -> bool:
    """A date before the day's own: was the day taken up too early, or was the clock only put right by minutes?"""
    weather = ctx.state.weather
    return ordinal < weather.day - 1 or now.wall_ms < weather.began_wall_ms - 2 * CLOCK_DOUBT_MS


def _reopen(ctx: Context, now: Now, ordinal: int) -> None:
    """Believe the date, keep the day's caps used up as they are, and book no day's evapotranspiration twice."""
    weather = ctx.state.weather
    weather.et0_accrued_mm += weather.closed_et0_mm.get(date.fromordinal(ordinal).isoformat(), 0.0)
    _begin(ctx, now, ordinal)


def _first_day(ctx: Context, now: Now, ordinal: int) -> None:
    weather = ctx.state.weather
    _begin(ctx, now, ordinal)
    weather.accrued_wall_ms = now.wall_ms
    normal_mm = _normal_et0_mm(ctx, date.fromordinal(ordinal))
    weather.et0_expected_mm = DEFAULT_ET0_MM if normal_mm is None else normal_mm
    weather.et0_source = "an assumed mild day" if normal_mm is None else "monthly normals"


def _close_day(ctx: Context, now: Now, ordinal: int) -> None:
    weather = ctx.state.weather
    closing, opening = date.fromordinal(weather.day), date.fromordinal(ordinal)
    et0_mm, source = day_et0_mm(ctx, closing)
    stages.close_day(ctx, closing)
    _settle_zones(ctx, et0_mm - weather.et0_accrued_mm, now.wall_ms)
    gap_days = min(ordinal - weather.day - 1, LONGEST_GAP_DAYS)
    if gap_days > 0:
        _settle_zones(ctx, gap_days * weather.et0_expected_mm, now.wall_ms)
    rain_mm = ctx.sensing.rain_today_mm
    ctx.record("day", "", {"date": closing.isoformat(), "et0_mm": et0_mm, "et0_source": source, "rain_mm": rain_mm})
    weather.recent_rain_mm = [*weather.recent_rain_mm, rain_mm, *[0.0] * gap_days][1 - RECENT_DAYS :]
    doubts = probes.listen(ctx)
    really_over = _really_over(ctx, now)
    if really_over:
        weather.renewed_mono_ms = now.mono_ms
    facts = Today(ctx.site, weather.day, ctx.state.warmth)
    for zone_id in ctx.zones:
        _close_zone(ctx, zone_id, closing, _readily_mm(ctx, ctx.zones[zone_id], facts, et0_mm), really_over)
    for ledger in ctx.sensing.close_day(now.mono_ms, opening.isoformat()):
        ctx.record("ledger", ledger.tank_id, ledger_data(ledger))
    _close_notices(ctx)
    if ctx.state.forecast is not None and now.wall_ms - ctx.state.forecast.issued_wall_ms > FORECAST_KEPT_MS:
        ctx.state.forecast = None
    weather.closed_et0_mm[closing.isoformat()] = et0_mm
    while len(weather.closed_et0_mm) > KEPT_DAYS:
        del weather.closed_et0_mm[min(weather.closed_et0_mm)]
    weather.et0_expected_mm += EXPECTATION_WEIGHT * (et0_mm - weather.et0_expected_mm)
    weather.et0_source = source
    weather.et0_accrued_mm = 0.0
    _begin(ctx, now, ordinal)
    rain_credit.forget_old(ctx)
    if really_over:
        ctx.state.auto_clears_today = 0
    if source not in MEASURED_SOURCES:
        ctx.notice(now, "weather-assumed", "", {"source": source})
    for zone_id, why in doubts.items():
        ctx.notice(now, "probe-silent", zone_id, {"zone": ctx.zones[zone_id].name, "why": why})
    if ctx.state.delivery is None:
        choose.make_plan(ctx, now)


def day_et0_mm(ctx: Context, day: date) -> tuple[float, str]:
    """Reference evapotranspiration of a day and where it comes from, the best source that is there."""
    place, day_of_year = ctx.site.place, day.timetuple().tm_yday
    reported = ctx.state.weather.reported.get(day.isoformat())
    if reported is not None:
        tmin_c, tmax_c = reported["tmin_c"], reported["tmax_c"]
        # FAO-56 equation 19: from mean humidity, when that is all there is.
        ea_kpa = reported["humidity_mean_percent"] / 100.0 * mean_saturation_vapour_pressure_kpa(tmin_c, tmax_c)
        et0_mm = penman_monteith_mm(
            tmin_c,
            tmax_c,
            place.latitude_deg,
            day_of_year,
            place.elevation_m,
            wind_2m_m_s=reported["wind_2m_m_s"],
            ea_kpa=ea_kpa,
            rs_mj=reported["radiation_mj_m2"],
        )
        return et0_mm, PENMAN_MONTEITH
    extremes = ctx.sensing.temperatures.extremes_c()
    if extremes is not None and day.toordinal() == ctx.state.weather.day:
        formula_mm, normals = hargreaves_mm(*extremes, place.latitude_deg, day_of_year), place.normals
        if normals is None or normals.et0_mm is None:
            return formula_mm, HARGREAVES
        return formula_mm * local_correction(place, normals)[day.month - 1], LOCAL_HARGREAVES
    normal_mm = _normal_et0_mm(ctx, day)
    if normal_mm is not None:
        return normal_mm, "monthly normals"
    return ctx.state.weather.et0_expected_mm, "the days before"


def settle_reported_day(ctx: Context, now: Now, day: date) -> None:
    """A station's report of a day already closed corrects what that day was booked with."""
    closed_mm = ctx.state.weather.closed_et0_mm.get(day.isoformat())
    if closed_mm is None:
        return
    et0_mm, _ = day_et0_mm(ctx, day)
    ctx.state.weather.closed_et0_mm[day.isoformat()] = et0_mm
    _settle_zones(ctx, et0_mm - closed_mm, now.wall_ms)


def _normal_et0_mm(ctx: Context, day: date) -> float | None:
    normals = ctx.site.place.normals
    if normals is None:
        return None
    if normals.et0_mm is not None:
        return normals.et0_mm[day.month - 1]
    tmin_c, tmax_c = normals.tmin_c[day.month - 1], normals.tmax_c[day.month - 1]
    return hargreaves_mm(tmin_c, tmax_c, ctx.site.place.latitude_deg, day.timetuple().tm_yday)


def _settle_zones(ctx: Context, et0_mm: float, wall_ms: int) -> None:
    """Add (or take back) reference evapotranspiration to every zone's balance."""
    for zone in ctx.site.zones:
        zone_state = ctx.state.zones[zone.id]
        etc_mm = balance.stressed_etc_mm(ctx, zone, et0_mm, wall_ms)
        zone_state.etc_today_mm += etc_mm
        if etc_mm >= 0.0:
            step = advance_depletion(zone_state.depletion_mm, zone.total_available_mm, 0.0, 0.0, etc_mm)
            zone_state.depletion_mm = step.depletion_mm
        else:
            zone_state.depletion_mm = max(0.0, zone_state.depletion_mm + etc_mm)
        if etc_mm != 0.0:
            zone_state.trim = grown(zone_state.trim, etc_mm, zone_state.depletion_mm)


def _readily_mm(ctx: Context, zone: Zone, facts: Today, et0_mm: float) -> float | None:
    """Readily available water on the day that closes; None when nothing grew there."""
    kc = facts.kc[zone.id] * ctx.state.zones[zone.id].trim.factor
    if kc == 0.0:
        return None
    return readily_available_mm(zone.total_available_mm, adjusted_fraction(facts.fraction[zone.id], kc * et0_mm))


def _close_zone(ctx: Context, zone_id: str, closing: date, readily_mm: float | None, really_over: bool) -> None:
    zone, zone_state = ctx.zones[zone_id], ctx.state.zones[zone_id]
    need_mm = max(0.0, zone_state.etc_today_mm - zone_state.rain_credited_mm)
    need_l = gross_l(zone, need_mm)
    if zone_state.mean_gross_l < 0.0:
        zone_state.mean_gross_l = need_l
    else:
        zone_state.mean_gross_l += (need_l - zone_state.mean_gross_l) / MEAN_DAYS
    ctx.record(
        "day",
        zone_id,
        {
            "date": closing.isoformat(),
            "etc_mm": zone_state.etc_today_mm,
            "rain_mm": zone_state.rain_credited_mm,
            "depletion_mm": zone_state.depletion_mm,
            "readily_mm": readily_mm,
            "applied_l": zone_state.applied_today_ml / 1000.0,
            "doses": sum(1 for key in zone_state.doses if key[:10] == closing.isoformat()),
            "planned_l": zone_state.plan_l,
            "why": zone_state.plan_why,
            "refusal": zone_state.refusal,
        },
    )
    if really_over:
        zone_state.applied_today_ml = 0
        zone_state.tries = 0
    zone_state.etc_today_mm = zone_state.rain_credited_mm = 0.0
    zone_state.doses = _of_the_last_days(zone_state.doses)
    kept = _of_the_last_days(list(zone_state.fixed_left_ml))
    zone_state.fixed_left_ml = {key: zone_state.fixed_left_ml[key] for key in kept}
    zone_state.retry_mono_ms = NEVER_MS
    zone_state.refused_ids, zone_state.refusal = [], ""


def _of_the_last_days(keys: list[str]) -> list[str]:
    """Keys of the last dates that were served, in the order of serving: a clock that is put back by days, or forward by
    years and back, makes no time due again."""
    dates = list(dict.fromkeys(key[:10] for key in reversed(keys)))[:KEPT_DAYS]
    return [key for key in keys if key[:10] in dates]


def _close_notices(ctx: Context) -> None:
    for notice in ctx.state.notices.values():
        data = {"raised": False, "zone": notice.zone_id, "text": notice.text, "cure": notice.cure}
        ctx.record("fault", notice.id, data)
    ctx.state.notices.clear()


def _measure(ctx: Context, now: Now) -> None:
    """One flat row of what is known now; values nobody knows are left out, never zero."""
    values: dict[str, Any] = {}
    for tank in ctx.site.tanks:
        reading = ctx.sensing.level(tank.id, now.mono_ms)
        if reading.quality != "unknown" and reading.volume_l is not None and reading.sd_l is not None:
            values[f"tank.{tank.id}.level_mm"] = round(reading.level_mm or 0.0, 1)
            values[f"tank.{tank.id}.volume_l"] = round(reading.volume_l, 2)
            values[f"tank.{tank.id}.volume_sd_l"] = round(reading.sd_l, 2)
    battery = ctx.sensing.battery
    if battery.voltage_v is not None:
        values["battery_v"] = round(battery.voltage_v, 3)
    if battery.charge_percent is not None:
        values["battery_charge_percent"] = round(battery.charge_percent, 1)
    if ctx.sensing.temperature_c is not None:
        values["temperature_c"] = round(ctx.sensing.temperature_c, 2)
    values["rain_today_mm"] = round(ctx.sensing.rain_today_mm, 3)
    for zone_id, zone_state in ctx.state.zones.items():
        values[f"zone.{zone_id}.depletion_mm"] = round(zone_state.depletion_mm, 2)
    ctx.record("measure", "", values)
