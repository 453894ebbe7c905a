"""The least chip that the firmware runs on under MicroPython: pins keep their level, sensors read the same for ever."""

# Everything is called as the real module is, used or not.
# ruff: noqa: ARG002

PWRON_RESET, WDT_RESET = 1, 3
mem32 = {0x4005800C: 0, 0x40058010: 0, 0x40064008: 0}
levels = [0] * 30
handlers: dict[int, object] = {}
feeds = 0


class Pin:
    IN, OUT, PULL_UP, PULL_DOWN, IRQ_FALLING = 0, 1, 1, 2, 4

    def __init__(self, gpio, mode=-1, pull=-1, value=None):
        self.gpio = gpio
        if value is not None:
            levels[gpio] = value
        elif pull == Pin.PULL_UP:
            levels[gpio] = 1

    def value(self, level=None):
        if level is None:
            return levels[self.gpio]
        levels[self.gpio] = level
        return None

    def irq(self, handler, trigger, hard):
        handlers[self.gpio] = handler


class ADC:
    def __init__(self, channel):
        self.channel = channel

    def read_u16(self):
        return 14_000 if self.channel == 4 else 45_980


class I2C:
    def __init__(self, unit, sda, scl, freq, timeout):
        pass

    def readfrom_mem_into(self, address, register, buffer):
        buffer[0], buffer[1] = 0xFE, 0xA2

    def writeto_mem(self, address, register, data):
        pass


class UART:
    pass


class WDT:
    def __init__(self, timeout):
        pass

    def feed(self):
        global feeds
        feeds += 1


def unique_id():
    return b"\xe6\x61\x4c\x31\x1b\x7f\x3a\x21"


def reset_cause():
    return PWRON_RESET
