"""When a finding is worth a message: a state machine, findings and time in, messages out; no clock, no network.

A finding of a site is a *story*. It begins when the finding opens and is over when the finding has stayed away for a
while, so that one that comes and goes stays one story and is told once. Each severity has a rule: told at once, in the
daily summary, or never; after how long; how often again; and whether the quiet hours hold it back.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict
from datetime import datetime
from typing import Any, Literal

from dashboards.alert_model import (
    DAY_MS,
    HOUR_MS,
    MINUTE_MS,
    SEVERITIES,
    AlertSettings,
    Message,
    Note,
    Observed,
    Open,
    State,
    Story,
    What,
    shift,
    state_from,
)

CALM_MS = 15 * MINUTE_MS
LONGEST_CALM_MS = 6 * HOUR_MS
"""How long a finding must stay away until its story is over; doubled for each story of it within a day."""
GATHER_MS = 20_000
"""What happens within so short a time is told together."""
APART_MS = 5 * MINUTE_MS
APART_FAULT_MS = MINUTE_MS
"""Least time between two messages; what comes sooner is told together with the next."""
STEPPED_BACK_MS = 5 * MINUTE_MS
MOST_STORIES_PER_SITE = 200


class AlertMachine:
    """`observe`, then `tick`; both with the same time. `dump` after a tick is all that has to be kept."""

    def __init__(self, settings: AlertSettings, kept: dict[str, Any] | None = None) -> None:
        """`kept` as `dump` gave it; None for the first start ever."""
        self._settings = settings
        self._state = state_from(kept) if kept is not None else State()
        self._fresh = kept is None

    def dump(self) -> dict[str, Any]:
        """The memory as JSON values."""
        return asdict(self._state)

    def observe(self, now_ms: int, sites: Iterable[Observed]) -> None:
        """What is open where."""
        self._advance(now_ms)
        for site in sites:
            stories = self._state.stories.setdefault(site.site_id, {})
            seen = {finding.id for finding in site.findings}
            for finding in site.findings:
                self._opened(stories, site, finding)
            for story in stories.values():
                ended = story.finding in site.over if site.others_unknown else story.finding not in seen
                if story.open and ended:
                    story.open, story.changed_ms = False, self._state.now_ms

    def forget_site(self, site_id: str) -> None:
        """A site that is no more: nothing of it is told any longer."""
        self._state.stories.pop(site_id, None)

    def tick(self, now_ms: int, site_count: int) -> list[Message]:
        """Messages due now; call it every few seconds."""
        self._advance(now_ms)
        quiet = self._is_quiet()
        for story in self._stories():
            self._tell(story, quiet)
        self._forget()
        messages = self._gathered() + self._daily(site_count)
        self._fresh = False
        return messages

    # --- time ---

    def _advance(self, now_ms: int) -> None:
        """A clock that was ahead and is set back takes everything remembered with it."""
        state = self._state
        step_ms = now_ms - state.now_ms
        if state.now_ms and step_ms < -STEPPED_BACK_MS:
            shift(state, step_ms)
            state.daily_done = min(state.daily_done, self._local(now_ms).date().isoformat())
        state.now_ms = now_ms if step_ms < -STEPPED_BACK_MS else max(now_ms, state.now_ms)

    def _local(self, at_ms: int) -> datetime:
        return datetime.fromtimestamp(at_ms / 1000, self._settings.zone)

    def _is_quiet(self) -> bool:
        if self._settings.quiet is None:
            return False
        start, end = self._settings.quiet
        minute = _minute_of(self._local(self._state.now_ms))
        return start <= minute < end if start <= end else minute >= start or minute < end

    # --- stories ---

    def _stories(self) -> Iterator[Story]:
        for stories in self._state.stories.values():
            yield from stories.values()

    def _forget(self) -> None:
        """Stories that are over and told, once they no longer count for how often a finding comes."""
        before_ms = self._state.now_ms - DAY_MS
        for site_id, stories in list(self._state.stories.items()):
            for story in list(stories.values()):
                if story.over_ms is not None and story.tallied and story.over_ms < before_ms:
                    del stories[story.finding]
            if not stories:
                del self._state.stories[site_id]

    def _opened(self, stories: dict[str, Story], site: Observed, finding: Open) -> None:
        state = self._state
        story = stories.get(finding.id)
        if story is None and len(stories) >= MOST_STORIES_PER_SITE:
            return
        rule = self._settings.rules[finding.severity]
        after_ms = rule.after_ms if finding.after_ms is None else finding.after_ms
        if story is None or story.over_ms is not None:
            calm_ms = CALM_MS
            if story is not None and story.over_ms is not None and state.now_ms - story.over_ms <= DAY_MS:
                calm_ms = min(2 * story.calm_ms, LONGEST_CALM_MS)
            story = Story(
                site.site_id,
                site.site_name,
                finding.id,
                finding.severity,
                finding.text,
                finding.cure,
                after_ms,
                min(state.now_ms, finding.since_ms or state.now_ms),
                state.now_ms,
                calm_ms,
            )
            stories[finding.id] = story
            return
        if not story.open:
            story.open, story.changed_ms, story.returns = True, state.now_ms, story.returns + 1
        story.site_name, story.text, story.cure = site.site_name, finding.text, finding.cure
        story.severity, story.after_ms = finding.severity, after_ms

    def _tell(self, story: Story, quiet: bool) -> None:
        now_ms = self._state.now_ms
        rule = self._settings.rules[story.severity]
        held = quiet and not rule.through_quiet
        if story.over_ms is not None:
            return
        if story.open and rule.tell == "at-once" and not held:
            if story.told is None and now_ms - story.since_ms >= story.after_ms:
                self._note(story, "new")
            elif story.told is not None and SEVERITIES.index(story.severity) > SEVERITIES.index(story.told):
                self._note(story, "worse")
            elif story.told is not None and rule.again_ms and now_ms - story.told_ms >= rule.again_ms:
                self._note(story, "still")
        elif not story.open and now_ms - story.changed_ms >= story.calm_ms:
            self._end(story, held)

    def _end(self, story: Story, held: bool) -> None:
        """Whoever was told that it began is told that it is over, once; in quiet hours that may have to wait."""
        if story.told is not None and held:
            return
        if story.told is not None:
            self._note(story, "over")
        story.over_ms = story.changed_ms
        passing = story.returns == 0 and story.changed_ms - story.since_ms < story.after_ms
        story.tallied = story.told is not None or passing or self._settings.rules[story.severity].tell == "never"

    def _note(self, story: Story, what: What) -> None:
        state = self._state
        state.pending.append(_note_of(story, what))
        story.told, story.told_ms = story.severity, state.now_ms
        if state.gathering_since_ms is None:
            state.gathering_since_ms = state.now_ms

    # --- messages ---

    def _gathered(self) -> list[Message]:
        state = self._state
        if state.gathering_since_ms is None or state.now_ms - state.gathering_since_ms < GATHER_MS:
            return []
        fault = any(note.severity == "fault" and note.what in ("new", "worse") for note in state.pending)
        if state.sent_ms and state.now_ms - state.sent_ms < (APART_FAULT_MS if fault else APART_MS):
            return []
        notes, state.pending, state.gathering_since_ms, state.sent_ms = tuple(state.pending), [], None, state.now_ms
        return [self._message("at-once", notes)]

    def _daily(self, site_count: int) -> list[Message]:
        """Once each local day, as soon as its time has come: what is open, and what came and went untold."""
        state, at = self._state, self._settings.daily_at
        local = self._local(state.now_ms)
        today = local.date().isoformat()
        if at is None or _minute_of(local) < at or state.daily_done >= today:
            return []
        state.daily_done = today
        if self._fresh:
            return []
        notes = []
        for story in self._stories():
            if self._settings.rules[story.severity].tell == "never":
                continue
            if story.open:
                notes.append(_note_of(story, "still"))
            elif story.over_ms is not None and not story.tallied:
                story.tallied = True
                notes.append(_note_of(story, "over"))
        if not notes and not self._settings.daily_when_nothing:
            return []
        return [self._message("daily", tuple(notes), site_count)]

    def _message(self, kind: Literal["at-once", "daily"], notes: tuple[Note, ...], site_count: int = 0) -> Message:
        self._state.number += 1
        worst_first = sorted(notes, key=lambda note: (-SEVERITIES.index(note.severity), note.what == "over"))
        return Message(self._state.number, kind, self._state.now_ms, tuple(worst_first), site_count)


def _note_of(story: Story, what: What) -> Note:
    return Note(
        what,
        story.severity,
        story.site_id,
        story.site_name,
        story.finding,
        story.text,
        story.cure,
        story.since_ms,
        story.returns,
    )


def _minute_of(local: datetime) -> int:
    return local.hour * 60 + local.minute
