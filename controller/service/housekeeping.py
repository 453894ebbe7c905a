"""Chores that may take their time, on a scheduler's thread of their own: old readings folded and dropped, once a day.

Nothing here waters or decides. The scheduler counts by the wall clock, which steps on machines without a clock chip;
`clock_stepped` starts the counting anew, so that a step back never silences a chore for years.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.interval import IntervalTrigger

FIRST_AFTER_S = 600.0
EVERY_S = 86_400.0

log = logging.getLogger("pumphouse.housekeeping")

Chore = Callable[[], None]


class Housekeeping:
    """Runs each chore `first_after_s` after the start and every `every_s` from then on."""

    def __init__(
        self, chores: dict[str, Chore], first_after_s: float = FIRST_AFTER_S, every_s: float = EVERY_S
    ) -> None:
        self._first_after_s = first_after_s
        self._every_s = every_s
        # A missed chore runs late, several missed runs are one, and one that is still running is not started again.
        defaults = {"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
        self._scheduler = BackgroundScheduler(timezone=UTC, job_defaults=defaults, daemon=True)
        for name, chore in chores.items():
            self._scheduler.add_job(_guarded(name, chore), self._trigger(), id=name)

    def start(self) -> None:
        self._scheduler.start()

    def clock_stepped(self) -> None:
        """The wall clock jumped: count anew from now."""
        for job in self._scheduler.get_jobs():
            job.reschedule(self._trigger())

    def stop(self) -> None:
        """End the thread; a chore under way is waited for."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=True)

    def _trigger(self) -> IntervalTrigger:
        first = datetime.now(UTC) + timedelta(seconds=self._first_after_s)
        return IntervalTrigger(seconds=self._every_s, start_date=first, timezone=UTC)


def _guarded(name: str, chore: Chore) -> Chore:
    """A chore whose failure is told and tried again next time."""

    def run() -> None:
        try:
            chore()
        except Exception:
            log.exception("the chore %s failed; it is tried again next time", name)

    return run
