"""The declaration of pins: the one that is flashed is good, and every kind of mistake is named."""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from random import Random
from typing import Any

import pytest

from firmware_host.board import declared
from firmware_host.board.declared import NOTHING
from firmware_host.board.limits import SETTINGS as LIMITS
from firmware_host.board.limits import allowed
from firmware_host.board.pins import PINS, SETTINGS
from firmware_host.board.pins_check import i2c_pins, problems

SERIAL = {"kind": "serial", "uart": 1, "tx": 4, "rx": 5, "ns_per_mm": 5882}
LATCHING = {"kind": "latching", "open": 18, "close": 19, "active": 1}
PROBE = {"kind": "onewire", "pin": 22, "rom": "28ff641e8216035a"}
OTHER_PROBE = {"kind": "onewire", "pin": 22, "rom": "28ff641e821603f1"}
ANALOGUE = {"kind": "analogue", "pin": 28, "zero_mv": 500, "uv_per_c": 10_000}


def changed(**parts: Any) -> dict[str, Any]:
    pins: dict[str, Any] = deepcopy(PINS)
    pins.update(parts)
    return pins


def part(name: str, **keys: Any) -> dict[str, Any]:
    """One of the declared parts with other keys."""
    found: Any = PINS[name]
    return {**(found[0] if isinstance(found, tuple) else found), **keys}


def test_the_declaration_that_is_flashed_is_good() -> None:
    assert problems(PINS) == []
    # What a board with a wrong declaration falls back to lacks all there is, also the battery that every board has.
    assert problems(NOTHING) == ["battery: must be a table of keys"]


def test_the_settings_that_are_flashed_only_tighten() -> None:
    limits = {name for name, *_ in LIMITS}
    for name, value in SETTINGS.items():
        assert name in ("flow_of_pump", "float_of_pump", "valves_of_pump") or (
            name in limits and isinstance(value, int) and allowed(name, value)
        )


@pytest.mark.parametrize(
    "parts",
    [
        {"echo": (SERIAL,)},
        {"echo": (part("echo"), SERIAL)},
        {"echo": ()},
        {"temperature": (PROBE, OTHER_PROBE)},
        {"temperature": (ANALOGUE,)},
        {"panel": None, "shunt": None, "rain": None, "flow": (), "float": ()},
        {"soil": ({"pin": 28},)},
        {"reference": {"pin": 28, "mv": 1650, "tolerance_mv": 60}},
        {"valve": (LATCHING, part("valve"))},
        {"pump": (part("pump", active=0, second=None),)},
        {"shunt": part("shunt", i2c=1, sda=18, scl=19, identity=(0xFE, 0x5449))},
    ],
)
def test_other_parts_are_possible(parts: dict[str, Any]) -> None:
    assert problems(changed(**parts)) == []


@pytest.mark.parametrize(
    ("parts", "said"),
    [
        ({"pump": (part("pump", pin=30),)}, "pump 0 pin: there is no GPIO 30"),
        ({"pump": (part("pump", pin=-1),)}, "pump 0 pin: there is no GPIO -1"),
        ({"pump": (part("pump", pin="GP2"),)}, "pump 0 pin: there is no GPIO GP2"),
        ({"pump": (part("pump", pin=True),)}, "pump 0 pin: there is no GPIO True"),
        ({"pump": (part("pump", second=2),)}, "pump 0 second: GPIO 2 is already used by pump 0 pin"),
        ({"pump": (part("pump", active=2),)}, "pump 0: active is 2, allowed are 0 to 1"),
        ({"valve": (part("valve", pin=25),)}, "valve 0 pin: GPIO 25 is already used by the board itself"),
        ({"valve": (part("valve", pin=3),)}, "valve 0 pin: GPIO 3 is already used by pump 0 second"),
        ({"valve": ({**LATCHING, "close": 18},)}, "valve 0 close: GPIO 18 is already used by valve 0 open"),
        ({"valve": (part("valve", kind="sliding"),)}, "valve 0: kind must be held or latching"),
        ({"echo": (part("echo", kind="radar"),)}, "echo 0: kind must be pulse or serial"),
        ({"temperature": (part("temperature", kind="mercury"),)}, "temperature 0: kind must be onewire or analogue"),
        ({"valve": (part("valve"),) * 17}, "valve: 17 are declared, at most 16 are possible"),
        ({"battery": part("battery", pin=22)}, "battery pin: GPIO 22 cannot do this, allowed are 26 27 28"),
        ({"battery": part("battery", bottom_ohm=0)}, "battery: bottom_ohm is 0, allowed are 1000 to 1000000"),
        ({"battery": part("battery", trim_permille=2000)}, "battery: trim_permille is 2000, allowed are 900 to 1100"),
        ({"battery": None}, "battery: must be a table of keys"),
        ({"soil": ({"pin": 26},)}, "soil 0 pin: GPIO 26 is already used by battery pin"),
        ({"echo": ({**SERIAL, "tx": 6},)}, "echo 0 tx: GPIO 6 cannot do this, allowed are 4 8 20 24"),
        ({"echo": ({**SERIAL, "uart": 2},)}, "echo 0: uart is 2, allowed are 0 to 1"),
        ({"echo": (SERIAL, {**SERIAL, "tx": 8, "rx": 9})}, "echo 1: serial port 1 is already used"),
        ({"echo": ({"kind": "pulse", "trigger": 16},)}, "echo 0: echo is missing"),
        ({"echo": ({"kind": "serial", "uart": 1, "tx": 4, "rx": 5},)}, "echo 0: ns_per_mm is missing"),
        ({"temperature": ({"kind": "analogue", "pin": 28, "zero_mv": 500},)}, "temperature 0: uv_per_c is missing"),
        ({"echo": (part("echo", gap_ms=60),)}, "echo 0: no key gap_ms here"),
        (
            {"echo": tuple({"kind": "pulse", "trigger": n, "echo": n + 1} for n in (0, 4, 16, 18, 14))},
            "echo: 5 of kind pulse, at most 4 are possible",
        ),
        ({"temperature": (PROBE, PROBE)}, "temperature 1: probes that share a pin each need their own rom"),
        (
            {"temperature": (part("temperature"), PROBE)},
            "temperature 1: probes that share a pin each need their own rom",
        ),
        ({"temperature": (part("temperature", rom="28-64"),)}, "temperature 0: rom must be 16 hexadecimal digits"),
        ({"shunt": part("shunt", sda=18)}, "shunt sda: GPIO 18 cannot do this, allowed are 0 4 8 12 16 20 24 28"),
        ({"shunt": part("shunt", address=200)}, "shunt: address is 200, allowed are 8 to 119"),
        (
            {"shunt": part("shunt", setup=((5, 70_000),))},
            "shunt: setup and identity hold pairs (register 0 to 255, value 0 to 65535)",
        ),
        ({"flow": (part("flow", debounce_us=-1),)}, "flow 0: debounce_us is -1, allowed are 0 to 1000000"),
        ({"float": (part("float", wet="lifted"),)}, "float 0: wet is lifted, allowed are 0 to 1"),
        ({"latch": {"pulse_ms": 5000, "spacing_ms": 250}}, "latch: pulse_ms is 5000, allowed are 10 to 500"),
        ({"rain": ()}, "rain: must be a table of keys"),
        ({"flow": None}, "flow: must be a list of parts"),
        ({"taken": ("LED",)}, "taken: LED is no GPIO number"),
        ({"sprayer": ()}, "sprayer: no such part"),
    ],
)
def test_a_mistake_is_named(parts: dict[str, Any], said: str) -> None:
    assert said in problems(changed(**parts))


def test_a_missing_part_is_named() -> None:
    pins = changed()
    del pins["valve"]
    assert problems(pins) == ["valve: missing"]


@pytest.mark.parametrize("pins", [None, [], "PINS", 3])
def test_something_else_than_a_table_is_named(pins: object) -> None:
    assert problems(pins) == ["PINS is not a table of parts"]


def test_pins_of_the_two_wire_buses_alternate() -> None:
    # RP2040 datasheet, GPIO function table: I2C0 on GPIO 0/1, 4/5, ...; I2C1 on GPIO 2/3, 6/7, ...
    assert i2c_pins(0)[0][:3] == (0, 4, 8)
    assert i2c_pins(1)[1][:3] == (3, 7, 11)


def test_whatever_stands_in_the_file_the_check_never_fails() -> None:
    rng = Random("damaged declarations")
    junk: list[Any] = [None, -1, 0, 31, 10**12, "x", 1.5, (), [], {}, {"pin": 2}, [[1]], True, b"\x00"]

    def damage(value: Any) -> Any:
        if rng.random() < 0.1:
            return rng.choice(junk)
        if isinstance(value, dict):
            return {key: damage(entry) for key, entry in value.items() if rng.random() < 0.97}
        if isinstance(value, tuple):
            return tuple(damage(entry) for entry in value)
        return value

    bad = 0
    for _ in range(3000):
        found = problems(damage(deepcopy(PINS)))
        assert all(isinstance(text, str) for text in found)
        bad += bool(found)
    assert bad > 2500


@pytest.mark.parametrize(
    ("take", "said"),
    [
        (lambda: declared.part({"battery": None}, "battery"), "battery"),
        (lambda: declared.parts({"pump": 2}, "pump"), "pump"),
        (lambda: declared.number({"pin": "GP2"}, "pin"), "pin"),
        (lambda: declared.text({"rom": 40}, "rom"), "rom"),
        (lambda: declared.pair((1, "2")), "pair"),
        (lambda: declared.pair((1, 2, 3)), "pair"),
        (lambda: declared.pairs({"setup": 5}, "setup"), "setup"),
    ],
)
def test_a_declaration_that_nobody_checked_is_not_guessed_at(take: Callable[[], object], said: str) -> None:
    with pytest.raises(ValueError, match=f"^{said}$"):
        take()
