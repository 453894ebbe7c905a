"""The storage part of the report: what the tank does, and what the next one or more roof would do."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from controller.estimate.catch import WETTING_MM
from controller.site.model import Site
from controller.site.show import Show
from controller.site.units import INCH_MM, US_GALLON_L
from simulator.advise.climate import FEW_YEARS
from simulator.advise.demand import Array
from simulator.advise.page import Block, Section, Table, Warnings
from simulator.advise.pictures import Band, Bars, Chart, Line
from simulator.advise.storage import daily_catch_l
from simulator.advise.storage_study import (
    AFTER,
    BEFORE,
    DECLARED_ROOF,
    DECLARED_SIZE,
    DOUBLE_SIZE,
    LARGER_ROOF,
    LEVEL_DOUBT_PART,
    ROOF_FACTORS,
    StorageStudy,
)

WANTED_SHARES = (0.8, 0.9, 0.95)
RELIABLE_SHARE = 0.8
"""A year counts as served from this part of the need met on (own choice)."""
FLUSHES_MM = (
    ("no first flush", 0.0),
    ("1 gal per 100 ft2 (Texas rule)", 0.4075),
    ("measured need, {depth} (2024)", 1.2),
)
COEFFICIENTS = (0.75, 0.85, 0.95)
_AREA_RULES = {"metric": "1 mm on 1 m2 is 1 L", "us": "1 in on 1 ft2 is 0.62 gal"}
RULE_PART = 0.05
"""British practice for houses, of a year's yield or of a year's demand, whichever is less (BS 8515, second-hand)."""


class Range(NamedTuple):
    """Over years: exceeded in nine of ten, in five of ten, in one of ten."""

    low: float
    middle: float
    high: float


def range_of(values: Array) -> Range:
    """The 10th, 50th and 90th percentiles."""
    low, middle, high = np.percentile(values, [10, 50, 90])
    return Range(float(low), float(middle), float(high))


class Case(NamedTuple):
    """One tank and roof in the study."""

    name: str
    roof: int
    size: int


CASES = (
    Case("as declared", DECLARED_ROOF, DECLARED_SIZE),
    Case("a second tank like it", DECLARED_ROOF, DOUBLE_SIZE),
    Case("half as much roof again", LARGER_ROOF, DECLARED_SIZE),
    Case("both", LARGER_ROOF, DOUBLE_SIZE),
)


def storage_section(site: Site, studies: Sequence[StorageStudy]) -> Section:
    """Section and data of all tanks that were studied."""
    show = Show(site.units)
    blocks: list[Block] = []
    found: list[str] = []
    for study in studies:
        blocks += _blocks(site, study, show)
        found += _found(study, show)
    for tank in site.tanks:
        if all(study.tank.id != tank.id for study in studies):
            blocks.append(f"{tank.name}: no roof fills it or no zone drinks from it, so nothing was reckoned.")
    data = {study.tank.id: _data(study) for study in studies}
    return Section(
        "storage", "Storage: what tank and roof would do", tuple(blocks), tuple(found), _rests(studies, show), data
    )


def _found(study: StorageStudy, show: Show) -> list[str]:
    declared, double, roof = (
        range_of(study.share_met()[:, case.roof, case.size, AFTER]) for case in (CASES[0], CASES[1], CASES[2])
    )
    spilt = range_of(study.overflow_l[:, DECLARED_ROOF, DECLARED_SIZE, AFTER])
    return [
        f"{study.tank.name} ({show.volume(_capacity(study))}) makes up {_percent(declared.middle)} of what plants "
        f"would miss with rain alone in a middling year, {_percent(declared.low)} in the worst of ten.",
        f"A second one like it: {_percent(double.middle)} and {_percent(double.low)}. Half as much roof again "
        f"instead: {_percent(roof.middle)} and {_percent(roof.low)}. In a middling year {show.volume(spilt.middle)} "
        "run over.",
    ]


def _capacity(study: StorageStudy) -> float:
    return float(study.capacity_l[DECLARED_SIZE])


def _blocks(site: Site, study: StorageStudy, show: Show) -> list[Block]:
    years = study.climate.years
    blocks: list[Block] = [
        f"{study.tank.name}, {show.volume(_capacity(study))} up to the overflow, "
        f"{show.volume(float(study.usable_l[DECLARED_SIZE]))} of it for watering, fed by "
        f"{show.area(float(study.roof_m2[DECLARED_ROOF]))} of roof, through {years} year{'s' if years > 1 else ''} "
        "day by day. The need is what plants would miss with rain alone: under cover, all they drink.",
    ]
    if years < FEW_YEARS:
        say = "1 year says" if years == 1 else f"{years} years say"
        blocks.append(Warnings((f"{say} little of a dry year in ten; take the low figures with care.",)))
    blocks += [
        _curve(study, show),
        _cases_table(study, show),
        _next_words(study, show),
        _wanted_table(study, show),
        _roof_chart(study, show),
        _catch_table(site, study, show),
        _rule_words(site, study, show),
        _zone_bars(study, show),
        _zone_table(study, show),
        _rules_table(study),
    ]
    return blocks


def _curve(study: StorageStudy, show: Show) -> Chart:
    met = 100.0 * study.share_met()[:, DECLARED_ROOF]
    sizes = _volumes(study.capacity_l, show)
    low, middle, high = (np.percentile(met[:, :, AFTER], part, axis=0) for part in (10, 50, 90))
    before = np.percentile(met[:, :, BEFORE], 50, axis=0)
    return Chart(
        title=f"{study.tank.name}: storage and what it yields, with the declared roof",
        x_name=f"tank up to the overflow, {_unit(show)}",
        y_name="part of the need met, %",
        lines=(
            Line("middling year, yield after spillage", _pairs(sizes, middle), 0, heavy=True),
            Line("middling year, yield before spillage", _pairs(sizes, before), 1),
            Line("the declared tank", ((sizes[DECLARED_SIZE], float(middle[DECLARED_SIZE])),)),
        ),
        bands=(
            Band(
                "from the worst year of ten to the best",
                tuple(zip(sizes, low.tolist(), high.tolist(), strict=True)),
            ),
        ),
        marks=((sizes[DOUBLE_SIZE], "twice the tank"),),
        x_log=True,
        y_to=100.0,
    )


def _roof_chart(study: StorageStudy, show: Show) -> Chart:
    sizes = _volumes(study.capacity_l, show)
    middle = np.percentile(100.0 * study.share_met()[..., AFTER], 50, axis=0)
    return Chart(
        title="More roof or more tank: part of the need met in a middling year",
        x_name=f"tank up to the overflow, {_unit(show)}",
        y_name="part of the need met, %",
        lines=tuple(
            Line(
                f"{show.area(float(study.roof_m2[n]))} of roof" + (" (declared)" if n == DECLARED_ROOF else ""),
                _pairs(sizes, middle[n]),
                n,
                heavy=n == DECLARED_ROOF,
            )
            for n in range(len(ROOF_FACTORS))
        ),
        marks=((sizes[DECLARED_SIZE], "declared tank"),),
        x_log=True,
        y_to=100.0,
    )


def _cases_table(study: StorageStudy, show: Show) -> Table:
    rows = []
    for case in CASES:
        at = (slice(None), case.roof, case.size, AFTER)
        met, given = range_of(study.share_met()[at]), range_of(study.supplied_l.sum(axis=1)[at])
        spilt, short = range_of(study.overflow_l[at]), range_of(study.short_days[at])
        empty = range_of(study.empty_days[at])
        rows.append(
            (
                case.name,
                _percents(met),
                str(int((study.share_met()[at] >= RELIABLE_SHARE).sum())),
                _litres(given, show),
                _litres(spilt, show),
                _days(short),
                _days(empty),
            )
        )
    return Table(
        "A year: low one of ten / middling / high one of ten, each column by itself",
        (
            "",
            "need met, %",
            f"years of {study.climate.years} with {_percent(RELIABLE_SHARE)}",
            f"given, {_unit(show)}",
            f"run over, {_unit(show)}",
            "days short",
            "days empty",
        ),
        tuple(rows),
    )


def smallest_for(study: StorageStudy, share: float, part: int, roof: int = DECLARED_ROOF) -> float | None:
    """The smallest tank up to the overflow, litres, that meets a share of the need in a year that `part` per cent of
    years are worse than; None when none in the study does. Between sizes straight lines."""
    met = np.percentile(study.share_met()[:, roof, :, AFTER], part, axis=0)
    above = np.flatnonzero(met >= share)
    if len(above) == 0:
        return None
    first = int(above[0])
    if first == 0:
        return float(study.capacity_l[0])
    return float(np.interp(share, met[first - 1 : first + 1], study.capacity_l[first - 1 : first + 1]))


def _wanted_table(study: StorageStudy, show: Show) -> Table:
    def told(share: float, part: int) -> str:
        size_l = smallest_for(study, share, part)
        return f"none up to {show.volume(float(study.capacity_l[-1]))}" if size_l is None else show.volume(size_l)

    return Table(
        "The tank that would meet so much of the need with the declared roof",
        ("part of the need", "in a middling year", "in the worst year of ten"),
        tuple((_percent(share), told(share, 50), told(share, 10)) for share in WANTED_SHARES),
    )


class NextBit(NamedTuple):
    """What plants drink more in a mean year, litres, for so much more of either."""

    per_tank_l: float
    per_roof_m2: float


def next_bit(study: StorageStudy) -> NextBit:
    """By the steps from the declared tank to the next larger in the study, and from its roof to the next."""
    missing = study.missing_l.sum(axis=1).mean(axis=0)[:, :, AFTER]
    here = missing[DECLARED_ROOF, DECLARED_SIZE]
    more_l = study.capacity_l[DECLARED_SIZE + 1] - study.capacity_l[DECLARED_SIZE]
    more_m2 = study.roof_m2[LARGER_ROOF] - study.roof_m2[DECLARED_ROOF]
    return NextBit(
        float((here - missing[DECLARED_ROOF, DECLARED_SIZE + 1]) / more_l),
        float((here - missing[LARGER_ROOF, DECLARED_SIZE]) / more_m2),
    )


def _next_words(study: StorageStudy, show: Show) -> str:
    bit = next_bit(study)
    return (
        f"From here on, each further {show.volume(100.0)} of tank lets plants drink "
        f"{show.volume(100.0 * bit.per_tank_l)} more in a mean year, each further {show.area(1.0)} of roof "
        f"{show.volume(bit.per_roof_m2)}."
    )


def mean_catch_l(site: Site, study: StorageStudy, first_flush_mm: float | None, coefficient: float | None) -> float:
    """What the tank's roofs would give in a mean year; None: as declared."""
    roofs = [
        replace(
            roof,
            first_flush_mm=roof.first_flush_mm if first_flush_mm is None else first_flush_mm,
            runoff_coefficient=roof.runoff_coefficient if coefficient is None else coefficient,
        )
        for roof in site.roofs
        if roof.tank_id == study.tank.id
    ]
    return sum(daily_catch_l(roof, mm) for mm in study.climate.rain_mm for roof in roofs) / study.climate.years


def _catch_table(site: Site, study: StorageStudy, show: Show) -> Table:
    rows = [
        ("as declared", _catch_row(site, study, None, show)),
        *((name.format(depth=show.rain(f)), _catch_row(site, study, f, show)) for name, f in FLUSHES_MM),
    ]
    return Table(
        f"What the roofs give in a mean year, {_unit(show)}: published figures disagree",
        ("first flush", "coefficient as declared", *(f"{part:g}" for part in COEFFICIENTS)),
        tuple((name, *cells) for name, cells in rows),
    )


def _catch_row(site: Site, study: StorageStudy, first_flush_mm: float | None, show: Show) -> tuple[str, ...]:
    caught = [mean_catch_l(site, study, first_flush_mm, part) for part in (None, *COEFFICIENTS)]
    return tuple(f"{value:,.0f}".replace(",", "\u202f") for value in _volumes(np.array(caught), show))


def _rule_words(site: Site, study: StorageStudy, show: Show) -> str:
    yielded_l = RULE_PART * mean_catch_l(site, study, None, None)
    needed_l = RULE_PART * float(study.needed_l.sum(axis=1).mean())
    return (
        f"A rule for houses beside it: {100.0 * RULE_PART:.0f} % of a year's yield is {show.volume(yielded_l)}, of a "
        f"year's need {show.volume(needed_l)}; the lesser counts. A garden drinks when it does not rain, so the rule "
        "is far too small for one."
    )


def _zone_parts(study: StorageStudy) -> tuple[Array, Array, Array]:
    """Means over years by zone, at the roots: from rain, from the tank, missing; litres."""
    missing = study.missing_l[:, :, DECLARED_ROOF, DECLARED_SIZE, AFTER].mean(axis=0)
    needed, potential = study.needed_l.mean(axis=0), study.potential_l.mean(axis=0)
    return potential - needed, needed - missing, missing


def _zone_bars(study: StorageStudy, show: Show) -> Bars:
    rain, tank, missing = _zone_parts(study)
    return Bars(
        title="What plants would drink in a mean year, and where it comes from (declared tank and roof)",
        x_name=f"at the roots, {_unit(show)} a year",
        labels=tuple(zone.name for zone in study.demand.zones),
        parts=(
            ("what rain alone gives them", tuple(_volumes(rain, show))),
            ("what the tank makes up", tuple(_volumes(tank, show))),
            ("missing", tuple(_volumes(missing, show))),
        ),
    )


def _zone_table(study: StorageStudy, show: Show) -> Table:
    met = study.zone_share_met()
    rows = []
    for n, zone in enumerate(study.demand.zones):
        cells = [_percents(range_of(met[:, n, case.roof, case.size, AFTER])) for case in CASES]
        given = range_of(study.supplied_l[:, n, DECLARED_ROOF, DECLARED_SIZE, AFTER])
        rows.append((f"{zone.name} (priority {zone.priority})", _litres(given, show), *cells))
    return Table(
        "Part of each zone's need met, %: worst year of ten / middling / best year of ten",
        ("zone", f"given, {_unit(show)} a year", *(case.name for case in CASES)),
        tuple(rows),
    )


def _rules_table(study: StorageStudy) -> Table:
    rows = []
    for case in CASES:
        cells = []
        for rule in (AFTER, BEFORE):
            cells.append(_percents(range_of(study.share_met()[:, case.roof, case.size, rule])))
        rows.append((case.name, *cells))
    return Table(
        "Two published rules for the order of events within a day: part of the need met, %",
        ("", "yield after spillage (careful)", "yield before spillage (kind)"),
        tuple(rows),
    )


def _rests(studies: Sequence[StorageStudy], show: Show) -> tuple[str, ...]:
    if not studies:
        return ()
    climate = studies[0].climate
    dual = any(zone.surface is not None for study in studies for zone in study.demand.zones)
    rain = range_of(np.array(climate.year_rain_mm()))
    return (
        f"Weather: {climate.source}. Rain of a year {_depths(rain, show)}.",
        *(
            ()
            if climate.measured
            else (
                "Invented years keep the normals but know no climate trend and no run of dry years: your own records, "
                "with --weather, are better.",
            )
        ),
        f"Catch of a day: ((rain - {show.rain(WETTING_MM)} that wets the roof) x runoff coefficient - first flush) x "
        f"plan area, each day with rain anew. {_AREA_RULES[show.units]}. Wetting: common practice, no source. "
        "Coefficients: BS EN 16941-1 (second-hand) has 0.90 for smooth metal, 0.80 for pitched tiles, 0.75 for "
        "concrete; other tables reach 0.95 for metal. First flush: Texas Water Development Board, and Water 2024, "
        "16(10) 1421 (abstract).",
        "Behaviour of storage: yield after and before spillage, Jenkins and others 1978 in the form of Fewkes and "
        "Butler 2000 (both second-hand). The two rules bracket what the order of events within a day can do.",
        "Need: FAO-56 (1998), crop coefficients by the declared stages, root zones with stress below the readily "
        "available water. Zones under cover get no rain.",
        "The controller's own price of water shares the tank between zones and days: it spares water for what counts "
        "most, which shows as missing elsewhere and not as an empty tank; and it gives more than is needed when the "
        "tank is about to run over. Energy, faults and frost are left out here.",
        *(("Zones with dual coefficients are planned with single ones.",) if dual else ()),
        f"Kept back: the reserve (or what the suction cannot reach), and {100.0 * LEVEL_DOUBT_PART:g} % for the "
        "doubt in the level. A larger tank is taken to be like the declared one, its suction taking the same part.",
        "Against 120 to 150 days of the full simulation in virtual time, the water supplied agrees within 3 % when the "
        "model is told what the garden's own thermometer read, within 5 % when it knows the weather alone "
        "(scripts/bench advise measures it).",
    )


def _data(study: StorageStudy) -> dict[str, Any]:
    met = study.share_met()
    rain, tank, missing = _zone_parts(study)
    return {
        "next_bit": next_bit(study)._asdict(),
        "capacity_l": study.capacity_l.tolist(),
        "usable_l": study.usable_l.tolist(),
        "roof_m2": study.roof_m2.tolist(),
        "rules": ["yield after spillage", "yield before spillage"],
        "years": list(study.climate.names),
        "rain_mm": study.climate.year_rain_mm(),
        "share_met": {
            name: np.percentile(met, part, axis=0).round(5).tolist()
            for name, part in (("p10", 10), ("p50", 50), ("p90", 90))
        },
        "cases": {
            case.name: {
                "roof_m2": float(study.roof_m2[case.roof]),
                "capacity_l": float(study.capacity_l[case.size]),
                "share_met": met[:, case.roof, case.size, AFTER].round(5).tolist(),
                "supplied_l": study.supplied_l[:, :, case.roof, case.size, AFTER].sum(axis=1).round(1).tolist(),
                "overflow_l": study.overflow_l[:, case.roof, case.size, AFTER].round(1).tolist(),
                "short_days": study.short_days[:, case.roof, case.size, AFTER].tolist(),
                "empty_days": study.empty_days[:, case.roof, case.size, AFTER].tolist(),
                "zones": {
                    zone.id: study.zone_share_met()[:, n, case.roof, case.size, AFTER].round(5).tolist()
                    for n, zone in enumerate(study.demand.zones)
                },
            }
            for case in CASES
        },
        "mean_year_l": {
            zone.id: {"rain": float(rain[n]), "tank": float(tank[n]), "missing": float(missing[n])}
            for n, zone in enumerate(study.demand.zones)
        },
    }


def _depths(depth: Range, show: Show) -> str:
    """Three depths with their unit at the end."""
    size, unit, decimals = (1.0, "mm", 0) if show.units == "metric" else (INCH_MM, "in", 1)
    return " / ".join(f"{mm / size:.{decimals}f}" for mm in depth) + f" {unit}"


def _unit(show: Show) -> str:
    return "L" if show.units == "metric" else "gal"


def _volumes(litres: Array, show: Show) -> list[float]:
    scale = 1.0 if show.units == "metric" else US_GALLON_L
    return [float(value) / scale for value in litres]


def _pairs(across: Sequence[float], up: Array) -> tuple[tuple[float, float], ...]:
    return tuple(zip(across, up.tolist(), strict=True))


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %"


def _percents(share: Range) -> str:
    return _together(f"{100.0 * value:.0f}" for value in share)


def _litres(volume: Range, show: Show) -> str:
    return _together(f"{value:,.0f}".replace(",", "\u202f") for value in _volumes(np.array(volume), show))


def _days(days: Range) -> str:
    return _together(f"{value:.0f}" for value in days)


def _together(texts: Iterable[str]) -> str:
    """Low, middle and high on one line."""
    return "\u00a0/\u00a0".join(texts)
