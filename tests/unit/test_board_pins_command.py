"""The pin table one wires by, and wrong pin files."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.cli import main
from firmware_host.board import pins

SHIPPED = Path(pins.__file__).read_text(encoding="utf-8")


def test_the_shipped_pins_are_in_order_and_each_pin_is_named_once(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["board", "pins"]) == 0
    lines = capsys.readouterr().out.splitlines()[1:]
    numbers = [int(line.split()[0]) for line in lines]
    assert numbers == sorted(set(numbers))
    assert any(line.endswith("pump 0, second") for line in lines)
    assert any(line.endswith("battery") for line in lines)


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("PINS = {", "line 1"),
        ("WIRES = {}", "declares no PINS"),
        (SHIPPED.replace('"pin": 9, "active"', '"pin": 8, "active"'), "8"),
        (SHIPPED.replace('"pin": 9, "active"', '"pin": 99, "active"'), "99"),
    ],
)
def test_a_wrong_pin_file_is_refused_where_it_is_wrong(
    tmp_path: Path, text: str, part: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "pins.py").write_text(text)
    assert main(["board", "pins", "--file", str(tmp_path / "pins.py")]) == 2
    assert part in capsys.readouterr().err


def test_a_pin_file_that_is_not_there_says_where_to_start(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["board", "pins", "--file", "no-such-pins.py"]) == 2
    assert "start from firmware_host/board/pins.py" in capsys.readouterr().err
