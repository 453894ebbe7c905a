"""The account of days in the garden, read from a real journal and held against what truly became of the water."""

from __future__ import annotations

import csv
import json
import re
import xml.etree.ElementTree as ET
from datetime import date, timedelta
from pathlib import Path

import pytest

from controller.cli import main
from controller.commands.account import account_in
from controller.service.codec import encode_input
from controller.service.journal import Journal
from simulator.example import example_site_text
from simulator.plant.daily_records import DailyRecord, weather_from_daily
from simulator.plant.truth import Truth
from simulator.plant.weather import local_midnight_wall_ms
from simulator.season import SeasonRun
from tests.scenario.garden import DAY_MS, EXAMPLE, HOUR_MS

START, DAYS = date(2026, 6, 20), 12
TOP_UP_L = 200.0
GREYS = {"#000", "#555", "#bbb", "#ccc", "#fff", "none"}


class Written:
    """A journal of twelve days: rain on the second, a bench whose valve sticks on the fourth, a hose in the tank."""

    def __init__(self, directory: Path) -> None:
        self.path = directory / "journal.sqlite"
        rain_mm = {1: 14.0}
        days = [(n, START + timedelta(days=n)) for n in range(-1, DAYS + 2)]
        rows = [DailyRecord(day, 13.0, 27.0, rain_mm.get(n, 0.0)) for n, day in days]
        journal = Journal.open(self.path, bulk=True)
        start_ms = local_midnight_wall_ms(START, EXAMPLE.place)
        weather = weather_from_daily(rows, EXAMPLE.place, 3)
        self.season = SeasonRun(EXAMPLE, weather, 3, start_ms, log=journal, encode=encode_input, fill=0.35)
        journal.add_checkpoint(self.season.now(), example_site_text(), self.season.core.dump())
        self._live()
        journal.close()

    def _live(self) -> None:
        plant = self.season.plant
        self.season.run_until(3 * DAY_MS)
        plant.faults.valve_stuck[EXAMPLE.zone("bench-south").valve.output] = False
        plant.refresh()
        self.season.run_until(6 * DAY_MS)
        for _ in range(20):
            tank = plant.tanks["main"]
            tank.set_volume(tank.volume_l + TOP_UP_L / 20)
            self.season.run_until(plant.now_ms + HOUR_MS // 60)
        self.season.run_until(DAYS * DAY_MS + HOUR_MS)

    @property
    def truth(self) -> Truth:
        return self.season.plant.truth


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Written:
    return Written(tmp_path_factory.mktemp("account"))


def test_the_account_is_what_truly_became_of_the_water(written: Written) -> None:
    account = account_in(written.path, None, None)
    tank = account.tanks[0]
    assert account.closed_days == DAYS
    assert tank.unbooked_ml == {}
    for zone in account.zones:
        assert zone.given_l == pytest.approx(written.truth.zone(zone.zone_id).applied_l, rel=0.06, abs=0.6)
    assert tank.books.closing_ml / 1000.0 == pytest.approx(written.truth.volume_l("main"), abs=25.0)
    caught_l = written.season.plant.tanks["main"].inflow_l
    assert tank.books.of("rain").into_tank_l == pytest.approx(caught_l, rel=0.06)
    assert tank.books.of("top-up").into_tank_l == pytest.approx(TOP_UP_L, rel=0.06)
    assert tank.spared.into_tank_ml == tank.books.to_zones.into_tank_ml - tank.books.of("top-up").into_tank_ml


def test_the_stuck_valve_stands_in_it_with_what_it_cost(written: Written) -> None:
    account = account_in(written.path, None, None)
    fault = next(fault for fault in account.faults if fault.fault_id == "no-flow:bench-south")
    assert fault.stands
    assert fault.hours > 100.0
    missed = next(missed for missed in account.missed if missed.condition == "no-flow")
    assert missed.zones == {"bench-south"}
    assert missed.zone_days >= 2
    assert missed.waiting_l > 1.0


def test_all_of_it_is_written_and_says_the_same(
    written: Written, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "account"
    assert main(["account", str(written.path), "--to", (START + timedelta(days=8)).isoformat(), "--out", str(out)]) == 0
    printed = capsys.readouterr().out
    document = json.loads((out / "account.json").read_text(encoding="utf-8"))
    assert document["closed_days"] == 9
    with (out / "ledger.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    main_tank = document["tanks"]["main"]
    for account, into_tank_ml in main_tank["entries_ml"].items():
        assert sum(int(row["into_tank_ml"]) for row in rows if row["account"] == account) == into_tank_ml
    with (out / "waterings.csv").open(encoding="utf-8", newline="") as file:
        given_l = sum(float(row["volume_l"]) for row in csv.DictReader(file))
    assert given_l == pytest.approx(sum(zone["given_l"] for zone in document["zones"].values()))
    assert f"{main_tank['entries_ml']['top-up'] / 1000.0:.0f} L" in printed
    assert set(document["tanks"]["main"]["months"]) == {"2026-06"}


def test_the_page_stands_alone_in_black_and_white_and_its_pictures_are_sound(written: Written, tmp_path: Path) -> None:
    assert main(["account", str(written.path), "--out", str(tmp_path)]) == 0
    page = (tmp_path / "account.html").read_text(encoding="utf-8")
    assert not re.findall(r"<script|https?://(?!www\.w3\.org/2000/svg)|url\((?!#hatch-)|@import", page)
    pictures = re.findall(r"<svg.*?</svg>", page, re.S)
    assert len(pictures) >= 9
    for picture in pictures:
        root = ET.fromstring(picture)
        assert root.find("{http://www.w3.org/2000/svg}title") is not None
        painted = {element.get(name, "none") for element in root.iter() for name in ("fill", "stroke")}
        assert {colour for colour in painted if not colour.startswith("url(#hatch-")} <= GREYS
        assert "nan" not in picture.lower().replace("unexplained", "")


def test_a_period_without_days_is_refused_in_words(written: Written, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["account", str(written.path), "--from", "2027-01-01"]) == 1
    assert "it has 2026-06-20 to 2026-07-01" in capsys.readouterr().err
    assert main(["account", str(written.path), "--from", "2026-07-01", "--to", "2026-06-01"]) == 2
