"""From the text of a board's line to a typed message: host side only.

Pure: the same text always gives the same message, so that a journal may keep the text and read it again years later.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any, cast

from firmware_host.messages import Ack, BoardMessage, Fitted, Hello, Lifetime, Report, ResetCause
from firmware_host.wire import BAD, SEQ_MODULUS, number, parse

UPTIME_MAX_MS = 9_999_999_999_999
ECHO_MAX_US = 60_000
OUTPUT_MAX = 16
MASK_MAX = (1 << OUTPUT_MAX) - 1
LEASE_MAX_MS = 5000
CHANNEL_MAX = 8
TOTAL_MAX = (1 << 32) - 1

BATTERY_MV = (0, 40_000)
PANEL_MV = (0, 60_000)
SOIL_MV = (0, 3300)
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


_CHANGING_WORDS = (
    r"report ([0-9]{1,10}) boot=([0-9a-f]{8}) up=([0-9]{1,13})"
    + _channels("echo", _BURST)
    + _channels("temp", _READING)
    + rf" battery=({_READING})"
    + _perhaps(rf" panel=({_READING})")
    + _perhaps(rf" current=({_READING})")
    + _channels("soil", _READING)
)
_STANDING_WORDS = (
    "("
    + _channels("flow", _TOTAL)
    + _perhaps(rf" rain=({_TOTAL})")
    + _channels("wet", "[01]")
    + r" pumps=([0-9]{1,5}) valves=([0-9]{1,5}) ack=(-1|[0-9]{1,10}) lease=([0-9]{1,4})"
    + _perhaps(rf" faults=({_FAULT}(?:,{_FAULT})*)")
    + ")"
)
_PING, _NUMBER = r"([0-9]{1,5})", r"(-?[0-9]{1,9})"
_USUAL = re.compile(
    rf"report ([0-9]{{1,10}}) boot=([0-9a-f]{{8}}) up=([0-9]{{1,13}}) echo0={','.join([_PING] * 5)} temp0={_NUMBER}"
    rf" battery={_NUMBER}{_perhaps(f' panel={_NUMBER}')}{_perhaps(f' current={_NUMBER}')}"
).fullmatch
"""The same words of the board that nearly everyone has, with one ranger, one probe and all of it readable."""
_REPORT = re.compile(_CHANGING_WORDS + _STANDING_WORDS).fullmatch
_CHANGING = re.compile(_CHANGING_WORDS).fullmatch
_READINGS = 12
"""Groups of the words that differ from report to report; those that mostly stand follow (the first is all of them)."""
_HEX_ID = re.compile(r"[0-9a-f]{8}(?:[0-9a-f]{1,8})?").fullmatch
_BOOT_ID = re.compile(r"[0-9a-f]{8}").fullmatch
_NAME = re.compile(r"[a-z0-9][a-z0-9.-]{0,39}").fullmatch


_new_report = tuple.__new__
"""A named tuple's own constructor is one more call."""

MEMO_MAX = 2048
STANDING_MAX = 32
"""A memo that is full starts afresh: it is only there to be fast."""


class _UnreadableLineError(ValueError):
    """The line cannot be read as a whole."""


class _Readings(dict[str, float | None]):
    """The value of each word that one kind of sensor has sent: nearly every word comes again.

    None for a bad reading and for one out of range.
    """

    def __init__(self, limits: tuple[int, int], divisor: float) -> None:
        super().__init__()
        self._least, self._most = limits
        self._divisor = divisor

    def __missing__(self, word: str | None) -> float | None:
        """Work out a word not seen lately; None stands for a sensor that is not fitted."""
        value = None
        if word is not None and word != BAD and self._least <= int(word) <= self._most:
            value = int(word) / self._divisor
        if word is not None:
            if len(self) >= MEMO_MAX:
                self.clear()
            self[word] = value
        return value


_BATTERY_V = _Readings(BATTERY_MV, 1000.0)
_PANEL_V = _Readings(PANEL_MV, 1000.0)
_CURRENT_A = _Readings(CURRENT_MA, 1000.0)
_TEMPERATURE_C = _Readings(TEMPERATURE_CENTI_C, 100.0)

_Standing = tuple[dict[int, int], int | None, dict[int, bool], int, int, int, int, tuple[str, ...]]
_STANDING_BEGIN = " flow0="
"""Where those words begin in the reports of a board with a flow meter; without one they are read each time."""
_known_standing: dict[str, _Standing] = {}
"""What the words from the flow meters' to the last mean: at rest they are the same in report after report."""


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
    """Printable, and free of what `int` would accept in a number although the line format does not.

    What a hello says in words of a problem of the board may have all of that: it is the last of its words.
    """
    numbers = text.partition(" problem=")[0]
    return text.isascii() and text.isprintable() and "_" not in numbers and "+" not in numbers


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

    For the same reason the usual ones are tried first, and words that were read before are not read again.
    """
    standing_from = text.find(_STANDING_BEGIN)
    standing = _known_standing.get(text[standing_from:])
    if standing is not None:
        usual = _USUAL(text, 0, standing_from)
        report = None if usual is None else _usual(usual.groups(), standing)
        if report is not None:
            return report, 0
    match = _REPORT(text) if standing is None else _CHANGING(text, 0, standing_from)
    if match is None:
        raise _UnreadableLineError("report")
    words = match.groups()
    if standing is None:
        standing = _standing(*words[_READINGS:])
        words = words[:_READINGS]
    (
        seq, boot_id, up, echo, more_echo, temperature, more_temperature, battery, panel, current, soil, more_soil,
    ) = words  # fmt: skip
    seq_number = int(seq)
    if seq_number >= SEQ_MODULUS:
        raise _UnreadableLineError("report")
    wrong: list[str] = []
    echo_us = {} if echo is None else _bursts(echo, more_echo, wrong)
    battery_v, panel_v, current_a = _BATTERY_V[battery], _PANEL_V[panel], _CURRENT_A[current]
    temperature_c = {} if temperature is None else _temperatures(temperature, more_temperature)
    if battery_v is None or panel_v is None or current_a is None or None in temperature_c.values():
        said = [battery, panel, current, temperature, *_values(more_temperature)]
        values = [battery_v, panel_v, current_a, *(temperature_c.values() or [None])]
        wrong += [word for word, value in zip(said, values, strict=True) if value is None and word not in (None, BAD)]
    soil_v = {} if soil is None else _voltages(soil, more_soil, wrong)
    report = _new_report(
        Report,
        (seq_number, boot_id, int(up), echo_us, temperature_c, battery_v, panel_v, current_a, *standing, soil_v),
    )
    return report, len(wrong)


def _usual(words: Sequence[Any], standing: _Standing) -> Report | None:
    """A report of the usual words; None when a value is out of its range and must be looked at one by one."""
    seq, boot_id, up, us_0, us_1, us_2, us_3, us_4, temperature, battery, panel, current = words
    seq_number, times_us = int(seq), (int(us_0), int(us_1), int(us_2), int(us_3), int(us_4))
    battery_v, panel_v, current_a = _BATTERY_V[battery], _PANEL_V[panel], _CURRENT_A[current]
    temperature_c = _TEMPERATURE_C[temperature]
    if (
        seq_number >= SEQ_MODULUS
        or max(times_us) > ECHO_MAX_US
        or temperature_c is None
        or battery_v is None
        or (panel_v is None and panel is not None)
        or (current_a is None and current is not None)
    ):
        return None
    echo_us, air_c = {0: times_us}, {0: temperature_c}
    return _new_report(
        Report, (seq_number, boot_id, int(up), echo_us, air_c, battery_v, panel_v, current_a, *standing, {})
    )


def _standing(
    words: str,
    flow: str | None,
    more_flow: str | None,
    rain: str | None,
    wet: str | None,
    more_wet: str | None,
    pumps: str,
    valves: str,
    acked: str,
    lease: str,
    faults: str | None,
) -> _Standing:
    """The last eight fields of a report from its words, remembered."""
    pump_mask, valve_mask, acked_seq, lease_ms = int(pumps), int(valves), int(acked), int(lease)
    if acked_seq >= SEQ_MODULUS or pump_mask > MASK_MAX or valve_mask > MASK_MAX or lease_ms > LEASE_MAX_MS:
        raise _UnreadableLineError("report")
    standing = (
        {} if flow is None else _totals(flow, more_flow or ""),
        None if rain is None else int(rain),
        {} if wet is None else _switches(wet, more_wet or ""),
        pump_mask,
        valve_mask,
        acked_seq,
        lease_ms,
        tuple(faults.split(",")) if faults else (),
    )
    if len(_known_standing) >= STANDING_MAX:
        _known_standing.clear()
    _known_standing[words] = standing
    return standing


def _numbered(first: str, more: str) -> list[tuple[int, str]]:
    """Channel numbers and values of the fields that `_channels` found; they must be numbered without a gap."""
    found = [(0, first)]
    for word in more.split():
        name, _, value = word.partition("=")
        if int(name[-1]) != len(found):
            raise _UnreadableLineError(name)
        found.append((len(found), value))
    return found


def _values(more: str | None) -> list[str]:
    return [word.partition("=")[2] for word in (more or "").split()]


def _bursts(first: str, more: str, wrong: list[str]) -> dict[int, tuple[int, ...]]:
    return {channel: _burst(text, wrong) for channel, text in _numbered(first, more)}


def _temperatures(first: str, more: str) -> dict[int, float | None]:
    return {n: _TEMPERATURE_C[text] for n, text in _numbered(first, more)}


def _voltages(first: str, more: str, wrong: list[str]) -> dict[int, float | None]:
    """Soil probes by channel; a value out of range is noted in `wrong`."""
    found: dict[int, float | None] = {}
    for channel, word in _numbered(first, more):
        good = word != BAD and SOIL_MV[0] <= int(word) <= SOIL_MV[1]
        found[channel] = int(word) / 1000.0 if good else None
        if not good and word != BAD:
            wrong.append(word)
    return found


def _totals(first: str, more: str) -> dict[int, int]:
    if not more:
        # Nearly every board has one meter, and in each report of a watering its total is a new one.
        return {0: int(first)}
    return {channel: int(text) for channel, text in _numbered(first, more)}


def _switches(first: str, more: str) -> dict[int, bool]:
    return {channel: text == "1" for channel, text in _numbered(first, more)}


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
        _lifetime(fields),
    )


def _lifetime(fields: dict[str, str]) -> Lifetime | None:
    if "boots" not in fields:
        return None
    before = fields.get("before", "")
    if before not in RESET_CAUSES:
        raise _UnreadableLineError("before")
    channels = [channel for channel in range(CHANNEL_MAX) if f"total{channel}" in fields]
    return Lifetime(
        _required(fields, "boots", 0, TOTAL_MAX),
        cast(ResetCause, before),
        {channel: _required(fields, f"total{channel}", 0, TOTAL_MAX) for channel in channels},
        _required(fields, "tips", 0, TOTAL_MAX) if "tips" in fields else None,
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
