"""scripts/check_firmware: the board's files type-check against the chip's stubs, and the check finds planted errors."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]


def script() -> ModuleType:
    loader = SourceFileLoader("check_firmware", str(ROOT / "scripts" / "check_firmware"))
    spec = spec_from_loader("check_firmware", loader)
    assert spec is not None
    module = module_from_spec(spec)
    loader.exec_module(module)
    return module


CHECK = script()
needs_pyright = pytest.mark.skipif(
    not CHECK.installed(), reason="pyright and the stubs are not installed: scripts/check_firmware --install"
)


def checked(root: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, root / "scripts" / "check_firmware"],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "FIRMWARE_CHECK": str(CHECK.FOLDER)},
    )


@needs_pyright
def test_the_boards_files_fit_the_chips_stubs() -> None:
    done = checked(ROOT)
    assert done.returncode == 0, done.stdout


@needs_pyright
def test_errors_planted_in_a_copy_are_found(tmp_path: Path) -> None:
    shutil.copytree(ROOT / "firmware_host", tmp_path / "firmware_host", ignore=shutil.ignore_patterns("__pycache__"))
    (tmp_path / "scripts").mkdir()
    shutil.copy(ROOT / "scripts" / "check_firmware", tmp_path / "scripts")
    for name, good, bad in (
        ("rp2_hardware.py", "self._watchdog.feed()", "self._watchdog.fed()"),
        ("ranger_serial.py", "self._uart.any()", "self._uart.waiting()"),
        ("clock.py", "sleep_ms(duration_ms)", "sleep_ms('long')"),
    ):
        file = tmp_path / "firmware_host" / "board" / name
        text = file.read_text()
        assert good in text
        file.write_text(text.replace(good, bad))
    done = checked(tmp_path)
    assert done.returncode == 1
    for word in ("fed", "waiting", "long"):
        assert word in done.stdout


def test_without_pyright_it_says_how_to_get_it(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, ROOT / "scripts" / "check_firmware"],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "FIRMWARE_CHECK": str(tmp_path)},
    )
    assert done.returncode == 2
    assert "--install" in done.stderr
