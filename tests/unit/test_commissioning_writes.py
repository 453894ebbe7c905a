"""What commissioning writes: the site file with its comments, a copy of the former one, notes, and how far it is."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from controller.commands.commission import SiteFile, on_board
from controller.commands.commission_progress import Progress
from controller.commissioning.outcome import Fault, Outcome, PinFileLine, SiteChange
from controller.commissioning.record import LONGEST, notes_of, verdict_of
from controller.commissioning.site_edit import edited
from controller.errors import ConfigurationError
from controller.service.site_writer import replace_site_text
from controller.site.load import parse_site
from controller.site.model import StrappingTable
from controller.site.problems import SiteFileError
from simulator.example import example_site_text

TEXT = example_site_text()
HEIGHT = SiteChange(("tank", 0, "sensor_height"), "1400 mm", "1434 mm")
NOW = datetime(2026, 6, 2, 9, 30, tzinfo=UTC)
TABLE = SiteChange(
    ("tank", 0, "shape"),
    {"kind": "horizontal cylinder"},
    {
        "kind": "strapping table",
        "points": [
            {"level": "0 mm", "volume": "0 L"},
            {"level": "600 mm", "volume": "900 L"},
            {"level": "1150 mm", "volume": "1900 L"},
        ],
    },
)


def changed_lines(text: str) -> list[tuple[str, str]]:
    return [(a, b) for a, b in zip(TEXT.splitlines(), text.splitlines(), strict=True) if a != b]


def test_a_number_is_changed_and_its_comment_stays_where_it_stands() -> None:
    assert changed_lines(edited(TEXT, [HEIGHT])) == [
        (
            'sensor_height = "1400 mm"       # where its face sits: on a riser above the manhole',
            'sensor_height = "1434 mm"       # where its face sits: on a riser above the manhole',
        )
    ]


def test_a_longer_value_moves_its_comment_no_further_than_it_must() -> None:
    text = edited(TEXT, [SiteChange(("tank", 0, "sensor_height"), "1400 mm", "1434.5 mm")])
    [(before, after)] = changed_lines(text)
    assert before.index("#") == after.index("#")


def test_a_key_inside_an_inline_table_of_the_second_zone_is_found() -> None:
    [(before, after)] = changed_lines(edited(TEXT, [SiteChange(("zone", 1, "valve", "output"), 1, 5)]))
    assert (before.replace("output = 1", "output = 5"), "output = 5" in after) == (after, True)


def test_a_strapping_table_takes_the_place_of_a_shape_and_what_follows_stays() -> None:
    text = edited(TEXT, [TABLE])
    site = parse_site(text, "edited")
    assert site.tanks[0].shape == StrappingTable((0.0, 600.0, 1150.0), (0.0, 900.0, 1900.0))
    comments = [line for line in TEXT.splitlines() if line.startswith("#")]
    assert [line for line in text.splitlines() if line.startswith("#")] == comments


def test_a_key_that_is_not_there_is_told_with_the_line_to_write_by_hand() -> None:
    with pytest.raises(ConfigurationError, match=r"change by hand: tank\[3\].sensor_height"):
        edited(TEXT, [SiteChange(("tank", 2, "sensor_height"), "1400 mm", "1434 mm")])


def test_the_file_is_replaced_as_a_whole_with_its_mode_and_a_dated_copy(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text("before", encoding="utf-8")
    path.chmod(0o640)
    copy = replace_site_text(path, "after", NOW)
    assert (path.read_text("utf-8"), copy.read_text("utf-8")) == ("after", "before")
    assert copy.name == "site.toml.before-20260602-093000"
    assert stat.S_IMODE(path.stat().st_mode) == stat.S_IMODE(copy.stat().st_mode) == 0o640
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["site.toml", copy.name]


def test_two_changes_within_a_second_keep_both_former_files(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text("first", encoding="utf-8")
    copies = [replace_site_text(path, text, NOW) for text in ("second", "third", "fourth")]
    assert [copy.read_text("utf-8") for copy in copies] == ["first", "second", "third"]
    assert [copy.name.removeprefix("site.toml.before-20260602-093000") for copy in copies] == ["", "-2", "-3"]


def test_a_link_to_the_file_stays_a_link(tmp_path: Path) -> None:
    path, link = tmp_path / "real.toml", tmp_path / "site.toml"
    path.write_text("before", encoding="utf-8")
    link.symlink_to(path)
    replace_site_text(link, "after", NOW)
    assert link.is_symlink()
    assert path.read_text("utf-8") == "after"


def test_a_file_that_cannot_be_replaced_is_as_it_was_and_says_why(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "site.toml"
    path.write_text("before", encoding="utf-8")

    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(ConfigurationError, match=r"No space left.*sudo"):
        replace_site_text(path, "after", NOW)
    assert path.read_text("utf-8") == "before"
    assert not list(tmp_path.glob(".*"))


def test_changes_that_no_longer_fit_together_are_not_written(tmp_path: Path) -> None:
    """A face below the overflow is refused by the whole file's own checks."""
    path = tmp_path / "site.toml"
    path.write_text(TEXT, encoding="utf-8")
    with pytest.raises(SiteFileError, match="sensor_height"):
        SiteFile(path).write([SiteChange(("tank", 0, "sensor_height"), "1400 mm", "900 mm")])
    assert path.read_text("utf-8") == TEXT
    assert [entry.name for entry in tmp_path.iterdir()] == ["site.toml"]


def test_the_pin_file_says_the_divider_and_which_way_round_the_floats_work() -> None:
    board = on_board(None)
    assert (board.divider.top_ohm, board.divider.bottom_ohm, board.divider.trim_permille) == (100_000, 22_000, 1000)
    assert board.wet_level == {0: 0}


def test_a_wrong_pin_file_is_refused_with_its_mistake(tmp_path: Path) -> None:
    pins = tmp_path / "pins.py"
    pins.write_text("PINS = {}\nSETTINGS = {}\n", encoding="utf-8")
    with pytest.raises(ConfigurationError, match="battery: missing"):
        on_board(pins)


# --- notes ---


MENDED = Outcome(("measured",), (Fault("sensor-height", "is wrong", "take it", by_change=True),), (HEIGHT,))


def test_wrong_and_taken_over_is_corrected_and_wrong_and_left_is_open() -> None:
    assert verdict_of(Outcome(("measured",)), accepted=False) == "right"
    assert verdict_of(MENDED, accepted=True) == "corrected"
    assert verdict_of(MENDED, accepted=False) == "open"
    half = Outcome((), (*MENDED.faults, Fault("sensor-silent", "hears nothing", "wires")), (HEIGHT,))
    assert verdict_of(half, accepted=True) == "open"


def test_a_note_says_measured_wrong_before_and_after() -> None:
    [note] = notes_of("levels", MENDED, accepted=True)
    assert note == (
        "commissioning, levels: corrected; measured; sensor-height: is wrong; "
        'tank[1].sensor_height: "1400 mm" -> "1434 mm"'
    )
    assert "1434" not in notes_of("levels", MENDED, accepted=False)[0]


def test_long_findings_become_several_notes_that_an_order_takes() -> None:
    outcome = Outcome(tuple(f"measured {n} " + "x" * 90 for n in range(5)), pin_lines=(PinFileLine("a", "b" * 300),))
    notes = notes_of("battery", outcome, accepted=True)
    assert len(notes) > 2
    assert all(len(note) <= LONGEST and note.startswith("commissioning, battery: ") for note in notes)
    assert sum(note.count("measured ") for note in notes) == 5


# --- how far it is ---


def test_what_is_done_and_kept_is_found_again(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "progress.json"
    first = Progress(path)
    assert not first.begun
    first.begin(was_on_hold=True)
    first.keep("leak", {"at_s": 5.0})
    first.zones_held(["berry-row"])
    first.note("valves", "right by kim")
    again = Progress(path)
    assert (again.begun, again.was_on_hold, again.held_zones) == (True, True, ["berry-row"])
    assert (again.done, again.kept) == ({"valves": "right by kim"}, {"leak": {"at_s": 5.0}})
    again.note("leak", "right by kim")
    assert Progress(path).kept == {}
    again.forget()
    assert not path.exists()


@pytest.mark.parametrize(
    "text", ["", "[]", '{"done": 3}', '{"was_on_hold": 1, "held_zones": 3, "done": {}, "kept": {}}']
)
def test_a_file_of_progress_that_makes_no_sense_is_refused_with_the_way_out(tmp_path: Path, text: str) -> None:
    path = tmp_path / "progress.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigurationError, match="--progress"):
        Progress(path)


def test_the_service_does_not_load_what_edits_the_file() -> None:
    code = "import sys, controller.commands.serve, controller.commands.commission; print('tomlkit' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.strip() == "False"
