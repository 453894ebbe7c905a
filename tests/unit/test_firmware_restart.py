"""Why the chip booted, from the words that outlive a reset, and restarts by order.

Addresses and bits: RP2040 datasheet, sections on the watchdog's scratch registers and the chip reset register.
"""

from __future__ import annotations

import pytest

from firmware_host.board.restart import boot_cause, program_is_off, restart
from tests.fake_machine.chip import Chip, Restart, power_up

SCRATCH_0, SCRATCH_1, CHIP_RESET = 0x4005800C, 0x40058010, 0x40064008
POWER_ON, WATCHDOG, OTHER = 1, 3, 7
RUN_PIN = 1 << 16


def ordered(program_off: bool) -> Chip:
    """The chip in its next boot after a restart by order."""
    chip = power_up()
    with pytest.raises(Restart):
        restart(program_off)
    return power_up(0, chip)


@pytest.mark.parametrize(
    ("reason", "chip_reset", "cause"),
    [
        (POWER_ON, 0, "power"),
        (POWER_ON, RUN_PIN, "soft"),
        (POWER_ON, RUN_PIN << 1, "power"),
        (WATCHDOG, 0, "watchdog"),
        (WATCHDOG, RUN_PIN, "watchdog"),
        (OTHER, 0, "unknown"),
    ],
)
def test_the_cause_is_what_the_chip_says(reason: int, chip_reset: int, cause: str) -> None:
    chip = power_up()
    chip.reset_reason = reason
    chip.registers[CHIP_RESET] = chip_reset
    assert boot_cause() == cause


@pytest.mark.parametrize("program_off", [True, False])
def test_a_restart_by_order_is_soft_once_although_the_watchdog_did_it(program_off: bool) -> None:
    chip = ordered(program_off)
    assert boot_cause() == "soft"
    assert boot_cause() == "watchdog"
    assert chip.registers[SCRATCH_0] == 0


def test_only_the_boot_after_the_order_leaves_the_program_off() -> None:
    """The mark is our own choice; the program that is replaced and the one that replaces it must agree on it."""
    chip = ordered(program_off=True)
    assert chip.registers[SCRATCH_0] == chip.registers[SCRATCH_1] == 0x31546879
    assert program_is_off() is True
    assert program_is_off() is False
    assert chip.registers[SCRATCH_1] == 0


def test_a_plain_restart_leaves_the_program_on() -> None:
    chip = ordered(program_off=False)
    assert chip.registers[SCRATCH_1] == 0
    assert program_is_off() is False


def test_noise_in_the_scratch_words_after_power_on_is_no_order() -> None:
    chip = power_up()
    chip.registers[SCRATCH_0] = chip.registers[SCRATCH_1] = 0xFFFFFFFF
    assert boot_cause() == "power"
    assert program_is_off() is False
