"""Runs, for each mutant, the tests that reach the changed statement, until one fails.

All tests are collected and run once, with a record of who runs which lines. Each mutant then lives in a fork of that
process: nothing is written to disk, and nothing that a mutant breaks outlives it.
"""

from __future__ import annotations

import gc
import importlib
import os
import resource
import signal
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from enum import IntEnum
from functools import partial
from pathlib import Path

import coverage
import hypothesis
import pytest
from _pytest.runner import runtestprotocol

from tests.mutation.mutants import AT_IMPORT, Key, Mutant, mutants_of, put_into_function, put_into_import

LONGER = 5.0
LEAST_S = 1.0
"""A test that takes LONGER times its usual processor time and LEAST_S more hangs (own choice)."""
PATIENCE_S = 300.0
"""The longest a mutant may take in all by the clock: one that waits for ever takes no processor time."""
MEMORY_MAX_BYTES = 3 << 30
PYTEST_WORDS = ("-q", "-W", "ignore::pytest.PytestAssertRewriteWarning")
"""Plugins of pytest are imported before it starts, which it would else take for a mistake."""


class Fate(IntEnum):
    SURVIVED = 0
    KILLED = 1
    HUNG = 2
    UNREACHED = 3
    BELIEVED = 4
    """Listed as equivalent, and not asked about again."""


@dataclass(slots=True)
class Subject:
    """What is changed and by what it is judged.

    too_slow: names of tests, or of files of tests, that count for coverage, but would cost too much to be asked about
    every mutant.
    packages: whose modules are imported anew for a changed constant.
    """

    root: Path
    folder: str
    files: tuple[str, ...]
    tests: tuple[str, ...]
    too_slow: frozenset[str] = frozenset()
    packages: tuple[str, ...] = ("controller", "firmware_host", "simulator", "tests")

    def path(self, file: str) -> Path:
        return self.root / self.folder / file

    def module_name(self, path: Path) -> str:
        return ".".join(path.relative_to(self.root).with_suffix("").parts)


@dataclass(slots=True)
class Judge:
    """pytest plugin: runs the tests once, then each mutant. fates: what became of whom.

    believed: mutants, by their keys, that are taken for equivalent without a run.
    """

    subject: Subject
    told: Callable[[Mutant, Fate], None] = lambda *_: None
    believed: frozenset[Key] = frozenset()
    only_coverage: bool = False
    fates: list[tuple[Mutant, Fate]] = field(default_factory=list)
    took_s: dict[str, float] = field(default_factory=dict)
    failed: list[str] = field(default_factory=list)
    tracer: coverage.Coverage = field(init=False)
    _texts: dict[str, str] = field(default_factory=dict)
    _items: dict[str, pytest.Item] = field(default_factory=dict)
    _last_killer: dict[tuple[Path, str], str] = field(default_factory=dict)

    def run(self) -> None:
        """Raises SystemExit when a test fails although nothing has been changed."""
        quick_to_fail = [hypothesis.Phase.explicit, hypothesis.Phase.generate]
        hypothesis.settings.register_profile("mutation", derandomize=True, database=None, phases=quick_to_fail)
        hypothesis.settings.load_profile("mutation")
        # Somebody may be at work on the files meanwhile.
        self._texts = {file: self.subject.path(file).read_text() for file in self.subject.files}
        self.tracer = coverage.Coverage(
            data_file=None, branch=True, source=[str(self.subject.root / self.subject.folder)], config_file=True
        )
        self.tracer.start()
        pytest.main([*PYTEST_WORDS, *self.subject.tests], plugins=[self])
        if self.failed or not self.took_s:
            raise SystemExit(f"nothing was changed, and these fail: {self.failed}")
        if not self.only_coverage:
            self._change_constants()

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        if not self.only_coverage:
            items[:] = quick_ones(items, self.subject)

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        self._items = {item.nodeid: item for item in session.items}
        for name, item in self._items.items():
            self.tracer.switch_context(name)
            began_s = time.process_time()
            if not passes(item):
                self.failed.append(name)
            self.took_s[name] = time.process_time() - began_s
        self.tracer.stop()
        if not self.only_coverage and not self.failed:
            gc.collect()
            gc.freeze()
            for mutant in self._mutants(at_import=False):
                believed = mutant.key in self.believed
                self._tell(mutant, Fate.BELIEVED if believed else self._fate_in_function(mutant))
        return True

    def _mutants(self, at_import: bool) -> Iterator[Mutant]:
        for file in self.subject.files:
            for mutant in mutants_of(self.subject.path(file), self._texts[file]):
                if (mutant.function == AT_IMPORT) == at_import:
                    yield mutant

    def _tell(self, mutant: Mutant, fate: Fate) -> None:
        self.fates.append((mutant, fate))
        self.told(mutant, fate)

    def _fate_in_function(self, mutant: Mutant) -> Fate:
        by_line = self.tracer.get_data().contexts_by_lineno(str(mutant.path))
        names = sorted({name for line in mutant.lines for name in by_line.get(line, ()) if name}, key=self._quick_first)
        if not names:
            return Fate.UNREACHED
        place = (mutant.path, mutant.function)
        last = self._last_killer.get(place)
        if last in names:
            names.remove(last)
            names.insert(0, last)
        reader, writer = os.pipe()

        def judge() -> Fate:
            put_into_function(mutant, self.subject.module_name(mutant.path))
            for name in names:
                limit_processor_time(LEAST_S + LONGER * self.took_s[name])
                if not passes(self._items[name]):
                    os.write(writer, name.encode())
                    return Fate.KILLED
            return Fate.SURVIVED

        fate = in_a_fork(judge)
        os.close(writer)
        killer = os.read(reader, 4096).decode()
        os.close(reader)
        if killer:
            self._last_killer[place] = killer
        return fate

    def _quick_first(self, name: str) -> float:
        return self.took_s[name]

    def _change_constants(self) -> None:
        """Constants are copied by whoever imports them: every module is imported anew."""
        self._items.clear()
        ours = [name for name in sys.modules if name.split(".")[0] in self.subject.packages]
        kept = {name for name in ours if name.startswith("tests.mutation") or name == "tests"}
        for name in set(ours) - kept:
            del sys.modules[name]
        importlib.invalidate_caches()
        gc.collect()
        gc.freeze()
        for mutant in self._mutants(at_import=True):
            believed = mutant.key in self.believed
            self._tell(mutant, Fate.BELIEVED if believed else in_a_fork(partial(self._fate_at_import, mutant)))

    def _fate_at_import(self, mutant: Mutant) -> Fate:
        put_into_import(mutant, self.subject.module_name(mutant.path))
        limit_processor_time(LEAST_S + LONGER * sum(self.took_s.values()))
        code = pytest.main(["-x", *PYTEST_WORDS, *self.subject.tests], plugins=[QuickFirst(self.subject, self.took_s)])
        return Fate.SURVIVED if code == pytest.ExitCode.OK else Fate.KILLED


@dataclass(slots=True)
class QuickFirst:
    """pytest plugin: the quickest tests first, the slow ones not at all."""

    subject: Subject
    took_s: dict[str, float]

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = sorted(quick_ones(items, self.subject), key=lambda item: self.took_s.get(item.nodeid, 0.0))


def quick_ones(items: list[pytest.Item], subject: Subject) -> list[pytest.Item]:
    return [item for item in items if not {item.name.split("[")[0], item.path.name} & subject.too_slow]


def passes(item: pytest.Item) -> bool:
    return not any(report.failed for report in runtestprotocol(item, nextitem=None, log=False))


def limit_processor_time(seconds: float) -> None:
    """End the process as hung when it still runs after this much processor time of its own."""
    signal.setitimer(signal.ITIMER_VIRTUAL, seconds)


def in_a_fork(judge: Callable[[], Fate]) -> Fate:
    """What `judge` says in a process of its own; any way to end but a verdict counts as killed."""
    child = os.fork()
    if child == 0:
        _be_the_child(judge)
    end_s = time.monotonic() + PATIENCE_S
    pause_s = 0.002
    while True:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            code = os.waitstatus_to_exitcode(status)
            return Fate(code) if code in (Fate.SURVIVED, Fate.HUNG) else Fate.KILLED
        if time.monotonic() > end_s:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return Fate.HUNG
        time.sleep(pause_s)
        pause_s = min(0.02, pause_s * 1.2)


def _be_the_child(judge: Callable[[], Fate]) -> None:
    fate = Fate.KILLED
    try:
        nowhere = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(nowhere, stream)
        signal.signal(signal.SIGVTALRM, lambda *_: os._exit(Fate.HUNG))
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_MAX_BYTES, MEMORY_MAX_BYTES))
        fate = judge()
    except BaseException:
        fate = Fate.KILLED
    finally:
        os._exit(fate)
