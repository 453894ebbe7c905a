"""Two clocks: the monotonic one never steps, the wall clock says how far it can be trusted."""

from __future__ import annotations

from controller.service.clock import EARLIEST_SANE_WALL_MS, PacedClock, Resumed, SystemClock, kernel_synchronised
from tests.unit.journal_data import START_WALL_MS

HOUR_MS = 3_600_000


class Machine:
    """The machine's own clocks, moved by hand."""

    def __init__(self, wall_ms: int, synchronised: bool = False) -> None:
        self.mono_ms = 7_000
        self.wall_ms = wall_ms
        self.synchronised = synchronised

    def clock(self, resumed: Resumed = Resumed()) -> SystemClock:  # noqa: B008 - immutable
        return SystemClock(
            resumed, lambda: self.synchronised, lambda: self.mono_ms * 1_000_000, lambda: self.wall_ms * 1_000_000
        )

    def pass_ms(self, elapsed_ms: int) -> None:
        self.mono_ms += elapsed_ms
        self.wall_ms += elapsed_ms


def test_a_machine_in_1970_does_not_know_the_time() -> None:
    assert Machine(5_000_000, synchronised=True).clock().now().trust == "unknown"


def test_a_synchronised_clock_is_trusted_and_coasts_when_the_source_is_lost() -> None:
    machine = Machine(START_WALL_MS, synchronised=True)
    clock = machine.clock()
    assert clock.now().trust == "synchronised"
    machine.synchronised = False
    machine.pass_ms(HOUR_MS)
    assert clock.now().trust == "coasting"


def test_coasting_ends_after_a_month() -> None:
    machine = Machine(START_WALL_MS, synchronised=True)
    clock = machine.clock()
    clock.now()
    machine.synchronised = False
    machine.pass_ms(31 * 24 * HOUR_MS)
    assert clock.now().trust == "unknown"


def test_a_wall_clock_behind_the_journal_is_not_trusted() -> None:
    resumed = Resumed(1000, START_WALL_MS, kept_time=True)
    clock = Machine(START_WALL_MS - HOUR_MS).clock(resumed)
    assert clock.now().trust == "unknown"
    assert clock.away_ms == 0


def test_after_a_boot_without_clock_chip_a_plausible_time_is_still_a_guess() -> None:
    assert Machine(START_WALL_MS + HOUR_MS).clock(Resumed(1000, START_WALL_MS, False)).now().trust == "unknown"
    assert Machine(START_WALL_MS + HOUR_MS).clock(Resumed(1000, START_WALL_MS, True)).now().trust == "coasting"


def test_a_new_journal_on_an_unsynchronised_machine_does_not_know_the_time() -> None:
    assert Machine(EARLIEST_SANE_WALL_MS + HOUR_MS).clock().now().trust == "unknown"


def test_the_monotonic_clock_goes_on_where_the_journal_ended_plus_the_time_away() -> None:
    clock = Machine(START_WALL_MS + HOUR_MS, synchronised=True).clock(Resumed(500_000, START_WALL_MS))
    assert clock.away_ms == HOUR_MS
    assert clock.now().mono_ms == 500_000 + HOUR_MS


def test_with_unknown_time_the_monotonic_clock_goes_on_without_the_time_away() -> None:
    clock = Machine(5_000_000).clock(Resumed(500_000, START_WALL_MS))
    assert clock.now().mono_ms == 500_000


def test_a_clock_behind_the_journal_goes_on_as_a_guess_where_the_journal_ended() -> None:
    machine = Machine(5_000_000)
    clock = machine.clock(Resumed(500_000, START_WALL_MS))
    machine.pass_ms(HOUR_MS)
    now = clock.now()
    assert (now.wall_ms, now.trust) == (START_WALL_MS + HOUR_MS, "unknown")


def test_the_guess_ends_when_a_time_source_is_there() -> None:
    machine = Machine(5_000_000)
    clock = machine.clock(Resumed(500_000, START_WALL_MS))
    clock.now()
    machine.wall_ms = START_WALL_MS + 9 * HOUR_MS
    machine.synchronised = True
    now = clock.now()
    assert (now.wall_ms, now.trust) == (START_WALL_MS + 9 * HOUR_MS, "synchronised")
    assert now.mono_ms == 500_000


def test_a_step_of_the_wall_clock_moves_only_the_wall_clock() -> None:
    machine = Machine(START_WALL_MS, synchronised=True)
    clock = machine.clock()
    before = clock.now()
    machine.wall_ms += 2 * HOUR_MS
    machine.pass_ms(1000)
    after = clock.now()
    assert after.mono_ms - before.mono_ms == 1000
    assert after.wall_ms - before.wall_ms == 1000 + 2 * HOUR_MS
    assert clock.steps == 1


def test_a_step_back_without_source_is_noticed_at_once() -> None:
    machine = Machine(START_WALL_MS, synchronised=True)
    clock = machine.clock()
    clock.now()
    machine.synchronised = False
    machine.wall_ms -= HOUR_MS
    assert clock.now().trust == "unknown"


def test_jitter_between_the_clocks_does_not_show() -> None:
    machine = Machine(START_WALL_MS, synchronised=True)
    clock = machine.clock()
    first = clock.now()
    for jitter_ms in (40, -60, 15):
        machine.wall_ms += jitter_ms
        now = clock.now()
        assert now.wall_ms - now.mono_ms == first.wall_ms - first.mono_ms


def test_looking_from_another_thread_agrees() -> None:
    machine = Machine(START_WALL_MS, synchronised=True)
    clock = machine.clock()
    assert clock.now() == clock.peek()


def test_made_up_time_runs_at_its_pace_and_never_before_the_journal() -> None:
    ticks = [0]
    clock = PacedClock(START_WALL_MS, 60.0, Resumed(9_000, START_WALL_MS + HOUR_MS), lambda: ticks[0])
    ticks[0] = 2_000_000_000
    now = clock.now()
    assert (now.mono_ms, now.wall_ms) == (9_000 + 120_000, START_WALL_MS + HOUR_MS + 120_000)
    assert now.trust == "synchronised"


def test_the_kernel_can_be_asked() -> None:
    assert kernel_synchronised() in (True, False)
