"""Small made-up journals for tests of the account."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

from controller.account.events import DAY_MS, Event
from controller.estimate.ledger import DayLedger, Evidence, ledger_data
from controller.site.load import parse_site
from simulator.example import example_site_text

EXAMPLE = parse_site(example_site_text(), "example site")
FIRST = date(2026, 1, 10)
"""In winter, when the example's local time is UTC."""
BED, POT = "salad-bed-east", "bench-south"


def day(n: int) -> str:
    """The n-th local date of the story, from 0."""
    return (FIRST + timedelta(days=n)).isoformat()


def at(n: float) -> int:
    """Wall time n days into the story."""
    return int(datetime(FIRST.year, FIRST.month, FIRST.day, tzinfo=UTC).timestamp() * 1000) + round(n * DAY_MS)


def ledger(n: int, opening_ml: int, entries_ml: dict[str, int], sd_ml: dict[str, float] | None = None) -> Event:
    """The n-th day's ledger of the example's tank, written at the midnight that ends it."""
    evidence = {account: Evidence(sd, 0, 1) for account, sd in (sd_ml or {}).items()}
    booked = DayLedger("main", day(n), opening_ml, entries_ml, evidence, 900.0, 800.0)
    return Event(at(n + 1), "ledger", "main", ledger_data(booked))


def site_day(n: int, rain_mm: float = 0.0) -> Event:
    data = {"date": day(n), "et0_mm": 1.0, "et0_source": "Hargreaves", "rain_mm": rain_mm}
    return Event(at(n + 1), "day", "", data)


def zone_day(n: int, zone_id: str = BED, **changes: Any) -> Event:
    data = {
        "date": day(n),
        "etc_mm": 2.0,
        "rain_mm": 0.0,
        "depletion_mm": 5.0,
        "readily_mm": 12.0,
        "applied_l": 0.0,
        "doses": 0,
        "planned_l": 0.0,
        "why": "",
        "refusal": "",
        **changes,
    }
    return Event(at(n + 1), "day", zone_id, data)


def fault(n: float, fault_id: str, raised: bool) -> Event:
    return Event(at(n), "fault", fault_id, {"raised": raised, "zone": "", "text": "it leaks", "cure": "mend it"})


def refusal(n: float, zone_id: str, *blockers: str) -> Event:
    return Event(at(n), "refusal", zone_id, {"blockers": list(blockers), "text": "not now"})


def delivery(n: float, zone_id: str = BED, volume_l: float = 6.0, **changes: Any) -> Event:
    data = {
        "volume_l": volume_l,
        "wanted_l": volume_l,
        "duration_s": 60.0,
        "began_wall_ms": at(n) - 60_000,
        "ended": "done",
        "metered": True,
        "meter_part": 0.0,
        "run": f"{day(int(n))}/0/0",
        **changes,
    }
    return Event(at(n), "delivery", zone_id, data)


def measure(n: float, **values: float) -> Event:
    return Event(at(n), "measure", "", {name.replace("__", "."): value for name, value in values.items()})
