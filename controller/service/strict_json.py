"""One JSON object from untrusted bytes, with everything refused that JSON readers silently accept or choke on."""

from __future__ import annotations

import json
from typing import Any, NoReturn

NESTING = 8
INTEGER_DIGITS = 18


class RefusedError(Exception):
    """Something a sender got wrong; the text is the plain reason to send back."""


def read_json_object(payload: bytes, retained: bool, limit_bytes: int) -> dict[str, Any]:
    """The one JSON object in a payload, with everything refused that JSON readers silently accept or choke on."""
    if retained:
        raise RefusedError(
            "retained orders are ignored: an order must not act again at every reconnect; clear the topic"
        )
    if len(payload) > limit_bytes:
        raise RefusedError(f"{len(payload)} bytes are too many, at most {limit_bytes} are read")
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError as error:
        raise RefusedError(f"not UTF-8 text (byte {error.start})") from error
    if not text.strip():
        raise RefusedError("empty message")
    _check_nesting(text)
    try:
        values = json.loads(
            text,
            object_pairs_hook=_without_repeated_keys,
            parse_constant=_no_constant,
            parse_int=_bounded_int,
            parse_float=_finite_float,
        )
    except json.JSONDecodeError as error:
        raise RefusedError(f"not JSON: {error.msg} (line {error.lineno}, column {error.colno})") from error
    if not _is_text(values):
        raise RefusedError("holds half of a surrogate pair (\\ud800 to \\udfff), which is no character")
    if not isinstance(values, dict):
        raise RefusedError("not a JSON object: write the order as {...}")
    return values


def _is_text(values: Any) -> bool:
    try:
        json.dumps(values, ensure_ascii=False).encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _check_nesting(text: str) -> None:
    depth = 0
    in_string = escaped = False
    for character in text:
        if in_string:
            if escaped:
                escaped = False
            elif character == "\\":
                escaped = True
            elif character == '"':
                in_string = False
        elif character == '"':
            in_string = True
        elif character in "[{":
            depth += 1
            if depth > NESTING:
                raise RefusedError(f"nested deeper than {NESTING} levels")
        elif character in "]}":
            depth -= 1


def _without_repeated_keys(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for key, value in pairs:
        if key in values:
            raise RefusedError(f"{quoted(key)} is there twice")
        values[key] = value
    return values


def _no_constant(word: str) -> NoReturn:
    raise RefusedError(f"{word} is not a number an order may hold")


def _bounded_int(digits: str) -> int:
    if len(digits.lstrip("-")) > INTEGER_DIGITS:
        raise RefusedError(f"a whole number of {len(digits)} digits is too long, at most {INTEGER_DIGITS}")
    return int(digits)


def _finite_float(digits: str) -> float:
    value = float(digits[:400]) if len(digits) <= 400 else float("inf")
    if value in (float("inf"), float("-inf")):
        raise RefusedError(f"{digits[:20]} is too large a number")
    return value


def quoted(text: str) -> str:
    """The start of a text from outside, escaped, for use in a reason."""
    return json.dumps(text[:40], ensure_ascii=True)
