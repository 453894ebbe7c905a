"""`pumphouse check` as its user meets it, and reading a site file from disk."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.cli import main
from controller.errors import ConfigurationError
from controller.service.sitefile import read_site
from simulator.example import example_site_text


def written(directory: Path, text: str) -> Path:
    path = directory / "site.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_good_file_is_summed_up(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(written(tmp_path, example_site_text()))]) == 0
    out = capsys.readouterr().out
    assert "Allotment above the river (river-allotment): in order" in out
    tank = next(line for line in out.splitlines() if line.startswith("main"))
    assert tank.split() == ["main", "1902", "L", "1752", "L", "150", "L", "24.0", "m2"]
    bench = next(line for line in out.splitlines() if line.startswith("bench-south"))
    assert "6.0 L/min  60 %" in bench
    assert "44.0 mm = 158 L" in bench
    assert "worth knowing" not in out


def test_the_summary_speaks_the_owners_units(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = example_site_text().replace('units = "metric"', 'units = "us"', 1)
    assert main(["check", str(written(tmp_path, text))]) == 0
    assert "502 gal" in capsys.readouterr().out


def test_what_is_worth_knowing_is_listed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = example_site_text().replace('reserve = "150 L"', 'reserve = "10 L"', 1)
    assert main(["check", str(written(tmp_path, text))]) == 0
    assert 'worth knowing:\n  - tank "main": the reserve of 10.0 L' in capsys.readouterr().out


def test_a_wrong_file_prints_every_problem_and_exits_with_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = example_site_text().replace('area = "24 m2"', "area = 24", 1).replace("[panel]", "[pannel]", 1)
    assert main(["check", str(written(tmp_path, text))]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "2 things to put right" in captured.err
    assert "roof[1].area = 24: a bare number has no unit" in captured.err
    assert 'pannel: unknown table; did you mean "panel"?' in captured.err


def test_the_example_printed_is_a_file_that_passes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--example"]) == 0
    assert main(["check", str(written(tmp_path, capsys.readouterr().out))]) == 0


def test_without_a_file_the_command_says_what_to_do(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check"]) == 2
    assert "pumphouse check --example > site.toml" in capsys.readouterr().err


def test_a_missing_file_says_how_to_get_one(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match=r"there is no file .*pumphouse check --example"):
        read_site(tmp_path / "site.toml")


def test_a_directory_is_not_a_site_file(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="is a directory"):
        read_site(tmp_path)


def test_a_name_no_file_can_have_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="cannot be read"):
        read_site(tmp_path / ("x" * 300))


def test_a_huge_file_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_bytes(b"#" * (1024 * 1024 + 1))
    with pytest.raises(ConfigurationError, match="larger than 1 MiB"):
        read_site(path)


def test_another_encoding_is_refused_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_bytes("[site]\nfrost = '2 °C'\n".encode("latin-1"))
    with pytest.raises(ConfigurationError, match="line 2: not UTF-8 text"):
        read_site(path)


def test_a_byte_order_mark_is_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_bytes(example_site_text().encode("utf-8-sig"))
    assert read_site(path).id == "river-allotment"


def test_problems_call_the_file_by_its_name(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match=r"site\.toml, line 1: site: missing"):
        read_site(written(tmp_path, ""))
