"""The abstract hardware the board logic runs over: pins on the board, plant physics in the simulator.

Runs on CPython and MicroPython alike: no imports, no dataclasses, annotations from built-ins only. Every value is an
integer in the unit its name says. None means "fitted, but the reading is bad".
"""


class Hardware:
    """What a board offers. A method for a part that is not fitted is never called (see `fitted`)."""

    def fitted(self) -> dict[str, int]:
        """Counts by part: echo, temperature, flow, float_switch, pump, valve; 0 or 1: rain, shunt, panel.

        soil, a count too, may be left out when there are none.
        """
        raise NotImplementedError

    def board_id(self) -> str:
        """Stable id of this board, 8 to 16 hexadecimal digits."""
        raise NotImplementedError

    def boot_id(self) -> str:
        """New at every boot, 8 hexadecimal digits."""
        raise NotImplementedError

    def reset_cause(self) -> str:
        """One of power, watchdog, brownout, soft, unknown."""
        raise NotImplementedError

    def uptime_ms(self) -> int:
        """Milliseconds since boot; never wraps, never steps back."""
        raise NotImplementedError

    def echo_burst_us(self, channel: int, count: int) -> list[int] | None:
        """Round-trip times of `count` pings, 0 for a ping without echo; None while the burst is still running."""
        raise NotImplementedError

    def temperature_centi_c(self, channel: int) -> int | None:
        raise NotImplementedError

    def battery_mv(self) -> int | None:
        raise NotImplementedError

    def panel_mv(self) -> int | None:
        raise NotImplementedError

    def current_ma(self) -> int | None:
        """Battery current, positive while charging."""
        raise NotImplementedError

    def flow_pulses(self, channel: int) -> int:
        """Pulses since boot."""
        raise NotImplementedError

    def rain_tips(self) -> int:
        """Bucket tips since boot."""
        raise NotImplementedError

    def float_wet(self, channel: int) -> bool:
        """True while the low-level float switch says there is water above the suction."""
        raise NotImplementedError

    def soil_mv(self, channel: int) -> int | None:
        """Voltage of a soil probe at its pin."""
        raise NotImplementedError

    def set_pump(self, output: int, on: bool) -> None:
        raise NotImplementedError

    def set_valve(self, output: int, is_open: bool) -> None:
        """Drive a valve. Held or latching is this layer's business; closing again must be harmless."""
        raise NotImplementedError

    def pump_on(self, output: int) -> bool:
        """Read back from the pin that drives the pump, not remembered."""
        raise NotImplementedError

    def valve_open(self, output: int) -> bool:
        raise NotImplementedError

    def pumps_on(self, count: int) -> int:
        """All of `count` pump pins read back, bit n = output n; a board that reads a whole port at once says how."""
        mask = 0
        for output in range(count):
            if self.pump_on(output):
                mask |= 1 << output
        return mask

    def valves_open(self, count: int) -> int:
        """All of `count` valve pins read back, as `pumps_on`."""
        mask = 0
        for output in range(count):
            if self.valve_open(output):
                mask |= 1 << output
        return mask

    def outputs_on(self, pump_count: int, valve_count: int) -> int:
        """Both in one: the mask of the pumps, and above its `pump_count` bits that of the valves."""
        return self.pumps_on(pump_count) | (self.valves_open(valve_count) << pump_count)

    def read(self) -> bytes:
        """Bytes that arrived from the host, a few hundred at most: the rest at the next call. Empty when none."""
        raise NotImplementedError

    def write(self, data: bytes) -> None:
        """Queue bytes for the host; never blocks, drops what does not fit."""
        raise NotImplementedError

    def feed_watchdog(self) -> None:
        raise NotImplementedError

    def restart(self, program_off: bool) -> None:
        """Restart by order once the answer is sent; with `program_off` the next boot leaves the program off."""

    def moving_ms(self) -> int:
        """How long until every valve has done what it was told; latching ones get their pulses one after the other."""
        return 0

    def closing_ms(self) -> int:
        """How long each further valve takes when several are told to close at once; 0 for held ones."""
        return 0

    def problem(self) -> str:
        """What is wrong with the declaration of pins or with the hardware's last self-test; empty when nothing is."""
        return ""

    def declaration_good(self) -> bool:
        """Whether the declaration of pins and parts can be used; if not, nothing is fitted."""
        return True

    def healthy(self) -> bool:
        """Whether every self-test so far was passed."""
        return True

    def remembered(self) -> tuple[int, int, int]:
        """From before this boot: boots in a row that did not last, lock-outs in a row, 1 while locked out."""
        return 0, 0, 0

    def lifetime(self) -> "tuple[int, str, list[int], int] | None":
        """Of the board's whole life: boots, this one included; the cause of the boot before; pulses by meter; tips.

        Whole numbers modulo 2^32; None when no such record is kept.
        """
        return None

    def remember(self, boots: int, lock_outs: int, locked: int) -> None:
        """Keep what `remembered` gives after the next boot. Called rarely: it wears the memory."""
