"""Passwords that guessers try first, from a list of the owner's: one a line, of any length."""

from __future__ import annotations

from pathlib import Path

from controller.errors import ConfigurationError, OperatingError
from dashboards.passwords import normal

OPTION = "--refused-passwords"


class KnownPasswords:
    """The list, read anew at each question: it may be long, passwords are chosen seldom, and the page's machine has
    little memory."""

    def __init__(self, path: str) -> None:
        """Raises ConfigurationError when the file cannot be read or holds nothing."""
        self._path = Path(path)
        try:
            with self._path.open("rb") as lines:
                first = next(lines, b"")
        except OSError as error:
            raise ConfigurationError(f"{OPTION} {path}: cannot be read ({error.strerror})") from error
        if not first:
            raise ConfigurationError(f"{OPTION} {path}: is empty; give a file with one password a line")

    def hold(self, password: str) -> bool:
        """Whether the list has it, in capitals or not. Takes as long as reading the file: not in an event loop.

        Raises OperatingError when the file is gone: nobody chooses a password unchecked.
        """
        wanted = _alike(password)
        try:
            with self._path.open("r", encoding="utf-8", errors="replace", newline="\n") as lines:
                return any(_alike(line.rstrip("\r\n")) == wanted for line in lines)
        except OSError as error:
            raise OperatingError(f"{OPTION} {self._path}: cannot be read ({error.strerror})") from error


def _alike(password: str) -> str:
    return normal(password).casefold()
