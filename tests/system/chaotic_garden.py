"""Real processes to which everything happens at once, by a seed: board, controller, broker, page, and what links them.

While it goes on, the board's outputs are watched; afterwards all is mended, and what was promised is looked up: the
controller never died or dawdled, no order acted twice or that should not have, and each record is at the page once.
"""

from __future__ import annotations

import contextlib
import json
import re
import selectors
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from random import Random
from typing import Any, Literal

from controller.service.journal import Journal
from simulator.broker_process import free_port
from tests.system.broker_process import wait_for
from tests.system.movable_garden import MovableGarden
from tests.system.real_garden import LOG, PROJECT, ROOT, ZONE
from tests.watched_site import Page

LEASE_S, SEEN_WITHIN_S = 5.0, 1.5
DRINK_L = 1.5
MOST_DRINKS = 14
LOST_A_CUT_L = 0.4
LONGEST_TURN_S = 1.0
MENDED_WITHIN_S = 150.0

Way = Literal["pass", "silent", "refuse"]


class CuttingProxy:
    """A wire to the broker. It can be cut, or go silent: still connected, and nothing comes through."""

    def __init__(self, target: int) -> None:
        self.port, self._target = free_port(), target
        self.way: Way = "pass"
        self._ended = False
        self._door = socket.create_server(("127.0.0.1", self.port))
        self._pairs: dict[socket.socket, socket.socket] = {}
        self._watch = selectors.DefaultSelector()
        self._watch.register(self._door, selectors.EVENT_READ)
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()

    def cut(self) -> None:
        """End every connection there is."""
        with self._lock:
            for plug in list(self._pairs):
                self._drop(plug)

    def close(self) -> None:
        self._ended = True
        self._thread.join(2.0)
        self.cut()
        self._door.close()
        self._watch.close()

    def _carry(self) -> None:
        while not self._ended:
            if self.way == "silent":
                time.sleep(0.05)
                continue
            for key, _ in self._watch.select(0.05):
                with self._lock:
                    plug = key.fileobj
                    assert isinstance(plug, socket.socket)
                    if plug is self._door:
                        self._connect()
                    elif plug in self._pairs:
                        self._pass_on(plug)

    def _connect(self) -> None:
        near, _ = self._door.accept()
        if self.way == "refuse":
            near.close()
            return
        try:
            far = socket.create_connection(("127.0.0.1", self._target), timeout=1.0)
        except OSError:
            near.close()
            return
        for plug, other in ((near, far), (far, near)):
            self._pairs[plug] = other
            self._watch.register(plug, selectors.EVENT_READ)

    def _pass_on(self, plug: socket.socket) -> None:
        try:
            data = plug.recv(65_536)
            if data:
                self._pairs[plug].sendall(data)
                return
        except OSError:
            pass
        self._drop(plug)

    def _drop(self, plug: socket.socket) -> None:
        other = self._pairs.pop(plug, None)
        for one in (plug, other):
            if one is not None:
                self._pairs.pop(one, None)
                with contextlib.suppress(KeyError, ValueError):
                    self._watch.unregister(one)
                one.close()


class ChaoticGarden:
    """`run` lets it loose for a while; what was wrong, empty when nothing was."""

    def __init__(self, directory: Path, seed: int, longest_calm_s: float = 4.0) -> None:
        self._longest_calm_s = longest_calm_s
        self.rng = Random(f"chaos {seed}")
        self.garden = MovableGarden(directory)
        self.proxy = CuttingProxy(self.garden.broker.port)
        text = self.garden.site.read_text()
        self.garden.site.write_text(text.replace(f"port = {self.garden.broker.port}", f"port = {self.proxy.port}"))
        self.folder = directory
        self.page = Page(directory, self.garden.broker.port)
        self.struck: Counter[str] = Counter()
        self.ordered: dict[str, dict[str, Any]] = {}
        self.longest_turn_s, self.records = 0.0, 0
        self._plugged, self._pulled_s = True, 0.0
        self._mend: list[tuple[float, str, Callable[[], None]]] = []
        """Until when, what, and how it is mended."""
        self._strikes: dict[str, Callable[[], Callable[[], None] | None]] = {
            "cable pulled": self._pull,
            "broker killed": self._kill_broker,
            "broker frozen": self._freeze_broker,
            "connections cut": self._cut,
            "wire silent": self._silence,
            "wrong credentials": self._lock_out,
            "client id taken": self._take_client_id,
            "page killed": self._kill_page,
            "hostile messages": self._hostile,
            "replayed order": self._replay,
            "drink ordered": self._order_drink,
            "flood": self._flood,
        }

    def close(self) -> None:
        for _, _, mend in self._mend:
            mend()
        self.proxy.close()
        if self.page.process.poll() is None:
            self.page.process.kill()
        self.page.process.communicate(timeout=10)
        self.garden.close()

    def run(self, seconds: float) -> str:
        self.garden.serve()
        self.garden.until_ready()
        end_s, next_s = time.monotonic() + seconds, 0.0
        left = list(self._strikes)
        while time.monotonic() < end_s:
            if time.monotonic() >= next_s:
                # Each kind once before any comes again.
                left = left or list(self._strikes)
                self._strike(left.pop(self.rng.randrange(len(left))))
                next_s = time.monotonic() + self.rng.uniform(0.3, self._longest_calm_s)
            broken = self._watch()
            if broken:
                return broken
            time.sleep(0.1)
        return self._mended()

    # --- what happens -------------------------------------------------------------------------------------------

    def _strike(self, kind: str) -> None:
        if any(kind == lasting for _, lasting, _ in self._mend):
            return
        self.struck[kind] += 1
        mend = self._strikes[kind]()
        if mend is not None:
            lasts_s = self.rng.choice((0.3, 2.0, 8.0)) * self.rng.uniform(0.5, 1.5)
            self._mend.append((time.monotonic() + lasts_s, kind, mend))

    def _pull(self) -> Callable[[], None]:
        self.garden.cable.pull()
        self._plugged, self._pulled_s = False, time.monotonic()

        def plug() -> None:
            self.garden.cable.plug(self.garden.ports / f"ttyACM{self.rng.randrange(8)}")
            self._plugged = True

        return plug

    def _kill_broker(self) -> Callable[[], None]:
        self.garden.broker.stop()
        return self._start_broker

    def _start_broker(self) -> None:
        self.garden.broker.stop()
        self.garden.broker.start()

    def _freeze_broker(self) -> Callable[[], None]:
        self.garden.broker.send_signal(signal.SIGSTOP)

        def thaw() -> None:
            self.garden.broker.send_signal(signal.SIGCONT)

        return thaw

    def _cut(self) -> Callable[[], None]:
        self.proxy.way = "refuse"
        self.proxy.cut()
        return self._pass

    def _silence(self) -> Callable[[], None]:
        self.proxy.way = "silent"
        return self._pass

    def _pass(self) -> None:
        self.proxy.way = "pass"

    def _lock_out(self) -> Callable[[], None]:
        """The broker asks for credentials that nobody has."""
        self.garden.broker.stop()
        self.garden.broker.let_in(False)
        self.garden.broker.start()

        def let_in() -> None:
            self.garden.broker.stop()
            self.garden.broker.let_in(True)
            self.garden.broker.start()

        return let_in

    def _take_client_id(self) -> None:
        with (
            contextlib.suppress(OSError),
            socket.create_connection(("127.0.0.1", self.garden.broker.port), 1.0) as plug,
        ):
            name = self._client_id().encode()
            body = b"\x00\x04MQTT\x04\x02\x00\x3c" + len(name).to_bytes(2, "big") + name
            plug.sendall(bytes((0x10, len(body))) + body)
            time.sleep(0.1)

    def _client_id(self) -> str:
        if not self.garden.journal.exists():
            return "river-allotment-controller"
        with closing(Journal.read(self.garden.journal)) as journal:
            return f"river-allotment-controller-{journal.meta('install_id')}"

    def _kill_page(self) -> Callable[[], None]:
        self.page.process.kill()
        self.page.process.communicate(timeout=10)

        def start() -> None:
            self.page = Page(self.folder, self.garden.broker.port)

        return start

    def _hostile(self) -> None:
        topic = f"{LOG}/order"
        hostile = json.dumps(
            {"order": "run-zone", "id": "hostile-retained", "sender": "x", "zone": ZONE, "volume_l": 9}
        )
        for payload, retain in (
            (hostile.encode(), True),
            (b"", True),
            (b"[" * 60_000, False),
            (b'{"a":' * 9_000, False),
            (b"\xff\xfe" * 100, False),
            (b'{"order":"run-zone","id":"hostile-big","x":"' + b"y" * 300_000 + b'"}', False),
            (hostile.replace("retained", "nan").replace("9", "NaN").encode(), False),
            (
                hostile.replace("retained", "late").replace("}", ', "not_after": "2020-01-01T00:00:00Z"}').encode(),
                False,
            ),
        ):
            self.garden.listener.publish_soon(topic, payload, retain=retain)
        self.garden.listener.publish_soon(f"{ROOT}/zone-{ZONE}/run/set", hostile, retain=True)
        self.garden.listener.publish_soon(f"{ROOT}/zone-{ZONE}/run/set", b"", retain=True)

    def _order_drink(self) -> None:
        if len(self.ordered) < MOST_DRINKS:
            order_id = f"drink-{len(self.ordered)}"
            self.ordered[order_id] = {
                "order": "run-zone", "id": order_id, "sender": "test", "zone": ZONE, "volume_l": DRINK_L,
            }  # fmt: skip
            self._send(order_id)

    def _replay(self) -> None:
        for order_id in list(self.ordered)[-3:]:
            self._send(order_id)

    def _send(self, order_id: str) -> None:
        self.garden.listener.publish_soon(f"{LOG}/order", json.dumps(self.ordered[order_id]))

    def _flood(self) -> None:
        for number in range(300):
            note = {"order": "note", "id": f"flood-{self.struck['flood']}-{number}", "sender": "test", "text": "flood"}
            self.garden.listener.publish_soon(f"{LOG}/order", json.dumps(note))

    # --- what must hold -----------------------------------------------------------------------------------------

    def _watch(self) -> str:
        now_s = time.monotonic()
        for due in [entry for entry in self._mend if entry[0] <= now_s]:
            self._mend.remove(due)
            due[2]()
        assert self.garden.controller is not None
        if self.garden.controller.poll() is not None:
            return f"the controller ended by itself with {self.garden.controller.returncode}"
        truth = self.garden.truth()
        away_s = 0.0 if self._plugged else now_s - self._pulled_s
        if away_s > LEASE_S + SEEN_WITHIN_S and (truth["pump_on"] or truth["valve_open"]):
            return f"{away_s:.1f} s after the cable was pulled something is on: {truth}"
        return ""

    def _mended(self) -> str:
        for _, _, mend in self._mend:
            mend()
        self._mend.clear()
        garden = self.garden
        wait_for(lambda: garden.value("$state") == "ready", "controller at the broker", MENDED_WITHIN_S)
        wait_for(lambda: garden.board_value("link/up") == "true", "board", MENDED_WITHIN_S)
        for order_id in self.ordered:
            self._send(order_id)
        wait_for(lambda: not garden.truth()["pump_on"], "end of the watering", MENDED_WITHIN_S)
        wait_for(
            self._all_at_the_page, f"record at the page ({self._at_the_page()} of {self._last_seq()})", MENDED_WITHIN_S
        )
        assert garden.controller is not None
        garden.controller.terminate()
        _, said = garden.controller.communicate(timeout=20)
        return self._of_the_words(said) or self._of_the_journal() or self._of_the_water()

    def _all_at_the_page(self) -> bool:
        """All that was there a moment ago, as one stretch without a hole."""
        last = self._last_seq()
        return any(first == 1 and to >= last for first, to in self._at_the_page())

    def _at_the_page(self) -> list[tuple[int, int]]:
        try:
            with closing(sqlite3.connect(f"file:{self.folder / 'history.sqlite3'}?mode=ro", uri=True)) as db:
                return db.execute("SELECT first, last FROM covered").fetchall()
        except sqlite3.OperationalError:
            return []

    def _last_seq(self) -> int:
        with closing(Journal.read(self.garden.journal)) as journal:
            return journal.newest_seq()

    def _of_the_words(self, said: str) -> str:
        assert self.garden.controller is not None
        if self.garden.controller.returncode != 0 or "Traceback" in said:
            return f"the controller stumbled: {said[-3000:]}"
        longest = re.search(r"longest turn of the loop took ([\d.]+) s", said)
        if longest is None or float(longest[1]) >= LONGEST_TURN_S:
            return f"a turn of the loop took {longest and longest[1]} s"
        self.longest_turn_s = float(longest[1])
        return ""

    def _of_the_journal(self) -> str:
        with closing(Journal.open(self.garden.journal, stamp="afterwards")) as journal:
            if journal.recovered or journal.problem():
                return f"the journal is damaged: {journal.problem()}"
            records = journal.records()
        self.records = len(records)
        taken = Counter(record.key for record in records if record.kind == "order" and record.data["accepted"])
        twice = [order_id for order_id, times in taken.items() if times > 1]
        if twice:
            return f"orders acted on twice: {twice}"
        hostile = [order_id for order_id in taken if order_id.startswith("hostile")]
        if hostile:
            return f"orders that should have been refused: {hostile}"
        words = [sys.executable, "-m", "controller.cli", "replay", str(self.garden.journal)]
        again = subprocess.run(words, cwd=PROJECT, capture_output=True, text=True, check=False)
        return "" if "every decision is the same" in again.stdout else again.stdout + again.stderr

    def _of_the_water(self) -> str:
        given_l = self.garden.truth()["applied_l"][ZONE]
        most_l = 1.15 * DRINK_L * len(self.ordered) + LOST_A_CUT_L * self.struck["cable pulled"]
        if given_l > most_l:
            return f"{ZONE} has {given_l:.1f} L, {len(self.ordered)} times {DRINK_L:g} L were ordered"
        return ""
