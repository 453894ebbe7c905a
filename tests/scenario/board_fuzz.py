"""Lines that no host would send, by the million, against the board's logic; and a witness that says which may act.

The witness reads the protocol's page in its own way and shares no code with the board: a regular expression, the
checksum of the standard library, and whole numbers. After every turn what the board wants, for how long, and what its
pins do must be what the witness expects. A second judge knows nothing but when each number was really written: none may
act twice, or more than 2.5 s later, or hold anything on for more than 5 s after it.
"""

from __future__ import annotations

import re
import sys
import zlib
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from typing import Any

from firmware_host.board.logic import Board
from tests.board_stand_in import FakeHardware

TURN_MS = 20
TURNS_A_RENEWAL = 50
LINES_A_TURN = 20
VALVES, PUMPS = 3, 1
CYCLE = 1 << 32
AGE_MAX_MS, LEASE_MAX_MS = 2500, 5000
SETTLE_MS = 1000
"""A valve closes this long after its pump stopped."""

_NUMBER = re.compile(rb"-?[0-9]+")
_LIMITS = {
    b"opening_ms": (2000, 60_000),
    b"open_max_ms": (60_000, 3_600_000),
    b"pump_max_ms": (60_000, 14_400_000),
    b"pump_blind_max_ms": (60_000, 1_800_000),
    b"flow_start_ms": (2000, 15_000),
    b"flow_run_ms": (1000, 5000),
    b"flow_min_pulses": (1, 10_000),
    b"low_mv": (10_800, 13_500),
    b"floor_mv": (10_000, 13_000),
}
_OF_A_SET = (b"boot", b"at", b"pumps", b"valves", b"lease", b"report")


def framed(body: bytes) -> bytes:
    """A line with the right checksum."""
    return b"%b*%08x\n" % (body, zlib.crc32(body))


def whole(text: bytes | None) -> int | None:
    return int(text) if text is not None and len(text) <= 14 and _NUMBER.fullmatch(text) else None


class RestartableHardware(FakeHardware):
    """Counts the restarts by order."""

    def __init__(self) -> None:
        super().__init__()
        self.restarts = 0

    def restart(self, program_off: bool) -> None:  # noqa: ARG002
        self.restarts += 1


class Witness:
    """What a board with these lines must want. `acted` counts the lines that may act, `restarts` those that restart."""

    def __init__(self, boot: str) -> None:
        self._boot = boot.encode()
        self._highest: int | None = None
        self._rest = b""
        self.acted = 0
        self.acted_kinds: Counter[str] = Counter()
        self.restarts = 0
        self.any_on = False
        self.last_acted = -1
        self.pumps = self.valves = self.lease_end_ms = 0

    def hear(self, data: bytes, now: int) -> None:
        *lines, self._rest = (self._rest + data).split(b"\n")
        for line in lines:
            # Nearly every line ends here: the first look must be a short one.
            body, star, check = line.removesuffix(b"\r").rpartition(b"*")
            if star and len(check) == 8 and check == b"%08x" % zlib.crc32(body) and len(line) <= 1024:
                self._judge(body, now)

    def _judge(self, body: bytes, now: int) -> None:
        kind, *words = body.split(b" ")
        seq = whole(words[0]) if words else None
        pairs = [word.partition(b"=") for word in words[1:]]
        fields = {key: value for key, _, value in pairs}
        if (
            kind not in (b"set", b"clear", b"now", b"restart")
            or not body.isascii()
            or seq is None
            or not 0 <= seq < CYCLE
            or not all(key and value for key, _, value in pairs)
            or len(fields) != len(pairs)
            or fields.get(b"boot") != self._boot
            or not self._is_newer(seq)
        ):
            return
        at = whole(fields.get(b"at"))
        if at is None or not -500 <= now - at <= 2500:
            return
        if kind == b"now":
            self._accept(seq, "now")
        elif kind == b"restart":
            if whole(fields.get(b"program")) in (0, 1) and not (self.any_on or self.pumps or self.valves):
                self._accept(seq, "restart")
                self.restarts += 1
        elif kind == b"set":
            self._set(seq, fields, max(0, now - at), now)

    def _is_newer(self, seq: int) -> bool:
        newer = self._highest is None or 0 < (seq - self._highest) % CYCLE < CYCLE // 2
        if newer:
            self._highest = seq
        return newer

    def _set(self, seq: int, fields: dict[bytes, bytes], age_ms: int, now: int) -> None:
        pumps, valves, lease, report = (whole(fields.get(name)) for name in _OF_A_SET[2:])
        good = (
            pumps in range(1 << PUMPS)
            and valves in range(1 << VALVES)
            and lease in range(5001)
            and report in range(200, 300_001)
            and all(name in _OF_A_SET or self._is_limit(name, whole(fields[name])) for name in fields)
        )
        if not good or (pumps and not valves):
            self.pumps = self.valves = 0
            return
        self._accept(seq, "set")
        self.pumps, self.valves = pumps or 0, valves or 0
        self.lease_end_ms = now + (lease or 0) - age_ms

    def _is_limit(self, name: bytes, value: int | None) -> bool:
        least, most = _LIMITS.get(name, (1, 0))
        return value is not None and least <= value <= most

    def _accept(self, seq: int, kind: str) -> None:
        self.acted += 1
        self.acted_kinds[kind] += 1
        self.last_acted = seq

    def let_lapse(self, now: int, pump_ran: bool) -> None:
        """A lease ends, 0.2 s early for valves and 1.2 s early for a pump."""
        lead_ms = 1200 if pump_ran or self.pumps else 200
        if (self.pumps or self.valves) and now >= self.lease_end_ms - lead_ms:
            self.pumps = self.valves = 0


@dataclass
class Findings:
    """What a run showed; `wrong` holds the first few wrong turns in words.

    fed counts lines by what was done to them; acted_kinds counts those that acted by what they asked for.
    """

    lines: int = 0
    acted: int = 0
    turns_on: int = 0
    wrong: list[str] = field(default_factory=list)
    grown_bytes: int = 0
    fed: Counter[str] = field(default_factory=Counter)
    acted_kinds: Counter[str] = field(default_factory=Counter)


class Fuzz:
    """One seed's stream of lines and the board that hears it."""

    def __init__(self, seed: int) -> None:
        self.rng = Random(f"fuzz {seed}")
        self.hardware = RestartableHardware()
        self.board = Board(self.hardware)
        self.witness = Witness(self.hardware.boot)
        self.findings = Findings()
        self._seq = self.rng.choice((0, CYCLE - 500, CYCLE // 2 - 500))
        self._valves = 1
        self._written_ms: dict[int, int] = {}
        self._acted: set[int] = set()
        self._stalled_until_ms = 0
        self._really_accept = self.board.talk.accept
        self.board.talk.accept = self._accept  # type: ignore[method-assign]
        self._good = [self._command()]
        self._held: list[bytes] = []
        self._opened_ms: dict[int, int] = {}
        self._unneeded_ms = 0
        self._quiet: list[Callable[[], bytes]] = [
            *[self._damaged] * 10,
            *[self._torn] * 4,
            *[self._spliced] * 4,
            *[self._noise] * 4,
            *[self._replayed] * 3,
            self._delayed,
        ]
        self._loud = [*self._quiet, *[self._odd] * 4]

    def run(self, lines: int) -> Findings:
        """At least so many lines, some of them good ones that keep a pump and changing valves on."""
        findings, rng = self.findings, self.rng
        size_before = deep_size(self.board)
        turn = 0
        while findings.lines < lines and len(findings.wrong) < 5:
            turn += 1
            # Odd lines often shut everything, as they must; in between the pump has the time to start.
            makers = self._loud if turn // TURNS_A_RENEWAL % 8 == 7 else self._quiet
            chosen = rng.choices(makers, k=LINES_A_TURN)
            findings.fed.update([make.__name__[1:] for make in chosen])
            data = b"".join([make() for make in chosen])
            if turn % TURNS_A_RENEWAL == 0:
                data += self._renewal()
            findings.lines += data.count(b"\n")
            self._turn(data)
        self._turn(b"\n")
        findings.acted = self.witness.acted
        findings.acted_kinds = self.witness.acted_kinds
        findings.grown_bytes = deep_size(self.board) - size_before
        return findings

    # --- the board's turn ---------------------------------------------------------------------------------------------

    def _turn(self, data: bytes) -> None:
        hardware, board, witness = self.hardware, self.board, self.witness
        hardware.advance_to(hardware.now_ms + TURN_MS)
        now = hardware.now_ms
        hardware.inbox = data
        pump_ran = bool(hardware.pumps)
        witness.any_on = bool(hardware.pumps or hardware.valves)
        try:
            board.tick()
        except Exception as error:
            self._blame(f"{type(error).__name__}: {error}", data)
        hardware.outbox = b""
        witness.hear(data, now)
        witness.let_lapse(now, pump_ran)
        self._compare(data, now)

    def _accept(self, seq: int) -> None:
        """The board says that a line acts."""
        now = self.hardware.now_ms
        late_ms = now - self._written_ms[seq]
        if seq in self._acted:
            self._blame(f"line {seq} acted twice", b"")
        if late_ms > AGE_MAX_MS:
            self._blame(f"line {seq} acted late, after {late_ms} ms", b"")
        self._acted.add(seq)
        self._really_accept(seq)

    def blame_outliving(self, data: bytes, now: int) -> None:
        """Nothing is wanted for longer than the last line that acted allows at most."""
        outputs = self.board.outputs
        written_ms = self._written_ms.get(self.board.talk.accepted_seq, now)
        if (outputs.want_pumps or outputs.want_valves) and now > written_ms + LEASE_MAX_MS:
            self._blame("something is wanted for longer than 5 s after its line was written", data)

    def _compare(self, data: bytes, now: int) -> None:
        witness, hardware, outputs = self.witness, self.hardware, self.board.outputs
        self.findings.turns_on += bool(hardware.pumps)
        wants = outputs.want_pumps, outputs.want_valves
        if wants != (witness.pumps, witness.valves):
            self._blame(f"wants {wants}, not {(witness.pumps, witness.valves)}", data)
        elif any(wants) and outputs.lease_end_ms != witness.lease_end_ms:
            self._blame(f"leases until {outputs.lease_end_ms}, not {witness.lease_end_ms}", data)
        if self.board.talk.accepted_seq != witness.last_acted:
            self._blame(f"accepted {self.board.talk.accepted_seq}, not {witness.last_acted}", data)
        if hardware.restarts != witness.restarts:
            self._blame(f"restarted {hardware.restarts} times, not {witness.restarts}", data)
        if hardware.pumps and not witness.pumps:
            self._blame("a pump runs unwanted", data)
        self.blame_outliving(data, now)
        if self._left_open(now):
            self._blame("a valve stays open that nobody wants and no pump needs", data)
        if self.board.faults.blocking():
            self._blame(f"{self.board.faults.text()} stands", data)

    def _left_open(self, now: int) -> bool:
        """An unwanted valve may stay for a running pump until a wanted one is fully open, and a second longer."""
        valves = self.hardware.valves
        self._opened_ms = {valve: self._opened_ms.get(valve, now) for valve in valves}
        wanted = {valve for valve in valves if self.witness.valves >> valve & 1}
        opening_ms = self.board.limits.opening_ms
        needed = bool(self.hardware.pumps) and not any(now - self._opened_ms[v] >= opening_ms for v in wanted)
        if needed or valves == wanted:
            self._unneeded_ms = now
        return now - self._unneeded_ms > SETTLE_MS + TURN_MS

    def _blame(self, what: str, data: bytes) -> None:
        self.findings.wrong.append(f"at {self.hardware.now_ms} ms: {what}, after {data[-300:]!r}")

    # --- lines --------------------------------------------------------------------------------------------------------

    def _fields(self) -> dict[bytes, bytes]:
        now = self.hardware.now_ms + TURN_MS
        return {
            b"boot": self.hardware.boot.encode(),
            b"at": b"%d" % now,
            b"pumps": b"1",
            b"valves": b"%d" % self._valves,
            b"lease": b"5000",
            b"report": b"1000",
        }

    def _body(self, fields: dict[bytes, bytes], kind: bytes = b"set", seq: bytes | None = None) -> bytes:
        words = [kind, b"%d" % self._next() if seq is None else seq]
        return b" ".join(words + [b"%b=%b" % pair for pair in fields.items()])

    def _written(self, body: bytes) -> bytes:
        """The line, and a note of when its number was written."""
        number = whole(body.split(b" ", 2)[1]) if b" " in body else None
        if number is not None:
            self._written_ms[number] = self.hardware.now_ms + TURN_MS
        return framed(body)

    def _next(self) -> int:
        self._seq = (self._seq + 1) % CYCLE
        return self._seq

    def _command(self) -> bytes:
        return self._written(self._body(self._fields()))

    def _renewal(self) -> bytes:
        """The host keeps the pump on for a while, then rests it.

        Some lines are held up, and now and then all of them for longer than a lease.
        """
        roll = self.rng.random()
        if roll > 0.96:
            self._stalled_until_ms = self.hardware.now_ms + 12_000
        if roll < 0.2 or self.hardware.now_ms < self._stalled_until_ms:
            self._held.append(self._command())
            return b""
        resting = self.hardware.now_ms % 60_000 > 50_000
        self._valves = self.rng.randrange(1, 8) if roll < 0.4 else self._valves
        if roll > (0.4 if resting else 0.9):
            line = self._other_command()
        elif resting:
            line = self._written(self._body({**self._fields(), b"pumps": b"0", b"valves": b"0"}))
        else:
            line = self._command()
        self._good = [*self._good[-30:], line]
        return b"\n" + line

    def _other_command(self) -> bytes:
        """As good as a `set`, so that these too are damaged, replayed and torn."""
        fields = {key: self._fields()[key] for key in (b"boot", b"at")}
        kind = self.rng.choice((b"now", b"clear", b"restart", b"restart", b"who"))
        if kind == b"restart":
            fields[b"program"] = self.rng.choice((b"0", b"1"))
        elif kind == b"clear":
            fields[b"fault"] = b"board-no-flow"
        elif kind == b"who":
            fields = {b"protocol": b"1"}
        return self._written(self._body(fields, kind))

    def _damaged(self) -> bytes:
        line = bytearray(self._good[-1])
        random = self.rng.random
        for _ in range(1 + int(3.0 * random())):
            line[int(random() * len(line))] ^= 1 << int(8.0 * random())
        line += b"\n"
        return bytes(line)

    def _torn(self) -> bytes:
        line = self._good[-1]
        place = int(self.rng.random() * len(line))
        return line[:place] + b"\n" if self.rng.random() < 0.5 else line[place + 1 :]

    def _spliced(self) -> bytes:
        first, second = self.rng.choice(self._good), self._good[-1]
        return first[: int(self.rng.random() * len(first))] + second[int(self.rng.random() * len(second)) + 1 :] + b"\n"

    def _noise(self) -> bytes:
        return self.rng.randbytes(int(self.rng.random() ** 8 * 3000.0) + 1) + b"\n"

    def _replayed(self) -> bytes:
        return self.rng.choice(self._good)

    def _delayed(self) -> bytes:
        """A line that was held up, now and then; in any order."""
        if not self._held or self.rng.random() > 0.015:
            return b"\n"
        self._held = self._held[-8:]
        return b"\n" + self._held.pop(self.rng.randrange(len(self._held)))

    def _odd(self) -> bytes:
        """The right checksum over something that is not right."""
        rng = self.rng
        fields = self._fields()
        kind, seq = b"set", None
        roll = rng.randrange(9)
        if roll == 0:
            fields[rng.choice(list(fields))] = rng.choice(_ODD_VALUES)
        elif roll == 1:
            del fields[rng.choice(list(fields))]
        elif roll == 2:
            fields[rng.choice(_ODD_KEYS)] = rng.choice(_ODD_VALUES)
        elif roll == 3:
            seq = rng.choice((b"-1", b"x", b"", b"4294967296", b"%d" % ((self._seq - rng.randrange(99)) % CYCLE)))
        elif roll == 4:
            fields[b"program"] = rng.choice((b"0", b"1", b"2", b""))
            kind = rng.choice((b"who", b"now", b"clear", b"report", b"SET", b"restart", b"set\t", b"", b"\xc3\xa9"))
        elif roll == 5:
            at = self.hardware.now_ms + TURN_MS + rng.choice((-(1 << 31), -2501, -2500, -1000, 500, 501, 1 << 31))
            fields[b"at"] = b"%d" % at
        elif roll == 6:
            fields = dict(rng.sample(list(fields.items()), len(fields)))
        body = self._body(fields, kind, seq)
        if roll == 7:
            changed = bytearray(body)
            changed[rng.randrange(len(changed))] = rng.randrange(256)
            body = bytes(changed).replace(b"\n", b"")
        elif roll == 8:
            place = rng.randrange(len(body))
            body = body[:place] + rng.choice((b" ", b"=", b"*", b"\x00", b"valves=7 ", b"\xff")) + body[place:]
        return self._written(body)


_ODD_VALUES = (
    *(
        b"",
        b"-",
        b"-1",
        b"-0",
        b"+1",
        b"0",
        b"00001",
        b"7",
        b"8",
        b"2",
        b"1e3",
        b"0x1",
        b"1_000",
        b"\xd9\xa1",
        b"x" * 200,
    ),
    *(b"4294967296", b"99999999999999", b"999999999999999", b"5001", b"199", b"300001", b"nan", b"1.0", b"true"),
)
_ODD_KEYS = (b"opening_ms", b"open_max_ms", b"pumps ", b"=", b"tide", b"PUMPS", b"valves\x00", b"\xc3\xbc")


def deep_size(thing: Any, seen: set[int] | None = None) -> int:
    """Bytes of an object and of all that hangs on it and is its own."""
    seen = set() if seen is None else seen
    if id(thing) in seen or isinstance(thing, (type, FakeHardware)):
        return 0
    seen.add(id(thing))
    size = sys.getsizeof(thing)
    parts: list[Any] = list(getattr(thing, "__dict__", {}).values())
    if isinstance(thing, dict):
        parts += [*thing.keys(), *thing.values()]
    elif isinstance(thing, (list, tuple, set)):
        parts += thing
    return size + sum(deep_size(part, seen) for part in parts)
