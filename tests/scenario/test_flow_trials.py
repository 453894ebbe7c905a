"""Changed flows and no flow, one scenario a fault on a few seeds; `scripts/bench estimate` has more of them."""

from __future__ import annotations

import json

import pytest

from controller.estimate.flow import FlowWatch
from simulator.trials.flow import (
    Break,
    FlowGarden,
    emitters_clogged,
    emitters_popped,
    filter_clogged,
    line_blocked,
    line_burst,
    meter_dead,
    meter_slow,
    pump_dead,
    pump_worn,
    ran_dry,
    runs_to_find,
    sound_garden,
    tries_to_name,
    unlike_site,
    zones_crossed,
)

SEEDS = range(1100, 1103)
MOST_RUNS = 4


@pytest.mark.parametrize(
    "breaks", [emitters_clogged, line_burst, emitters_popped, filter_clogged, pump_worn, meter_slow]
)
def test_a_changed_flow_is_found_within_four_runs_and_the_right_part_blamed(breaks: Break) -> None:
    for seed in SEEDS:
        found = runs_to_find(seed, breaks)
        assert found.any_runs <= MOST_RUNS
        assert found.right_runs <= 2 * MOST_RUNS


def test_two_zones_of_unlike_size_that_are_crossed_are_found_within_four_runs() -> None:
    for seed in SEEDS:
        assert runs_to_find(seed, zones_crossed, unlike_site()).right_runs <= MOST_RUNS


def test_a_garden_in_order_gives_no_finding() -> None:
    assert sum(sound_garden(seed, days=40).ours for seed in SEEDS) == 0


@pytest.mark.parametrize("breaks", [meter_dead, ran_dry, line_blocked, pump_dead])
def test_no_flow_is_never_blamed_on_the_wrong_part_and_mostly_named_within_three_tries(breaks: Break) -> None:
    named = [tries_to_name(seed, breaks) for seed in SEEDS]
    assert not any(each.wrong for each in named)
    assert sum(each.tries <= 3 for each in named) >= 2


def test_a_dry_float_names_a_dry_run_at_once() -> None:
    assert tries_to_name(SEEDS[0], ran_dry, with_float=True).tries == 1


def broken(breaks: Break, days: int = 4) -> tuple[FlowGarden, str, str]:
    garden = FlowGarden(1100, 60)
    garden.learn()
    kind, about = breaks(garden)
    garden.plant.refresh()
    water_days(garden, days)
    return garden, kind, about


def water_days(garden: FlowGarden, days: int) -> None:
    for _ in range(days):
        for _ in garden.day():
            pass


def test_a_finding_goes_after_three_good_runs() -> None:
    garden, kind, about = broken(emitters_clogged)
    assert [(found.kind, found.about) for found in garden.watch.findings()] == [(kind, about)]
    garden.plant.faults.emitters_clogged.clear()
    garden.plant.refresh()
    water_days(garden, 2)
    assert garden.watch.findings()
    water_days(garden, 6)
    assert not garden.watch.findings()


def test_what_the_owner_clears_unmended_is_found_again() -> None:
    garden, kind, about = broken(emitters_clogged)
    garden.watch.clear("emitters-clogged", about, relearn=False)
    assert not garden.watch.findings()
    water_days(garden, 3)
    assert [(found.kind, found.about) for found in garden.watch.findings()] == [(kind, about)]


def test_what_the_owner_accepts_is_learned_as_usual() -> None:
    garden, _, about = broken(emitters_clogged)
    before_l_min = garden.watch.usual_l_min(about)
    garden.watch.clear("emitters-clogged", about, relearn=True)
    water_days(garden, 12)
    assert not garden.watch.findings()
    assert garden.watch.usual_l_min(about) == pytest.approx(0.85 * before_l_min, rel=0.05)


def test_the_watch_goes_on_from_its_dump_as_if_nothing_had_been() -> None:
    # On days of good voltage the regulators hide most of it.
    garden, _, _ = broken(filter_clogged, days=8)
    again = FlowWatch(garden.pump, garden.tank, garden.site.zones)
    again.load(json.loads(json.dumps(garden.watch.dump())))
    assert again.dump() == garden.watch.dump()
    assert again.findings() == garden.watch.findings()
    assert again.findings()
    since_ms = again.findings()[0].since_mono_ms
    again.restarted(-5_000)
    assert again.findings()[0].since_mono_ms == since_ms - 5_000
