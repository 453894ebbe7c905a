"""A garden of a few hours in which one thing breaks at a chosen moment, before the eyes of the judge.

Cheap, where the weeks of `tests.scenario.hard_weeks` are thorough: two beds are watered three times between 06:00 and
06:45, and every script knows what it breaks, when, and what must be told by when.
"""

from __future__ import annotations

import functools
import json
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from controller.contract import (
    ClearFault,
    ClockTrust,
    Command,
    Now,
    Order,
    OrderAnswer,
    Record,
    ResumeAll,
    RunZone,
    StepResult,
)
from controller.core import Core, context
from controller.irrigate.outlook import Outlook, Uses
from controller.irrigate.outlook import outlook as work_out
from controller.service.codec import encode_input
from controller.service.journal import Journal
from controller.service.orders import Ground, parse_order
from controller.service.outbox import Outbox, Pack
from controller.service.replay import replay
from controller.site.model import Site
from simulator.plant.daily_records import DailyRecord, weather_from_daily
from simulator.plant.faults import PlantFaults
from tests.scenario.broken_season import Cable, HardSeason, LineTrouble, TwinCore
from tests.scenario.garden import EXAMPLE, HOUR_MS, MINUTE_MS, fixed, with_zones
from tests.scenario.judge import Judge

BED, POT = "salad-bed-east", "bench-south"
SITE_TEXT = "a garden of a few hours"
SLICE_MS = 500
ENOUGH_L = 400.0
ENOUGH_SOC = 0.8
FETCHED_MIN = 11.0
RESTED_MIN = 120.0
"""Until another battery's charge is read from its voltage at rest."""
POURED_MIN = 95.0
"""How long it takes at most until the ranger is believed after hundreds of litres came at once."""
EXPIRED_MIN = 15
"""An order waits for ten minutes at most."""
HIDDEN_TIMES = 3
"""So often the water may be hidden between an order and its start before that counts as not recovered."""
LOOK_MS = 1_000
TIDY_MS = 5 * MINUTE_MS


def small_garden(**changes: object) -> Site:
    """A small bed watered at 06:00 and 06:40, and a bench at 06:20; `changes` to the site."""
    bed = replace(EXAMPLE.zone(BED), schedule=fixed(8.0, 360, 400), emitter_count=48)
    pot = replace(EXAMPLE.zone(POT), schedule=fixed(6.0, 380))
    return replace(with_zones(EXAMPLE, [bed, pot]), **changes)  # type: ignore[arg-type]


GARDEN = small_garden()


@functools.lru_cache(maxsize=256)
def _priced(site: Site, uses: Uses) -> Outlook | None:
    return work_out(site, uses)


@contextmanager
def one_price_list() -> Iterator[None]:
    """Work out the price of water once for each site: it is the same for all cores, and takes longer than the rest."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(context, "outlook", _priced)
        yield


_open: list[_Stored] = []
"""Journals of the stretches that `broken_promise` plays now."""


class Stretch:
    """Begins at a local time, by default ten minutes before the first bed is due, on a fine day in July.

    journal   keep one, and have it published; `check_stored` then looks for every record
    twin      compare with a second core that begins from a dump
    dose_l    what the first bed gets each time
    """

    def __init__(
        self,
        site: Site = GARDEN,
        begins: str = "2026-07-01T05:50",
        *,
        fill: float = 0.7,
        charge: float = 0.9,
        warmth_c: tuple[float, float] = (13.0, 27.0),
        rain_mm: float = 0.0,
        days: int = 3,
        seed: int = 1,
        trust: ClockTrust = "synchronised",
        dose_l: float = 8.0,
        journal: bool = False,
        twin: bool = False,
    ) -> None:
        if dose_l != 8.0:
            bed = replace(site.zone(BED), schedule=fixed(dose_l, 360, 400))
            site = with_zones(site, [bed if zone.id == BED else zone for zone in site.zones])
        self.site, self.seed = site, seed
        self.rng = Random(f"stretch {seed}")
        self._zone = ZoneInfo(site.place.time_zone)
        start = datetime.fromisoformat(begins).replace(tzinfo=self._zone)
        rows = [DailyRecord(start.date() + timedelta(days=day), *warmth_c, rain_mm) for day in range(-1, days + 2)]
        weather = weather_from_daily(rows, site.place, seed)
        self._start_wall_ms = round(start.timestamp() * 1000)
        self.stored = _Stored() if journal else None
        log = None if self.stored is None else self.stored.journal
        encode = None if self.stored is None else encode_input
        self.season = HardSeason(site, weather, seed, self._start_wall_ms, fill=fill, log=log, encode=encode)
        self.season.trust = trust
        bank = self.season.plant.bank
        bank.charge_ah = charge * bank.capacity_ah
        self.cable = Cable(self.season, Random(f"cable {seed}"))
        self._twin_chance = 0.05 if twin else 0.0
        self._wrap_core()
        midnight = start.replace(hour=0, minute=0, second=0)
        self.judge = Judge(self.season, round((start - midnight).total_seconds() * 1000))
        self.judge.explained = ()
        self.judge.line_is_bad = lambda: not self.cable.weather.is_none
        self.judge.readings_every_ms = MINUTE_MS
        self.season.watch = self._take
        self.records: list[tuple[Now, Record]] = []
        self.answers: list[OrderAnswer] = []
        self.struck: list[str] = []
        self._given_l = {zone.id: 0.0 for zone in site.zones}
        self.sag_v = 0.0
        """How far the voltage falls for a second when a pump starts."""
        self._sag()
        self._orders = 0
        self._tidy_ms = TIDY_MS
        if self.stored is not None:
            self.stored.journal.add_checkpoint(self.season.now(), SITE_TEXT, self.season.core.dump())

    def _wrap_core(self) -> None:
        core = self.season.core
        twins = Random(f"twins {self.seed}")
        self.season.core = TwinCore(self.site, core, twins, lambda: None, self._twin_chance)

    def _sag(self) -> None:
        sensors, pump = self.season.hardware, self.season.plant.pumps[0]
        read, seen = sensors.battery_mv, [0, 0]

        def battery_mv() -> int | None:
            if pump.starts != seen[0]:
                seen[:] = [pump.starts, self.plant_ms]
            value = read()
            sags = pump.running and self.plant_ms - seen[1] <= 1_000
            return value if value is None or not sags else value - round(1000.0 * self.sag_v)

        sensors.battery_mv = battery_mv  # type: ignore[method-assign]

    def _take(self, now: Now, result: StepResult) -> None:
        json.dumps([record.data for record in result.records], allow_nan=False)
        self.records += [(now, record) for record in result.records]
        self.answers += result.answers
        self.judge.core_stepped(now, result)

    # --- letting time pass --------------------------------------------------------------------------------------

    @property
    def plant_ms(self) -> int:
        return self.season.plant.now_ms

    @property
    def board(self) -> Any:
        """The board's program, to be tampered with."""
        return self.season.board

    @property
    def faults(self) -> PlantFaults:
        return self.season.plant.faults

    def felt(self) -> None:
        """Let running water notice what was broken or mended."""
        self.season.plant.refresh()

    def go_on(self, seconds: float) -> None:
        """In slices short enough for late lines and for a clock that is off."""
        end_ms = self.plant_ms + round(seconds * 1000)
        while self.plant_ms < end_ms:
            troubled = self.cable.weather.late_ms or self.season.pace
            before_ms = self.plant_ms
            step_ms = SLICE_MS if troubled else HOUR_MS if self.stored is None else TIDY_MS
            due_ms = self.judge.due_ms
            if due_ms is not None:
                # What is awaited soon is looked for often, and exactly when it is due.
                self.judge.check_told(self.season.now())
                step_ms = min(step_ms, due_ms - before_ms, LOOK_MS if due_ms - before_ms < TIDY_MS else HOUR_MS)
            self.season.run_until(min(end_ms, before_ms + max(1, step_ms)))
            self.season.drift(self.plant_ms - before_ms)
            self.cable.carry()
            if self.stored is not None and self.plant_ms >= self._tidy_ms:
                self._tidy_ms += TIDY_MS
                self.stored.tidy()
        self.judge.check_told(self.season.now())

    def until(self, hour_minute: str) -> None:
        """Go on to the next time that a clock on the wall shows this."""
        here = datetime.fromtimestamp((self._start_wall_ms + self.plant_ms) / 1000.0, self._zone)
        hour, minute = map(int, hour_minute.split(":"))
        then = here.replace(hour=hour, minute=minute, second=0, microsecond=0)
        if then <= here:
            then += timedelta(days=1)
        self.go_on(then.timestamp() - here.timestamp())

    def until_flowing(self, for_s: float = 25.0, limit_h: float = 2.0) -> None:
        """Go on until water has been flowing for so long."""
        self._until(lambda: self.judge.flowing, limit_h, "nothing flows")
        self.go_on(for_s)
        if not self.judge.flowing:
            raise OffStageError("the water stopped too soon for what was to be broken")

    def until_pump(self, on: bool, limit_h: float = 2.0) -> None:
        """Go on until a pump's pin is on, or all are off."""
        self._until(lambda: bool(self.season.hardware.output_masks()[0]) is on, limit_h, f"no pump's pin is {on}")

    def _until(self, reached: Callable[[], bool], limit_h: float, problem: str) -> None:
        end_ms = self.plant_ms + round(limit_h * HOUR_MS)
        while not reached():
            if self.plant_ms >= end_ms:
                raise OffStageError(f"{problem} within {limit_h} h")
            self.go_on(0.5 if self.judge.watered_zone_id else 5.0)

    def until_rest(self) -> None:
        """Go on until no bed is watered or about to be."""
        self._until(lambda: self.judge.watered_zone_id is None, 3.0, "the watering does not end")

    def step_clock(self, hours: float) -> None:
        """The controller's wall clock is off by so much from now on."""
        step_ms = round(hours * HOUR_MS)
        self.judge.clock_stepped(step_ms - self.season.clock_step_ms)
        self.season.clock_step_ms = step_ms

    def must_have_given(self, zone_id: str, volume_l: float) -> None:
        """L1: by now a bed has truly had what was due, but for what no report told in a reset or two."""
        given_l = self.season.plant.truth.zone(zone_id).applied_l
        assert given_l >= 0.92 * volume_l, f"L1: {zone_id} got {given_l:.1f} L, {volume_l:.1f} L were due"

    # --- what people do -----------------------------------------------------------------------------------------

    def order(self, command: Command, order_id: str = "", not_after_wall_ms: int | None = None) -> OrderAnswer:
        """Give an order now; the answer comes in the same step."""
        self._orders += 1
        given = Order(order_id or f"order-{self._orders}", "somebody", not_after_wall_ms, command)
        self.judge.ordered(command)
        self.season.order(given)
        self.season.run_until(self.plant_ms)
        answer = next(answer for answer in reversed(self.answers) if answer.order_id == given.id)
        self.judge.answered()
        return answer

    def message(self, payload: bytes, *, retained: bool = False, may_act: bool = False) -> None:
        """A message on the order topic, as it is taken at the edge: checked, claimed in the journal, handed on."""
        now = self.season.now()
        order = parse_order(payload, Ground(self.site, now.wall_ms), retained)
        if not isinstance(order, Order):
            return
        if not may_act:
            self.judge.must_not_act(order.id)
        claimed = None if self.stored is None else self.stored.journal.claim_order(order.id, now.wall_ms)
        if claimed is None:
            self.judge.ordered(order.command)
            self.season.order(order)
            self.season.run_until(self.plant_ms)
            self.judge.answered()

    def restart(self, away_s: float) -> None:
        """The controller dies, and is back after a while."""
        self.judge.controller_restarts()
        self.season.restart(round(away_s * 1000))
        self._wrap_core()
        self.judge.controller_is_back()

    def reset_board(self, cause: str = "brownout") -> None:
        self.judge.board_reset(cause)
        self.season.reset_board(cause)

    def hang_board(self) -> None:
        self.judge.board_hangs()
        self.season.hang_board()

    # --- afterwards ---------------------------------------------------------------------------------------------

    def mend_all(self) -> bool:
        """Everything is as it was, with a charged battery; true when another one was put in."""
        season = self.season
        season.plant.faults.__init__()  # type: ignore[misc]
        self.cable.weather = LineTrouble()
        self.cable.tamper.clear()
        season.clock_step_ms, season.trust, season.pace = 0, "synchronised", 0.0
        self.judge.board_is_unfit("")
        self.felt()
        if season.plant.bank.soc >= ENOUGH_SOC:
            return False
        # To fetch one takes a while: it is not one more boot of a board that has just booted again and again.
        self.go_on(FETCHED_MIN * 60.0)
        self.put_in_a_charged_battery()
        return True

    def put_in_a_charged_battery(self) -> None:
        """Nothing has power meanwhile."""
        bank = self.season.plant.bank
        bank.charge_ah = 0.95 * bank.capacity_ah
        self.reset_board("power")
        self.restart(60.0)

    def recover(self, wait_min: float = 3.0) -> None:
        """L1, L2: mended, and cleared once by a person, the garden is watered by one more order."""
        if self.mend_all():
            wait_min += RESTED_MIN
        if self.season.plant.truth.volume_l("main") < ENOUGH_L:
            self.season.plant.set_volume("main", 2.0 * ENOUGH_L)
            wait_min += POURED_MIN
        self.go_on(60.0 * wait_min)
        self._until(lambda: not self.season.is_dewy, 12.0, "the ranger's face stays wet")
        self._until(lambda: "board-reboots" not in self.board.faults.standing, 1.0, "the board stays locked out")
        self.until_rest()
        self.order(ResumeAll())
        for finding in self.season.core.snapshot(self.season.now()).findings:
            if finding.latched:
                self.order(ClearFault(finding.id))
        self.go_on(60.0)
        standing = [finding.id for finding in self.season.core.snapshot(self.season.now()).findings if finding.latched]
        assert not standing, f"L2: still latched after clearing: {standing}"
        self.until_rest()
        zone_id, room_l = self._most_room()
        if room_l < 3.0:
            self.until("00:10")
        given_l = self._given_by_order(zone_id)
        for _ in range(HIDDEN_TIMES):
            if given_l > 0.0 or not self._is_hidden(zone_id):
                break
            # Drops came onto the ranger's face, faults or none, between the order and its start.
            self._until(lambda: not self.season.is_dewy, 12.0, "the ranger's face stays wet")
            given_l = self._given_by_order(zone_id)
        assert given_l >= 1.6, f"L1: {given_l:.1f} L were given when all was mended, 2 L were ordered"

    def _given_by_order(self, zone_id: str) -> float:
        """What a bed gets of an order of two litres within minutes, or before it expires while the water is hidden."""
        answer = self.order(RunZone(zone_id, 2.0))
        for _ in range(15):
            # For some minutes a rung of the ladder may hide the water from the ranger, faults or none.
            if not answer.accepted:
                self.go_on(60.0)
                answer = self.order(RunZone(zone_id, 2.0))
        assert answer.accepted, f"L1: nothing is watered again: {answer.reason}"
        since_ms, end_ms = self.plant_ms, self.plant_ms + EXPIRED_MIN * MINUTE_MS
        self.go_on(240.0)
        while self.plant_ms < end_ms and self._is_hidden(zone_id):
            self.go_on(60.0)
        given_l: float = sum(
            record.data["volume_l"]
            for now, record in self.records
            if (record.kind, record.key) == ("delivery", zone_id) and now.mono_ms >= since_ms
        )
        return given_l

    def _is_hidden(self, zone_id: str) -> bool:
        """Does a bed wait because the water cannot be seen?"""
        return "level-unknown" in self.judge.zones[zone_id].refused_ids

    def _most_room(self) -> tuple[str, float]:
        """The bed that is furthest from its cap of the day, and by how much."""
        rooms = {
            zone_id: zone.schedule.daily_cap_l - zone.applied_today_ml / 1000.0
            for zone_id, zone in self.judge.zones.items()
        }
        return max(rooms.items(), key=lambda room: room[1])

    def check_books(self) -> None:
        """Q1 and Q2 of all so far, and Q4 and Q5 where there is a journal."""
        self.judge.check_books(self.records)
        if self.stored is not None:
            self.stored.check(self.site, self.season.now(), [record for _, record in self.records])


class _Stored:
    """A real journal, and a broker that forgets what it has not acknowledged when the connection ends."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory()
        self.path = Path(self._folder.name) / "journal.sqlite"
        self.journal = Journal.open(self.path)
        self.broker_loses = False
        self._outbox: Outbox | None = None
        self._message_id, self._reconnects_at = 0, 3
        self._on_its_way: list[tuple[int, Pack]] = []
        self._arrived: set[int] = set()
        _open.append(self)

    def close(self) -> None:
        self.journal._connection.close()
        self._folder.cleanup()

    def tidy(self) -> None:
        """Write what is gathered, and publish; a medium that is full is tried again the next time."""
        try:
            self.journal.commit(durable=True)
        except sqlite3.Error:
            return
        if self._outbox is None:
            self._outbox = Outbox("garden", self.journal, 0)
        for pack in iter(self._outbox.next_pack, None):
            self._message_id += 1
            self._outbox.sent(self._message_id, pack)
            self._on_its_way.append((self._message_id, pack))
        for message_id, pack in self._on_its_way:
            if self.broker_loses and message_id % 3 == 1:
                continue
            self._arrived.update(range(pack.first_seq, pack.last_seq + 1))
            self._outbox.acknowledged(message_id)
        self._on_its_way.clear()
        if self._message_id >= self._reconnects_at or not self.broker_loses:
            self._reconnects_at = self._message_id + 3
            self._outbox.reconnected()

    def fill_disk(self) -> None:
        """No page more can be written from now on."""
        connection = self.journal._connection
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count = {pages}")

    def free_disk(self) -> None:
        self.journal._connection.execute("PRAGMA max_page_count = 1000000")

    def check(self, site: Site, now: Now, given: list[Record]) -> None:
        """Q5: all that the core recorded is there, in its order; Q4: its replay decides the same."""
        self.broker_loses = False
        self.free_disk()
        self.tidy()
        self.journal.date_records(now)
        self.tidy()
        stored = [record for record in self.journal.records(1, limit=1_000_000) if record.input_id]
        assert [record.seq for record in stored] == list(range(1, len(stored) + 1)), "Q5: a number is missing or twice"
        kept = [(record.kind, record.key, record.data) for record in stored]
        wanted = [(record.kind, record.key, json.loads(json.dumps(record.data))) for record in given]
        assert kept == wanted, f"Q5: {len(kept)} records are stored in place of {len(wanted)}, or others"
        missing = {record.seq for record in stored} - self._arrived
        assert not missing, f"Q5: {len(missing)} records never reached the broker"
        result = replay(self.path, Core, lambda _text: site)
        assert result.difference is None, f"Q4: the replay decides otherwise: {result.difference}"


class OffStageError(Exception):
    """A script did not find what it was to break: no water flows, no pump starts."""


def broken_promise(script: Callable[[], object]) -> str:
    """What the judge said of a script, beginning with the promise's id; empty when every promise was kept.

    Raises OffStageError when the script itself does not come to what it is about.
    """
    try:
        with one_price_list():
            script()
    except OffStageError:
        raise
    except AssertionError as error:
        return str(error)
    except Exception as error:
        return f"X1: {error!r}"
    finally:
        while _open:
            _open.pop().close()
    return ""
