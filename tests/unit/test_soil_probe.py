"""Soil probes: how far they are believed, when not at all, and what they do for a balance that has run away."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from controller.core.state import fresh_state, state_from_json, state_to_json
from controller.estimate.soil_volts import SoilVolts
from controller.irrigate.soil_probe import (
    STILL_DAYS,
    ProbeMemory,
    day_older,
    followed,
    nudged,
    seen_depletion_mm,
    stands_still,
)
from controller.site.model import Site, SoilProbe
from tests.scenario.garden import EXAMPLE, Garden, only

BED, POT = "salad-bed-east", "bench-south"
PROBE = SoilProbe(0, dry_v=2.6, full_v=1.2)
TOTAL_MM = 40.0


def probed(zone_id: str) -> Site:
    site = only(EXAMPLE, zone_id)
    return replace(site, zones=(replace(site.zones[0], soil_probe=PROBE),))


@pytest.mark.parametrize(
    ("volts", "seen_mm"), [(1.2, 0.0), (1.9, 20.0), (2.6, 40.0), (1.05, 0.0), (2.75, 40.0), (0.9, None), (3.3, None)]
)
def test_a_voltage_stands_for_a_depletion_unless_no_soil_can_read_like_that(
    volts: float, seen_mm: float | None
) -> None:
    seen = seen_depletion_mm(PROBE, volts, TOTAL_MM)
    assert seen == (None if seen_mm is None else pytest.approx(seen_mm))


def test_the_first_word_moves_an_unknown_depletion_most_and_later_ones_less() -> None:
    """0.3 against 0.15 of TAW: four fifths of the way; after a year of days the gain has settled near a fifth."""
    memory, first_mm = nudged(ProbeMemory(), 10.0, 20.0)
    assert first_mm == pytest.approx(18.0)
    for _ in range(365):
        memory, settled_mm = nudged(day_older(memory), 10.0, 20.0)
    assert settled_mm == pytest.approx(11.8, abs=0.1)


def test_without_readings_a_depletion_gets_no_less_certain_than_at_first() -> None:
    memory = ProbeMemory()._replace(variance=0.001)
    for _ in range(365):
        memory = day_older(memory)
    assert memory.variance == ProbeMemory().variance


def test_a_probe_stands_still_only_when_water_was_given_meanwhile() -> None:
    dry = wet = ProbeMemory()
    for _ in range(STILL_DAYS):
        assert not stands_still(wet, TOTAL_MM)
        dry, wet = followed(dry, PROBE, 1.800, 1.805, 0.0), followed(wet, PROBE, 1.800, 1.805, 2.0)
    assert not stands_still(dry, TOTAL_MM)
    assert stands_still(wet, TOTAL_MM)
    assert not stands_still(followed(wet, PROBE, 1.7, 1.8, 2.0), TOTAL_MM)


def test_a_spike_is_no_reading() -> None:
    readings = SoilVolts()
    for volts in (1.8, 3.1, 1.81):
        readings.add(volts)
    assert readings.volts == 1.81
    readings.start_day()
    assert readings.volts is None


def off_part(site: Site, seed: int) -> float:
    """How far the reckoning is off, as a part of TAW, three days after it began at 10 % in a bed 40 % empty; no water
    is given."""
    zone = site.zones[0]
    idle = replace(site, zones=(replace(zone, schedule=replace(zone.schedule, mode="off")),))
    garden = Garden(idle, date(2026, 6, 10), tmin_c=6.0, tmax_c=13.0, seed=seed)
    roots = garden.season.plant.roots[BED]
    while roots.depletion_mm < 0.4 * roots.capacity_mm:
        roots.pass_hour(0.0, 0.3)
    garden.run_hours(24 * 3 + 1)
    return abs(garden.snapshot.zones[0].depletion_mm - roots.depletion_mm) / zone.total_available_mm


def test_a_balance_that_has_run_away_is_brought_back() -> None:
    seeds = range(1, 7)
    without = sum(off_part(only(EXAMPLE, BED), seed) for seed in seeds) / len(seeds)
    with_probe = sum(off_part(probed(BED), seed) for seed in seeds) / len(seeds)
    assert without > 0.2
    assert with_probe < 0.5 * without


def silent(garden: Garden) -> list[str]:
    return [finding.text for finding in garden.snapshot.findings if finding.id == f"probe-silent:{POT}"]


def test_a_probe_that_stands_still_for_a_week_of_watering_is_found_out() -> None:
    sound, stuck = Garden(probed(POT)), Garden(probed(POT))
    stuck.season.plant.faults.soil_frozen_mv[0] = 1500
    for garden in (sound, stuck):
        garden.run_hours(24 * 6)
        assert not silent(garden)
        garden.run_hours(24 * 2 + 1)
    assert not silent(sound)
    assert "1.50 V for 8 days" in silent(stuck)[0]


@pytest.mark.parametrize(("millivolts", "said"), [(None, "no reading all day"), (3250, "3.25 V is far outside")])
def test_a_probe_that_cannot_be_true_is_told_and_changes_nothing(millivolts: int | None, said: str) -> None:
    broken, without = Garden(probed(POT)), Garden(only(EXAMPLE, POT))
    broken.season.plant.faults.soil_frozen_mv[0] = millivolts
    for garden in (broken, without):
        garden.run_hours(25)
    assert said in silent(broken)[0]
    assert broken.snapshot.zones[0].depletion_mm == without.snapshot.zones[0].depletion_mm


def test_what_is_remembered_of_a_probe_survives_a_restart_and_old_memories_load() -> None:
    site = probed(POT)
    state = fresh_state(site)
    state.probes[POT] = ProbeMemory(0.01, 1.4, 1.5, 3, 7.5)
    data = state_to_json(state)
    assert state_from_json(data, site) == state
    assert state_from_json(data, only(EXAMPLE, POT)).probes == {}
    del data["probes"]
    assert state_from_json(data, site).probes == {}
