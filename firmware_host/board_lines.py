"""From the text of a board's line to a typed message: host side only.

Pure: the same text always gives the same message, so that a journal may keep the text and read it again years later.
"""

from __future__ import annotations

import re
from typing import cast

from firmware_host.messages import Ack, BoardMessage, Fitted, Hello, Report, ResetCause
from firmware_host.wire import BAD, SEQ_MODULUS, number, parse

UPTIME_MAX_MS = 10_000_000_000_000
ECHO_MAX_US = 60_000
ECHO_MAX_COUNT = 16
TOTAL_MAX = 1 << 40
OUTPUT_MAX = 16
MASK_MAX = (1 << OUTPUT_MAX) - 1
LEASE_MAX_MS = 5000
CHANNEL_MAX = 8

BATTERY_MV = (0, 40_000)
PANEL_MV = (0, 60_000)
CURRENT_MA = (-500_000, 500_000)
TEMPERATURE_CENTI_C = (-6000, 12_500)

RESET_CAUSES = ("power", "watchdog", "brownout", "soft", "unknown")

_ECHO_KEYS = tuple(f"echo{channel}" for channel in range(CHANNEL_MAX))
_TEMPERATURE_KEYS = tuple(f"temp{channel}" for channel in range(CHANNEL_MAX))
_FLOW_KEYS = tuple(f"flow{channel}" for channel in range(CHANNEL_MAX))
_WET_KEYS = tuple(f"wet{channel}" for channel in range(CHANNEL_MAX))
_HEX_ID = re.compile(r"[0-9a-f]{8}(?:[0-9a-f]{1,8})?").fullmatch
_BOOT_ID = re.compile(r"[0-9a-f]{8}").fullmatch
_NAME = re.compile(r"[a-z0-9][a-z0-9.-]{0,39}").fullmatch
_NAMES = re.compile(r"[a-z][a-z0-9-]{0,39}(?:,[a-z][a-z0-9-]{0,39})*").fullmatch


class _UnreadableLineError(ValueError):
    """The line cannot be read as a whole."""


def parse_board_line(text: str) -> BoardMessage | None:
    """The message in one line's text (without checksum); None when it is not one this protocol version knows.

    A sensor value out of its possible range becomes None (an echo time becomes 0); anything else wrong drops the line.
    """
    return parse_counting(text)[0]


def parse_counting(text: str) -> tuple[BoardMessage | None, int]:
    """As `parse_board_line`, with the number of sensor values that were out of range."""
    if not (text.isascii() and text.isprintable()):
        return None, 0
    line = parse(text)
    if line is None:
        return None, 0
    kind, seq, fields = line
    try:
        if kind == "report":
            return _report(seq, fields)
        if kind == "ack":
            return _ack(seq, fields), 0
        if kind == "hello":
            return _hello(seq, fields), 0
    except _UnreadableLineError:
        pass
    return None, 0


def protocol_of(text: str) -> tuple[int, str] | None:
    """Protocol version and firmware name of any hello, even one whose other fields this version cannot read."""
    line = parse(text) if text.isascii() and text.isprintable() else None
    if line is None or line[0] != "hello":
        return None
    protocol = number(line[2].get("protocol", ""))
    if protocol is None or protocol < 0:
        return None
    firmware = line[2].get("firmware", "")
    return protocol, firmware if _NAME(firmware) else "unknown"


def _required(fields: dict[str, str], key: str, least: int, most: int) -> int:
    value = number(fields.get(key, ""))
    if value is None or not least <= value <= most:
        raise _UnreadableLineError(key)
    return value


def _boot_id(fields: dict[str, str]) -> str:
    boot_id = fields.get("boot", "")
    if not _BOOT_ID(boot_id):
        raise _UnreadableLineError("boot")
    return boot_id


def _measured(fields: dict[str, str], key: str, limits: tuple[int, int]) -> tuple[int | None, int]:
    """Value of a sensor and 1 if it was out of range; None also for a bad reading and a part that is not fitted."""
    text = fields.get(key, BAD)
    if text == BAD:
        return None, 0
    value = number(text)
    if value is None or not limits[0] <= value <= limits[1]:
        return None, 1
    return value, 0


def _scaled(fields: dict[str, str], key: str, limits: tuple[int, int]) -> tuple[float | None, int]:
    value, wrong = _measured(fields, key, limits)
    return (None if value is None else value / 1000.0), wrong


def _echoes(fields: dict[str, str]) -> tuple[dict[int, tuple[int, ...]], int]:
    bursts: dict[int, tuple[int, ...]] = {}
    wrong = 0
    for channel, key in enumerate(_ECHO_KEYS):
        text = fields.get(key)
        if text is None:
            break
        if text == BAD:
            bursts[channel] = ()
            continue
        words = text.split(",")
        if len(words) > ECHO_MAX_COUNT:
            raise _UnreadableLineError(key)
        times = []
        for word in words:
            echo_us = number(word)
            if echo_us is None or not 0 <= echo_us <= ECHO_MAX_US:
                echo_us = 0
                wrong += 1
            times.append(echo_us)
        bursts[channel] = tuple(times)
    return bursts, wrong


def _temperatures(fields: dict[str, str]) -> tuple[dict[int, float | None], int]:
    readings: dict[int, float | None] = {}
    wrong_count = 0
    for channel, key in enumerate(_TEMPERATURE_KEYS):
        if key not in fields:
            break
        value, wrong = _measured(fields, key, TEMPERATURE_CENTI_C)
        readings[channel] = None if value is None else value / 100.0
        wrong_count += wrong
    return readings, wrong_count


def _totals(fields: dict[str, str]) -> dict[int, int]:
    totals: dict[int, int] = {}
    for channel, key in enumerate(_FLOW_KEYS):
        if key not in fields:
            break
        totals[channel] = _required(fields, key, 0, TOTAL_MAX)
    return totals


def _wet(fields: dict[str, str]) -> dict[int, bool]:
    switches: dict[int, bool] = {}
    for channel, key in enumerate(_WET_KEYS):
        if key not in fields:
            break
        switches[channel] = _required(fields, key, 0, 1) == 1
    return switches


def _report(seq: int, fields: dict[str, str]) -> tuple[Report, int]:
    echoes, wrong_echoes = _echoes(fields)
    temperatures, wrong_temperatures = _temperatures(fields)
    battery_v, wrong_battery = _scaled(fields, "battery", BATTERY_MV)
    panel_v, wrong_panel = _scaled(fields, "panel", PANEL_MV)
    current_a, wrong_current = _scaled(fields, "current", CURRENT_MA)
    rain_tips, wrong_rain = _measured(fields, "rain", (0, TOTAL_MAX))
    faults = fields.get("faults")
    if faults is not None and not _NAMES(faults):
        raise _UnreadableLineError("faults")
    report = Report(
        seq,
        _boot_id(fields),
        _required(fields, "up", 0, UPTIME_MAX_MS),
        echoes,
        temperatures,
        battery_v,
        panel_v,
        current_a,
        _totals(fields),
        rain_tips,
        _wet(fields),
        _required(fields, "pumps", 0, MASK_MAX),
        _required(fields, "valves", 0, MASK_MAX),
        _required(fields, "ack", -1, SEQ_MODULUS - 1),
        _required(fields, "lease", 0, LEASE_MAX_MS),
        tuple(faults.split(",")) if faults else (),
    )
    return report, wrong_echoes + wrong_temperatures + wrong_battery + wrong_panel + wrong_current + wrong_rain


def _ack(seq: int, fields: dict[str, str]) -> Ack:
    refusal = fields.get("refusal", "")
    if refusal and not _NAME(refusal):
        raise _UnreadableLineError("refusal")
    return Ack(
        seq,
        _boot_id(fields),
        _required(fields, "up", 0, UPTIME_MAX_MS),
        _required(fields, "ack", 0, SEQ_MODULUS - 1),
        refusal,
    )


def _hello(seq: int, fields: dict[str, str]) -> Hello:
    board_id = fields.get("board", "")
    firmware = fields.get("firmware", "")
    cause = fields.get("cause", "")
    if not _HEX_ID(board_id) or not _NAME(firmware) or cause not in RESET_CAUSES:
        raise _UnreadableLineError("board, firmware or cause")
    return Hello(
        seq,
        _boot_id(fields),
        board_id,
        _required(fields, "protocol", 0, 1_000_000),
        firmware,
        cast(ResetCause, cause),
        _required(fields, "up", 0, UPTIME_MAX_MS),
        _fitted(fields),
        _required(fields, "heard", -1, SEQ_MODULUS - 1),
    )


def _fitted(fields: dict[str, str]) -> Fitted:
    return Fitted(
        echo=_required(fields, "echo", 0, CHANNEL_MAX),
        temperature=_required(fields, "temperature", 0, CHANNEL_MAX),
        flow=_required(fields, "flow", 0, CHANNEL_MAX),
        float_switch=_required(fields, "float_switch", 0, CHANNEL_MAX),
        pump=_required(fields, "pump", 0, OUTPUT_MAX),
        valve=_required(fields, "valve", 0, OUTPUT_MAX),
        rain=_required(fields, "rain", 0, 1) == 1,
        shunt=_required(fields, "shunt", 0, 1) == 1,
        panel=_required(fields, "panel", 0, 1) == 1,
    )
