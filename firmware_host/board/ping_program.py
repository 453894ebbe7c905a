"""The pulse ranger's timing as a program for the chip's programmable I/O: exact to a microsecond, never in the way.

One word in: the longest time to wait, in microseconds. One word out: what was left of it when the echo ended, or
NO_ECHO. At 2 MHz each turn of a loop is two instructions: one microsecond.
"""

# mypy: disable-error-code="name-defined, untyped-decorator, call-overload"
# pyright: reportUndefinedVariable=false, reportCallIssue=false, reportIndexIssue=false
# ruff: noqa: F821

import rp2  # type: ignore[import-not-found]

CLOCK_HZ = 2_000_000
NO_ECHO = 0xFFFFFFFF


@rp2.asm_pio(set_init=rp2.PIO.OUT_LOW)
def ping() -> None:
    """Trigger for 10 us, wait for the echo to begin, count while it lasts."""
    pull()
    mov(x, osr)
    set(pins, 1)[19]
    set(pins, 0)
    label("wait")
    jmp(pin, "begun")
    jmp(x_dec, "wait")
    jmp("done")
    label("begun")
    mov(x, osr)
    label("count")
    jmp(x_dec, "more")
    jmp("done")
    label("more")
    jmp(pin, "count")
    label("done")
    mov(isr, x)
    push()
