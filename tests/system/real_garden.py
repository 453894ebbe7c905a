"""The whole path as real processes: a virtual board on a pseudo-terminal, a broker, the controller."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

from simulator.example import example_site_text
from tests.system.broker_process import BrokerProcess, Listener, wait_for

PROJECT = Path(__file__).resolve().parents[2]
START = "2026-06-01T06:00"
ROOT, LOG = "homie/5/river-allotment", "homie-log/river-allotment"
ZONE = "bench-north"


class Garden:
    """Board process, broker and controller around one directory, on made-up time that may run faster."""

    def __init__(self, directory: Path, start: str = START, pace: float = 1.0) -> None:
        self._time = ("--pace", f"{pace:g}", "--start", start)
        self.site, self.journal = directory / "site.toml", directory / "j.sqlite"
        self._tty, self.state = directory / "tty", directory / "state.json"
        self.broker = BrokerProcess(directory)
        self.broker.start()
        self.site.write_text(example_site_text().replace("port = 1883", f"port = {self.broker.port}"))
        self._processes: list[subprocess.Popen[str]] = []
        self._command("board", "virtual", "--link", self._tty, "--state", self.state, *self._time)
        wait_for(self.state.exists, "board")
        self.listener = Listener(self.broker.port)
        self.controller: subprocess.Popen[str] | None = None

    def serve(self) -> subprocess.Popen[str]:
        self.controller = self.spawn_controller()
        return self.controller

    def spawn_controller(self) -> subprocess.Popen[str]:
        where = ("--site", self.site, "--journal", self.journal, "--serial", self._tty)
        return self._command("serve", *where, *self._time)

    def until_ready(self) -> None:
        wait_for(lambda: self.value("$state") == "ready" and self.board_value("link/up") == "true", "board", 20.0)
        wait_for(lambda: self.value("tank-main/volume"), "level", 60.0)

    def value(self, path: str) -> str:
        return self.listener.retained.get(f"{ROOT}/{path}", b"").decode()

    def board_value(self, path: str) -> str:
        return self.listener.retained.get(f"{ROOT}-board/{path}", b"").decode()

    def truth(self) -> dict[str, Any]:
        """What is really so at the board."""
        while True:
            try:
                state: dict[str, Any] = json.loads(self.state.read_text())
            except ValueError:
                continue  # Read while it was being written.
            return state

    def order(self, **fields: object) -> dict[str, Any]:
        before = len(self.listener.payloads(f"{LOG}/answer"))
        self.listener.publish(f"{LOG}/order", json.dumps({"sender": "test", **fields}))
        wait_for(lambda: len(self.listener.payloads(f"{LOG}/answer")) > before, "answer")
        answer: dict[str, Any] = json.loads(self.listener.payloads(f"{LOG}/answer")[-1])
        return answer

    def close(self) -> None:
        for process in self._processes:
            process.kill()
            process.wait()
            if process.stderr is not None:
                process.stderr.close()
        self.listener.close()
        self.broker.stop()

    def _command(self, *words: object) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-m", "controller.cli", *map(str, words)],
            cwd=PROJECT,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        self._processes.append(process)
        return process
