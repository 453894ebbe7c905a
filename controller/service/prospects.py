"""What takes too long for the control loop, in a thread of its own: how long the water lasts, previews, coming prices.

It works on copies. What it finds is shown to people; nothing is decided by it, so nothing of it is in the journal. A
table of prices is remembered where the core looks for it; were it not there in time, the core would work out the same.
"""

from __future__ import annotations

import json
import logging
import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date

from controller.contract import Now, PreviewSchedule, Snapshot, SupplyDays, TankView
from controller.core.localclock import LocalClock
from controller.core.preview import NoPreviewError, preview
from controller.core.supply import likely_supply
from controller.irrigate.outlook import Use, Uses, outlook, use_of
from controller.service.asks import AskAnswer
from controller.site.model import Site

WAITING_LIMIT = 4
"""More questions than this at once are refused."""
TELLING_PART, TELLING_L = 0.01, 5.0
"""A volume that has changed by less makes no other answer worth the work (own choice)."""
WORK_EVERY_MS = 60_000

log = logging.getLogger("pumphouse.prospects")


@dataclass(frozen=True, slots=True)
class _SupplyJob:
    tanks: tuple[TankView, ...]
    uses: dict[str, Use]
    today: date


@dataclass(frozen=True, slots=True)
class _PreviewJob:
    question: PreviewSchedule
    now: Now
    memory: str
    tell: Callable[[AskAnswer], None]


@dataclass(frozen=True, slots=True)
class _PriceJob:
    uses: Uses


class Prospects:
    """Runs the thread. Its methods are called by the control loop and never wait."""

    def __init__(self, site: Site, on_found: Callable[[], None] | None = None) -> None:
        """`on_found` is called, in the worker's thread, when there is something new to show."""
        self._site = site
        self._on_found = on_found
        self._news = False
        self._clock = LocalClock(site.place.time_zone)
        self._jobs: queue.Queue[_SupplyJob | _PreviewJob | _PriceJob | None] = queue.Queue(WAITING_LIMIT)
        self._found: dict[str, SupplyDays] = {}
        self._asked: _SupplyJob | None = None
        self._asked_mono_ms = 0
        self._priced: Uses | None = None
        self._thread = threading.Thread(target=self._run, name="prospects", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> None:
        """End the thread after what it is working on."""
        try:
            self._jobs.put_nowait(None)
        except queue.Full:
            return  # It is a daemon thread: the process does not wait for it.
        if self._thread.ident is not None:
            self._thread.join(timeout_s)

    def news(self) -> bool:
        """Whether something was found that no picture has shown yet."""
        return self._news

    def shown(self, now: Now, snapshot: Snapshot) -> Snapshot:
        """The picture with what is known of the supply; asks for it anew when the picture has changed enough."""
        if now.trust != "unknown":
            self._consider(now, snapshot)
        self._news = False
        found = self._found
        if not found:
            return snapshot
        tanks = tuple(
            tank if tank.quality == "unknown" else replace(tank, likely_supply=found.get(tank.id))
            for tank in snapshot.tanks
        )
        return replace(snapshot, tanks=tanks)

    def ask(self, question: PreviewSchedule, now: Now, memory: str, tell: Callable[[AskAnswer], None]) -> None:
        """Have a question answered through `tell`, in the worker's thread. `memory` is the core's dump as JSON."""
        try:
            self._jobs.put_nowait(_PreviewJob(question, now, memory, tell))
        except queue.Full:
            tell(AskAnswer(question.id, f"{WAITING_LIMIT} questions are waiting already; ask again in a while"))

    def work_out_prices(self, uses: Uses) -> None:
        """Have the table of prices for these uses ready before the core asks for it; asking again does no harm."""
        if uses == self._priced:
            return
        try:
            self._jobs.put_nowait(_PriceJob(uses))
        except queue.Full:
            return  # The next step asks again.
        self._priced = uses

    def _consider(self, now: Now, snapshot: Snapshot) -> None:
        uses = {zone.id: use_of(zone.schedule, zone.coefficient_factor) for zone in snapshot.zones}
        job = _SupplyJob(snapshot.tanks, uses, date.fromordinal(self._clock.ordinal(now.wall_ms)))
        before = self._asked
        if before is not None:
            same = before.today == job.today and before.uses == job.uses
            if same and (now.mono_ms - self._asked_mono_ms < WORK_EVERY_MS or not _telling(before.tanks, job.tanks)):
                return
        try:
            self._jobs.put_nowait(job)
        except queue.Full:
            return  # The next picture asks again.
        self._asked, self._asked_mono_ms = job, now.mono_ms

    def _run(self) -> None:
        while (job := self._jobs.get()) is not None:
            try:
                if isinstance(job, _SupplyJob):
                    self._found = likely_supply(self._site, job.tanks, job.uses, job.today)
                    self._news = True
                    if self._on_found is not None:
                        self._on_found()
                elif isinstance(job, _PriceJob):
                    outlook(self._site, job.uses)
                else:
                    job.tell(self._answer(job))
            except Exception:
                # A fault here must not end what people look at; the watering knows nothing of it.
                log.exception("working out prospects failed")
                if isinstance(job, _PreviewJob):
                    job.tell(AskAnswer(job.question.id, "a fault inside the controller, see its log"))

    def _answer(self, job: _PreviewJob) -> AskAnswer:
        try:
            found = preview(self._site, json.loads(job.memory), job.now, job.question)
        except NoPreviewError as none:
            return AskAnswer(job.question.id, str(none))
        return AskAnswer(job.question.id, preview=found)


def _telling(before: tuple[TankView, ...], now: tuple[TankView, ...]) -> bool:
    """Has any tank's volume changed so much that the answer may be another?"""
    for old, new in zip(before, now, strict=True):
        if old.volume_l is None or new.volume_l is None:
            if old.volume_l is not new.volume_l:
                return True
        elif abs(new.volume_l - old.volume_l) >= max(TELLING_L, TELLING_PART * old.volume_l):
            return True
    return False
