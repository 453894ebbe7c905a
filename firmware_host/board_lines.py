"""From the text of a board's line to a typed message: host side only.

Pure: the same text always gives the same message, so that a journal may keep the text and read it again years later.
"""

from __future__ import annotations

import re
from typing import cast

from firmware_host.messages import Ack, BoardMessage, Fitted, Hello, Report, ResetCause
from firmware_host.wire import BAD, SEQ_MODULUS, number, parse

UPTIME_MAX_MS = 9_999_999_999_999
ECHO_MAX_US = 60_000
OUTPUT_MAX = 16
MASK_MAX = (1 << OUTPUT_MAX) - 1
LEASE_MAX_MS = 5000
CHANNEL_MAX = 8

BATTERY_MV = (0, 40_000)
PANEL_MV = (0, 60_000)
CURRENT_MA = (-500_000, 500_000)
TEMPERATURE_CENTI_C = (-6000, 12_500)

RESET_CAUSES = ("power", "watchdog", "brownout", "soft", "unknown")

_READING = r"-?[0-9]{1,9}|-"
_BURST = r"[0-9]{1,5}(?:,[0-9]{1,5}){0,15}|-"
_TOTAL = r"[0-9]{1,13}"
_FAULT = r"[a-z][a-z0-9-]{0,39}"


def _perhaps(words: str) -> str:
    """Words that may be missing. A choice with nothing is matched a quarter faster than a repeat of none or one."""
    return f"(?:{words}|)"


def _channels(name: str, value: str) -> str:
    """Any number of numbered fields: one group with the value of number 0, one with the text of the others."""
    return _perhaps(rf" {name}0=({value})((?: {name}[1-7]=(?:{value}))*)")


_REPORT = re.compile(
    r"report ([0-9]{1,10}) boot=([0-9a-f]{8}) up=([0-9]{1,13})"
    + _channels("echo", _BURST)
    + _channels("temp", _READING)
    + rf" battery=({_READING})"
    + _perhaps(rf" panel=({_READING})")
    + _perhaps(rf" current=({_READING})")
    + _channels("flow", _TOTAL)
    + _perhaps(rf" rain=({_TOTAL})")
    + _channels("wet", "[01]")
    + r" pumps=([0-9]{1,5}) valves=([0-9]{1,5}) ack=(-1|[0-9]{1,10}) lease=([0-9]{1,4})"
    + _perhaps(rf" faults=({_FAULT}(?:,{_FAULT})*)")
).fullmatch
_HEX_ID = re.compile(r"[0-9a-f]{8}(?:[0-9a-f]{1,8})?").fullmatch
_BOOT_ID = re.compile(r"[0-9a-f]{8}").fullmatch
_NAME = re.compile(r"[a-z0-9][a-z0-9.-]{0,39}").fullmatch


_new_report = tuple.__new__
"""A named tuple's own constructor is one more call."""


class _UnreadableLineError(ValueError):
    """The line cannot be read as a whole."""


def parse_board_line(text: str) -> BoardMessage | None:
    """The message in one line's text (without checksum); None when it is not one this protocol version knows.

    A sensor value out of its possible range becomes None (an echo time becomes 0); anything else wrong drops the line.
    """
    return parse_counting(text)[0]


def parse_counting(text: str) -> tuple[BoardMessage | None, int]:
    """As `parse_board_line`, with the number of sensor values that were out of range."""
    try:
        if text.startswith("report "):
            return _report(text)
        line = parse(text) if _readable(text) else None
        if line is None:
            return None, 0
        kind, seq, fields = line
        if kind == "ack":
            return _ack(seq, fields), 0
        if kind == "hello":
            return _hello(seq, fields), 0
    except _UnreadableLineError:
        pass
    return None, 0


def _readable(text: str) -> bool:
    """Printable, and free of what `int` would accept in a number although the line format does not."""
    return text.isascii() and text.isprintable() and "_" not in text and "+" not in text


def protocol_of(text: str) -> tuple[int, str] | None:
    """Protocol version and firmware name of any hello, even one whose other fields this version cannot read."""
    line = parse(text) if _readable(text) else None
    if line is None or line[0] != "hello":
        return None
    protocol = number(line[2].get("protocol", ""))
    if protocol is None or protocol < 0:
        return None
    firmware = line[2].get("firmware", "")
    return protocol, firmware if _NAME(firmware) else "unknown"


def _required(fields: dict[str, str], key: str, least: int, most: int) -> int:
    try:
        value = int(fields[key])
    except (KeyError, ValueError) as error:
        raise _UnreadableLineError(key) from error
    if least <= value <= most:
        return value
    raise _UnreadableLineError(key)


def _boot_id(fields: dict[str, str]) -> str:
    boot_id = fields.get("boot", "")
    if not _BOOT_ID(boot_id):
        raise _UnreadableLineError("boot")
    return boot_id


def _report(text: str) -> tuple[Report, int]:
    """One expression checks the whole line: reports are nearly all there is to read, and must cost little.

    For the same reason channel 0 and the plausible readings are taken without a further call.
    """
    match = _REPORT(text)
    if match is None:
        raise _UnreadableLineError("report")
    (
        seq, boot_id, up, echo, more_echo, temperature, more_temperature, battery, panel, current,
        flow, more_flow, rain, wet, more_wet, pumps, valves, acked, lease, faults,
    ) = match.groups()  # fmt: skip
    seq_number, acked_seq = int(seq), int(acked)
    pump_mask, valve_mask, lease_ms = int(pumps), int(valves), int(lease)
    if (
        seq_number >= SEQ_MODULUS
        or acked_seq >= SEQ_MODULUS
        or pump_mask > MASK_MAX
        or valve_mask > MASK_MAX
        or lease_ms > LEASE_MAX_MS
    ):
        raise _UnreadableLineError("report")
    wrong: list[str] = []
    report = _new_report(
        Report,
        (
            seq_number,
            boot_id,
            int(up),
            {} if echo is None else _bursts(echo, more_echo, wrong) if more_echo else {0: _burst(echo, wrong)},
            {}
            if temperature is None
            else _temperatures(temperature, more_temperature, wrong)
            if more_temperature
            else {0: _scaled(temperature, TEMPERATURE_CENTI_C, 100.0, wrong)},
            _scaled(battery, BATTERY_MV, 1000.0, wrong),
            None if panel is None else _scaled(panel, PANEL_MV, 1000.0, wrong),
            None if current is None else _scaled(current, CURRENT_MA, 1000.0, wrong),
            {} if flow is None else _totals(flow, more_flow) if more_flow else {0: int(flow)},
            None if rain is None else int(rain),
            {} if wet is None else _switches(wet, more_wet) if more_wet else {0: wet == "1"},
            pump_mask,
            valve_mask,
            acked_seq,
            lease_ms,
            tuple(faults.split(",")) if faults else (),
        ),
    )
    return report, len(wrong)


def _numbered(first: str, more: str) -> list[tuple[int, str]]:
    """Channel numbers and values of the fields that `_channels` found; they must be numbered without a gap."""
    found = [(0, first)]
    for word in more.split():
        name, _, value = word.partition("=")
        if int(name[-1]) != len(found):
            raise _UnreadableLineError(name)
        found.append((len(found), value))
    return found


def _bursts(first: str, more: str, wrong: list[str]) -> dict[int, tuple[int, ...]]:
    return {channel: _burst(text, wrong) for channel, text in _numbered(first, more)}


def _temperatures(first: str, more: str, wrong: list[str]) -> dict[int, float | None]:
    return {n: _scaled(text, TEMPERATURE_CENTI_C, 100.0, wrong) for n, text in _numbered(first, more)}


def _totals(first: str, more: str) -> dict[int, int]:
    return {channel: int(text) for channel, text in _numbered(first, more)}


def _switches(first: str, more: str) -> dict[int, bool]:
    return {channel: text == "1" for channel, text in _numbered(first, more)}


def _scaled(text: str, limits: tuple[int, int], divisor: float, wrong: list[str]) -> float | None:
    """A sensor's value; None for a bad reading and (noted in `wrong`) for one out of range."""
    if text == BAD:
        return None
    value = int(text)
    least, most = limits
    if least <= value <= most:
        return value / divisor
    wrong.append(text)
    return None


def _burst(text: str, wrong: list[str]) -> tuple[int, ...]:
    if text == BAD:
        return ()
    times = tuple(map(int, text.split(",")))
    if max(times) <= ECHO_MAX_US:
        return times
    wrong.append(text)
    return tuple([echo_us if echo_us <= ECHO_MAX_US else 0 for echo_us in times])


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
        _required(fields, "who", -1, SEQ_MODULUS - 1),
    )


def _fitted(fields: dict[str, str]) -> Fitted:
    return Fitted(
        echo=_required(fields, "echo", 0, CHANNEL_MAX),
        temperature=_required(fields, "temperature", 0, CHANNEL_MAX),
        flow=_required(fields, "flow", 0, CHANNEL_MAX),
        float_switch=_required(fields, "float", 0, CHANNEL_MAX),
        pump=_required(fields, "pump", 0, OUTPUT_MAX),
        valve=_required(fields, "valve", 0, OUTPUT_MAX),
        rain=_required(fields, "rain", 0, 1) == 1,
        shunt=_required(fields, "shunt", 0, 1) == 1,
        panel=_required(fields, "panel", 0, 1) == 1,
    )
