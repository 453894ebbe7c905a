"""A copy of the packages whose busiest modules are machine code; see `scripts/compile`."""

from __future__ import annotations

import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
import sysconfig
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
COMPILED = ROOT / ".compiled"
PACKAGES = ("controller", "dashboards", "firmware_host", "simulator", "tests/scenario")
TRANSLATED = {
    "controller": "contract",
    "controller/core": "__init__ balance caps choose context day delivery drain expected facts intake localclock "
    "pump_energy rain_credit relief run_down run_trace sensing standing state supply takers",
    "controller/estimate": "*",
    "controller/guard": "interlocks",
    "controller/irrigate": "crop daily_share due feedback forecast likely_weather outlook plan priced_plan ration "
    "root_zone water_price",
    "controller/site": "geometry heads model",
    "firmware_host": "board_lines link messages wire",
    "firmware_host/board": "conversation faults guards limits logic outputs sampling",
    "simulator": "season",
    "simulator/plant": "evaporation faults headspace hydraulics plant power ranger roof root_zone sensors "
    "sound sun tank tank_shape truth water weather",
    "tests/scenario": "broken_season hard_weeks judge seldom_heard",
}
"""Modules by folder: what a report passes through, the plant behind it, who watches both; what decides and prices."""
STAMP = "made-from"
OPTIMISE = "2"
WHOLE_PROGRAM = "-flto=auto -fno-semantic-interposition"
"""Lets the compiler look into the functions that nearly every translated line calls; and use all cores."""
KEPT_OUTPUT = 3000
"""Characters of a failed build's output that are shown."""


def main(words: list[str]) -> int:
    if words == ["--translate"]:
        with tempfile.TemporaryDirectory() as away:
            _translated(away)
        return 0
    if words == ["--here"]:
        return _compile_here()
    where = build()
    if not words:
        print(f"compile: up to date in {where.relative_to(ROOT)}; run: scripts/compile COMMAND ...")
        return 0
    return subprocess.run(command(*words), env=environment()).returncode


def modules() -> list[str]:
    """Paths of what is translated. The rest stays as it is."""
    paths = [(folder, name) for folder, names in TRANSLATED.items() for name in names.split()]
    return [str(path.relative_to(ROOT)) for folder, name in paths for path in sorted(ROOT.glob(f"{folder}/{name}.py"))]


def build() -> Path:
    """Bring `.compiled` up to date; returns where it is. SystemExit says what is missing."""
    stamp, wanted = COMPILED / STAMP, _made_from()
    if stamp.is_file() and stamp.read_text() == wanted:
        return COMPILED
    _have_compiler()
    shutil.rmtree(COMPILED, ignore_errors=True)
    COMPILED.mkdir()
    for package in PACKAGES:
        shutil.copytree(ROOT / package, COMPILED / package, ignore=shutil.ignore_patterns("__pycache__", "*.so"))
    shutil.copy(ROOT / "pyproject.toml", COMPILED)
    shutil.copy(ROOT / "tests" / "__init__.py", COMPILED / "tests")
    print("compile: translating and compiling, about 5 minutes", file=sys.stderr, flush=True)
    made = subprocess.run(
        [sys.executable, Path(__file__).with_name("compile"), "--here"], cwd=COMPILED, capture_output=True, text=True
    )
    if made.returncode != 0:
        raise SystemExit(f"compile: it did not work:\n{(made.stdout + made.stderr)[-KEPT_OUTPUT:]}")
    shutil.rmtree(COMPILED / "build", ignore_errors=True)
    stamp.write_text(wanted)
    return COMPILED


def command(*words: str) -> list[str]:
    """The command line of one of the project's commands; it needs `environment` to be the compiled one."""
    return [sys.executable, "-m", "controller.cli", *words]


def environment() -> dict[str, str]:
    """The environment in which the compiled copy comes before the sources."""
    return {**os.environ, "PYTHONPATH": str(COMPILED), "PYTHONSAFEPATH": "1"}


def _made_from() -> str:
    """One hash of all that goes in."""
    found = hashlib.sha256(f"{sys.version} {OPTIMISE} {modules()}".encode())
    for package in PACKAGES:
        for path in sorted((ROOT / package).rglob("*")):
            if path.is_file() and path.suffix not in (".pyc", ".so"):
                found.update(str(path.relative_to(ROOT)).encode() + b"\0" + path.read_bytes())
    return found.hexdigest()


def _have_compiler() -> None:
    if importlib.util.find_spec("mypyc") is None:
        raise SystemExit(
            f"compile: {sys.executable} has no mypy; run `bash scripts/setup dev` and use .venv/bin/python"
        )
    header = Path(sysconfig.get_path("include")) / "Python.h"
    if shutil.which("gcc") and header.is_file():
        return
    as_root = [] if os.geteuid() == 0 else ["sudo"]
    packages = ["gcc", "libc6-dev", "python3-dev"]
    print(f"compile: installing {' '.join(packages)}", file=sys.stderr)
    done = subprocess.run([*as_root, "apt-get", "install", "-y", "-qq", "--no-install-recommends", *packages])
    if done.returncode != 0 or not header.is_file():
        raise SystemExit(f"compile: gcc and {header} are needed (Debian: {' '.join(packages)})")


def _translated(target: str) -> list[object]:
    """The C extensions of the modules, their sources written below `target`; mypyc ends the process if it objects."""
    from mypyc.build import mypycify

    paths = ["--strict", *modules()]
    return list(mypycify(paths, opt_level=OPTIMISE, debug_level="0", target_dir=target))


def _compile_here() -> int:
    """Put the compiled modules beside their sources, in the directory this was started in."""
    from setuptools import setup

    for name in ("CFLAGS", "LDFLAGS"):
        os.environ[name] = f"{os.environ.get(name, '')} {WHOLE_PROGRAM}"
    setup(name="pumphouse-compiled", py_modules=[], ext_modules=_translated("build"), script_args=["build_ext", "-i"])
    return 0
