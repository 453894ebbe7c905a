"""What an account is made from: dated records of the journal, and the stretch of local days it is about."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any, NamedTuple

DAY_MS = 86_400_000
HOUR_MS = 3_600_000


class Event(NamedTuple):
    """One record of the journal; kinds, keys and data as in `controller.contract.Record`."""

    wall_ms: int
    kind: str
    key: str
    data: dict[str, Any]


class Period(NamedTuple):
    """Local days, both included."""

    first: date
    last: date

    @property
    def days(self) -> int:
        return (self.last - self.first).days + 1

    def holds(self, iso_day: str) -> bool:
        """Whether an ISO local date lies in it."""
        return self.first.isoformat() <= iso_day <= self.last.isoformat()

    def dates(self) -> list[date]:
        return [self.first + timedelta(days=n) for n in range(self.days)]


def condition_of(fault_id: str) -> str:
    """The row of the catalogue that a finding's id stands for: `leak` of `leak:main`."""
    return fault_id.split(":", 1)[0]
