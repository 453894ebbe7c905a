"""The whole controller is killed at any instant, again and again, while orders come in and water runs.

A virtual board on a pseudo-terminal, a real broker, the real `pumphouse serve`. Orders that were not answered are sent
again with the same id, as people's programs do. After each death the journal is looked at, and at the end the water.
"""

from __future__ import annotations

import json
import time
from collections import Counter
from contextlib import closing
from pathlib import Path
from random import Random
from typing import Any

from controller.service.journal import Journal
from tests.system.broker_process import wait_for
from tests.system.real_garden import LOG, Garden

PACE = 8.0
BED, POT = "salad-bed-east", "bench-north"
BREAKFAST_L, DRINK_L = 6.0, 1.0
MOST_DRINKS = 3
LOST_A_KILL_L = 0.5
"""What may flow unseen at one death: the board's lease of 5 s at some 6 L/min."""
LIFE_S, LONGEST_LIFE_S = (0.3, 8.0), 12.0
ORDER_EVERY_S = 0.25
SENT_AT_ONCE = 8
"""Fewer than the controller takes in a burst."""
BREAKFAST_WITHIN_S = 120.0


def breakfast_at_two_past_seven(garden: Garden) -> None:
    """One bed has 6 L every day two minutes after the garden's start; nothing else is watered by itself."""
    before, bed, after = garden.site.read_text().replace('mode = "need"', 'mode = "off"').partition(f'id = "{BED}"')
    breakfast = f'mode = "fixed"\nfixed_volume = "{BREAKFAST_L:g} L"\nfixed_times = ["07:02"]'
    garden.site.write_text(before + bed + after.replace('mode = "off"', breakfast, 1))


class KilledGarden:
    """`run` kills so often and says what was wrong; empty when nothing was."""

    def __init__(self, directory: Path, seed: int) -> None:
        self.rng = Random(f"kills {seed}")
        self.garden = Garden(directory, pace=PACE)
        breakfast_at_two_past_seven(self.garden)
        self.answered: dict[str, bool] = {}
        self.waiting: dict[str, dict[str, Any]] = {}
        """Orders without an answer, by id."""
        self.kills = self.killed_at_an_answer = self.killed_while_running = 0
        self._drinks = self._made = self._heard = 0

    def close(self) -> None:
        self.garden.close()

    def run(self, kills: int) -> str:
        for _ in range(kills):
            self._one_life()
            broken = self._broken_promise()
            if broken:
                return f"after kill {self.kills}: {broken}"
        return self._to_the_end()

    # --- a life -----------------------------------------------------------------------------------------------

    def _one_life(self) -> None:
        controller = self.garden.serve()
        self._live_until_death()
        controller.kill()
        controller.wait()
        self.killed_while_running += bool(self.garden.truth()["pump_on"])
        self.kills += 1

    def _live_until_death(self) -> None:
        """At some time, often before all is up; right after an answer; or soon after a pump came on."""
        cause = self.rng.choice(("time", "answer", "pump"))
        life_s = LIFE_S[0] * (LIFE_S[1] / LIFE_S[0]) ** self.rng.random() if cause == "time" else LONGEST_LIFE_S
        end_s, next_order_s = time.monotonic() + life_s, 0.0
        while time.monotonic() < end_s:
            if time.monotonic() >= next_order_s:
                self._order()
                next_order_s = time.monotonic() + ORDER_EVERY_S
            if self._hear() and cause == "answer" and self.rng.random() < 0.5:
                self.killed_at_an_answer += 1
                return
            if cause == "pump" and self.garden.truth()["pump_on"]:
                end_s, cause = time.monotonic() + self.rng.random() * 3.0, "time"
            time.sleep(0.001)

    def _order(self) -> None:
        if self.waiting and self.rng.random() < 0.5:
            values = self.rng.choice(list(self.waiting.values()))
        else:
            values = self._new_order()
            self.waiting[values["id"]] = values
        self.garden.listener.publish(f"{LOG}/order", json.dumps(values))

    def _new_order(self) -> dict[str, Any]:
        self._made += 1
        order = {"id": f"kill-{self._made}", "sender": "test"}
        chance = self.rng.random()
        if chance < 0.3 and self._drinks < MOST_DRINKS:
            self._drinks += 1
            return {**order, "order": "run-zone", "zone": POT, "volume_l": DRINK_L}
        if chance < 0.6:
            version = int(self.garden.value("zone-bean-row/schedule-version") or 0)
            schedule = {"mode": "off", "windows": [], "daily_cap_l": self.rng.randrange(1, 60)}
            return {**order, "order": "set-schedule", "zone": "bean-row", "base_version": version, "schedule": schedule}
        return {**order, "order": "note", "text": f"number {self._made}"}

    def _hear(self) -> bool:
        """Take what was answered; whether an order was just accepted."""
        accepted = False
        heard = self.garden.listener.heard
        for topic, payload, _ in heard[self._heard : (end := len(heard))]:
            if topic == f"{LOG}/answer":
                answer = json.loads(payload)
                self.waiting.pop(answer["id"], None)
                if self.answered.setdefault(answer["id"], answer["accepted"]) != answer["accepted"]:
                    raise AssertionError(f"{answer['id']} was answered in two ways")
                accepted |= answer["accepted"]
        self._heard = end
        return accepted

    # --- what must hold ---------------------------------------------------------------------------------------

    def _broken_promise(self) -> str:
        self._hear()
        if not self.garden.journal.exists():
            return ""
        with closing(Journal.open(self.garden.journal, stamp="after-the-kill")) as journal:
            if journal.recovered or journal.problem():
                return f"the journal is damaged: {journal.problem() or 'it was set aside'}"
            records = journal.records()
            if [record.seq for record in records] != list(range(1, len(records) + 1)):
                return "numbers of records are missing or doubled"
            if self._published() > len(records):
                return f"record {self._published()} was sent to the broker and is lost"
            taken = Counter(record.key for record in records if record.kind == "order" and record.data["accepted"])
        twice = [order_id for order_id, times in taken.items() if times > 1]
        if twice:
            return f"orders acted on twice: {twice}"
        lost = [order_id for order_id, accepted in self.answered.items() if accepted and order_id not in taken]
        if lost:
            return f"orders answered as accepted are lost: {lost}"
        refused = [order_id for order_id, accepted in self.answered.items() if not accepted and order_id in taken]
        return f"orders answered as refused were acted on: {refused}" if refused else ""

    def _published(self) -> int:
        """The highest record number the broker was sent."""
        packs = self.garden.listener.payloads(f"{LOG}/senml")[-20:]
        return max((entry["v"] for pack in packs for entry in json.loads(pack) if entry["n"] == "seq"), default=0)

    def _to_the_end(self) -> str:
        """One more life, until all that was asked is answered and the day's water is given."""
        self.garden.serve()
        self.garden.until_ready()
        for values in list(self.waiting.values())[:SENT_AT_ONCE]:
            self.garden.listener.publish(f"{LOG}/order", json.dumps(values))
        given = self.garden.truth
        wait_for(lambda: given()["applied_l"][BED] > 0.85 * BREAKFAST_L, "breakfast", BREAKFAST_WITHIN_S)
        wait_for(lambda: not given()["pump_on"], "end of the watering", BREAKFAST_WITHIN_S)
        time.sleep(3.0)
        wait_for(lambda: not given()["pump_on"], "end of what was ordered", BREAKFAST_WITHIN_S)
        bed_l, pot_l = given()["applied_l"][BED], given()["applied_l"][POT]
        slack_l = self.killed_while_running * LOST_A_KILL_L
        if bed_l > 1.08 * BREAKFAST_L + slack_l:
            return (
                f"{BED} has {bed_l:.2f} L of {BREAKFAST_L:g} L, and {self.killed_while_running} deaths with the pump on"
            )
        most_l = sum(1.15 * DRINK_L for _ in range(self._drinks)) + slack_l
        if pot_l > most_l:
            return f"{POT} has {pot_l:.2f} L, {self._drinks} times {DRINK_L:g} L were ordered"
        return self._broken_while_alive()

    def _broken_while_alive(self) -> str:
        self.garden.controller.terminate()  # type: ignore[union-attr]
        self.garden.controller.wait()  # type: ignore[union-attr]
        return self._broken_promise()
