"""Line numbers of the keys and tables of a TOML document, which the standard reader does not tell.

Walks text that `tomllib` has already accepted, so it need not judge anything: it follows headers, arrays of tables,
dotted and quoted keys, inline tables, arrays, comments and the four kinds of strings, and notes where each begins.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from controller.site.problems import Path

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^\s,\]\}#]+(?: \d[^\s,\]\}#]*)?")
_BLANK = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)+")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}(?!")'
    r"|'''[\s\S]*?'{3,5}(?!')"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_ESCAPE = re.compile(r"\\(u[0-9A-Fa-f]{4}|U[0-9A-Fa-f]{8}|.)", re.DOTALL)
_ESCAPED = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}


def locate(text: str) -> Mapping[Path, int]:
    """The line (from 1) at which each key, table and list entry of a valid TOML document first appears."""
    return _Walker(text.replace("\r\n", "\n")).walk()


def line_of(path: Path, lines: Mapping[Path, int]) -> int:
    """Line of a path, or of the nearest thing that encloses it."""
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path, 1)


class _Walker:
    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._line = 1
        self._counted_to = 0
        self._lines: dict[Path, int] = {}
        self._table_counts: dict[Path, int] = {}

    def walk(self) -> Mapping[Path, int]:
        table: Path = ()
        self._skip_blank()
        while self._at < len(self._text):
            if self._text[self._at] == "[":
                table = self._header()
            else:
                self._key_and_value(table)
            self._skip_blank()
        return self._lines

    def _header(self) -> Path:
        is_array = self._text.startswith("[[", self._at)
        line = self._line_here()
        self._at += 2 if is_array else 1
        keys = self._dotted_key()
        self._at += 2 if is_array else 1
        path: Path = ()
        for key in keys[:-1]:
            path = (*path, key)
            self._note(path, line)
            path = self._inside_array(path)
        path = (*path, keys[-1])
        self._note(path, line)
        if is_array:
            self._table_counts[path] = self._table_counts.get(path, 0) + 1
            path = self._inside_array(path)
            self._note(path, line)
        return path

    def _inside_array(self, path: Path) -> Path:
        """The latest entry, where `path` names an array of tables."""
        count = self._table_counts.get(path)
        return path if count is None else (*path, count - 1)

    def _key_and_value(self, table: Path) -> None:
        line = self._line_here()
        path = table
        for key in self._dotted_key():
            path = (*path, key)
            self._note(path, line)
        self._at += 1  # the equals sign
        self._skip_blank()
        self._value(path)

    def _dotted_key(self) -> list[str]:
        keys = []
        while True:
            self._skip_blank()
            keys.append(self._key())
            self._skip_blank()
            if self._text[self._at : self._at + 1] != ".":
                return keys
            self._at += 1

    def _key(self) -> str:
        bare = _BARE_KEY.match(self._text, self._at)
        if bare is not None:
            self._at = bare.end()
            return bare.group()
        quoted = self._string()
        return _unescape(quoted[1:-1]) if quoted[0] == '"' else quoted[1:-1]

    def _string(self) -> str:
        match = _STRING.match(self._text, self._at)
        assert match is not None, "only text that tomllib accepts is walked"
        self._at = match.end()
        return match.group()

    def _value(self, path: Path) -> None:
        first = self._text[self._at]
        if first == "[":
            self._array(path)
        elif first == "{":
            self._inline_table(path)
        elif first in "\"'":
            self._string()
        else:
            match = _SCALAR.match(self._text, self._at)
            assert match is not None, "only text that tomllib accepts is walked"
            self._at = match.end()

    def _array(self, path: Path) -> None:
        self._at += 1
        index = 0
        while self._next_entry("]"):
            self._note((*path, index), self._line_here())
            self._value((*path, index))
            index += 1

    def _inline_table(self, path: Path) -> None:
        self._at += 1
        while self._next_entry("}"):
            self._key_and_value(path)

    def _next_entry(self, closing: str) -> bool:
        """Move to the next entry of an array or inline table; False once past its end."""
        self._skip_blank()
        if self._text[self._at] == ",":
            self._at += 1
            self._skip_blank()
        if self._text[self._at] == closing:
            self._at += 1
            return False
        return True

    def _skip_blank(self) -> None:
        match = _BLANK.match(self._text, self._at)
        if match is not None:
            self._at = match.end()

    def _line_here(self) -> int:
        self._line += self._text.count("\n", self._counted_to, self._at)
        self._counted_to = self._at
        return self._line

    def _note(self, path: Path, line: int) -> None:
        self._lines.setdefault(path, line)


def _unescape(text: str) -> str:
    def replacement(match: re.Match[str]) -> str:
        code = match.group(1)
        return chr(int(code[1:], 16)) if code[0] in "uU" and len(code) > 1 else _ESCAPED[code]

    return _ESCAPE.sub(replacement, text)
