"""A journal's medium that is full, read-only or stands still: the garden is watered as far as its caps are known."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from controller.service.journal import Journal
from controller.service.unwritable import UnrecordedMark
from tests.system.broker_process import wait_for
from tests.system.real_garden import LOG, PROJECT, ROOT, ZONE, Garden
from tests.system.small_medium import SmallMedium, in_a_file, in_memory

pytestmark = pytest.mark.system

BED = "salad-bed-east"
FULL_TOLD_S = 60.0
"""So soon a card that has filled up must be told."""
STALL_S = 6.5
"""Longer than the board's leases."""


@pytest.fixture
def medium(tmp_path: Path) -> Iterator[SmallMedium]:
    with in_memory(tmp_path / "medium") as medium:
        yield medium


@pytest.fixture
def garden(tmp_path: Path, medium: SmallMedium) -> Iterator[Garden]:
    with _garden(tmp_path, medium, pace=8.0) as garden:
        yield garden


@contextmanager
def _garden(tmp_path: Path, medium: SmallMedium, pace: float = 1.0) -> Iterator[Garden]:
    garden = Garden(tmp_path, pace=pace)
    garden.journal = medium.directory / "j.sqlite"
    try:
        yield garden
    finally:
        garden.close()
        UnrecordedMark(garden.journal).clear()


def _alert(garden: Garden, name: str) -> str:
    return garden.listener.retained.get(f"{ROOT}/$alert/{name}", b"").decode()


def _history(garden: Garden) -> str:
    """What the broker was sent of the journal."""
    return b"".join(garden.listener.payloads(f"{LOG}/senml")).decode()


def _waters_three_minutes_after_the_start(garden: Garden) -> None:
    """One bed has 3 L every day at 07:03, which is 06:03 UTC; all else is off."""
    before, bed, after = garden.site.read_text().replace('mode = "need"', 'mode = "off"').partition(f'id = "{BED}"')
    breakfast = 'mode = "fixed"\nfixed_volume = "3 L"\nfixed_times = ["07:03"]'
    garden.site.write_text(before + bed + after.replace('mode = "off"', breakfast, 1))


def _kill(garden: Garden) -> None:
    assert garden.controller is not None
    garden.controller.kill()
    garden.controller.wait()
    # Else the next one would be taken to be ready by what this one said, and an order would reach nobody.
    wait_for(lambda: garden.value("$state") != "ready", "word of its end")


def _stop(garden: Garden) -> str:
    """End it in order; what it said."""
    assert garden.controller is not None
    garden.controller.terminate()
    _, said = garden.controller.communicate(timeout=20)
    assert garden.controller.returncode == 0, said
    return said


def _deliveries(garden: Garden) -> list[float]:
    journal = Journal.read(garden.journal)
    try:
        return [record.data["volume_l"] for record in journal.records() if record.kind == "delivery"]
    finally:
        journal.close()


def _replays(garden: Garden) -> bool:
    words = [sys.executable, "-m", "controller.cli", "replay", str(garden.journal)]
    said = subprocess.run(words, cwd=PROJECT, capture_output=True, text=True, check=False)
    return "every decision is the same" in said.stdout


def test_a_card_that_fills_up_is_told_and_a_start_on_it_waters_what_is_due_and_records_it_when_there_is_room(
    garden: Garden, medium: SmallMedium
) -> None:
    _waters_three_minutes_after_the_start(garden)
    garden.serve()
    garden.until_ready()
    assert not _alert(garden, "disk-full")
    medium.fill_up()
    wait_for(lambda: _alert(garden, "disk-full") or _alert(garden, "journal-not-written"), "alert", FULL_TOLD_S)
    _kill(garden)
    garden.serve()
    wait_for(lambda: _alert(garden, "journal-not-written"), "alert that nothing is recorded", 20.0)
    garden.until_ready()
    assert _alert(garden, "day-not-known") == "", "the journal could be read: nothing was given since its end"
    assert not garden.order(order="run-zone", id="p-1", zone=ZONE, volume_l=2.0)["accepted"]
    wait_for(lambda: garden.truth()["applied_l"][BED] > 2.0, "breakfast", 60.0)
    wait_for(lambda: not garden.truth()["pump_on"], "end of the watering", 60.0)
    medium.make_room()
    wait_for(lambda: not _alert(garden, "journal-not-written"), "end of the alert", 20.0)
    wait_for(lambda: not _alert(garden, "disk-full"), "end of the other", 20.0)
    wait_for(lambda: len(_deliveries(garden)) == 1, "record of the watering", 20.0)
    assert _deliveries(garden)[0] == pytest.approx(garden.truth()["applied_l"][BED], rel=0.2)
    wait_for(lambda: f"delivery/{BED}" in _history(garden), "watering in the history", 20.0)
    assert "one turn of the loop took" not in _stop(garden)
    assert _replays(garden)


def test_without_a_readable_journal_nothing_is_watered_that_day_and_a_new_one_is_made_when_it_can_be(
    garden: Garden, medium: SmallMedium
) -> None:
    medium.turn_read_only()
    garden.serve()
    wait_for(lambda: _alert(garden, "journal-not-written"), "alert that nothing is recorded", 20.0)
    garden.until_ready()
    assert "the journal cannot be read" in _alert(garden, "day-not-known")
    assert garden.value("site/mode") == "hold"
    assert not garden.journal.exists()
    medium.turn_writable()
    wait_for(lambda: not _alert(garden, "journal-not-written"), "end of the alert", 20.0)
    wait_for(lambda: "journal/day_unknown" in _history(garden), "the new journal's history", 20.0)
    said = _stop(garden)
    assert "one turn of the loop took" not in said
    journal = Journal.read(garden.journal)
    assert [record.data for record in journal.newest_records("journal")]
    assert journal.problem() == ""
    journal.close()


def test_a_journal_that_turns_up_later_is_begun_over_with_what_it_knows(garden: Garden, medium: SmallMedium) -> None:
    """A medium that was not there at the start, and nothing may be written in its place."""
    path = garden.journal
    with in_memory(path.parent.with_name("slow-to-come")) as slow:
        garden.journal = slow.directory / path.name
        garden.serve()
        garden.until_ready()
        assert garden.order(order="hold-zone", id="h-1", zone=BED)["accepted"]
        _stop(garden)
        garden.journal = path
        medium.turn_read_only()
        garden.serve()
        wait_for(lambda: _alert(garden, "day-not-known"), "word that the day's water is not known", 20.0)
        wait_for(lambda: garden.value(f"zone-{BED}/mode") == "run", "a start that knows of no hold", 20.0)
        with slow.also_at(path.parent):
            wait_for(lambda: garden.value(f"zone-{BED}/mode") == "hold", "what the journal knows", 30.0)
            wait_for(lambda: not _alert(garden, "day-not-known"), "end of the alert", 20.0)
            assert garden.value("site/mode") == "run"
            assert "starting over" in _stop(garden)


def test_a_card_that_stands_still_never_holds_up_the_watering(tmp_path: Path) -> None:
    with in_a_file(tmp_path / "card") as card, _garden(tmp_path, card) as garden:
        garden.serve()
        garden.until_ready()
        assert garden.order(order="run-zone", id="p-1", zone=ZONE, volume_l=20.0)["accepted"]
        wait_for(lambda: garden.truth()["pumps_running"], "running pump", 15.0)
        with card.standing_still():
            given_l, end_s = garden.truth()["applied_l"][ZONE], time.monotonic() + STALL_S
            while time.monotonic() < end_s:
                assert garden.truth()["pump_on"], "the leases were renewed all the time"
                time.sleep(0.1)
            assert garden.truth()["applied_l"][ZONE] > given_l
        assert garden.order(order="stop-all", id="s-1")["accepted"]
        wait_for(lambda: not garden.truth()["pump_on"], "shut pump", 5.0)
        assert "one turn of the loop took" not in _stop(garden)
        assert _replays(garden)


def test_on_a_card_that_fails_it_goes_on_watering_and_what_it_could_not_record_is_not_given_again_after_a_crash(
    tmp_path: Path,
) -> None:
    with in_a_file(tmp_path / "card") as card, _garden(tmp_path, card, pace=8.0) as garden:
        garden.serve()
        garden.until_ready()
        assert garden.order(order="run-zone", id="p-1", zone=ZONE, volume_l=20.0)["accepted"]
        wait_for(lambda: garden.truth()["pumps_running"], "running pump", 15.0)
        card.give_up()
        wait_for(lambda: _alert(garden, "journal-not-written"), "alert that nothing is recorded", 20.0)
        given_l = garden.truth()["applied_l"][ZONE]
        wait_for(lambda: garden.truth()["applied_l"][ZONE] > given_l + 0.2, "water all the same", 20.0)
        _kill(garden)
        garden.serve()
        wait_for(lambda: _alert(garden, "day-not-known"), "word that the day's water is not known", 20.0)
        wait_for(lambda: garden.value("site/mode") == "hold", "hold", 20.0)
        assert garden.value("site/hold-until") == "2026-06-01T23:00:00Z"
