"""The line format of the cable; the same file runs on CPython and on the microcontroller's MicroPython.

    report 42 boot=5f0a1c2e up=61250 battery=12840 pumps=0 valves=0 ack=7 lease=0*9d0f3c55

A line is `<kind> <sequence> key=value ...`, then `*` and the CRC-32 of everything before it as eight hexadecimal
digits, then a newline. Everything is printable ASCII and every number a whole one. A value `-` is a bad reading; a key
that is missing belongs to a part that is not fitted.
"""

import binascii

PROTOCOL = 1
LINE_MAX = 1024
SEQ_MODULUS = 1 << 32
BAD = "-"

NEW = 0
DUPLICATE = 1
LATE = 2

_STAR = 42
_CRC_TAIL = 9
_TAIL_FORM = b"*%08x\n"
_STAR_MAX = LINE_MAX - _CRC_TAIL
_NUMBER_MAX_CHARS = 14
_WINDOW = 32
_WINDOW_MASK = (1 << _WINDOW) - 1


def frame(text: str) -> bytes:
    """Put the checksum and the newline behind one line's text (ASCII, no newline in it)."""
    data = text.encode()
    return data + _TAIL_FORM % binascii.crc32(data)


def encode(kind: str, seq: int, fields: dict[str, str | int]) -> bytes:
    """One complete line. Keys and values must be printable ASCII without blanks."""
    words = [kind, str(seq)]
    for key in fields:
        words.append(f"{key}={fields[key]}")
    return frame(" ".join(words))


def number(text: str) -> int | None:
    """A decimal whole number with at most 13 digits; None for anything else, never an error."""
    if len(text) > _NUMBER_MAX_CHARS:
        return None
    if text.isdigit() or (text[:1] == "-" and text[1:].isdigit()):
        try:
            return int(text)
        except ValueError:
            return None
    return None


def parse(text: str) -> "tuple[str, int, dict[str, str]] | None":
    """Split a checked line into kind, sequence number and fields; None when it is not of that form."""
    words = text.split(" ")
    if len(words) < 2 or not words[0]:
        return None
    seq = number(words[1])
    if seq is None or not 0 <= seq < SEQ_MODULUS:
        return None
    try:
        fields = dict([word.split("=", 1) for word in words[2:]])
    except ValueError:
        # A word without an equals sign makes no pair.
        return None
    if len(fields) != len(words) - 2 or not (all(fields) and all(fields.values())):
        return None
    return words[0], seq, fields


def _ascii(body: bytes) -> str:
    """The text of a line; empty when it is not all ASCII."""
    try:
        text = body.decode()
    except ValueError:
        return ""
    # MicroPython ignores the name of an encoding, so count characters against bytes instead.
    return text if len(text) == len(body) else ""


class Decoder:
    """Finds the good lines in a stream of bytes. Never raises, keeps at most LINE_MAX bytes, counts what it drops."""

    def __init__(self) -> None:
        self._partial = b""
        self._skipping = False
        self.checked = 0
        self.bad_crc = 0
        self.malformed = 0
        self.too_long = 0

    def lines(self, data: bytes) -> list[str]:
        """Texts (without checksum) of the lines that `data` completes and whose checksum is right."""
        star = len(data) - _CRC_TAIL - 1
        if 0 < star <= _STAR_MAX and data.find(b"\n") == star + _CRC_TAIL and not (self._partial or self._skipping):
            # Nearly every read brings exactly one whole good line; whatever else it is, is found out below.
            body = data[:star]
            if data.endswith(_TAIL_FORM % binascii.crc32(body)):
                text = _ascii(body)
                if text:
                    self.checked += 1
                    return [text]
        pieces = data.split(b"\n")
        if self._partial:
            pieces[0] = self._partial + pieces[0]
        tail = pieces.pop()
        texts = []
        for piece in pieces:
            if self._skipping:
                self._skipping = False
                continue
            checked = self._checked(piece)
            if checked is not None:
                texts.append(checked)
        if self._skipping:
            tail = b""
        elif len(tail) > LINE_MAX:
            self.too_long += 1
            self._skipping = True
            tail = b""
        self._partial = tail
        return texts

    def feed(self, data: bytes) -> list[tuple[str, int, dict[str, str]]]:
        """Kind, sequence number and fields of every good line that `data` completes."""
        messages = []
        for text in self.lines(data):
            message = parse(text)
            if message is None:
                self.malformed += 1
            else:
                messages.append(message)
        return messages

    def forget(self) -> None:
        """Drop a half-received line, because the bytes to come are from another connection."""
        self._partial = b""
        self._skipping = False

    def _checked(self, line: bytes) -> str | None:
        star = len(line) - _CRC_TAIL
        if star > _STAR_MAX:
            self.too_long += 1
            return None
        if line.endswith(b"\r"):
            # Some serial drivers turn every newline into carriage return and newline.
            line = line[:-1]
            star -= 1
        if star < 1 or line[star] != _STAR:
            if line:
                self.malformed += 1
            return None
        body = line[:star]
        if line[star + 1 :] != f"{binascii.crc32(body):08x}".encode():
            self.bad_crc += 1
            return None
        text = _ascii(body)
        if not text:
            self.malformed += 1
            return None
        self.checked += 1
        return text


class Sequence:
    """Tells new lines from repeated and late ones by their sequence numbers, which wrap at SEQ_MODULUS."""

    def __init__(self) -> None:
        self.highest = -1
        self._seen = 0

    def judge(self, seq: int) -> int:
        """NEW, DUPLICATE (seen before) or LATE (older than the newest, not seen in the last 32)."""
        if seq == self.highest + 1:
            self.highest = seq
            self._seen = (self._seen << 1 | 1) & _WINDOW_MASK
            return NEW
        if self.highest < 0:
            self.highest = seq
            self._seen = 1
            return NEW
        ahead = (seq - self.highest) % SEQ_MODULUS
        if ahead == 0:
            return DUPLICATE
        if ahead < SEQ_MODULUS >> 1:
            self.highest = seq
            self._seen = ((self._seen << ahead) | 1) & _WINDOW_MASK if ahead < _WINDOW else 1
            return NEW
        behind = SEQ_MODULUS - ahead
        if behind < _WINDOW:
            bit = 1 << behind
            if self._seen & bit:
                return DUPLICATE
            self._seen |= bit
        return LATE
