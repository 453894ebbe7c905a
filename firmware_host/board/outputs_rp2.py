"""Pins that drive pumps and valves: held ones, latching ones by pulses, pumps with a second contact in series.

Making a driver drives its part off before the pin becomes an output. What is reported is read back from the pins.
"""

from machine import Pin  # type: ignore[import-not-found]

SECOND_CONTACT_MS = 500
"""The second contact opens this long after the first: it ends what a welded first contact keeps going before the
valves close, and in ordinary use it breaks no current and lasts."""


class Line:
    """One output pin. active: its level while it drives."""

    def __init__(self, gpio: int, active: int):
        self._active = active
        self._pin = Pin(gpio, Pin.OUT, value=1 - active)
        self._on = False

    def drive(self, on: bool) -> None:
        self._on = on
        self._pin.value(self._active if on else 1 - self._active)

    def reads_on(self) -> bool:
        return bool(self._pin.value() == self._active)

    def follows(self) -> bool:
        """Whether the pin reads as it is driven."""
        return self.reads_on() == self._on


class Pump:
    """A contact or transistor, and a second contact in series with it where one is fitted."""

    def __init__(self, first: Line, second: Line | None):
        self._first = first
        self._second = second
        self._on = False
        self._open_second_ms = -1

    def set(self, on: bool, now: int) -> None:
        """Told to stop twice, it opens its second contact at once."""
        if self._second is not None:
            if on:
                self._open_second_ms = -1
                self._second.drive(True)
            elif self._on:
                self._open_second_ms = now + SECOND_CONTACT_MS
            else:
                self._open_second_ms = -1
                self._second.drive(False)
        self._first.drive(on)
        self._on = on

    def step(self, now: int) -> None:
        if self._second is not None and 0 <= self._open_second_ms <= now:
            self._open_second_ms = -1
            self._second.drive(False)

    def is_on(self) -> bool:
        """What the pins do. A second contact that does not follow counts as the pump not following."""
        if self._second is not None and not self._second.follows():
            return not self._on
        return self._first.reads_on()


class HeldValve:
    """Open for as long as its pin drives."""

    def __init__(self, line: Line):
        self._line = line

    def set(self, is_open: bool) -> None:
        self._line.drive(is_open)

    def off(self) -> None:
        self._line.drive(False)

    def is_open(self) -> bool:
        return self._line.reads_on()


class LatchingValve:
    """One coil end opens by a pulse, the other closes; `Pulses` decides when.

    Nothing but the last pulse tells where such a valve stands: it counts as moved when its pins were seen to give the
    pulse, and until its turn comes as on its way.
    """

    def __init__(self, opener: Line, closer: Line, pulses: "Pulses"):
        self._opener = opener
        self._closer = closer
        self._pulses = pulses
        self._wanted = False
        self._moved = False

    def set(self, is_open: bool) -> None:
        self._wanted = is_open
        self._pulses.order(self, is_open)

    def begin(self, is_open: bool) -> None:
        (self._opener if is_open else self._closer).drive(True)

    def end(self) -> None:
        """End the pulse, having looked whether the pins gave it."""
        self._moved = self._opener.follows() and self._closer.follows()
        self._opener.drive(False)
        self._closer.drive(False)

    def off(self) -> None:
        self._opener.drive(False)
        self._closer.drive(False)

    def is_open(self) -> bool:
        if self._pulses.holds(self):
            return self._wanted
        at_rest = self._opener.follows() and self._closer.follows()
        return self._wanted if self._moved and at_rest else not self._wanted


class Pulses:
    """Gives latching valves their pulses one by one, closing ones first: the battery is then not pulled down."""

    def __init__(self, pulse_ms: int, spacing_ms: int):
        self._pulse_ms = pulse_ms
        self._spacing_ms = spacing_ms
        self.each_ms = pulse_ms + spacing_ms
        self._waiting: list[tuple[LatchingValve, bool]] = []
        self._moving: LatchingValve | None = None
        self._due_ms = 0

    def order(self, valve: LatchingValve, is_open: bool) -> None:
        """The last order for a valve is the one that counts."""
        waiting = [entry for entry in self._waiting if entry[0] is not valve]
        place = len(waiting)
        if not is_open:
            place = 0
            while place < len(waiting) and not waiting[place][1]:
                place += 1
        waiting.insert(place, (valve, is_open))
        self._waiting = waiting

    def holds(self, valve: LatchingValve) -> bool:
        """Whether a valve still has a pulse to come or to end."""
        if self._moving is valve:
            return True
        return any(entry[0] is valve for entry in self._waiting)

    def step(self, now: int) -> None:
        if now < self._due_ms:
            return
        if self._moving is not None:
            self._moving.end()
            self._moving = None
            self._due_ms = now + self._spacing_ms
        elif self._waiting:
            valve, is_open = self._waiting.pop(0)
            valve.begin(is_open)
            self._moving = valve
            self._due_ms = now + self._pulse_ms

    def left_ms(self, now: int) -> int:
        """How long until all that was ordered is done; 0 when it is."""
        left = len(self._waiting) * self.each_ms
        if self._moving is not None:
            left += max(0, self._due_ms - now) + (self._spacing_ms if self._waiting else 0)
        elif left:
            left += max(0, self._due_ms - now)
        return left
