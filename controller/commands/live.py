"""`pumphouse status --live`: the same page in a terminal, renewed as it changes, for a look over a remote shell."""

from __future__ import annotations

import contextlib
import os
import select
import shutil
import signal
import sys
import termios
import time
import tty
from collections.abc import Callable, Iterator, Sequence
from types import FrameType

from controller.errors import OperatingError
from controller.service.live_screen import ENTER, LEAVE, difference, laid_out

LOOK_EVERY_S = 0.25
AGAIN_AFTER_S = 2.0
STEPS = {"j": 1, "k": -1, " ": 20, "b": -20, "\x1b[B": 1, "\x1b[A": -1, "\x1b[6~": 20, "\x1b[5~": -20}
QUIT = ("q", "Q", "\x03", "\x04")


class Source:
    """Where the lines come from. `listen` opens it and returns what gives the page's lines now; both may raise
    OperatingError, after which it is opened anew."""

    def __init__(self, listen: Callable[[], contextlib.AbstractContextManager[Callable[[], Sequence[str]]]]) -> None:
        self._listen = listen

    def pages(self) -> Iterator[Sequence[str]]:
        """Lines for ever; while there is no connection they say so, above what was shown last."""
        last: Sequence[str] = ()
        while True:
            try:
                with self._listen() as page:
                    while True:
                        last = page()
                        yield last
            except OperatingError as error:
                until_s = time.monotonic() + AGAIN_AFTER_S
                while time.monotonic() < until_s:
                    yield [f"No connection: {error}. Trying again.", "", *last]


def run(source: Source) -> int:
    """Show it until q or Ctrl-C. Raises OperatingError when this is no terminal."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise OperatingError("--live needs a terminal; leave it out to have the page printed once")
    colour = not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
    with _own_screen():
        _show(source.pages(), colour)
    return 0


def _show(pages: Iterator[Sequence[str]], colour: bool) -> None:
    before: list[str] = []
    first = 0
    size = shutil.get_terminal_size()
    for lines in pages:
        keys = _keys(LOOK_EVERY_S)
        if any(key in QUIT for key in keys):
            return
        now_size = shutil.get_terminal_size()
        if now_size != size:
            size, before = now_size, []
        first += sum(STEPS.get(key, 0) for key in keys)
        screen, furthest = laid_out(lines, size.columns, size.lines, first, colour)
        first = min(max(0, first), furthest)
        text = difference(before, screen)
        if text:
            sys.stdout.write(text)
            sys.stdout.flush()
        before = screen


def _keys(timeout_s: float) -> list[str]:
    """What was pressed; an arrow comes as one."""
    ready, _, _ = select.select([sys.stdin], [], [], timeout_s)
    if not ready:
        return []
    text = os.read(sys.stdin.fileno(), 64).decode("ascii", "replace")
    if not text:
        return ["q"]  # Nobody is there any more.
    return [text] if text.startswith("\x1b") else list(text)


@contextlib.contextmanager
def _own_screen() -> Iterator[None]:
    """Keys one by one and a screen of our own; whatever happens, the terminal is left as it was found."""
    descriptor = sys.stdin.fileno()
    was = termios.tcgetattr(descriptor)
    handlers = {number: signal.signal(number, _leave) for number in (signal.SIGTERM, signal.SIGHUP)}
    try:
        tty.setcbreak(descriptor)
        sys.stdout.write(ENTER)
        sys.stdout.flush()
        yield
    except KeyboardInterrupt:
        return
    finally:
        sys.stdout.write(LEAVE)
        sys.stdout.flush()
        termios.tcsetattr(descriptor, termios.TCSADRAIN, was)
        for number, handler in handlers.items():
            signal.signal(number, handler)


def _leave(_signal: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt
