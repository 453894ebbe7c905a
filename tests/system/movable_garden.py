"""A garden whose board is reached through a cable that can be pulled and put back under another name."""

from __future__ import annotations

import contextlib
import os
import pty
import select
import threading
import tty
from pathlib import Path

import serial

from tests.system.broker_process import wait_for
from tests.system.real_garden import Garden


class Extension:
    """A cable between a board's terminal and a name of our own, which can be pulled and put back under another.

    What the board says while it is pulled is lost. `said` is all that was said to the board.
    """

    def __init__(self, board_tty: Path) -> None:
        self._board = serial.Serial(str(board_tty), 115_200, timeout=0, exclusive=True)
        self._lock = threading.Lock()
        self._host = -1
        self._name: Path | None = None
        self._ended = False
        self.said = b""
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()

    def plug(self, name: Path) -> None:
        master, slave = pty.openpty()
        tty.setraw(slave)
        path = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(master, False)
        with self._lock:
            self._host, self._name = master, name
        name.symlink_to(path)

    def pull(self) -> None:
        with self._lock:
            host, self._host = self._host, -1
            assert self._name is not None
            self._name.unlink()
        os.close(host)

    def close(self) -> None:
        self._ended = True
        self._thread.join(2.0)
        if self._host >= 0:
            self.pull()
        self._board.close()

    def _carry(self) -> None:
        while not self._ended:
            select.select([self._board], [], [], 0.01)
            from_board = self._board.read(4096)
            with self._lock:
                if self._host < 0:
                    continue
                # A terminal that nobody has open fails; then nothing is carried.
                with contextlib.suppress(OSError):
                    if from_board:
                        os.write(self._host, from_board)
                with contextlib.suppress(OSError):
                    from_host = os.read(self._host, 4096)
                    self.said += from_host
                    self._board.write(from_host)


class MovableGarden(Garden):
    """The board is reached through an extension; the controller knows only a pattern of names."""

    def __init__(self, directory: Path) -> None:
        super().__init__(directory)
        self.ports = directory / "ports"
        self.ports.mkdir()
        self.cable = Extension(self._tty)
        self.cable.plug(self.ports / "ttyACM0")
        self._extensions = [self.cable]
        self._directory = directory
        self._tty = self.ports / "ttyACM*"

    def plug_in_another_board(self, name: str) -> Extension:
        link, state = self._directory / "other-tty", self._directory / "other-state.json"
        self._command(
            "board", "virtual", "--link", link, "--state", state, "--seed", "2", "--start", "2026-06-01T06:00"
        )
        wait_for(state.exists, "another board")
        other = Extension(link)
        self._extensions.append(other)
        other.plug(self.ports / name)
        return other

    def close(self) -> None:
        for extension in self._extensions:
            extension.close()
        super().close()
