"""Which pin does what on this board, and which parts are fitted: the one file an owner edits.

`pumphouse board pins` shows it as a table. A mistake in here keeps every output shut and is named in the board's hello.
Numbers are GPIO numbers, not positions on the header. Parts are numbered from 0 in the order in which they stand here:
the first valve is output 0. `()` or `None` means: not fitted. Voltages in millivolts, times as their names say.

On an RP2040 only GPIO 26, 27 and 28 measure voltages; no pin may see more than 3.3 V.
"""

PINS: dict[str, object] = {
    # Pins the board itself uses (supply control, cable sense, lamp, supply sense).
    "taken": (23, 24, 25, 29),
    # kind "pulse": a trigger pin and an echo pin (through a divider if the ranger runs on 5 V).
    # kind "serial": {"kind": "serial", "uart": 1, "tx": 4, "rx": 5, "ns_per_mm": 5882}, four-byte frames
    # (0xFF, millimetres high, low, sum) at 9600 baud. ns_per_mm: round trip per millimetre at the speed of sound that
    # the ranger reckons with, 5882 for 340 m/s.
    "echo": ({"kind": "pulse", "trigger": 16, "echo": 17},),
    # kind "onewire": several probes may share a pin; "rom" (16 hex digits) says which, None: the only one there.
    # kind "analogue": {"kind": "analogue", "pin": 28, "zero_mv": 500, "uv_per_c": 10000}, a probe with a voltage
    # that rises by so many microvolts per degree from its value at 0 degrees.
    "temperature": ({"kind": "onewire", "pin": 22, "rom": None},),
    # Divider: "top_ohm" towards the battery, "bottom_ohm" towards ground. trim_permille: 1000 times what a hand meter
    # shows, divided by what the board shows.
    "battery": {"pin": 26, "top_ohm": 100_000, "bottom_ohm": 22_000, "trim_permille": 1000},
    "panel": {"pin": 27, "top_ohm": 100_000, "bottom_ohm": 12_000, "trim_permille": 1000},
    # A known voltage on a spare measuring pin, as an extra check of the converter:
    # {"pin": 28, "mv": 1650, "tolerance_mv": 60}. Without it the converter's own temperature channel serves.
    "reference": None,
    # A converter with a shunt: "setup" are (register, value) pairs written at boot, "register" is then read. Each is
    # two bytes, high byte first, and a reading is signed. ua_per_bit: microamperes for one count, negative if the
    # shunt is wired the other way round; charging must come out positive. "identity": (register, value) or None.
    "shunt": {
        "i2c": 0,
        "sda": 20,
        "scl": 21,
        "address": 0x40,
        "setup": ((0x05, 0x0200),),
        "register": 0x04,
        "ua_per_bit": 1000,
        "identity": None,
    },
    # Meters and gauges close to ground. A pulse that follows the one before sooner than debounce_us is not counted.
    "flow": ({"pin": 12, "debounce_us": 1000},),
    "rain": {"pin": 13, "debounce_us": 100_000},
    # "wet": what the pin reads while the float is lifted. A float that closes to ground when lifted reads 0: a torn
    # wire then reads dry.
    "float": ({"pin": 14, "wet": 0},),
    # Soil probes with a voltage: {"pin": 28}.
    "soil": (),
    # "active": what the pin is while the pump runs. "second": pin of a second contact in series with the pump, or None.
    "pump": ({"pin": 2, "active": 1, "second": 3},),
    # kind "held": open for as long as its pin is active.
    # kind "latching": {"kind": "latching", "open": 6, "close": 7, "active": 1}, one pulse to open, one to close.
    "valve": (
        {"kind": "held", "pin": 6, "active": 1},
        {"kind": "held", "pin": 7, "active": 1},
        {"kind": "held", "pin": 8, "active": 1},
        {"kind": "held", "pin": 9, "active": 1},
        {"kind": "held", "pin": 10, "active": 1},
        {"kind": "held", "pin": 11, "active": 1},
    ),
    # Pulses of latching valves: how long each is, and how long the battery recovers before the next one.
    "latch": {"pulse_ms": 60, "spacing_ms": 250},
}

SETTINGS: dict[str, int | list[int]] = {
    # Limits: only stricter than the built-in ones (docs/protocol.md lists them under `set`).
    "opening_ms": 2000,
    "low_mv": 11_600,
    "floor_mv": 11_000,
    # One entry per pump: channel of its flow meter and float switch (-1: none), and the valves it feeds (bit n is
    # valve n).
    "flow_of_pump": [0],
    "float_of_pump": [0],
    "valves_of_pump": [0b111111],
}
