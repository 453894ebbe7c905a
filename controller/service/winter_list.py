"""Closing a site down for winter and starting it up in spring: what is done, in which order, and by whom.

A step is done by hand, or by an order that the program sends. The order of steps and what belongs to them is common
practice, no source; what the maker of a part says comes first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

Season = Literal["close", "open"]
FLUSH_L = 2.0
"""Enough to see every emitter of a garden-sized zone drip (own choice)."""
MAINTENANCE = (
    *("filter-clogged", "filter-or-pump", "pump-worn", "flow-down", "flow-up", "emitters-clogged", "emitters-open"),
    *("valve-open", "zones-crossed", "catch-lost", "rain-gauge-low", "false-echo", "level-frozen", "level-too-near"),
    *("level-unknown", "meter-wrong", "meter-off", "meter-dead", "meter-corrected", "leak", "leak-stopped"),
    *("battery-faded", "battery-falls", "battery-frozen", "charger-dead", "charger-low", "probe-silent"),
    *("flow-at-rest", "no-flow", "burst-flow", "line-blocked", "pump-still", "temperature-unknown"),
    *("cable-noisy", "board-clock-off"),
)
"""Findings that ask for a hand, and are best looked at while the site is closed or opened anyway."""


@dataclass(frozen=True, slots=True)
class Step:
    """`id` never changes its meaning. `order` is what the program sends; None: a person does it and says so.

    zone_id    the zone that is open meanwhile; the next step waits until it is shut again
    """

    id: str
    text: str
    order: Mapping[str, Any] | None = None
    zone_id: str | None = None


def steps_of(season: Season, zones: Sequence[tuple[str, str]], drain_min: float) -> list[Step]:
    """The list for zones given as (id, name)."""
    return _closing(zones, drain_min) if season == "close" else _opening(zones)


def _closing(zones: Sequence[tuple[str, str]], drain_min: float) -> list[Step]:
    return [
        Step("hold", "Put the site on hold: nothing is watered until it is opened again.", {"order": "hold"}),
        Step("fuse", "Pull the pump's own fuse, so that it cannot start while you work on the lines."),
        Step("ends", "Open the end caps and the lowest drain of every line."),
        *(
            Step(
                f"drain-{zone_id}",
                f"Empty the line of {name}: its valve opens for {drain_min:g} minutes, the pump off.",
                {"order": "drain-zone", "zone": zone_id, "duration_min": drain_min},
                zone_id,
            )
            for zone_id, name in zones
        ),
        Step("pump", "Empty the pump and the filter's cup; take indoors what frost would crack."),
        Step("filter", "Clean the filter's mesh and look at it against the light."),
        Step("gutter", "Clear gutter, downpipe and leaf screen; empty and clean the first-flush chamber."),
        Step("tank", "Leave room above the water or lead the roof's water past the tank: ice widens. Lock the lid."),
        Step("sensor", "Wipe the level sensor's face from outside; leave sensor, float and thermometer in place."),
        Step(
            "battery",
            "Charge the battery fully and clean its terminals, by its maker's sheet; lithium iron phosphate must not "
            "be charged below freezing.",
        ),
        Step("valves", "Look at each valve and its wires; shut the hand valve at the tank and hang a note on it."),
    ]


def _opening(zones: Sequence[tuple[str, str]]) -> list[Step]:
    return [
        Step(
            "gutter",
            "Clear gutter, downpipe and leaf screen; clean the first-flush chamber and lead the roof's water in.",
        ),
        Step("tank", "Look at lid, screen and overflow from outside. Never enter the tank."),
        Step(
            "lines",
            "Close drains and end caps but the last of each line; put pump and filter back; open the hand valve.",
        ),
        Step("battery", "Look at the battery, its terminals and the panel; measure its voltage with a hand meter."),
        Step("readings", "Compare what the site says above with what you see: level, temperature, voltage."),
        Step(
            "schedules", "Look through schedules, daily caps and planting dates: does the year begin as the last did?"
        ),
        Step("fuse", "Put the pump's fuse back last, when nobody has a hand on pump or lines."),
        Step("resume", "Take the site off hold: from now on it waters by itself.", {"order": "resume"}),
        *(
            Step(
                f"run-{zone_id}",
                f"Give {name} {FLUSH_L:g} L and stand beside it: dirt out of the last cap, then close it; every "
                "emitter drips, nothing leaks.",
                {"order": "run-zone", "zone": zone_id, "volume_l": FLUSH_L},
                zone_id,
            )
            for zone_id, name in zones
        ),
        Step("watch", "Look at the findings tomorrow: flows are compared with last year's."),
    ]


def note_of(season: Season, step: Step) -> str:
    """What the journal keeps of a step done by hand, in at most 200 characters."""
    return f"{'closing down' if season == 'close' else 'starting up'}, {step.id}: {step.text}"[:200]


def for_a_hand(findings: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Those of the site's findings that ask for maintenance."""
    return [finding for finding in findings if str(finding.get("id", "")).split(":", 1)[0] in MAINTENANCE]
