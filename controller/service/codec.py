"""Inputs of the core as journal text and back.

One input is a pair (kind, text). A message of the board is its line as it came (kind `line`); the rest, which is rare,
is JSON.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, fields
from typing import Any

from controller.contract import (
    ClearFault,
    Command,
    DayWeather,
    DrainZone,
    Forecast,
    ForgetLooks,
    HoldAll,
    HoldZone,
    Input,
    LinesDamaged,
    LinkChanged,
    Note,
    Order,
    Restarted,
    ResumeAll,
    ResumeZone,
    RunZone,
    SetSchedule,
    ShellInput,
    StopAll,
    UndoSchedule,
    VoidRain,
    ZoneLooks,
)
from controller.core.state import forecast_from_json, schedule_from_json
from controller.errors import OperatingError
from firmware_host.board_lines import parse_board_line

Entry = tuple[str, str]
"""(kind, text) of one input as the journal keeps it."""

TICK: Entry = ("tick", "")
"""Stands for a step without inputs."""

_dump = json.JSONEncoder(separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode

_COMMANDS: dict[str, type[Command]] = {
    "set-schedule": SetSchedule,
    "hold": HoldAll,
    "resume": ResumeAll,
    "run-zone": RunZone,
    "stop-all": StopAll,
    "clear-fault": ClearFault,
    "day-weather": DayWeather,
    "void-rain": VoidRain,
    "zone-looks": ZoneLooks,
    "forget-looks": ForgetLooks,
    "hold-zone": HoldZone,
    "resume-zone": ResumeZone,
    "undo-schedule": UndoSchedule,
    "drain-zone": DrainZone,
    "note": Note,
    "forecast": Forecast,
}
COMMAND_NAMES: dict[type[Command], str] = {command: name for name, command in _COMMANDS.items()}


def encode_input(item: ShellInput) -> Entry:
    """(kind, text) from which `decode_input` makes an equal input. Board lines are kept as they are: ("line", text)."""
    return _ENCODERS[type(item)](item)


def decode_input(kind: str, text: str) -> Input:
    """The input that was stored. Raises OperatingError when the stored text is not one of ours."""
    try:
        if kind == "line":
            return _decode_line(text)
        return _DECODERS[kind](json.loads(text))
    except (KeyError, ValueError, TypeError) as error:
        raise OperatingError(
            f"the journal holds an input that cannot be read: {kind} {text[:80]!r} ({error})"
        ) from error


def _decode_line(text: str) -> Input:
    message = parse_board_line(text)
    if message is None:
        raise ValueError("not a line of the board")
    return message


def _encode_order(order: Any) -> Entry:
    command = order.command
    head = {"id": order.id, "sender": order.sender, "not_after_wall_ms": order.not_after_wall_ms}
    return "order", _dump(head | {"order": COMMAND_NAMES[type(command)]} | asdict(command))


def _decode_order(values: dict[str, Any]) -> Order:
    command_class = _COMMANDS[values["order"]]
    arguments = {f.name: values[f.name] for f in fields(command_class)}
    if command_class is SetSchedule:
        arguments["schedule"] = schedule_from_json(arguments["schedule"])
    if command_class is Forecast:
        return Order(values["id"], values["sender"], values["not_after_wall_ms"], forecast_from_json(arguments))
    return Order(values["id"], values["sender"], values["not_after_wall_ms"], command_class(**arguments))


_ENCODERS: dict[type[Any], Callable[[Any], Entry]] = {
    LinkChanged: lambda change: ("link", _dump(asdict(change))),
    LinesDamaged: lambda damaged: ("damaged", _dump(asdict(damaged))),
    Restarted: lambda restart: ("restart", _dump(asdict(restart))),
    Order: _encode_order,
}
_DECODERS: dict[str, Callable[[Any], Input]] = {
    "link": lambda values: LinkChanged(**values),
    "damaged": lambda values: LinesDamaged(**values),
    "restart": lambda values: Restarted(**values),
    "order": _decode_order,
}
