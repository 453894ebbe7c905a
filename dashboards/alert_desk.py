"""Watches the sites and tells people: the thread that ties rules, memory and sending together."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence
from typing import Any, Protocol

from dashboards.alert_model import DAY_MS, SEVERITIES, Message, Note, Severity
from dashboards.alert_post import AlertPost, Letter
from dashboards.alert_rules import AlertMachine
from dashboards.alert_watch import THE_PAGE, SiteWatch
from dashboards.alert_words import compose
from dashboards.settings import AlertPlan, TargetSettings
from dashboards.standing import Standing

log = logging.getLogger("pumphouse.alerts")

EVERY_S = 5.0
LETTERS_AT_ONCE = 10
KEEP_EVERY_MS = 60_000
"""What leads to no letter yet is written no more often: every write wears a memory card."""
SETTLE_MS = 60_000
"""After the start the broker is given time to say everything it keeps."""

Send = Callable[[str, str, str, Severity], str | None]
"""Target, title, text, worst severity; the answer is None or what went wrong."""


class Sites(Protocol):
    """What the alerts need of the feed."""

    connected: bool

    def standings(self) -> Sequence[Standing]: ...


class AlertDesk:
    """`turn` does everything once; `start` has a thread do it every few seconds."""

    def __init__(self, plan: AlertPlan, post: AlertPost, sites: Sites, broker: str, send: Send) -> None:
        self._plan = plan
        self._post = post
        self._sites = sites
        self._broker = broker
        self._send = send
        kept = post.recalled()
        self._watch = SiteWatch(plan.lost_after_ms, plan.broker_lost_after_ms, kept["sites"] if kept else None)
        self._machine = AlertMachine(plan.rules, kept["machine"] if kept else None)
        self._kept = kept
        self._kept_ms = 0
        self._fresh: list[Letter] = []
        self._names = [target.name for target in plan.targets]
        self._began_ms: int | None = None
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="alerts", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(timeout=20)

    def _run(self) -> None:
        while not self._stopping.wait(EVERY_S):
            try:
                self.turn(time.time_ns() // 1_000_000)
            except Exception:
                log.exception("alerts")

    def turn(self, now_ms: int) -> None:
        """Look at the sites, decide, remember, send what is due."""
        if self._began_ms is None or now_ms < self._began_ms:
            self._began_ms = now_ms
            self._post.tidy(now_ms, self._names)
        standings = self._sites.standings() if self._sites.connected else None
        if standings is None or standings or now_ms - self._began_ms > SETTLE_MS:
            self._decide(standings, now_ms)
        self._send_due(now_ms)

    def _decide(self, standings: Sequence[Standing] | None, now_ms: int) -> None:
        self._machine.observe(now_ms, self._watch.observed(standings, now_ms, self._broker))
        for site_id in self._watch.no_more(now_ms):
            self._machine.forget_site(site_id)
        for message in self._machine.tick(now_ms, len(self._watch.site_ids())):
            self._fresh += self._letters(message)
        if self._fresh or abs(now_ms - self._kept_ms) >= KEEP_EVERY_MS:
            self._remember({"machine": self._machine.dump(), "sites": self._watch.dump()})
            self._kept_ms = now_ms

    def _remember(self, memory: dict[str, Any]) -> None:
        """Fresh letters stay fresh until they are kept, whatever the disk says meanwhile."""
        if self._fresh or _without_time(memory) != _without_time(self._kept):
            self._post.remember(memory, self._fresh)
            self._fresh.clear()
            self._kept = memory

    def _letters(self, message: Message) -> list[Letter]:
        letters = []
        lost = self._post.given_up_since(message.made_ms - 2 * DAY_MS) if message.kind == "daily" else []
        for target in self._plan.targets:
            if message.kind == "daily" and not target.daily:
                continue
            count = sum(target.sites is None or site_id in target.sites for site_id in self._watch.site_ids())
            said = compose(message, lambda note, who=target: wants(who, note), self._plan.rules.zone, count)  # type: ignore[misc]
            if said is not None:
                title, body = said
                # Whoever looks after some sites alone learns nothing of the others, not even from what was not sent.
                told = [(name, what) for name, what in lost if target.sites is None or name == target.name]
                body += "".join(f"\n\nCould not be sent to {name}: {what}" for name, what in told)
                letters.append(Letter(message.number, target.name, _severity(message), title, body, message.made_ms))
        return letters

    def _send_due(self, now_ms: int) -> None:
        for _ in range(LETTERS_AT_ONCE):
            letter = None if self._stopping.is_set() else self._post.due(now_ms, self._names)
            if letter is None:
                return
            problem = self._send(letter.target, letter.title, letter.body, letter.severity)
            if problem is None:
                self._post.sent(letter)
            else:
                log.warning("%s could not be told %r: %s", letter.target, letter.title, problem)
                self._post.failed(letter, problem, now_ms)


def wants(target: TargetSettings, note: Note) -> bool:
    """Whether a note is for this target; what the page says of itself is for all."""
    severe = SEVERITIES.index(note.severity) >= SEVERITIES.index(target.least)
    return severe and (target.sites is None or note.site_id == THE_PAGE or note.site_id in target.sites)


def _severity(message: Message) -> Severity:
    """The worst of what is open; a message that only ends things, or sums them up, is an ordinary one."""
    ranks = [SEVERITIES.index(note.severity) for note in message.notes if note.what != "over"]
    return SEVERITIES[max(ranks, default=0)] if message.kind == "at-once" else "info"


def _without_time(memory: dict[str, Any] | None) -> dict[str, Any] | None:
    """What is worth a write: that time has passed is not."""
    if memory is None:
        return None
    return {"sites": memory["sites"], "machine": {k: v for k, v in memory["machine"].items() if k != "now_ms"}}


def trial_letters(plan: AlertPlan, send: Send) -> list[tuple[str, str | None]]:
    """Send everybody a trial message: (target, None or what went wrong)."""
    title, body = "Trial of the alerts", "This is a trial. Nothing has happened; messages of this page reach you."
    return [(target.name, send(target.name, title, body, "info")) for target in plan.targets]
