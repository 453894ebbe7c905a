"""A state machine that has the echo at once: 5400 microseconds."""

# Everything is called as the real module is, used or not.
# ruff: noqa: ARG001, ARG002


class PIO:
    OUT_LOW = 2


def asm_pio(set_init):
    return lambda function: function


class StateMachine:
    def __init__(self, unit, program, freq, set_base, jmp_pin):
        self._words = 0

    def active(self, on):
        pass

    def restart(self):
        pass

    def put(self, word):
        self._words = 1

    def get(self):
        self._words = 0
        return 40_000 - 5400

    def rx_fifo(self):
        return self._words

    def tx_fifo(self):
        return 0
