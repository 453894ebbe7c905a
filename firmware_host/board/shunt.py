"""Battery current through a shunt and a converter on a two-wire bus, whose registers the owner declares."""

from machine import I2C, Pin  # type: ignore[import-not-found]

BUS_HZ = 100_000
BUS_TIMEOUT_US = 5000
_RETRY_MS = 5000
_SIGN, _MODULUS = 0x8000, 0x10000
_CLIPPED = (0x7FFF, 0x8000)


class Shunt:
    """setup: (register, value) pairs to write before reading. identity: a pair that must be found there, or None.

    Every register holds two bytes, high byte first. While the converter does not answer it is tried again every five
    seconds only, so that a stuck bus does not slow the board down.
    """

    def __init__(
        self,
        bus: I2C,
        address: int,
        setup: list[tuple[int, int]],
        register: int,
        ua_per_bit: int,
        identity: tuple[int, int] | None,
    ):
        self._bus = bus
        self._address = address
        self._setup = setup
        self._register = register
        self._ua_per_bit = ua_per_bit
        self._identity = identity
        self._word = bytearray(2)
        self._ready = False
        self._retry_ms = 0

    def ma(self, now: int) -> int | None:
        """Milliamperes, positive while charging; None when the converter is silent, clipped or another one."""
        if not self._ready and now < self._retry_ms:
            return None
        try:
            if not self._ready:
                self._set_up()
            counts = self._read(self._register)
        except OSError:
            self._ready = False
            self._retry_ms = now + _RETRY_MS
            return None
        if counts in _CLIPPED:
            return None
        if counts & _SIGN:
            counts -= _MODULUS
        return counts * self._ua_per_bit // 1000

    def _set_up(self) -> None:
        identity = self._identity
        if identity is not None and self._read(identity[0]) != identity[1]:
            raise OSError("another converter answers")
        for register, value in self._setup:
            self._word[0] = value >> 8
            self._word[1] = value & 0xFF
            self._bus.writeto_mem(self._address, register, self._word)
        self._ready = True

    def _read(self, register: int) -> int:
        self._bus.readfrom_mem_into(self._address, register, self._word)
        return self._word[0] << 8 | self._word[1]


def bus(unit: int, sda: int, scl: int) -> I2C:
    """The two-wire bus on these pins."""
    return I2C(unit, sda=Pin(sda), scl=Pin(scl), freq=BUS_HZ, timeout=BUS_TIMEOUT_US)
