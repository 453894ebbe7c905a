"""What the board reads now, for somebody who stands beside it: the newest report, as it came.

Nothing is decided by it. The reports that come meanwhile go through the core and into the journal like all others.
"""

from __future__ import annotations

from typing import Any

from controller.contract import AskReadings
from controller.service.asks import AskAnswer
from firmware_host.messages import Hello, Report

WATCHED_MS = 15_000
"""After a question the board reports often for so long (own choice): a person looks again in time, or has gone."""
WATCHED_REPORT_MS = 1_000


class NewestReport:
    """The last report of a board that is there, and whether somebody is looking."""

    def __init__(self) -> None:
        self._report: Report | None = None
        self._mono_ms = 0
        self._watched_until_ms = 0

    def came(self, report: Report, mono_ms: int) -> None:
        self._report, self._mono_ms = report, mono_ms

    def lost(self) -> None:
        """The board is gone: what it read before says nothing of now."""
        self._report = None

    def report_every_ms(self, wanted_ms: int, mono_ms: int) -> int:
        """The interval to ask of the board, when the core wants `wanted_ms`."""
        return min(wanted_ms, WATCHED_REPORT_MS) if mono_ms < self._watched_until_ms else wanted_ms

    def answer(self, question: AskReadings, hello: Hello | None, mono_ms: int) -> AskAnswer:
        """The readings, or why there are none."""
        self._watched_until_ms = mono_ms + WATCHED_MS
        if self._report is None or hello is None:
            return AskAnswer(question.id, "the board is not there, or has not reported yet; see the findings")
        return AskAnswer(question.id, readings=reading_values(self._report, hello, mono_ms - self._mono_ms))


def reading_values(report: Report, hello: Hello, age_ms: int) -> dict[str, Any]:
    """JSON-able form of a report, see docs/mqtt.md. Channels are keys, as text; a bad reading is null."""
    fitted = hello.fitted
    return {
        "age_s": round(age_ms / 1000.0, 3),
        "board": hello.board_id,
        "firmware": hello.firmware,
        "boot": report.boot_id,
        "up_s": report.uptime_ms / 1000.0,
        "fitted": {
            "echo": fitted.echo,
            "temperature": fitted.temperature,
            "flow": fitted.flow,
            "float": fitted.float_switch,
            "pump": fitted.pump,
            "valve": fitted.valve,
            "rain": fitted.rain,
            "shunt": fitted.shunt,
            "panel": fitted.panel,
        },
        "echo_us": {str(channel): list(burst) for channel, burst in report.echo_us.items()},
        "temperature_c": _by_channel(report.temperature_c),
        "battery_v": report.battery_v,
        "panel_v": report.panel_v,
        "current_a": report.current_a,
        "flow_pulses": _by_channel(report.flow_pulses),
        "rain_tips": report.rain_tips,
        "float_wet": _by_channel(report.float_wet),
        "soil_v": _by_channel(report.soil_v),
        "pumps_on": report.pump_on,
        "valves_open": report.valve_open,
        "faults": list(report.faults),
    }


def _by_channel(values: dict[int, Any]) -> dict[str, Any]:
    return {str(channel): value for channel, value in values.items()}
