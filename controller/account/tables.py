"""The account as tables for a spreadsheet (CSV, RFC 4180) and as one JSON document; every name carries its unit."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from typing import Any

from controller.account.made import Account, TankAccount
from controller.account.water import Books

Row = Sequence[object]
LEDGER = ("date", "tank", "account", "into_tank_ml", "sd_ml")
DAYS = (
    *("date", "rain_mm", "et0_mm", "et0_source", "temperature_low_c", "temperature_high_c"),
    *("battery_low_v", "battery_low_charge_percent", "readings"),
)
ZONES = (
    *("date", "zone", "given_l", "waiting_l", "etc_mm", "rain_mm", "depletion_mm", "deepest_depletion_mm"),
    *("readily_available_mm", "strained", "refusal"),
)
WATERINGS = (
    *("ended", "date", "zone", "volume_l", "wanted_l", "duration_s", "trigger", "ended_how", "metered"),
    "meter_correction_part",
)
FINDINGS = ("id", "severity", "began", "ended", "hours", "still_stands", "text")


class _Lines(list[str]):
    """What `csv` writes to."""

    def write(self, text: str) -> None:
        self.append(text)


def csv_text(heading: Row, rows: Iterable[Row]) -> str:
    """RFC 4180: commas, quotes where needed, CRLF. Unknown is an empty cell; truths are 1 and 0."""
    lines = _Lines()
    writer = csv.writer(lines, lineterminator="\r\n")
    writer.writerow(heading)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return "".join(lines)


def _cell(value: object) -> object:
    if value is None:
        return ""
    if isinstance(value, bool):
        return int(value)
    return round(value, 6) if isinstance(value, float) else value


def csv_tables(account: Account) -> dict[str, str]:
    """All tables by file name."""
    return {
        "ledger.csv": csv_text(LEDGER, ledger_rows(account)),
        "days.csv": csv_text(DAYS, _day_rows(account)),
        "zones.csv": csv_text(ZONES, _zone_rows(account)),
        "waterings.csv": csv_text(WATERINGS, _watering_rows(account)),
        "findings.csv": csv_text(FINDINGS, _finding_rows(account)),
    }


def ledger_rows(account: Account) -> Iterator[Row]:
    """Of each day the opening, every entry, and the closing: whole millilitres, so that they add up."""
    for tank in account.tanks:
        for day in tank.days:
            yield (day.local_date, tank.tank_id, "opening", day.opening_ml, day.opening_sd_ml)
            for name, into_tank_ml in day.entries_ml.items():
                known = day.evidence.get(name)
                yield (day.local_date, tank.tank_id, name, into_tank_ml, None if known is None else known.sd_ml)
            yield (day.local_date, tank.tank_id, "closing", day.closing_ml, day.closing_sd_ml)


def _day_rows(account: Account) -> Iterator[Row]:
    weather = {day.date: day for day in account.weather}
    for day in account.period.dates():
        known, readings = weather.get(day.isoformat()), account.readings.get(day)
        yield (
            day.isoformat(),
            None if known is None else known.rain_mm,
            None if known is None else known.et0_mm,
            None if known is None else known.et0_source,
            None if readings is None else readings.low("temperature_c"),
            None if readings is None else readings.high("temperature_c"),
            None if readings is None else readings.low("battery_v"),
            None if readings is None else readings.low("battery_charge_percent"),
            0 if readings is None else readings.readings,
        )


def _zone_rows(account: Account) -> Iterator[Row]:
    for day in account.zone_days:
        yield (
            *(day.date, day.zone_id, day.given_l, day.waiting_l, day.etc_mm, day.rain_mm, day.depletion_mm),
            *(day.deepest_mm, day.readily_mm, day.strained if day.judged else None, day.refusal),
        )


def _watering_rows(account: Account) -> Iterator[Row]:
    for run in account.runs:
        yield (
            *(utc(run.ended_wall_ms), run.date, run.zone_id, run.volume_l, run.wanted_l, run.duration_s),
            *(run.trigger, run.ended, run.metered, run.meter_part),
        )


def _finding_rows(account: Account) -> Iterator[Row]:
    for fault in account.faults:
        for stretch in fault.stretches:
            yield (
                *(fault.fault_id, fault.severity, utc(stretch.began_wall_ms)),
                utc(stretch.ended_wall_ms) if stretch.ended else None,
                *(stretch.hours, not stretch.ended, fault.text),
            )


def utc(wall_ms: int) -> str:
    """An instant as RFC 3339 text to the second."""
    return datetime.fromtimestamp(wall_ms / 1000.0, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def json_text(account: Account) -> str:
    """The sums as one document: what the page says, in litres and millimetres."""
    return json.dumps(document(account), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def document(account: Account) -> dict[str, Any]:
    """The same as values."""
    energy = account.energy
    return {
        "site": account.site.id,
        "first_day": account.period.first.isoformat(),
        "last_day": account.period.last.isoformat(),
        "closed_days": account.closed_days,
        "rain_mm": round(account.rain_mm, 3),
        "tanks": {tank.tank_id: _tank(tank) for tank in account.tanks},
        "zones": {
            zone.zone_id: {
                "runs": zone.runs,
                "given_l": round(zone.given_l, 3),
                "taken_by_plants_mm": round(zone.etc_mm, 2),
                "rain_mm": round(zone.rain_mm, 2),
                "need_met_part": _rounded(zone.need_met_part, 4),
                "given_mm": round(zone.net_mm, 2),
                "drained_mm": _rounded(zone.drained_mm, 2),
                "growing_days": zone.season_days if zone.judged_days else None,
                "strained_days": zone.strained_days if zone.judged_days else None,
                "refused_days": zone.refused_days,
                "short_l": round(zone.short_l, 3),
                "ended": dict(zone.ended),
            }
            for zone in account.zones
        },
        "energy": {
            "pump_hours": round(energy.pump_hours, 3),
            "pump_wh": round(energy.pump_wh, 1),
            "pump_wh_per_l": _rounded(energy.wh_per_l, 4),
            "electronics_assumed_wh": round(energy.electronics_wh, 1),
            "lowest_charge_percent": energy.lowest_charge_percent,
            "lowest_charge_day": energy.lowest_charge_day,
            "lowest_v": energy.lowest_v,
            "lowest_v_day": energy.lowest_v_day,
            "days_below_minimum_charge": energy.low_days,
        },
        "findings": {
            fault.fault_id: {
                "severity": fault.severity,
                "times": len(fault.stretches),
                "hours": round(fault.hours, 2),
                "still_stands": fault.stands,
                "text": fault.text,
            }
            for fault in account.faults
        },
        "missed": {
            missed.condition: {
                "zone_days": missed.zone_days,
                "waiting_l": round(missed.waiting_l, 1),
                "strained_days": missed.strained_days,
                "zones": sorted(missed.zones),
            }
            for missed in account.missed
        },
        "drift": {
            "flow_meters": {
                meter.pump_id: {
                    "first_part": meter.first_part,
                    "last_part": meter.last_part,
                    "lowest_part": meter.lowest_part,
                    "highest_part": meter.highest_part,
                }
                for meter in account.meters
            },
            "flows": {
                flow.zone_id: {
                    "runs": flow.runs,
                    "rated_l_min": flow.rated_l_min,
                    "first_l_min": round(flow.first_l_min, 3),
                    "last_l_min": round(flow.last_l_min, 3),
                    "change_part": round(flow.change_part, 4),
                }
                for flow in account.flows
            },
        },
    }


def _tank(tank: TankAccount) -> dict[str, Any]:
    catch = tank.catch
    return {
        **_books(tank.books),
        "mains_water_spared_ml": tank.spared.into_tank_ml,
        "mains_water_spared_sd_ml": _rounded(tank.spared.sd_ml, 0),
        "rain_beyond_what_fell_l": {day: round(beyond_l, 1) for day, beyond_l in tank.more_than_fell},
        "waterings_beyond_books_ml": tank.unbooked_ml,
        "level_known_part": _rounded(tank.level_known_part, 4),
        "limit_l": round(tank.limit_l, 1),
        "days_at_limit": sum(day.at_limit for day in tank.supply),
        "lowest_l": min(day.low_l for day in tank.supply),
        "roof": None
        if catch is None
        else {
            "fallen_l": round(catch.fallen_l, 1),
            "caught_part": _rounded(catch.part, 4),
            "declared_part": round(catch.declared_part, 4),
        },
        "months": {month: _books(books) for month, books in tank.months.items()},
    }


def _books(books: Books) -> dict[str, Any]:
    return {
        "first_day": books.first_day,
        "last_day": books.last_day,
        "days": books.days,
        "opening_ml": books.opening_ml,
        "opening_sd_ml": _rounded(books.opening_sd_ml, 0),
        "entries_ml": {name: entry.into_tank_ml for name, entry in books.entries.items()},
        "sd_ml": {name: round(entry.sd_ml) for name, entry in books.entries.items() if entry.sd_ml is not None},
        "closing_ml": books.closing_ml,
        "closing_sd_ml": _rounded(books.closing_sd_ml, 0),
    }


def _rounded(value: float | None, decimals: int) -> float | None:
    return None if value is None else round(value, decimals)
