"""The host's end of the cable, without any I/O: bytes and ticks in, events and bytes out.

The caller passes every byte it read to `receive` (also an empty string, at least once a second, so that silence is
noticed), sends what `tick` returns, and repeats what it wants with `want`. Times are monotonic milliseconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

from firmware_host.board_lines import parse_board_line, parse_counting, protocol_of
from firmware_host.messages import SHUT, Ack, BoardMessage, Hello, Outputs, Report
from firmware_host.wire import DUPLICATE, NEW, PROTOCOL, SEQ_MODULUS, Decoder, Sequence, encode, frame

__all__ = [
    "BoardLimits",
    "CommandUnanswered",
    "Counters",
    "Damaged",
    "Event",
    "Link",
    "LinkDown",
    "LinkUp",
    "Received",
    "parse_board_line",
]

LEASE_MS = 5000
RENEW_MS = 1000
WANT_STALE_MS = 3000
REPORT_WHILE_ON_MS = 1000
SILENCE_WHILE_ON_MS = 3000
RESEND_MS = 1000
UNANSWERED_MS = 2000
DEAF_MS = 5000
WHO_FIRST_MS = 500
WHO_LAST_MS = 2000
WHO_VALID_MS = 5000
SESSION_GAP = 1000
STALE_RETRIES = 3
LEASE_SPOILT_MS = 500
CLEAR_TRIES = 3
WHO_KEPT = 8
BOOTS_KEPT = 8
DAMAGE_TOLD_MS = 10_000
"""Damaged lines are told of together, this long after the first of them: noise must not become a flood of events."""
NEVER_MS = 1 << 60

CLOCK_SLOWEST_PERCENT = 95
"""A board's clock may run this slow; extrapolating its uptime at this pace never estimates it too high."""

State = Literal["closed", "asking", "up", "refused"]
Happening = Literal["connected", "disconnected", "hello", "unusable", "restarted", "silent", "deaf"]

TRANSITIONS: dict[tuple[State, Happening], State] = {
    ("closed", "connected"): "asking",
    ("closed", "disconnected"): "closed",
    ("asking", "connected"): "asking",
    ("asking", "disconnected"): "closed",
    ("asking", "hello"): "up",
    ("asking", "unusable"): "refused",
    ("up", "connected"): "asking",
    ("up", "disconnected"): "closed",
    ("up", "hello"): "up",
    ("up", "unusable"): "refused",
    ("up", "restarted"): "asking",
    ("up", "silent"): "asking",
    ("up", "deaf"): "asking",
    ("refused", "connected"): "asking",
    ("refused", "disconnected"): "closed",
    ("refused", "hello"): "up",
    ("refused", "unusable"): "refused",
}
"""closed: no port. asking: waiting for a hello. up: talking. refused: the board must not be commanded."""


class Received(NamedTuple):
    """A message from the board, with the line's text, from which `parse_board_line` makes the same message again."""

    message: BoardMessage
    text: str


@dataclass(frozen=True, slots=True)
class LinkUp:
    """A board that can be commanded has introduced itself."""

    board_id: str
    boot_id: str
    firmware: str


@dataclass(frozen=True, slots=True)
class LinkDown:
    """The board cannot be commanded (any more); `reason` is for people and says what cures it."""

    reason: str


@dataclass(frozen=True, slots=True)
class CommandUnanswered:
    """The board is heard, but it has not answered a command for `waited_ms`, although it was sent again."""

    command: str
    waited_ms: int


@dataclass(frozen=True, slots=True)
class Damaged:
    """So many lines came damaged and were dropped while the board was talked to, since this was last said. What came
    within some seconds before the board restarted or the port was closed is left out."""

    lines: int


_new_received = tuple.__new__
"""A named tuple's own constructor is one more call."""

Event = Received | LinkUp | LinkDown | CommandUnanswered | Damaged


@dataclass(frozen=True, slots=True)
class BoardLimits:
    """Limits for the board to put in force; None leaves the board's own. It accepts none laxer than built in."""

    opening_ms: int | None = None
    open_max_ms: int | None = None
    pump_max_ms: int | None = None
    pump_blind_max_ms: int | None = None
    flow_start_ms: int | None = None
    flow_run_ms: int | None = None
    flow_min_pulses: int | None = None
    low_mv: int | None = None
    floor_mv: int | None = None

    def words(self) -> str:
        """The words of a `set` line, each with a leading blank."""
        given = ((name, getattr(self, name)) for name in self.__dataclass_fields__)
        return "".join(f" {name}={value}" for name, value in given if value is not None)


class Counters:
    """What was heard and what was dropped, since the program started."""

    __slots__ = ("before_hello", "duplicates", "late", "messages", "other_boot", "out_of_range", "stale_commands")

    def __init__(self) -> None:
        self.messages = 0
        self.duplicates = 0
        self.late = 0
        self.other_boot = 0
        self.before_hello = 0
        self.out_of_range = 0
        self.stale_commands = 0


class Link:
    """See the module's text.

    limits    put in force on the board after each introduction
    board_id  accept only this board; None accepts any
    faithful  the first board accepted is from then on the only one, whatever port it is found on
    session   any number that differs from run to run, so that late answers to an earlier run are not taken for ours
    """

    def __init__(
        self,
        limits: BoardLimits | None = None,
        board_id: str | None = None,
        session: int = 0,
        faithful: bool = False,
    ):
        self._limit_words = limits.words() if limits else ""
        self._expected_board_id = board_id
        self._faithful = faithful
        self._decoder = Decoder()
        self.counters = Counters()
        self._malformed = 0
        self._dropped_seen = 0
        self._damaged = 0
        self._damage_due_ms = 0
        self._state: State = "closed"
        self._events: list[Event] = []
        self._hello: Hello | None = None
        self._boot_id = ""
        self._order = Sequence()
        self._orders: dict[str, Sequence] = {}
        self._refusal_reason = ""
        self._seq = 0
        self._base_uptime_ms = 0
        self._base_mono_ms = 0
        self._heard_ms = 0
        self._listen_from_ms = 0
        self._wanted = SHUT
        self._wanted_ms = -WANT_STALE_MS
        self._report_every_ms = 60_000
        self._sent_on = False
        self._dirty = False
        self._limits_due = False
        self._sent_ms = 0
        self._last_seq = 0
        self._pending_seq = -1
        self._pending_ms = 0
        self._complained = False
        self._stale_count = 0
        self._clears: list[tuple[str, int, int, int]] = []
        self._report_wanted = False
        self._restart_program = -1
        self._who_seq = session % SEQ_MODULUS
        self._asked: list[tuple[int, int]] = []
        self._who_ms = 0
        self._who_gap_ms = WHO_FIRST_MS
        self._probing = False
        self._tick_due_ms = 0
        self._watch_due_ms = NEVER_MS
        self._silence_ms = 0
        self._know_silence()

    # --- what the caller sees ------------------------------------------------------------------------------------

    @property
    def state(self) -> State:
        return self._state

    @property
    def hello(self) -> Hello | None:
        """The last introduction of the board that is, or was last, talked to."""
        return self._hello

    @property
    def reason(self) -> str:
        """Why the board is refused; empty unless the state is `refused`."""
        return self._refusal_reason if self._state == "refused" else ""

    def line_counts(self) -> dict[str, int]:
        """All counters by name: messages taken, and lines or values dropped by reason."""
        decoder, own = self._decoder, self.counters
        return {
            "messages": own.messages,
            "bad_crc": decoder.bad_crc,
            "malformed": decoder.malformed + self._malformed,
            "too_long": decoder.too_long,
            "duplicates": own.duplicates,
            "late": own.late,
            "other_boot": own.other_boot,
            "before_hello": own.before_hello,
            "out_of_range": own.out_of_range,
            "stale_commands": own.stale_commands,
        }

    def due_ms(self) -> int:
        """When `receive` or `tick` has something to do although nothing arrives: for callers in virtual time."""
        due_ms = self._tick_due_ms if self._tick_due_ms < self._watch_due_ms else self._watch_due_ms
        return self._damage_due_ms if self._damaged and self._damage_due_ms < due_ms else due_ms

    # --- the transport -------------------------------------------------------------------------------------------

    def connected(self, mono_ms: int) -> list[Event]:
        """The port is open: ask who is there."""
        self._decoder.forget()
        return self._happen("connected", "the port was opened again", mono_ms)

    def disconnected(self, mono_ms: int, reason: str = "the serial port is closed") -> list[Event]:
        """The port is gone; nothing is sent until it is back and the board has introduced itself again."""
        return self._happen("disconnected", reason, mono_ms)

    # --- what is wanted ------------------------------------------------------------------------------------------

    def want(self, outputs: Outputs, report_every_ms: int, mono_ms: int) -> None:
        """What the board should do. Say it again at least every 3 s while an output is on, or the lease lapses."""
        self._wanted_ms = mono_ms
        if outputs is not self._wanted and outputs != self._wanted:
            self._wanted = outputs
            self._dirty = True
            self._tick_due_ms = 0
        if report_every_ms != self._report_every_ms:
            self._report_every_ms = report_every_ms
            self._know_silence()
            self._dirty = True
            self._tick_due_ms = 0

    def clear_fault(self, fault_id: str) -> bool:
        """Have the board clear one latched fault; False when there is no board to ask."""
        if self._state != "up":
            return False
        if all(fault_id != queued[0] for queued in self._clears):
            self._clears.append((fault_id, 0, -1, 0))
        self._tick_due_ms = 0
        return True

    def report_now(self) -> bool:
        """Have the board report at once; False when there is no board to ask."""
        if self._state != "up":
            return False
        self._report_wanted = True
        self._tick_due_ms = 0
        return True

    def restart(self, with_program: bool) -> bool:
        """Have the board restart, for one boot without its program if told so; False when there is no board to ask."""
        if self._state != "up":
            return False
        self._restart_program = int(with_program)
        self._tick_due_ms = 0
        return True

    # --- bytes out -----------------------------------------------------------------------------------------------

    def tick(self, mono_ms: int) -> bytes:
        """What must be sent now; empty most of the time."""
        if mono_ms < self._tick_due_ms:
            return b""
        if self._state == "up":
            return self._command(mono_ms)
        if self._state == "closed":
            self._tick_due_ms = NEVER_MS
            return b""
        return self._ask(mono_ms)

    def _ask(self, mono_ms: int) -> bytes:
        if mono_ms < self._who_ms:
            self._tick_due_ms = self._who_ms
            return b""
        self._who_ms = mono_ms + self._who_gap_ms
        self._who_gap_ms = min(2 * self._who_gap_ms, WHO_LAST_MS)
        self._tick_due_ms = self._who_ms
        return self._who_line(mono_ms)

    def _who_line(self, mono_ms: int) -> bytes:
        """The question; an empty line before it ends whatever half a line stands in the board's buffer."""
        seq = self._who_seq
        self._who_seq = (seq + 1) % SEQ_MODULUS
        self._asked = [*self._asked[1 - WHO_KEPT :], (seq, mono_ms)]
        return b"\n" + encode("who", seq, {"protocol": PROTOCOL})

    def _probe(self, mono_ms: int) -> bytes:
        """Ask again while talking, because a line came from another boot: a restart, or only an old line."""
        if mono_ms < self._who_ms:
            self._tick_due_ms = min(self._tick_due_ms, self._who_ms)
            return b""
        self._probing = False
        self._who_ms = mono_ms + WHO_FIRST_MS
        return self._who_line(mono_ms)

    def _command(self, mono_ms: int) -> bytes:
        out = self._clear_lines(mono_ms) if self._clears else b""
        if self._report_wanted:
            self._report_wanted = False
            out += encode("now", self._next_seq(), {"boot": self._boot_id, "at": self._uptime_ms(mono_ms)})
        if self._restart_program >= 0:
            fields: dict[str, str | int] = {"boot": self._boot_id, "at": self._uptime_ms(mono_ms)}
            fields["program"] = self._restart_program
            out += encode("restart", self._next_seq(), fields)
            self._restart_program = -1
        on = self._wanted.any_on
        resend = self._sent_ms + RESEND_MS
        repeat = on or self._pending_seq >= 0
        fresh = not on or mono_ms - self._wanted_ms < WANT_STALE_MS
        if fresh and (self._dirty or (repeat and mono_ms >= resend)):
            out += self._set_line(mono_ms, on)
            resend = mono_ms + RENEW_MS
        if not fresh:
            # Whoever wants this has fallen silent: keep looking whether it came back, but let the lease lapse.
            self._tick_due_ms = mono_ms + RENEW_MS
        else:
            self._tick_due_ms = resend if on or self._pending_seq >= 0 else NEVER_MS
        if self._clears:
            self._tick_due_ms = min(self._tick_due_ms, min(clear[3] for clear in self._clears))
        return out + self._probe(mono_ms) if self._probing else out

    def _set_line(self, mono_ms: int, on: bool) -> bytes:
        """The command for what is wanted; `on` says whether that is anything but shut."""
        wanted = self._wanted
        every_ms = min(self._report_every_ms, REPORT_WHILE_ON_MS) if on else self._report_every_ms
        seq = self._next_seq()
        if self._dirty:
            self._dirty = False
            self._listen_from_ms = mono_ms
            self._sent_on = on
            self._know_silence()
        if self._pending_seq < 0:
            self._pending_seq = seq
            self._pending_ms = mono_ms
            self._complained = False
        self._last_seq = seq
        self._sent_ms = mono_ms
        self._plan_watch()
        return frame(
            f"set {seq} boot={self._boot_id} at={self._uptime_ms(mono_ms)} pumps={wanted.pumps} "
            f"valves={wanted.valves} lease={LEASE_MS} report={every_ms}"
            + (self._limit_words if self._limits_due else "")
        )

    def _clear_lines(self, mono_ms: int) -> bytes:
        out = b""
        still: list[tuple[str, int, int, int]] = []
        for fault_id, tries, seq, due_ms in self._clears:
            if mono_ms < due_ms:
                still.append((fault_id, tries, seq, due_ms))
            elif tries == CLEAR_TRIES:
                self._events.append(CommandUnanswered(f"clear {fault_id}", CLEAR_TRIES * RESEND_MS))
                self._watch_due_ms = 0
            else:
                seq = self._next_seq()
                fields: dict[str, str | int] = {
                    "boot": self._boot_id,
                    "at": self._uptime_ms(mono_ms),
                    "fault": fault_id,
                }
                out += encode("clear", seq, fields)
                still.append((fault_id, tries + 1, seq, mono_ms + RESEND_MS))
        self._clears = still
        return out

    def _next_seq(self) -> int:
        seq = self._seq
        self._seq = (seq + 1) % SEQ_MODULUS
        return seq

    def _uptime_ms(self, mono_ms: int) -> int:
        """The board's uptime now, never estimated too high."""
        return self._base_uptime_ms + (mono_ms - self._base_mono_ms) * CLOCK_SLOWEST_PERCENT // 100

    # --- bytes in ------------------------------------------------------------------------------------------------

    def receive(self, data: bytes, mono_ms: int) -> list[Event]:
        """Everything that happened: lines in `data`, and silence or unanswered commands noticed by the clock."""
        if data and self._state != "closed":
            was_up, decoder = self._state == "up", self._decoder
            for text in decoder.lines(data):
                self._line(text, mono_ms)
            dropped = decoder.bad_crc + decoder.malformed + decoder.too_long
            if dropped != self._dropped_seen:
                self._note_damage(dropped, was_up, mono_ms)
        if mono_ms >= self._watch_due_ms:
            self._watch(mono_ms)
        if self._damaged and mono_ms >= self._damage_due_ms:
            self._events.append(Damaged(self._damaged))
            self._damaged = 0
        events = self._events
        if events:
            self._events = []
        return events

    def _note_damage(self, dropped: int, was_up: bool, mono_ms: int) -> None:
        """Before a board has introduced itself, what comes may be another device's and says nothing of the cable."""
        if was_up:
            if not self._damaged:
                self._damage_due_ms = mono_ms + DAMAGE_TOLD_MS
            self._damaged += dropped - self._dropped_seen
        self._dropped_seen = dropped

    def _line(self, text: str, mono_ms: int) -> None:
        message, out_of_range = parse_counting(text)
        if message is None:
            self._unreadable(text, mono_ms)
        elif isinstance(message, Hello):
            self._introduced(message, text, mono_ms)
        elif self._state != "up":
            self._before_hello(mono_ms)
        elif message.boot_id != self._boot_id:
            self._from_other_boot()
        else:
            verdict = self._order.judge(message.seq)
            if verdict != NEW:
                self._repeated(verdict)
                return
            counters = self.counters
            if out_of_range:
                counters.out_of_range += out_of_range
            self._note_uptime(message.uptime_ms, mono_ms)
            if isinstance(message, Report):
                if self._pending_seq >= 0:
                    self._answered(message.acked_seq)
            elif self._answer_to_stale(message, mono_ms):
                return
            counters.messages += 1
            self._events.append(_new_received(Received, (message, text)))

    def _unreadable(self, text: str, mono_ms: int) -> None:
        protocol = protocol_of(text)
        if protocol is not None and protocol[0] != PROTOCOL:
            self._refuse(_version_text(*protocol), mono_ms)
        else:
            self._malformed += 1

    def _is_new(self, seq: int) -> bool:
        verdict = self._order.judge(seq)
        if verdict != NEW:
            self._repeated(verdict)
        return verdict == NEW

    def _repeated(self, verdict: int) -> None:
        if verdict == DUPLICATE:
            self.counters.duplicates += 1
        else:
            self.counters.late += 1

    def _note_uptime(self, uptime_ms: int, mono_ms: int) -> None:
        self._heard_ms = mono_ms
        if self._pending_seq < 0:
            self._watch_due_ms = mono_ms + self._silence_ms
        behind_ms = (mono_ms - self._base_mono_ms) * CLOCK_SLOWEST_PERCENT // 100
        gap_ms = uptime_ms - self._base_uptime_ms - behind_ms
        if gap_ms >= 0:
            if gap_ms > LEASE_SPOILT_MS and self._wanted is not SHUT and self._wanted.any_on:
                # The lease that runs began with too old an uptime and will end early: renew it now.
                self._sent_ms = mono_ms - RENEW_MS
                self._tick_due_ms = 0
            self._base_uptime_ms = uptime_ms
            self._base_mono_ms = mono_ms

    def _answered(self, acked_seq: int) -> None:
        """Take every command up to `acked_seq` as answered."""
        pending = self._pending_seq
        if pending < 0 or acked_seq < 0 or (acked_seq - pending) % SEQ_MODULUS >= SEQ_MODULUS >> 1:
            return
        self._limits_due = False
        self._stale_count = 0
        if acked_seq == self._last_seq:
            self._pending_seq = -1
        else:
            self._pending_seq = self._last_seq
            self._pending_ms = self._sent_ms
        self._complained = False
        self._plan_watch()

    def _answer_to_stale(self, ack: Ack, mono_ms: int) -> bool:
        """Handle an answer; True when the command was only too old for the board and will be sent again at once."""
        if ack.refusal not in ("stale", "ahead"):
            self._clears = [clear for clear in self._clears if clear[2] != ack.acked_seq]
            self._answered(ack.acked_seq)
            return False
        self._clears = [
            (fault_id, tries, -1, mono_ms) if seq == ack.acked_seq else (fault_id, tries, seq, due_ms)
            for fault_id, tries, seq, due_ms in self._clears
        ]
        self.counters.stale_commands += 1
        self._base_uptime_ms = ack.uptime_ms
        self._base_mono_ms = mono_ms
        self._stale_count += 1
        if self._stale_count > STALE_RETRIES:
            return False
        self._dirty = True
        self._tick_due_ms = 0
        return True

    # --- introductions -------------------------------------------------------------------------------------------

    def _introduced(self, hello: Hello, text: str, mono_ms: int) -> None:
        if hello.protocol != PROTOCOL:
            self._refuse(_version_text(hello.protocol, hello.firmware), mono_ms)
        elif not any(seq == hello.who_seq and mono_ms - at <= WHO_VALID_MS for seq, at in self._asked):
            self._unasked(hello, mono_ms)
        elif self._expected_board_id not in (None, hello.board_id):
            self._refuse(_other_board_text(hello.board_id, self._expected_board_id), mono_ms)
        else:
            if hello.boot_id != self._boot_id:
                self._adopt(hello, mono_ms)
            if self._faithful:
                self._expected_board_id = hello.board_id
            if self._is_new(hello.seq):
                self._greet(hello, text, mono_ms)

    def _greet(self, hello: Hello, text: str, mono_ms: int) -> None:
        self._note_uptime(hello.uptime_ms, mono_ms)
        self._hello = hello
        self.counters.messages += 1
        if self._state != "up":
            self._come_up(hello, mono_ms)
        self._events.append(Received(hello, text))

    def _unasked(self, hello: Hello, mono_ms: int) -> None:
        """A hello that answers no recent question may be hours old: believe nothing of it but ask."""
        if self._state != "up":
            self._before_hello(mono_ms)
        elif hello.boot_id != self._boot_id:
            self._from_other_boot()

    def _adopt(self, hello: Hello, mono_ms: int) -> None:
        """Talk to another boot of the board from now on: what was said to the old one is void."""
        if self._state == "up":
            self._move("restarted", _restart_text(hello.reset_cause), mono_ms)
        self._boot_id = hello.boot_id
        if hello.boot_id not in self._orders and len(self._orders) == BOOTS_KEPT:
            del self._orders[next(iter(self._orders))]
        self._order = self._orders.setdefault(hello.boot_id, Sequence())
        self._base_uptime_ms = hello.uptime_ms
        self._base_mono_ms = mono_ms

    def _come_up(self, hello: Hello, mono_ms: int) -> None:
        self._seq = (hello.heard_seq + SESSION_GAP) % SEQ_MODULUS
        self._dirty = True
        self._limits_due = True
        self._pending_seq = -1
        self._sent_on = False
        self._know_silence()
        self._probing = False
        self._listen_from_ms = mono_ms
        self._move("hello", "", mono_ms)
        self._events.append(LinkUp(hello.board_id, hello.boot_id, hello.firmware))

    def _before_hello(self, mono_ms: int) -> None:
        """The board is alive: do not wait out the growing pause."""
        self.counters.before_hello += 1
        if self._state == "asking":
            self._who_gap_ms = WHO_FIRST_MS
            self._who_ms = min(self._who_ms, mono_ms + WHO_FIRST_MS)
            self._tick_due_ms = min(self._tick_due_ms, self._who_ms)

    def _from_other_boot(self) -> None:
        """A restarted board, or a line that was long on its way: only an answer to a new question can tell."""
        self.counters.other_boot += 1
        self._probing = True
        self._tick_due_ms = 0

    def _refuse(self, reason: str, mono_ms: int) -> None:
        if self._state == "refused" and reason == self._refusal_reason:
            return
        self._refusal_reason = reason
        self._move("unusable", reason, mono_ms)

    # --- the clock and the state ---------------------------------------------------------------------------------

    def _know_silence(self) -> None:
        """Work out how long a silence is too long, for the reports that are expected now."""
        idle_ms = SILENCE_WHILE_ON_MS if self._sent_on else self._report_every_ms * 5 // 2
        self._silence_ms = max(SILENCE_WHILE_ON_MS, idle_ms)

    def _plan_watch(self) -> None:
        # Comparisons instead of `max` and `min`: this runs twice for each second of watering.
        heard_ms, listen_from_ms = self._heard_ms, self._listen_from_ms
        due_ms = (heard_ms if heard_ms > listen_from_ms else listen_from_ms) + self._silence_ms
        if self._pending_seq >= 0:
            unanswered_ms = self._pending_ms + (DEAF_MS if self._complained else UNANSWERED_MS)
            if unanswered_ms < due_ms:
                due_ms = unanswered_ms
        self._watch_due_ms = due_ms

    def _watch(self, mono_ms: int) -> None:
        if self._state != "up":
            self._watch_due_ms = NEVER_MS
            return
        quiet_ms = mono_ms - max(self._heard_ms, self._listen_from_ms)
        if quiet_ms >= self._silence_ms:
            self._move("silent", _silence_text(quiet_ms), mono_ms)
            return
        waited_ms = mono_ms - self._pending_ms
        if self._pending_seq >= 0 and waited_ms >= DEAF_MS:
            self._move("deaf", _deaf_text(waited_ms), mono_ms)
            return
        if self._pending_seq >= 0 and waited_ms >= UNANSWERED_MS and not self._complained:
            self._complained = True
            self._events.append(CommandUnanswered("set", waited_ms))
        self._plan_watch()

    def _happen(self, happening: Happening, reason: str, mono_ms: int) -> list[Event]:
        self._move(happening, reason, mono_ms)
        events = self._events
        self._events = []
        return events

    def _move(self, happening: Happening, reason: str, mono_ms: int) -> None:
        before = self._state
        after = TRANSITIONS[before, happening]
        self._state = after
        self._tick_due_ms = 0
        if after == "up":
            self._plan_watch()
            return
        if happening not in ("silent", "deaf"):
            # What was torn just before a restart, or a plug that was pulled, says nothing of the cable.
            self._damaged = 0
        self._watch_due_ms = NEVER_MS
        self._who_ms = mono_ms
        self._who_gap_ms = WHO_FIRST_MS
        self._wanted = SHUT
        self._clears = []
        if before == "up" or after == "refused":
            self._events.append(LinkDown(reason))


def _version_text(protocol: int, firmware: str) -> str:
    older = "the board's firmware" if protocol < PROTOCOL else "this program"
    return (
        f"the board speaks protocol {protocol} (firmware {firmware}), this program protocol {PROTOCOL}: "
        f"update {older}; nothing is switched until then"
    )


def _other_board_text(board_id: str, expected: str | None) -> str:
    return (
        f"board {board_id} answers on this port, but board {expected} is expected: "
        "plug that one in or, if this one replaces it, restart this program; nothing is switched until then"
    )


def _restart_text(cause: str) -> str:
    return f"the board restarted (cause: {cause}); it shut everything and is being asked again"


def _silence_text(quiet_ms: int) -> str:
    return f"nothing readable from the board for {quiet_ms / 1000:.1f} s: check its cable and its power"


def _deaf_text(waited_ms: int) -> str:
    return (
        f"the board is heard but has not answered for {waited_ms / 1000:.1f} s: check the cable's transmit wire; "
        "the board has shut everything by itself"
    )
