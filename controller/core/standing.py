"""Findings of the estimators that stand while what they found lasts: looked at every quarter of an hour, and when one
says so.

Each appears with its numbers and the time it was first seen, and goes by the estimator's own rule. Nothing here stops
any water: what must be stopped is an interlock.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from controller.contract import Now
from controller.core.context import Context
from controller.core.state import Latch
from controller.estimate.meter_correction import MOST_PART
from controller.guard.interlocks import blocker

LEAST_LEAK_L_H = 0.15
"""A slower loss is not told: what a closed tank dries up, a meter that is off and its shape make nearly as much."""


class Standing(NamedTuple):
    """One finding: the row of the catalogue, what it is about (a tank's id, or empty) and its numbers."""

    condition: str
    about: str
    numbers: dict[str, Any]

    @property
    def id(self) -> str:
        return f"{self.condition}:{self.about}" if self.about else self.condition


def update_standing(ctx: Context, now: Now) -> None:
    """Take up what is new, give up what is over, and journal both."""
    kept = ctx.state.standing
    found = {item.id: item for item in (*_tanks(ctx, now), *_battery(ctx), *_flows(ctx), *_board(ctx))}
    for gone_id in [known_id for known_id in kept if known_id not in found]:
        gone = kept.pop(gone_id)
        ctx.record("fault", gone_id, {"raised": False, "zone": "", "text": gone.text, "cure": gone.cure})
    for item_id, item in found.items():
        said = blocker(item.condition, item.numbers)
        known = kept.get(item_id)
        since_wall_ms = now.wall_ms if known is None else known.since_wall_ms
        kept[item_id] = Latch(item_id, item.condition, "", said.text, said.cure, since_wall_ms)
        if known is None:
            ctx.record("fault", item_id, {"raised": True, "zone": "", "text": said.text, "cure": said.cure})


def _tanks(ctx: Context, now: Now) -> Iterator[Standing]:
    for tank in ctx.site.tanks:
        watch = ctx.sensing.watches[tank.id]
        leak = watch.leak_reading
        numbers = {"tank": tank.name, "rate_l_h": leak.rate_l_h, "sd_l_h": leak.sd_l_h, "lost_l": leak.lost_l}
        told = leak.rate_l_h >= LEAST_LEAK_L_H
        if told and leak.state == "leaking":
            yield Standing("leak", tank.id, numbers)
        elif told and leak.state == "stopped":
            yield Standing("leak-stopped", tank.id, {**numbers, "left_l": leak.stopped_at_l or 0.0})
        if watch.roofs is not None:
            roofs = watch.roofs.reading()
            part = 100.0 * abs(roofs.lost_part)
            if roofs.trouble == "gutter":
                yield Standing("catch-lost", tank.id, {"tank": tank.name, "part": part, "lost_l": roofs.lost_l})
            elif roofs.trouble == "gauge":
                yield Standing("rain-gauge-low", tank.id, {"tank": tank.name, "part": part})
        level = ctx.sensing.level(tank.id, now.mono_ms)
        if level.at_or_above and level.volume_l is not None:
            yield Standing("level-too-near", tank.id, {"tank": tank.name, "volume_l": level.volume_l})
        frozen_why = ctx.sensing.frozen_why(tank.id, now.mono_ms)
        if frozen_why:
            hours = (now.mono_ms - ctx.sensing.frozen_since_ms(tank.id)) / 3_600_000.0
            yield Standing("level-frozen", tank.id, {"tank": tank.name, "hours": hours, "why": frozen_why})
        false_mm = level.false_echo_mm
        if false_mm is not None:
            yield Standing("false-echo", tank.id, {"tank": tank.name, "distance_mm": false_mm})


def _flows(ctx: Context) -> Iterator[Standing]:
    for pump_id, watch in ctx.sensing.flows.items():
        found = watch.correction
        if found.found:
            condition = "meter-off" if found.beyond else "meter-corrected"
            yield Standing(
                condition, pump_id, {"pump": pump_id, "found": 100.0 * found.found, "most": 100.0 * MOST_PART}
            )
        for finding in watch.findings():
            if finding.kind == "no-flow":
                # The zone's latched fault says as much.
                continue
            names = [ctx.zones[part].name if part in ctx.zones else part for part in finding.about.split("+")]
            yield Standing(finding.kind, finding.about, {"about": " and ".join(names), **_said(finding.evidence)})


def _said(evidence: Mapping[str, float]) -> dict[str, Any]:
    """The numbers that the sentences name, with what stands for one that is not there."""
    return {"change_percent": 0.0, "tries": 0.0, "fell_l": 0.0, "expected_l": 0.0, **evidence}


def _battery(ctx: Context) -> Iterator[Standing]:
    battery = ctx.sensing.battery
    faded = battery.faded()
    if faded is not None:
        yield Standing("battery-faded", "", {"capacity": 100.0 * faded[0], "sd": 100.0 * faded[1]})
    if battery.charger_fault == "dead":
        yield Standing("charger-dead", "", {})
    elif battery.charger_fault == "low":
        yield Standing("charger-low", "", {})
    trend = ctx.sensing.charge_trend
    if trend.warns and trend.days_left:
        yield Standing("battery-falls", "", {"fall": trend.fall_per_day, "days": trend.days_left})
    if battery.is_frozen():
        yield Standing("battery-frozen", "", {"battery_v": battery.voltage_v or 0.0})


def _board(ctx: Context) -> Iterator[Standing]:
    noise, fast_part = ctx.sensing.line_noise, ctx.sensing.board_clock.fast_part
    if noise.is_noisy:
        damaged, lines = noise.share()
        yield Standing("cable-noisy", "", {"damaged": damaged, "lines": lines})
    if fast_part is not None:
        way = "fast" if fast_part > 0.0 else "slow"
        yield Standing("board-clock-off", "", {"percent": 100.0 * abs(fast_part), "way": way})
