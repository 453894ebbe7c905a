"""A small simulated RP2040 in virtual time, behind the module names that MicroPython gives its hardware.

Importing this package puts `machine`, `rp2`, `onewire` and `micropython` where the board's files find them. `power_up`
gives a fresh chip; everything the modules do happens on the newest one.
"""

from tests.fake_machine.chip import Chip, WatchdogReset, chip, power_up
from tests.fake_machine.modules import install

install()

__all__ = ["Chip", "WatchdogReset", "chip", "power_up"]
