"""Why the chip booted, and restarts that are ordered: two scratch words outlive every reset but the loss of power.

Addresses and bits are those of the RP2040 datasheet (watchdog scratch registers, chip reset register).
"""

import machine  # type: ignore[import-not-found]

_SCRATCH_ORDERED = 0x4005800C
_SCRATCH_PROGRAM_OFF = 0x40058010
_CHIP_RESET = 0x40064008
_HAD_RUN_PIN = 1 << 16
_MARK = 0x31546879


def boot_cause() -> str:
    """power (also after a brown-out, which the chip cannot tell from it), watchdog, soft (by order or reset button)."""
    ordered = machine.mem32[_SCRATCH_ORDERED] == _MARK
    machine.mem32[_SCRATCH_ORDERED] = 0
    if ordered:
        return "soft"
    if machine.reset_cause() == machine.WDT_RESET:
        return "watchdog"
    if machine.mem32[_CHIP_RESET] & _HAD_RUN_PIN:
        return "soft"
    return "power" if machine.reset_cause() == machine.PWRON_RESET else "unknown"


def restart(program_off: bool) -> None:
    """Restart the chip by order; with `program_off` the next boot leaves it to whoever wants to replace the program."""
    machine.mem32[_SCRATCH_ORDERED] = _MARK
    machine.mem32[_SCRATCH_PROGRAM_OFF] = _MARK if program_off else 0
    machine.reset()


def program_is_off() -> bool:
    """Whether this boot is one that leaves the program off; asking uses it up."""
    off = machine.mem32[_SCRATCH_PROGRAM_OFF] == _MARK
    machine.mem32[_SCRATCH_PROGRAM_OFF] = 0
    return bool(off)
