"""The words of the alerts: rules, what is observed, what is remembered of a finding, and what is told of it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import tzinfo
from typing import Any, Literal
from zoneinfo import ZoneInfo

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS

Severity = Literal["info", "warning", "fault"]
SEVERITIES: tuple[Severity, ...] = ("info", "warning", "fault")
Tell = Literal["at-once", "daily", "never"]
What = Literal["new", "worse", "still", "over"]


@dataclass(frozen=True, slots=True)
class Rule:
    """How findings of one severity are told. `again_ms` 0: not again."""

    tell: Tell
    after_ms: int
    again_ms: int
    through_quiet: bool


RULES: dict[Severity, Rule] = {
    "fault": Rule("at-once", MINUTE_MS, DAY_MS, True),
    "warning": Rule("at-once", 15 * MINUTE_MS, 0, False),
    "info": Rule("daily", 15 * MINUTE_MS, 0, False),
}
"""Own choice."""


@dataclass(frozen=True, slots=True)
class AlertSettings:
    """`quiet` from and until, and `daily_at`, in minutes of the local day; None: never."""

    zone: tzinfo = field(default_factory=lambda: ZoneInfo("UTC"))
    quiet: tuple[int, int] | None = None
    daily_at: int | None = None
    daily_when_nothing: bool = True
    rules: dict[Severity, Rule] = field(default_factory=lambda: dict(RULES))


@dataclass(frozen=True, slots=True)
class Open:
    """An open finding. `after_ms` replaces the rule's when it is given; `since_ms` is what the site itself says."""

    id: str
    severity: Severity
    text: str
    cure: str = ""
    after_ms: int | None = None
    since_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Observed:
    """What is known of a site now.

    What is not among `findings` is over, unless `others_unknown`: then only what is listed in `over` is.
    """

    site_id: str
    site_name: str
    findings: tuple[Open, ...]
    others_unknown: bool = False
    over: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Note:
    """One line of a message."""

    what: What
    severity: Severity
    site_id: str
    site_name: str
    finding: str
    text: str
    cure: str
    since_ms: int
    returns: int = 0


@dataclass(frozen=True, slots=True)
class Message:
    """What is to be sent; `number` is never given twice. A daily one also tells how many sites it speaks of."""

    number: int
    kind: Literal["at-once", "daily"]
    made_ms: int
    notes: tuple[Note, ...]
    site_count: int = 0


@dataclass(slots=True)
class Story:
    """The life of one finding of one site, see the module's text. Times are UTC ms."""

    site_id: str
    site_name: str
    finding: str
    severity: Severity
    text: str
    cure: str
    after_ms: int
    since_ms: int
    changed_ms: int
    calm_ms: int
    open: bool = True
    returns: int = 0
    told: Severity | None = None
    told_ms: int = 0
    over_ms: int | None = None
    tallied: bool = False
    """Its end has been told in a daily summary, or needs no telling there."""


@dataclass(slots=True)
class State:
    """Everything remembered; goes through JSON."""

    now_ms: int = 0
    number: int = 0
    sent_ms: int = 0
    daily_done: str = ""
    gathering_since_ms: int | None = None
    stories: dict[str, dict[str, Story]] = field(default_factory=dict)
    """By site, by finding."""
    pending: list[Note] = field(default_factory=list)


def shift(state: State, by_ms: int) -> None:
    state.sent_ms += by_ms if state.sent_ms else 0
    if state.gathering_since_ms is not None:
        state.gathering_since_ms += by_ms
    state.pending = [replace(note, since_ms=note.since_ms + by_ms) for note in state.pending]
    for stories in state.stories.values():
        for story in stories.values():
            story.since_ms += by_ms
            story.changed_ms += by_ms
            story.told_ms += by_ms if story.told_ms else 0
            story.over_ms = None if story.over_ms is None else story.over_ms + by_ms


def state_from(kept: dict[str, Any]) -> State:
    return State(
        **{
            **kept,
            "stories": {
                site_id: {finding: Story(**story) for finding, story in stories.items()}
                for site_id, stories in kept["stories"].items()
            },
            "pending": [Note(**note) for note in kept["pending"]],
        }
    )
