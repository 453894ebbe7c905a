"""The board's side of the talk: which lines from the host may act, and how answers are written.

A line acts only when it is undamaged, new, addressed to this boot, and young. Its `at` field is the uptime that the
host believed the board to have when it wrote the line; the host never estimates too high, so the difference to the true
uptime is at least the time the line spent on its way. Written for MicroPython and CPython alike.
"""

from firmware_host.board.hardware import Hardware
from firmware_host.board.limits import AGE_MAX_MS
from firmware_host.wire import NEW, PROTOCOL, SEQ_MODULUS, Decoder, Sequence, frame, number

FIRMWARE = "1.0"
AHEAD_MAX_MS = 500
HELLO_GAP_MS = 300
PROBLEM_MAX = 200
COMMANDS = ("set", "clear", "now", "restart")

_PART_WORDS = {"float_switch": "float"}

OTHER_BOOT = "other-boot"
STALE = "stale"
AHEAD = "ahead"
BAD_FIELD = "bad-field"


class Conversation:
    """accepted_seq: number of the last line that acted, -1 before the first."""

    def __init__(self, hardware: Hardware, fitted: dict[str, int], wrong_settings: "list[str] | None" = None):
        self._hardware = hardware
        self._fitted = fitted
        self._wrong_settings = wrong_settings or []
        self._decoder = Decoder()
        self._order = Sequence()
        self._seq = -1
        self._answered_who_ms = -HELLO_GAP_MS
        self.boot_id = hardware.boot_id()
        self.accepted_seq = -1
        self.dropped = 0

    def hear(self, data: bytes, now: int) -> list[tuple[str, int, dict[str, str], int]]:
        """The commands in `data` that may act: kind, sequence number, fields and age in milliseconds."""
        commands = []
        for kind, seq, fields in self._decoder.feed(data):
            if kind == "who":
                if now - self._answered_who_ms >= HELLO_GAP_MS:
                    self._answered_who_ms = now
                    self.hello(now, seq)
            elif kind in COMMANDS:
                age_ms = self._age_if_current(seq, fields, now)
                if age_ms >= 0:
                    commands.append((kind, seq, fields, age_ms))
            else:
                self.dropped += 1
        return commands

    def _age_if_current(self, seq: int, fields: dict[str, str], now: int) -> int:
        """Age of a line that may act, -1 for one that must not; a sender who can hear is told why."""
        if fields.get("boot") != self.boot_id:
            self.refuse(seq, OTHER_BOOT, now)
            return -1
        if self._order.judge(seq) != NEW:
            self.dropped += 1
            return -1
        believed = number(fields.get("at", ""))
        if believed is None:
            self.refuse(seq, BAD_FIELD, now)
            return -1
        age_ms = now - believed
        if age_ms > AGE_MAX_MS:
            self.refuse(seq, STALE, now)
            return -1
        if age_ms < -AHEAD_MAX_MS:
            self.refuse(seq, AHEAD, now)
            return -1
        return max(0, age_ms)

    def hello(self, now: int, who_seq: int = -1) -> None:
        """Introduce the board: by itself at boot, or in answer to the `who` with this number.

        The empty line before it ends whatever half a line stands in the host's buffer.
        """
        hardware = self._hardware
        fitted = self._fitted
        text = f" board={hardware.board_id()} protocol={PROTOCOL} firmware={FIRMWARE} cause={hardware.reset_cause()}"
        text += f" who={who_seq} heard={self._order.highest}"
        for part in sorted(fitted):
            text += f" {_PART_WORDS.get(part, part)}={fitted[part]}"
        text += self._lifetime()
        problem = self._problem()
        if problem:
            text += f" problem={problem}"
        hardware.write(b"\n")
        self.send("hello", now, text)

    def _lifetime(self) -> str:
        """What the board remembers of its whole life, as words with a leading blank each."""
        life = self._hardware.lifetime()
        if life is None:
            return ""
        boots, before, pulses, tips = life
        text = f" boots={boots} before={before}"
        for channel in range(len(pulses)):
            text += f" total{channel}={pulses[channel]}"
        return text + f" tips={tips}" if self._fitted["rain"] else text

    def _problem(self) -> str:
        """What is wrong with the board, in words without blanks; empty when nothing is."""
        text = self._hardware.problem()
        if self._wrong_settings:
            text += ("; " if text else "") + "SETTINGS: " + " ".join(self._wrong_settings)
        letters = [letter if "!" <= letter <= "~" else "_" for letter in text[:PROBLEM_MAX]]
        return "".join(letters)

    def accept(self, seq: int) -> None:
        """Remember that a line acted; reports and answers then say so."""
        self.accepted_seq = seq

    def answer(self, seq: int, now: int) -> None:
        self.send("ack", now, f" ack={seq}")

    def refuse(self, seq: int, reason: str, now: int) -> None:
        self.send("ack", now, f" ack={seq} refusal={reason}")

    def send(self, kind: str, now: int, words: str) -> None:
        """Write one line; `words` holds its further fields, each with a leading blank."""
        self._seq = (self._seq + 1) % SEQ_MODULUS
        self._hardware.write(frame(f"{kind} {self._seq} boot={self.boot_id} up={now}{words}"))
