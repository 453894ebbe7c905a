"""A site that exists only on MQTT, for testing what watches it: an allotment above a river, sixty invented days long.

It says what docs/mqtt.md promises, with numbers of its own from a seeded generator; no controller code is involved.
"""

from __future__ import annotations

import json
import math
import random
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

SITE = "riverside"
ZONES = (
    ("bench", "Polytunnel bench", 9.0, 14.0, 3),
    ("berries", "Berry rows", 26.0, 48.0, 1),
    ("salad", "Salad beds", 18.0, 22.0, 1),
    ("leeks", "Leek bed", 11.0, 30.0, 1),
)
"""Zone id, name, litres on a warm day, total available water in mm, doses a day."""
CAPACITY_L, RESERVE_L = 2500.0, 300.0
LOCAL = ZoneInfo("Europe/London")
READING_EVERY_S = 900


def iso(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def history(now: datetime, days: int = 60, seed: int = 7) -> list[tuple[int, str, dict[str, Any]]]:
    """Records as (Unix seconds, `kind/key`, fields as (SenML label, value, unit)), in order; the first is number 1."""
    rng = random.Random(seed)
    records: list[tuple[int, str, dict[str, Any]]] = []
    volume_l, opening_l = 1500.0, 1500.0
    booked: dict[str, int] = {}
    rain_today_mm = 0.0
    end_s = int(now.timestamp())
    first_s = end_s - days * 86400
    first_s -= first_s % READING_EVERY_S
    wet_spells = {d: rng.uniform(3, 19) for d in range(days) if rng.random() < 0.22}
    silent_days = {days - 24, days - 23}
    for at_s in range(first_s, end_s + 1, READING_EVERY_S):
        local = datetime.fromtimestamp(at_s, LOCAL)
        day = (at_s - first_s) // 86400
        minute = local.hour * 60 + local.minute
        if minute == 0:
            closing = opening_l * 1000 + sum(booked.values())
            unexplained = round(volume_l * 1000 - closing)
            booked["unexplained"] = unexplained
            fields = {
                "local_date": ("vs", (local.date() - timedelta(days=1)).isoformat(), None),
                "opening": ("v", round(opening_l / 1000, 6), "m3"),
                "entries_ml": ("vs", json.dumps(booked), None),
                "closing": ("v", round(volume_l / 1000, 6), "m3"),
            }
            records.append((at_s, "ledger/shed", fields))
            day_fields = {
                "date": ("vs", (local.date() - timedelta(days=1)).isoformat(), None),
                "rain": ("v", round(rain_today_mm / 1000, 6), "m"),
                "et0": ("v", 0.0031, "m"),
            }
            records.append((at_s, "day", day_fields))
            opening_l, booked, rain_today_mm = volume_l, {}, 0.0
        rain_mm = wet_spells.get(day, 0.0) / 12 if 600 <= minute < 780 else 0.0
        rain_today_mm += rain_mm
        caught_l = rain_mm * 0.85 * 32.0
        spilled_l = max(0.0, volume_l + caught_l - CAPACITY_L)
        volume_l += caught_l - spilled_l
        if caught_l:
            booked["rain"] = booked.get("rain", 0) + round(caught_l * 1000)
        if spilled_l:
            booked["overflow"] = booked.get("overflow", 0) - round(spilled_l * 1000)
        for index, (zone_id, _name, warm_l, _taw, doses) in enumerate(ZONES):
            due = [330 + index * 30 + d * 330 for d in range(doses)]
            if minute in [m - m % 15 for m in due] and not (zone_id != "bench" and wet_spells.get(day - 1, 0) > 6):
                given_l = round(warm_l / doses * rng.uniform(0.7, 1.3), 2)
                if volume_l - given_l < RESERVE_L:
                    text = f"the tank holds {volume_l:.0f} L; the reserve of {RESERVE_L:.0f} L is kept"
                    records.append((at_s, f"refusal/{zone_id}", {"text": ("vs", text, None)}))
                    continue
                volume_l -= given_l
                booked[f"zone:{zone_id}"] = booked.get(f"zone:{zone_id}", 0) - round(given_l * 1000)
                fields = {
                    "volume": ("v", given_l / 1000, "m3"),
                    "duration": ("v", round(given_l / 4 * 60), "s"),
                    "ended": ("vs", "done", None),
                    "metered": ("vb", True, None),
                }
                records.append((at_s + 300, f"delivery/{zone_id}", fields))
        if day in silent_days:
            continue
        sun = max(0.0, math.sin((minute - 330) / 780 * math.pi)) if 330 < minute < 1110 else 0.0
        measured = {
            "tank.shed.level": ("v", round(volume_l / 2083, 4), "m"),
            "tank.shed.volume": ("v", round((volume_l + rng.gauss(0, 6)) / 1000, 5), "m3"),
            "tank.shed.volume_sd": ("v", 0.018, "m3"),
            "battery": ("v", round(12.55 + 0.9 * sun * rng.uniform(0.6, 1.0) + rng.gauss(0, 0.02), 3), "V"),
            "temperature": ("v", round(11 + 8 * sun + rng.gauss(0, 0.5), 1), "Cel"),
            "rain_today": ("v", round(rain_today_mm / 1000, 6), "m"),
            **{
                f"zone.{zone_id}.depletion": ("v", round(taw_mm * (0.1 + 0.001 * (minute % 300)) / 1000, 5), "m")
                for zone_id, _name, _warm_l, taw_mm, _doses in ZONES
            },
        }
        records.append((at_s, "measure", measured))
    records.sort(key=lambda r: r[0])
    return records


def packs(records: list[tuple[int, str, dict[str, Any]]], first: int = 1, last: int | None = None) -> list[bytes]:
    """SenML packs of the records with sequence numbers `first` to `last`."""
    chosen = list(enumerate(records, start=1))[first - 1 : last]
    made: list[bytes] = []
    pack: list[dict[str, Any]] = []
    base_s = 0
    for seq, (at_s, name, fields) in chosen:
        if not pack:
            base_s = at_s
        shift = {} if at_s == base_s else {"t": at_s - base_s}
        pack.append({"n": "seq", **shift, "v": seq})
        for field, (label, value, unit) in fields.items():
            pack.append({"n": f"{name}/{field}", **shift, **({"u": unit} if unit else {}), label: value})
        if len(pack) > 120:
            made.append(_finished(pack, base_s))
            pack = []
    if pack:
        made.append(_finished(pack, base_s))
    return made


def _finished(pack: list[dict[str, Any]], base_s: int) -> bytes:
    head = {"bn": f"{SITE}/", "bt": base_s} | pack[0]
    return json.dumps([head, *pack[1:]], separators=(",", ":")).encode()


def last_reading(records: list[tuple[int, str, dict[str, Any]]]) -> tuple[int, str, dict[str, Any]]:
    """The newest record of what was measured; at some times of the day a delivery or a ledger comes after it."""
    return next(record for record in reversed(records) if record[1] == "measure")


def volume_now_l(records: list[tuple[int, str, dict[str, Any]]]) -> float:
    return float(last_reading(records)[2]["tank.shed.volume"][1]) * 1000


def tree(now: datetime, volume_l: float, sequence: int, name: str = "Riverside allotment") -> dict[str, str]:
    """Topic (below `homie/5/`) to payload of everything retained."""
    nodes = ["site", "tank-shed", "power", "weather", *(f"zone-{z[0]}" for z in ZONES)]
    values = {
        "site/mode": "run",
        "site/findings": json.dumps(findings(now)),
        "site/clock": "synchronised",
        "site/time-zone": LOCAL.key,
        "site/units": "metric",
        "site/updated-at": iso(now),
        "site/sequence": str(sequence),
        "site/unsent": "0",
        "tank-shed/level": f"{volume_l / 2083:.3f}",
        "tank-shed/volume": f"{volume_l:.1f}",
        "tank-shed/volume-uncertainty": "18.0",
        "tank-shed/fill": f"{volume_l / CAPACITY_L * 100:.1f}",
        "tank-shed/capacity": f"{CAPACITY_L}",
        "tank-shed/reserve": f"{RESERVE_L}",
        "tank-shed/days-of-supply": f"{(volume_l - RESERVE_L) / 62:.1f}",
        "tank-shed/days-of-supply-low": f"{(volume_l - RESERVE_L) / 70:.1f}",
        "tank-shed/days-of-supply-likely": f"{(volume_l - RESERVE_L) / 50:.1f}",
        "tank-shed/days-of-supply-high": f"{(volume_l - RESERVE_L) / 30:.1f}",
        "tank-shed/quality": "good",
        "tank-shed/measured-at": iso(now - timedelta(seconds=20)),
        "power/voltage": "12.74",
        "power/state-of-charge": "81.0",
        "power/quality": "good",
        "power/measured-at": iso(now - timedelta(seconds=20)),
        "weather/temperature": "17.4",
        "weather/rain-today": "0.0",
        "weather/et0-today": "3.4",
        "weather/measured-at": iso(now - timedelta(seconds=20)),
    }
    for index, (zone_id, zone_name, warm_l, taw_mm, doses) in enumerate(ZONES):
        missing_mm = taw_mm * (0.05, 0.21, 0.4, 0.6)[index]
        zone = {
            "name": zone_name,
            "watering": "true" if zone_id == "salad" else "false",
            "delivered-now": "3.2" if zone_id == "salad" else "0.0",
            "applied-today": "3.2" if zone_id == "salad" else "0.0",
            "daily-cap": f"{warm_l * 2:.1f}",
            "depletion": f"{missing_mm:.1f}",
            "total-available": f"{taw_mm:.1f}",
            "readily-available": f"{taw_mm * 0.45:.1f}",
            "mode": "run",
            "plan": f"{warm_l:.1f}",
            "next-start": iso(now + timedelta(hours=2 + 5 * index)),
            "why": f"{missing_mm:.1f} of {taw_mm:.0f} mm missing; a refill wants {warm_l:.0f} L, all of it allowed",
            "last-refusal": "\x00",
            "schedule-version": "0",
            "schedule": json.dumps(
                {
                    "mode": "need",
                    "windows": [{"start": "05:00", "end": "08:30"}, {"start": "19:00", "end": "21:00"}],
                    "daily_cap_l": warm_l * 2,
                    "doses_per_day": doses,
                }
            ),
        }
        values |= {f"zone-{zone_id}/{key}": value for key, value in zone.items()}
    node_documents: dict[str, Any] = {node: {"properties": {}} for node in nodes}
    description = {"homie": "5.0", "version": 1, "name": name, "nodes": node_documents, "children": [f"{SITE}-board"]}
    board = {
        "homie": "5.0",
        "version": 1,
        "root": SITE,
        "parent": SITE,
        "nodes": {"link": {"properties": {}}, "pump": {"properties": {}}},
    }
    return (
        {f"{SITE}/$state": "ready", f"{SITE}/$description": json.dumps(description)}
        | {f"{SITE}/{path}": value for path, value in values.items()}
        | {
            f"{SITE}-board/$state": "ready",
            f"{SITE}-board/$description": json.dumps(board),
            f"{SITE}-board/link/up": "true",
            f"{SITE}-board/link/board-id": "shed-board",
            f"{SITE}-board/pump/running": "true",
        }
    )


def findings(now: datetime) -> list[dict[str, Any]]:
    """What is open on this site."""
    return [
        {
            "id": "flow-low",
            "severity": "warning",
            "text": "the berry rows took 30 % longer than usual for their water",
            "cure": "rinse the filter; then look for pinched or clogged emitters",
            "since": iso(now - timedelta(hours=7)),
            "latched": False,
        }
    ]
