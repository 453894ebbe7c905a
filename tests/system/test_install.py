"""The installer, on a directory that stands for a machine: what it asks of the system is written down by stand-ins.

What is installed is a stand-in, too (making a real one takes minutes on a slow line); the services are the real files.
"""

from __future__ import annotations

import importlib.machinery
import importlib.util
import os
import shutil
import subprocess
from pathlib import Path
from types import ModuleType

import pytest

PROJECT = Path(__file__).resolve().parents[2]
PI = PROJECT / "scripts/pi"
SITE = 'name = "Riverside allotment"\n'

STAND_IN = """#!/bin/sh
echo "{name} $*" >> "{log}"
if [ -L "{current}" ] && [ ! -e "{current}" ]; then echo "GAP: current points nowhere" >> "{log}"; fi
"""
SYSTEMCTL = """
case "$1" in
  restart) grep -qx "$(basename "$(readlink "{current}")")" "{bad}" && exit 1 ;;
  is-active) grep -qx "$(basename "$(readlink "{current}")")" "{dies}" && echo failed || echo active ;;
  is-enabled) [ -e "{enabled}" ] && echo enabled || echo disabled ;;
  enable) : > "{enabled}" ;;
  show) echo NRestarts=0 ;;
esac
exit 0
"""
PROGRAM = """#!/bin/sh
echo "pumphouse $*" >> "{log}"
case "$1 $2" in
  "check --example") printf 'the example\\n' ;;
  check*) grep -q refused "$2" && exit 2 ;;
  backup*) cp "$2" "$3" ;;
  restore*) cp "$2" "$3" ;;
esac
exit 0
"""


class Pi:
    """The directory, the stand-ins and the script."""

    def __init__(self, directory: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.root, self._log = directory / "root", directory / "log"
        self.current = self.root / "opt/pumphouse/current"
        self.site = self.root / "etc/pumphouse/site.toml"
        self.journal = self.root / "var/lib/pumphouse/journal.sqlite"
        self.bad, self.dies, self._enabled = directory / "bad", directory / "dies", directory / "enabled"
        self.bad.touch()
        self.dies.touch()
        self._commands = directory / "bin"
        self._commands.mkdir()
        for name in ("systemctl", "useradd", "userdel", "getent", "udevadm", "apt-get", "chown"):
            self._stand_in(self._commands / name, STAND_IN + (SYSTEMCTL if name == "systemctl" else ""), name)
        monkeypatch.setenv("PATH", f"{self._commands}:{os.environ['PATH']}")
        self.script = _script()
        self.version = "1"
        monkeypatch.setattr(self.script, "_release", self._release)

    def _stand_in(self, path: Path, text: str, name: str) -> None:
        places = {"log": self._log, "current": self.current, "bad": self.bad, "dies": self.dies, "name": name}
        for key, value in (places | {"enabled": self._enabled}).items():
            text = text.replace("{" + key + "}", str(value))
        path.write_text(text)
        path.chmod(0o755)

    def _release(self, machine: object) -> Path:
        release: Path = machine.releases / self.version  # type: ignore[attr-defined]
        if not (release / "complete").exists():
            (release / "bin").mkdir(parents=True)
            self._stand_in(release / "bin/pumphouse", PROGRAM, "pumphouse")
            (release / "complete").touch()
            os.utime(release, (int(self.version), int(self.version)))
        return release

    def run(self, *options: str, version: str = "") -> int:
        self.version = version or self.version
        code: int = self.script.main([*options, "--root", str(self.root), "--stays-up", "0.02"])
        return code

    def used(self) -> str:
        return self.current.resolve().name

    def said(self) -> list[str]:
        return self._log.read_text().splitlines()

    def watering(self) -> None:
        """Installed, configured and started, with something in the journal."""
        assert self.run(version="1") == 0
        self.site.write_text(SITE)
        assert self.run("--start") == 0
        self.journal.parent.mkdir(parents=True)
        self.journal.write_text("what was given")
        self._log.write_text("")


def _script() -> ModuleType:
    loader = importlib.machinery.SourceFileLoader("install_script", str(PROJECT / "scripts/install"))
    spec = importlib.util.spec_from_loader("install_script", loader)
    assert spec is not None
    module = importlib.util.module_from_spec(spec)
    loader.exec_module(module)
    return module


@pytest.fixture
def pi(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Pi:
    return Pi(tmp_path, monkeypatch)


def test_a_first_install_puts_everything_there_and_starts_nothing(pi: Pi) -> None:
    assert pi.run() == 0
    assert pi.used() == "1"
    assert pi.site.read_text() == "the example\n"
    for unit in ("pumphouse.service", "pumphouse-watch.service"):
        assert (pi.root / "etc/systemd/system" / unit).read_text() == (PI / unit).read_text()
    assert (pi.root / "etc/udev/rules.d/60-pumphouse.rules").exists()
    assert sum(line.startswith("useradd --system") for line in pi.said()) == 2
    assert not [line for line in pi.said() if "enable" in line and "is-enabled" not in line]


def test_with_the_example_for_a_site_nothing_is_started(pi: Pi, capsys: pytest.CaptureFixture[str]) -> None:
    pi.run()
    assert pi.run("--start") == 1
    assert "still the example" in capsys.readouterr().err
    pi.site.write_text(SITE)
    assert pi.run("--start") == 0
    assert "systemctl enable --now pumphouse.service pumphouse-watch.service" in pi.said()


def test_an_update_keeps_a_copy_of_the_journal_and_changes_over_at_once(pi: Pi) -> None:
    pi.watering()
    assert pi.run(version="2") == 0
    assert pi.used() == "2"
    assert pi.journal.with_name("journal-before-2.sqlite").read_text() == "what was given"
    assert not [line for line in pi.said() if line.startswith("GAP")]


@pytest.mark.parametrize("trouble", ["does not start", "dies at its watchdog"])
def test_an_update_that_does_not_come_up_is_taken_back(
    pi: Pi, trouble: str, capsys: pytest.CaptureFixture[str]
) -> None:
    pi.watering()
    (pi.bad if trouble == "does not start" else pi.dies).write_text("2\n")
    assert pi.run(version="2") == 1
    assert pi.used() == "1"
    assert "taken back" in capsys.readouterr().err
    assert pi.journal.read_text() == "what was given"


def test_when_the_old_version_does_not_read_the_journal_any_more_its_copy_is_brought_back(pi: Pi) -> None:
    pi.watering()
    pi.bad.write_text("1\n2\n")
    assert pi.run(version="2") == 1
    said = pi.said()
    assert f"pumphouse restore {pi.journal.with_name('journal-before-2.sqlite')} {pi.journal}" in said
    assert pi.used() == "1"


def test_a_version_that_does_not_take_the_site_file_changes_nothing(pi: Pi) -> None:
    pi.watering()
    pi.site.write_text("refused\n")
    assert pi.run(version="2") == 1
    assert pi.used() == "1"
    assert not [line for line in pi.said() if "restart" in line]


def test_the_version_before_can_be_had_back_and_old_ones_go(pi: Pi) -> None:
    pi.watering()
    for version in ("2", "3", "4", "5"):
        assert pi.run(version=version) == 0
    assert sorted(path.name for path in (pi.root / "opt/pumphouse/releases").iterdir()) == ["3", "4", "5"]
    assert pi.run("--rollback") == 0
    assert pi.used() == "4"


def test_uninstalled_it_leaves_what_the_owner_made_unless_told_otherwise(pi: Pi) -> None:
    pi.watering()
    assert pi.run("--uninstall") == 0
    assert pi.site.exists()
    assert pi.journal.exists()
    assert not pi.current.parent.exists()
    assert not (pi.root / "etc/systemd/system/pumphouse.service").exists()
    assert pi.run("--uninstall", "--purge") == 0
    assert not pi.site.parent.exists()
    assert not pi.journal.parent.exists()


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed")
@pytest.mark.parametrize("unit", ["pumphouse.service", "pumphouse-watch.service"])
def test_the_services_have_few_rights(unit: str) -> None:
    words = ["systemd-analyze", "security", "--offline=yes", "--threshold=25", str(PI / unit)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-300:]
