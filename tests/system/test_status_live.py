"""`pumphouse status --live` on a real pseudo-terminal, at a real broker."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Iterator

import pyte
import pytest

from tests.watched_site import MOSQUITTO, ROOT, Publisher, broker, eventually, free_port

pytestmark = [pytest.mark.system, pytest.mark.skipif(MOSQUITTO is None, reason="Mosquitto is not installed")]


TAKE_TERMINAL = (
    "import fcntl, os, signal, sys, termios; signal.signal(signal.SIGINT, signal.SIG_DFL); "
    "fcntl.ioctl(0, termios.TIOCSCTTY, 0); os.execv(sys.argv[1], sys.argv[1:])"
)
"""Makes the terminal the controlling one, so that Ctrl-C is a signal as it is for people."""


class Terminal:
    """A person's terminal, as an emulator sees it."""

    def __init__(self, port: int, columns: int = 70, rows: int = 30) -> None:
        self._master, slave = pty.openpty()
        self._slave = os.dup(slave)
        self._screen = pyte.Screen(columns, rows)
        self._stream = pyte.ByteStream(self._screen)
        self.resize(columns, rows)
        self.before = termios.tcgetattr(slave)
        words = [sys.executable, "-m", "controller.cli", "status", "--live", "--mqtt", f"127.0.0.1:{port}"]
        plain = {name: value for name, value in os.environ.items() if name != "NO_COLOR"} | {"TERM": "xterm"}
        self.process = subprocess.Popen(
            [sys.executable, "-c", TAKE_TERMINAL, *words],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            cwd=ROOT,
            env=plain,
            start_new_session=True,
        )
        os.close(slave)
        self.written = b""

    def text(self) -> str:
        while select.select([self._master], [], [], 0.05)[0]:
            chunk = os.read(self._master, 65536)
            self.written += chunk
            self._stream.feed(chunk)
        return "\n".join(line.rstrip() for line in self._screen.display)

    def resize(self, columns: int, rows: int) -> None:
        self._screen.resize(rows, columns)
        fcntl.ioctl(self._master, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def press(self, key: bytes) -> None:
        os.write(self._master, key)

    def attributes(self) -> list[object]:
        return list(termios.tcgetattr(self._slave))

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        os.close(self._slave)
        os.close(self._master)


@pytest.fixture
def site() -> Iterator[tuple[int, Publisher]]:
    port = free_port()
    with broker(port):
        publisher = Publisher(port, days=1)
        publisher.publish_tree()
        yield port, publisher
        publisher.close()


def test_it_follows_the_site_resizes_and_leaves_the_terminal_as_it_was(site: tuple[int, Publisher]) -> None:
    port, publisher = site
    terminal = Terminal(port)
    eventually(lambda: "Tank shed: " in terminal.text())
    assert "Salad beds: WATERING, 3.2 L so far" in terminal.text()
    assert terminal.text().splitlines()[-1].endswith("q leaves")

    drawn = len(terminal.written)
    publisher.say("homie/5/riverside/zone-salad/delivered-now", "4.5", retain=True)
    eventually(lambda: "Salad beds: WATERING, 4.5 L so far" in terminal.text())
    assert len(terminal.written) - drawn < 1200, "only what changed is written again"

    terminal.resize(40, 12)
    eventually(lambda: "j and k move; q leaves" in terminal.text())
    assert max(map(len, terminal.text().splitlines())) <= 40
    terminal.press(b"\x1b[6~")
    eventually(lambda: "riverside," not in terminal.text())

    terminal.press(b"q")
    assert terminal.process.wait(5) == 0
    terminal.text()
    assert terminal.written.endswith(b"\x1b[?25h\x1b[?1049l")
    assert terminal.attributes() == terminal.before
    terminal.close()


def test_a_broker_that_goes_is_said_and_found_again() -> None:
    port = free_port()
    with broker(port):
        publisher = Publisher(port, days=1)
        publisher.publish_tree()
        terminal = Terminal(port)
        eventually(lambda: "Tank shed: " in terminal.text())
        publisher.close()
    eventually(lambda: "No connection: " in terminal.text())
    assert "Tank shed: " in terminal.text(), "what was known stays"
    with broker(port):
        publisher = Publisher(port, days=1)
        publisher.publish_tree()
        eventually(lambda: "No connection: " not in terminal.text(), within_s=20)
        publisher.close()
    terminal.press(b"\x03")
    started_s = time.monotonic()
    assert terminal.process.wait(5) == 0
    assert time.monotonic() - started_s < 2.0
    terminal.close()


def test_without_a_terminal_it_says_what_to_do() -> None:
    words = [sys.executable, "-m", "controller.cli", "status", "--live", "--mqtt", "127.0.0.1:1"]
    ended = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, stdin=subprocess.DEVNULL, check=False)
    assert ended.returncode != 0
    assert "--live needs a terminal" in ended.stderr
