"""The device tree's values as a page of text for the owner: what is there, runs, comes next, is wrong."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from controller.site.show import UNKNOWN, Show

Values = Mapping[str, str]
"""Values by `<node>/<property>`, as the device tree has them; what is unknown is missing or empty."""


def status_lines(site_id: str, values: Values, now: datetime) -> list[str]:
    """The page. `now` is for ages: the time of the picture, or the present."""
    page = _Page(values, now)
    zones = sorted({path.split("/")[0] for path in values if path.startswith("zone-")})
    tanks = sorted({path.split("/")[0] for path in values if path.startswith("tank-")})
    lines = [f"{site_id}, {page.local(values.get('site/updated-at', ''))}", *page.mode_lines()]
    if values.get("$state", "ready") != "ready":
        lines.insert(1, f"The controller is {values['$state'] or UNKNOWN}; what follows is what it said last")
    lines += [page.tank_line(node) for node in tanks]
    lines += [page.battery_line(), page.weather_line(), ""]
    for node in zones:
        lines += page.zone_lines(node)
    return [*lines, "", *page.finding_lines()]


def picture_time(values: Values, now: datetime) -> datetime:
    """What ages count from: the newest time a living controller gave (its time may be made up), else the present."""
    if values.get("$state") != "ready":
        return now
    times = [_instant(text) for path, text in values.items() if path.endswith(("/updated-at", "/measured-at"))]
    return max((time for time in times if time is not None), default=now)


class _Page:
    def __init__(self, values: Values, now: datetime) -> None:
        self._values = values
        self._now = now
        self._show = Show("us" if values.get("site/units") == "us" else "metric")
        try:
            self._zone: ZoneInfo | None = ZoneInfo(values.get("site/time-zone", "UTC"))
        except (ZoneInfoNotFoundError, ValueError):
            self._zone = None

    def local(self, text: str) -> str:
        """A time of the tree in the site's own time zone."""
        instant = _instant(text)
        if instant is None:
            return "time unknown"
        return instant.astimezone(self._zone or UTC).strftime("%a %d %b %H:%M")

    def mode_lines(self) -> list[str]:
        lines = []
        if self._values.get("site/mode") == "hold":
            until = self._values.get("site/hold-until", "")
            lines.append(f"On hold until {self.local(until) if until else 'someone resumes'}")
        if self._values.get("site/clock") != "synchronised":
            lines.append(f"Clock: {self._values.get('site/clock') or UNKNOWN}")
        if self._values.get("link/up") == "false":
            lines.append("The board does not answer")
        return lines

    def tank_line(self, node: str) -> str:
        volume, capacity = self._number(f"{node}/volume"), self._number(f"{node}/capacity")
        level = self._number(f"{node}/level")
        at_least = "at least " if self._values.get(f"{node}/volume-bound") == "at-least" else ""
        days = self._values.get(f"{node}/days-of-supply", "")
        parts = [
            f"{at_least}{self._show.volume(volume)} of {self._show.volume(capacity)}",
            f"level {self._show.depth(None if level is None else level * 1000.0)}",
            f"{days} days of supply{self._likely(node)}" if days else f"days of supply {UNKNOWN}",
            f"reserve {self._show.volume(self._number(f'{node}/reserve'))}",
            self._quality(node),
        ]
        return f"Tank {node.removeprefix('tank-')}: " + ", ".join(parts)

    def _likely(self, node: str) -> str:
        low, high = (self._number(f"{node}/days-of-supply-{which}") for which in ("low", "high"))
        return "" if low is None or high is None else f" without rain ({low:.0f} to {high:.0f} in likely weather)"

    def battery_line(self) -> str:
        charge = self._values.get("power/state-of-charge", "")
        return (
            f"Battery: {self._show.voltage(self._number('power/voltage'))}, "
            f"charge {charge + ' %' if charge else UNKNOWN}, {self._quality('power')}"
        )

    def weather_line(self) -> str:
        values = [
            f"rain today {self._show.rain(self._number('weather/rain-today'))}",
            f"evapotranspiration today {self._show.rain(self._number('weather/et0-today'))}",
            f"air {self._show.temperature(self._number('weather/temperature'))}",
        ]
        return "Weather: " + ", ".join(values)

    def zone_lines(self, node: str) -> list[str]:
        name = self._values.get(f"{node}/name") or node.removeprefix("zone-")
        today = self._show.volume(self._number(f"{node}/applied-today"))
        if self._values.get(f"{node}/watering") == "true":
            delivered = self._show.volume(self._number(f"{node}/delivered-now"))
            state = f"WATERING, {delivered} so far"
        else:
            next_start = self._values.get(f"{node}/next-start", "")
            state = f"next {self.local(next_start)}" if next_start else "nothing planned"
        lines = [f"{name}: {state}; {today} today, plan {self._show.volume(self._number(f'{node}/plan'))}"]
        for label, name in (("why", "why"), ("last refused", "last-refusal")):
            text = self._values.get(f"{node}/{name}", "").strip("\0")
            if text:
                lines.append(f"    {label}: {text}")
        return lines

    def finding_lines(self) -> list[str]:
        findings = json.loads(self._values.get("site/findings") or "[]")
        if not findings:
            return ["Nothing is wrong."]
        lines = []
        for finding in findings:
            since = f" (since {self.local(finding['since'])})" if finding.get("since") else ""
            lines.append(f"{finding['severity'].upper()} {finding['id']}: {finding['text']}{since}")
            if finding.get("cure"):
                lines.append(f"    cure: {finding['cure']}")
        return lines

    def _quality(self, node: str) -> str:
        quality = self._values.get(f"{node}/quality") or UNKNOWN
        measured = _instant(self._values.get(f"{node}/measured-at", ""))
        if measured is None:
            return f"{quality}, never measured"
        return f"{quality}, measured {_age((self._now - measured).total_seconds())} ago"

    def _number(self, path: str) -> float | None:
        text = self._values.get(path, "")
        return float(text) if text else None


def _instant(text: str) -> datetime | None:
    return datetime.fromisoformat(text) if text else None


def _age(seconds: float) -> str:
    seconds = max(0.0, seconds)
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    if seconds < 172_800:
        return f"{seconds / 3600:.0f} h"
    return f"{seconds / 86_400:.0f} days"
