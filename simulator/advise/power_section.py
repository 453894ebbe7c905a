"""The power part of the report: what comes in and goes out by month, the darkest weeks, autonomy, what has to wait."""

from __future__ import annotations

from typing import Any

import numpy as np

from controller.irrigate.likely_weather import MONTH_DAYS
from controller.site.model import Site
from simulator.advise.page import Block, Section, Table, Warnings
from simulator.advise.pictures import Chart, Line
from simulator.advise.power_study import (
    BATTERY_FACTORS,
    CHARGE_KEPT,
    COLD_PART,
    ELECTRONICS_W,
    HELD_VALVE_A,
    NOMINAL_V,
    PANEL_FACTORS,
    PERFORMANCE,
    PowerStudy,
)

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
SURE_FACTOR = 1.2
"""By how much the worst month's income should exceed its use; rules ask for 1.1 to 1.4 (common practice)."""
RULE_DAYS = 5.0


def power_section(site: Site, study: PowerStudy) -> Section:
    """Section and data."""
    warnings = _warnings(study)
    blocks: list[Block] = [Warnings(warnings)] if warnings else []
    if study.panel is not None:
        blocks += [_chart(study), _charge_chart(study), _month_table(study), _sizes_table(site, study)]
    blocks.append(_rules_table(site, study))
    title = "Power: panel and battery through the dark weeks"
    return Section("power", title, tuple(blocks), _found(study), _rests(site, study), _data(study))


def _found(study: PowerStudy) -> tuple[str, ...]:
    busy, idle = study.autonomy_days
    text = f"The battery alone lasts {busy:.1f} days with watering, {idle:.1f} without, down to its minimum charge."
    if study.panel is None:
        return (text + " No panel is declared: somebody has to charge it.",)
    low = 100.0 * float(np.percentile(study.lowest[:, 0, 0], 10))
    flat = float(np.percentile(study.flat_days[:, 0, 0], 90))
    end = "it never runs flat" if flat < 0.5 else f"it is flat on {flat:.0f} days"
    return (f"{text} In the worst year of ten the charge falls to {low:.0f} %, and {end}.",)


def _warnings(study: PowerStudy) -> tuple[str, ...]:
    if study.panel is None:
        return ()
    texts = []
    waiting = float(np.percentile(study.waiting_days[:, 0, 0], 90))
    flat = float(np.percentile(study.flat_days[:, 0, 0], 90))
    if flat >= 0.5:
        texts.append(
            f"In the worst year of ten the battery is flat on {flat:.0f} days, and the controller is off: computer and "
            "board alone take more than the dark weeks bring. Take a larger panel or battery, or switch the computer "
            "off when nothing grows."
        )
    if waiting >= 0.5:
        texts.append(
            f"In the worst year of ten watering waits on {waiting:.0f} days of the season for want of charge; the "
            "zones that count less wait first."
        )
    lead = "A lead battery that stays half empty for weeks loses capacity, and a flat one freezes."
    return (*texts, lead) if texts else ()


def _chart(study: PowerStudy) -> Chart:
    months = range(1, 13)
    return Chart(
        title="A mean day of each month: what the panel brings and what is used",
        x_name="",
        x_words=tuple(zip(months, MONTHS, strict=True)),
        y_name="Wh a day",
        lines=(
            Line("panel, even sky", tuple(zip(months, study.even_wh.tolist(), strict=True)), 0, heavy=True),
            Line("panel, sky brighter around the sun", tuple(zip(months, study.hay_wh.tolist(), strict=True)), 3),
            Line("panel, darkest week in ten years", tuple(zip(months, study.dark_week_wh.tolist(), strict=True)), 1),
            Line(
                "used, watering every daily cap",
                tuple((m, study.electronics_wh + float(study.watering_wh[m - 1])) for m in months),
                2,
            ),
        ),
    )


def _charge_chart(study: PowerStudy) -> Chart:
    least = 100.0 * study.minimum
    charge = tuple((float(day + 1), 100.0 * float(part)) for day, part in enumerate(study.worst_year))
    return Chart(
        title="Charge through the worst of the years, declared panel and battery",
        x_name="",
        x_words=tuple((1.0 + sum(MONTH_DAYS[:m]), name) for m, name in enumerate(MONTHS)),
        y_name="charge, % of what a cold battery gives",
        lines=(
            Line("charge at the end of the day", charge, 0),
            Line("minimum charge: watering waits below it", tuple((day, least) for day in (1.0, 365.0)), 1),
        ),
        y_to=100.0,
    )


def _month_table(study: PowerStudy) -> Table:
    rows = []
    for m, name in enumerate(MONTHS):
        used = study.electronics_wh + float(study.watering_wh[m])
        rows.append(
            (
                name,
                f"{study.even_wh[m]:.0f}",
                f"{study.hay_wh[m]:.0f}",
                f"{study.dark_week_wh[m]:.0f}",
                f"{study.electronics_wh:.0f}",
                f"{study.watering_wh[m]:.0f}",
                f"{study.even_wh[m] / used:.1f}",
            )
        )
    return Table(
        "Wh a day: the two skies disagree most in clear cold months",
        ("month", "panel, even sky", "panel, Hay and Davies", "darkest week", "electronics", "watering", "in / out"),
        tuple(rows),
    )


def _sizes_table(site: Site, study: PowerStudy) -> Table:
    assert study.panel is not None
    rows = []
    for p, panel in enumerate(PANEL_FACTORS):
        cells = []
        for b in range(len(BATTERY_FACTORS)):
            low = 100.0 * float(np.percentile(study.lowest[:, p, b], 10))
            waiting = float(np.percentile(study.waiting_days[:, p, b], 90))
            flat = float(np.percentile(study.flat_days[:, p, b], 90))
            cells.append(f"{low:.0f} %, {waiting:.0f} d, {flat:.0f} d")
        rows.append((f"{panel * study.panel.peak_w:.0f} W", *cells))
    return Table(
        "In the worst year of ten: least charge, days that watering waits, days flat",
        ("panel", *(f"{factor * site.battery.capacity_ah:.0f} Ah" for factor in BATTERY_FACTORS)),
        tuple(rows),
    )


def _rules_table(site: Site, study: PowerStudy) -> Table:
    """What rules of thumb say beside the reckoning."""
    battery = site.battery
    used = study.electronics_wh + float(study.watering_wh.max())
    depth = 1.0 - study.minimum
    ah = used * RULE_DAYS / (NOMINAL_V * max(0.05, depth) * COLD_PART[battery.chemistry])
    rows = [
        (
            f"battery for {RULE_DAYS:.0f} days at {100.0 * depth:.0f} % depth: use x days / (12 V x depth x cold)",
            f"{ah:.0f} Ah",
            f"{battery.capacity_ah:.0f} Ah",
        )
    ]
    if study.panel is not None:
        m = study.worst_month
        month_use = study.electronics_wh + float(study.watering_wh[m])
        income = float(study.even_wh[m])
        wanted = f"{SURE_FACTOR * month_use / income * study.panel.peak_w:.0f} W" if income > 0.0 else "no sun then"
        rows.append(
            (
                f"panel for the worst month ({MONTHS[m]}), with {SURE_FACTOR:g} to spare",
                wanted,
                f"{study.panel.peak_w:.0f} W",
            )
        )
    return Table("Published rules beside it", ("rule", "asks for", "declared"), tuple(rows))


def _rests(site: Site, study: PowerStudy) -> tuple[str, ...]:
    chemistry = site.battery.chemistry
    return (
        f"Light: {study.source}.",
        "Sun: Astronomical Almanac, low precision; hours like a cloudless day (Haurwitz 1945); beam and diffuse by "
        "Erbs, Klein and Duffie 1982; even sky (Liu and Jordan 1963) for the balance, Hay and Davies 1980 beside "
        "it; ground reflects a fifth. No shade of trees or walls: look in December. Within 1 % of the pvlib library.",
        f"Panel: peak x light x {PERFORMANCE:g} for warmth, dirt, wires and a plain charge controller (common "
        "practice). The simulator's panel brings more, so its winters are kinder; a charge controller that tracks "
        "the panel's best point gains as much.",
        f"Battery: {100.0 * COLD_PART[chemistry]:.0f} % of the rated capacity in the cold (lead about 1 % a kelvin, "
        f"from memory), {100.0 * CHARGE_KEPT[chemistry]:.0f} % of the charge kept (common practice), new; an old one "
        f"has less. Minimum charge {100.0 * study.minimum:.0f} % as declared; makers ask for at most half of a lead "
        "battery.",
        f"Use: computer and board {ELECTRONICS_W:g} W day and night (measure yours); pump at its declared current, "
        f"held valves {HELD_VALVE_A:g} A, every growing zone's daily cap every day, which is more than it will be.",
        "Rules: load x days of autonomy / depth of discharge, and the worst month's light, as sizing practices such "
        "as IEEE 1013 and 1562 arrange them (scope only seen; factors are common practice).",
    )


def _data(study: PowerStudy) -> dict[str, Any]:
    return {
        "panel_even_sky_wh": study.even_wh.round(2).tolist(),
        "panel_hay_davies_wh": study.hay_wh.round(2).tolist(),
        "darkest_week_wh": study.dark_week_wh.round(2).tolist(),
        "electronics_wh": study.electronics_wh,
        "watering_wh": study.watering_wh.round(2).tolist(),
        "battery_wh": study.battery_wh,
        "usable_wh": study.usable_wh,
        "autonomy_days": list(study.autonomy_days),
        "lowest_charge": study.lowest[:, 0, 0].round(4).tolist(),
        "waiting_days": study.waiting_days[:, 0, 0].tolist(),
        "flat_days": study.flat_days[:, 0, 0].tolist(),
        "panel_factors": list(PANEL_FACTORS),
        "battery_factors": list(BATTERY_FACTORS),
        "worst_year_of_ten": {
            "lowest_charge": np.percentile(study.lowest, 10, axis=0).round(4).tolist(),
            "waiting_days": np.percentile(study.waiting_days, 90, axis=0).tolist(),
            "flat_days": np.percentile(study.flat_days, 90, axis=0).tolist(),
        },
    }
