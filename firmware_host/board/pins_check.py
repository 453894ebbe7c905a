"""Is a declaration of pins possible on an RP2040? A pure function that names every mistake it finds.

Written for MicroPython and CPython alike; whole numbers only.
"""

GPIO_COUNT = 30
MEASURING = (26, 27, 28)
PULSE_RANGERS_MAX = 4
CHANNELS_MAX = 8
OUTPUTS_MAX = 16

# Which pins a serial port or a two-wire bus can use: position of the signal in each group of four pins, per unit.
_UART_TX = ((0, 12, 16, 28), (4, 8, 20, 24))
_UART_RX = ((1, 13, 17, 29), (5, 9, 21, 25))

_PULSE_RANGER = ("kind", "trigger", "echo")
_SERIAL_RANGER = ("kind", "uart", "tx", "rx", "ns_per_mm")
_ONEWIRE = ("kind", "pin", "rom")
_ANALOGUE = ("kind", "pin", "zero_mv", "uv_per_c")
_DIVIDER = ("pin", "top_ohm", "bottom_ohm", "trim_permille")
_REFERENCE = ("pin", "mv", "tolerance_mv")
_SHUNT = ("i2c", "sda", "scl", "address", "setup", "register", "ua_per_bit", "identity")
_COUNTER = ("pin", "debounce_us")
_FLOAT = ("pin", "wet")
_SOIL = ("pin",)
_PUMP = ("pin", "active", "second")
_HELD = ("kind", "pin", "active")
_LATCHING = ("kind", "open", "close", "active")
_LATCH = ("pulse_ms", "spacing_ms")

_SEVERAL = (
    ("echo", CHANNELS_MAX),
    ("temperature", CHANNELS_MAX),
    ("flow", CHANNELS_MAX),
    ("float", CHANNELS_MAX),
    ("soil", len(MEASURING)),
    ("pump", OUTPUTS_MAX),
    ("valve", OUTPUTS_MAX),
)
_SINGLE = ("battery", "panel", "reference", "shunt", "rain", "latch")


def problems(pins: object) -> list[str]:
    """What is wrong with a declaration, one sentence each; empty when nothing is."""
    if not isinstance(pins, dict):
        return ["PINS is not a table of parts"]
    return _Check(pins).run()


class _Check:
    def __init__(self, pins: dict[str, object]):
        self._pins = pins
        self._found: list[str] = []
        self._users: dict[object, str] = {}
        self._probes: list[tuple[object, object]] = []
        self._uarts: list[int] = []

    def run(self) -> list[str]:
        if self._whole():
            self._single_parts()
            checks = {
                "echo": self._ranger,
                "temperature": self._probe,
                "flow": self._counter,
                "float": self._float,
                "soil": self._soil,
                "pump": self._pump,
                "valve": self._valve,
            }
            for name, _ in _SEVERAL:
                parts = _listed(self._pins[name])
                for index in range(len(parts)):
                    checks[name](f"{name} {index}", parts[index])
            self._count_pulse_rangers()
        return self._found

    def _say(self, text: str) -> None:
        self._found.append(text)

    def _whole(self) -> bool:
        """Whether every part is named once and of the right form, so that the details can be looked at."""
        pins = self._pins
        known = ["taken"] + [name for name, _ in _SEVERAL] + list(_SINGLE)
        for name in pins:
            if name not in known:
                self._say(f"{name}: no such part")
        for name in known:
            if name not in pins:
                self._say(f"{name}: missing")
        if self._found:
            return False
        for name, most in _SEVERAL:
            parts = pins[name]
            if not isinstance(parts, (list, tuple)):
                self._say(f"{name}: must be a list of parts")
            elif len(parts) > most:
                self._say(f"{name}: {len(parts)} are declared, at most {most} are possible")
        if not isinstance(pins["taken"], (list, tuple)):
            self._say("taken: must be a list of pins")
        if self._found:
            return False
        for gpio in _listed(pins["taken"]):
            if isinstance(gpio, int):
                self._users[gpio] = "the board itself"
            else:
                self._say(f"taken: {gpio} is no GPIO number")
        return True

    def _single_parts(self) -> None:
        pins = self._pins
        self._divider("battery", pins["battery"])
        if pins["panel"] is not None:
            self._divider("panel", pins["panel"])
        if pins["reference"] is not None:
            self._reference("reference", pins["reference"])
        if pins["shunt"] is not None:
            self._shunt("shunt", pins["shunt"])
        if pins["rain"] is not None:
            self._counter("rain", pins["rain"])
        latch = self._part("latch", pins["latch"], _LATCH)
        if latch:
            self._number("latch", latch, "pulse_ms", 10, 500)
            self._number("latch", latch, "spacing_ms", 50, 1000)

    def _count_pulse_rangers(self) -> None:
        count = 0
        for part in _listed(self._pins["echo"]):
            if isinstance(part, dict) and part.get("kind") == "pulse":
                count += 1
        if count > PULSE_RANGERS_MAX:
            self._say(f"echo: {count} of kind pulse, at most {PULSE_RANGERS_MAX} are possible")

    def _part(self, what: str, part: object, keys: tuple[str, ...]) -> dict[str, object]:
        """The part when it has exactly these keys, else an empty one."""
        if not isinstance(part, dict):
            self._say(f"{what}: must be a table of keys")
            return {}
        good = True
        for key in part:
            if key not in keys:
                self._say(f"{what}: no key {key} here")
                good = False
        for key in keys:
            if key not in part:
                self._say(f"{what}: {key} is missing")
                good = False
        return part if good else {}

    def _kind(self, what: str, part: object, first: str, second: str) -> str:
        kind = part.get("kind") if isinstance(part, dict) else None
        if kind in (first, second):
            return str(kind)
        self._say(f"{what}: kind must be {first} or {second}")
        return ""

    def _number(self, what: str, part: dict[str, object], key: str, least: int, most: int) -> int:
        """The number under a key; -1 when it is none or out of range (ask only where -1 is not allowed)."""
        value = part[key]
        if isinstance(value, int) and not isinstance(value, bool) and least <= value <= most:
            return value
        self._say(f"{what}: {key} is {value}, allowed are {least} to {most}")
        return -1

    def _claim(self, what: str, part: dict[str, object], key: str, allowed: tuple[int, ...] = ()) -> None:
        """Take a pin for one use, unless it does not exist, cannot do it, or is taken."""
        gpio = part[key]
        name = f"{what} {key}"
        if not isinstance(gpio, int) or isinstance(gpio, bool) or not 0 <= gpio < GPIO_COUNT:
            self._say(f"{name}: there is no GPIO {gpio}")
        elif allowed and gpio not in allowed:
            self._say(f"{name}: GPIO {gpio} cannot do this, allowed are {' '.join([str(pin) for pin in allowed])}")
        elif gpio in self._users:
            self._say(f"{name}: GPIO {gpio} is already used by {self._users[gpio]}")
        else:
            self._users[gpio] = name

    def _divider(self, what: str, declared: object) -> None:
        part = self._part(what, declared, _DIVIDER)
        if part:
            self._claim(what, part, "pin", MEASURING)
            self._number(what, part, "top_ohm", 1000, 2_000_000)
            self._number(what, part, "bottom_ohm", 1000, 1_000_000)
            self._number(what, part, "trim_permille", 900, 1100)

    def _reference(self, what: str, declared: object) -> None:
        part = self._part(what, declared, _REFERENCE)
        if part:
            self._claim(what, part, "pin", MEASURING)
            self._number(what, part, "mv", 300, 3200)
            self._number(what, part, "tolerance_mv", 10, 300)

    def _shunt(self, what: str, declared: object) -> None:
        part = self._part(what, declared, _SHUNT)
        if not part:
            return
        unit = self._number(what, part, "i2c", 0, 1)
        if unit >= 0:
            self._claim(what, part, "sda", i2c_pins(unit)[0])
            self._claim(what, part, "scl", i2c_pins(unit)[1])
        self._number(what, part, "address", 8, 119)
        self._number(what, part, "register", 0, 255)
        self._number(what, part, "ua_per_bit", -1_000_000, 1_000_000)
        setup = part["setup"]
        pairs: list[object] = list(setup) if isinstance(setup, (list, tuple)) else [None]
        if part["identity"] is not None:
            pairs.append(part["identity"])
        for pair in pairs:
            if not _is_register_value(pair):
                self._say(f"{what}: setup and identity hold pairs (register 0 to 255, value 0 to 65535)")

    def _ranger(self, what: str, declared: object) -> None:
        kind = self._kind(what, declared, "pulse", "serial")
        if kind == "pulse":
            part = self._part(what, declared, _PULSE_RANGER)
            if part:
                self._claim(what, part, "trigger")
                self._claim(what, part, "echo")
        elif kind == "serial":
            part = self._part(what, declared, _SERIAL_RANGER)
            if part:
                self._number(what, part, "ns_per_mm", 5000, 7000)
                self._serial_port(what, part)

    def _serial_port(self, what: str, part: dict[str, object]) -> None:
        unit = self._number(what, part, "uart", 0, 1)
        if unit < 0:
            return
        if unit in self._uarts:
            self._say(f"{what}: serial port {unit} is already used")
        self._uarts.append(unit)
        self._claim(what, part, "tx", _UART_TX[unit])
        self._claim(what, part, "rx", _UART_RX[unit])

    def _probe(self, what: str, declared: object) -> None:
        kind = self._kind(what, declared, "onewire", "analogue")
        if kind == "analogue":
            part = self._part(what, declared, _ANALOGUE)
            if part:
                self._claim(what, part, "pin", MEASURING)
                self._number(what, part, "zero_mv", 0, 3000)
                self._number(what, part, "uv_per_c", 1000, 50_000)
        elif kind == "onewire":
            part = self._part(what, declared, _ONEWIRE)
            if part:
                self._onewire(what, part)

    def _onewire(self, what: str, part: dict[str, object]) -> None:
        """Several probes may share a pin when each says which it is."""
        gpio, rom = part["pin"], part["rom"]
        if rom is not None and not is_rom(rom):
            self._say(f"{what}: rom must be 16 hexadecimal digits")
        sharing = [other for other_pin, other in self._probes if other_pin == gpio]
        self._probes.append((gpio, rom))
        if not sharing:
            self._claim(what, part, "pin")
        elif rom is None or None in sharing or rom in sharing:
            self._say(f"{what}: probes that share a pin each need their own rom")

    def _counter(self, what: str, declared: object) -> None:
        part = self._part(what, declared, _COUNTER)
        if part:
            self._claim(what, part, "pin")
            self._number(what, part, "debounce_us", 0, 1_000_000)

    def _float(self, what: str, declared: object) -> None:
        part = self._part(what, declared, _FLOAT)
        if part:
            self._claim(what, part, "pin")
            self._number(what, part, "wet", 0, 1)

    def _soil(self, what: str, declared: object) -> None:
        part = self._part(what, declared, _SOIL)
        if part:
            self._claim(what, part, "pin", MEASURING)

    def _pump(self, what: str, declared: object) -> None:
        part = self._part(what, declared, _PUMP)
        if part:
            self._claim(what, part, "pin")
            self._number(what, part, "active", 0, 1)
            if part["second"] is not None:
                self._claim(what, part, "second")

    def _valve(self, what: str, declared: object) -> None:
        kind = self._kind(what, declared, "held", "latching")
        if not kind:
            return
        part = self._part(what, declared, _HELD if kind == "held" else _LATCHING)
        if part:
            for key in ("pin",) if kind == "held" else ("open", "close"):
                self._claim(what, part, key)
            self._number(what, part, "active", 0, 1)


def _listed(parts: object) -> list[object]:
    return list(parts) if isinstance(parts, (list, tuple)) else []


def i2c_pins(unit: int) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """The pins that can be data and clock of a two-wire bus."""
    first = 2 * unit
    return tuple(range(first, GPIO_COUNT, 4)), tuple(range(first + 1, GPIO_COUNT, 4))


def is_rom(text: object) -> bool:
    if not isinstance(text, str) or len(text) != 16:
        return False
    return all(letter in "0123456789abcdef" for letter in text)


def _is_register_value(pair: object) -> bool:
    if not isinstance(pair, (list, tuple)) or len(pair) != 2:
        return False
    if not (isinstance(pair[0], int) and isinstance(pair[1], int)):
        return False
    return 0 <= pair[0] <= 255 and 0 <= pair[1] <= 65_535
