"""Both ends of the cable back to back, through a pipe that loses, damages, repeats, reorders and delays."""

from __future__ import annotations

import heapq
import random

import pytest

from firmware_host.board.logic import Board
from firmware_host.link import CommandUnanswered, Event, Link, LinkDown, LinkUp, Received
from firmware_host.messages import SHUT, Ack, Outputs, Report
from tests.board_stand_in import FakeHardware

ON = Outputs(pumps=1, valves=1)
STEP_MS = 50
LEASE_MS = 5000


class Pipe:
    """One direction of a bad cable. Every fault is a chance per line, but for `bit_error`, which is per byte."""

    def __init__(self, seed: int) -> None:
        self.random = random.Random(seed)
        self.lose = self.repeat = self.delay = self.tear = self.bit_error = 0.0
        self.longest_delay_ms = 60_000
        self.cut = False
        self._on_its_way: list[tuple[int, int, bytes]] = []
        self._count = 0

    def heal(self) -> None:
        self.lose = self.repeat = self.delay = self.tear = self.bit_error = 0.0
        self.cut = False

    def put(self, data: bytes, now_ms: int) -> None:
        for line in data.splitlines(keepends=True):
            if self.cut or self.random.random() < self.lose:
                continue
            self._enqueue(self._damage(line), now_ms)
            if self.random.random() < self.repeat:
                self._enqueue(line, now_ms + self.random.randrange(self.longest_delay_ms))

    def _enqueue(self, line: bytes, now_ms: int) -> None:
        late = self.random.randrange(self.longest_delay_ms) if self.random.random() < self.delay else 0
        self._count += 1
        heapq.heappush(self._on_its_way, (now_ms + late, self._count, line))

    def _damage(self, line: bytes) -> bytes:
        if self.random.random() < self.tear:
            line = line[: self.random.randrange(len(line))]
        if self.bit_error:
            line = bytes(
                b ^ (1 << self.random.randrange(8)) if self.random.random() < self.bit_error else b for b in line
            )
        return line

    def take(self, now_ms: int) -> bytes:
        out = b""
        while self._on_its_way and self._on_its_way[0][0] <= now_ms:
            out += heapq.heappop(self._on_its_way)[2]
        return out


class Cable:
    """Host link, two pipes and a board that may be reset, in virtual time; keeps what the board truly did."""

    def __init__(self, seed: int = 1) -> None:
        self.to_board, self.to_host = Pipe(seed), Pipe(seed + 1)
        self.now_ms = 0
        self.boots = 0
        self.link = Link()
        self.events: list[tuple[int, Event]] = []
        self.asked_on_ms = -LEASE_MS
        self.boot()
        self.link.connected(0)

    def boot(self) -> None:
        self.boots += 1
        self.booted_ms = self.now_ms
        self.hw = FakeHardware()
        self.hw.boot = f"{self.boots:08x}"
        self.board = Board(self.hw)

    def step(self, want: Outputs | None, report_every_ms: int = 1000) -> None:
        """One step of 50 ms; `want` None: the core says nothing."""
        self.now_ms += STEP_MS
        now = self.now_ms
        if want is not None:
            self.link.want(want, report_every_ms, now)
        line = self.link.tick(now)
        if b"pumps=1" in line:
            self.asked_on_ms = now
        self.to_board.put(line, now)
        self.hw.advance_to(now - self.booted_ms)
        self.hw.inbox += self.to_board.take(now)
        self.board.tick()
        self.to_host.put(self.hw.outbox, now)
        self.hw.outbox = b""
        for event in self.link.receive(self.to_host.take(now), now):
            self.events.append((now, event))

    def run(self, duration_ms: int, want: Outputs | None) -> None:
        end = self.now_ms + duration_ms
        while self.now_ms < end:
            self.step(want)
            assert self.safe or self.now_ms - self.asked_on_ms <= LEASE_MS, "an output outlived its lease"

    @property
    def safe(self) -> bool:
        return not self.hw.pumps and not self.hw.valves

    def since(self, start_ms: int, kind: type) -> list[tuple[int, Event]]:
        return [(at, event) for at, event in self.events if at >= start_ms and isinstance(event, kind)]


def running() -> Cable:
    cable = Cable()
    cable.run(2000, SHUT)
    cable.run(4000, ON)
    assert cable.hw.pumps == {0}
    return cable


def test_over_a_good_cable_a_wanted_valve_opens_within_one_step_and_the_pump_after_its_opening_time() -> None:
    cable = Cable()
    cable.run(2000, SHUT)
    cable.step(ON)
    assert cable.hw.valves == {0}
    cable.run(2050, ON)
    assert cable.hw.pumps == {0}
    assert cable.since(0, LinkDown) == []


@pytest.mark.parametrize("idle_s", [10, 40, 59, 61, 75, 85, 280])
def test_after_any_idle_time_a_run_starts_at_once_and_without_a_lapse(idle_s: int) -> None:
    cable = Cable()
    while cable.now_ms < idle_s * 1000:
        cable.step(SHUT, report_every_ms=300_000)
    started_ms = cable.now_ms
    cable.run(10_000, ON)
    assert cable.hw.pumps == {0}
    valve_moves = [(at, is_open) for at, part, _, is_open in cable.hw.history if part == "valve" and at > 0]
    assert len(valve_moves) == 1
    assert valve_moves[0][0] - started_ms <= 200
    assert cable.since(started_ms, LinkDown) == []


def test_a_cut_cable_leaves_the_board_shut_within_five_seconds_and_the_host_knows_within_three() -> None:
    cable = running()
    cut_ms = cable.now_ms
    cable.to_board.cut = cable.to_host.cut = True
    cable.run(LEASE_MS, ON)
    assert cable.safe
    ((down_ms, _),) = cable.since(cut_ms, LinkDown)
    assert down_ms - cut_ms <= 3050


def test_after_a_cut_the_link_is_back_within_two_seconds_and_runs_only_because_it_is_asked_again() -> None:
    cable = running()
    cable.to_board.cut = cable.to_host.cut = True
    cable.run(20_000, ON)
    cable.to_board.heal()
    cable.to_host.heal()
    healed_ms = cable.now_ms
    cable.run(2100, SHUT)
    ((up_ms, _),) = cable.since(healed_ms, LinkUp)
    assert up_ms - healed_ms <= 2050
    assert cable.safe
    cable.run(4000, ON)
    assert cable.hw.pumps == {0}


def test_a_board_that_went_deaf_shuts_in_time_and_the_host_knows_within_two_seconds() -> None:
    cable = running()
    cut_ms = cable.now_ms
    cable.to_board.cut = True
    cable.run(LEASE_MS, ON)
    assert cable.safe
    complaints = cable.since(cut_ms, CommandUnanswered)
    assert complaints
    assert complaints[0][0] - cut_ms <= 3050
    cable.run(4000, ON)
    assert cable.since(cut_ms, LinkDown)


def test_a_core_that_hangs_has_its_water_shut_within_eight_seconds() -> None:
    cable = running()
    hung_ms = cable.now_ms
    while not cable.safe:
        cable.step(None)
    assert cable.now_ms - hung_ms <= 3000 + LEASE_MS
    assert any(
        isinstance(event, Received)
        and isinstance(event.message, Report)
        and "board-lease-lapsed" in event.message.faults
        for _, event in cable.events
    )


def test_a_board_reset_while_watering_is_shut_and_stays_shut_until_asked_anew() -> None:
    cable = running()
    cable.boot()
    cable.step(ON)
    assert cable.safe
    cable.run(3000, SHUT)
    assert cable.link.state == "up"
    assert cable.safe


def test_a_recording_of_the_whole_conversation_played_to_a_later_boot_moves_nothing() -> None:
    cable = Cable()
    recorded = b""
    original = cable.to_board.put

    def put(data: bytes, now_ms: int) -> None:
        nonlocal recorded
        recorded += data
        original(data, now_ms)

    cable.to_board.put = put  # type: ignore[method-assign]
    cable.run(2000, SHUT)
    cable.run(20_000, ON)
    cable.boot()
    cable.hw.history.clear()
    for line in recorded.splitlines(keepends=True):
        cable.hw.inbox += line
        cable.hw.advance_to(cable.hw.now_ms + 200)
        cable.board.tick()
    assert cable.hw.history == []


def test_a_recording_played_again_to_the_same_boot_moves_nothing() -> None:
    cable = running()
    recorded = cable.link.tick(cable.now_ms + 1000)
    assert b"pumps=1" in recorded
    cable.run(3000, SHUT)
    assert cable.safe
    cable.hw.history.clear()
    cable.hw.inbox += recorded
    cable.step(SHUT)
    assert cable.hw.history == []


def test_a_host_that_restarts_is_obeyed_at_once_by_a_board_that_kept_running() -> None:
    cable = running()
    cable.link = Link()
    cable.link.connected(cable.now_ms)
    cable.run(2000, SHUT)
    assert cable.safe
    cable.run(3000, ON)
    assert cable.hw.pumps == {0}


@pytest.mark.parametrize("seed", range(12))
def test_over_a_dreadful_cable_no_output_outlives_its_lease_and_a_good_one_restores_service(seed: int) -> None:
    cable = Cable(seed)
    choose = random.Random(seed)
    for pipe in (cable.to_board, cable.to_host):
        pipe.lose, pipe.repeat, pipe.delay, pipe.tear = (choose.random() * 0.3 for _ in range(4))
        pipe.bit_error = choose.choice([0.0, 0.0001, 0.003])
    for _ in range(20):
        cable.run(choose.randrange(1000, 15_000), choose.choice([ON, SHUT, ON, None]))
        if choose.random() < 0.15:
            cable.boot()
    for pipe in (cable.to_board, cable.to_host):
        pipe.heal()
    cable.run(65_000, SHUT)
    assert cable.safe
    cable.run(10_000, ON)
    assert cable.hw.pumps == {0}
    received = [event.message for _, event in cable.events if isinstance(event, Received)]
    assert len({(message.boot_id, message.seq) for message in received}) == len(received)
    assert not any(isinstance(message, Ack) and message.refusal == "bad-field" for message in received)
