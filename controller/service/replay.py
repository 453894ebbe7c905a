"""Runs the core again over what a journal holds and compares every decision with the one that was made."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from controller.contract import Record, StepResult
from controller.errors import ConfigurationError, OperatingError
from controller.service.codec import decode_input
from controller.service.journal import Checkpoint, Journal, StoredOutput, StoredRecord, StoredStep
from controller.service.ports import CoreFactory
from controller.site.model import Site


@dataclass(frozen=True, slots=True)
class Difference:
    """The first place where the replay decided differently."""

    input_id: int
    wall_ms: int
    what: str
    stored: str
    replayed: str


@dataclass(frozen=True, slots=True)
class ReplayResult:
    """How much was compared, from which wall time to which; `difference` None means every decision was the same."""

    steps: int
    records: int
    outputs: int
    from_wall_ms: int
    to_wall_ms: int
    difference: Difference | None


def replay(
    journal_path: Path | str,
    core_factory: CoreFactory,
    parse_site: Callable[[str], Site],
    site: Site | None = None,
    start_wall_ms: int | None = None,
    end_wall_ms: int | None = None,
) -> ReplayResult:
    """Run the core over the stored inputs from the last checkpoint not after the start (default: the oldest).

    `site` replaces the site file stored with the checkpoint, to see what another declaration would have decided.
    Raises OperatingError when the journal holds no checkpoint to start from or input that cannot be read.
    """
    journal = Journal.read(journal_path)
    try:
        checkpoint = journal.checkpoint_before(0 if start_wall_ms is None else start_wall_ms)
        if checkpoint is None:
            raise OperatingError(f"{journal_path}: holds no checkpoint yet, so there is nothing to replay from")
        core_site = site or parse_site(checkpoint.site_text)
        return _Comparison(journal, checkpoint, core_factory, core_site).run(end_wall_ms)
    finally:
        journal.close()


class _Comparison:
    def __init__(self, journal: Journal, checkpoint: Checkpoint, core_factory: CoreFactory, site: Site) -> None:
        self._journal = journal
        self._checkpoint = checkpoint
        try:
            self._core = core_factory(site, checkpoint.state)
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise OperatingError(
                f"{journal.path}: the state stored there was written by another version of this program ({error!r}); "
                "replay with the version that wrote it, or from a later time"
            ) from error
        self._records: Iterator[StoredRecord] = journal.decisions(checkpoint.input_id)
        self._next_record = next(self._records, None)
        self._outputs: Iterator[StoredOutput] = journal.outputs(checkpoint.input_id)
        self._next_output = next(self._outputs, None)
        self._output = journal.output_at(checkpoint.input_id)
        self._steps_compared = 0
        self._records_compared = 0
        self._outputs_compared = 0

    def run(self, end_wall_ms: int | None) -> ReplayResult:
        first_wall_ms = last_wall_ms = self._checkpoint.wall_ms
        difference = None
        for step in self._journal.steps(self._checkpoint.input_id):
            if end_wall_ms is not None and step.now.wall_ms > end_wall_ms:
                break
            inputs = tuple(decode_input(kind, text) for kind, text in step.entries)
            result = self._core.step(step.now, inputs)
            self._steps_compared += 1
            last_wall_ms = step.now.wall_ms
            difference = self._compare_records(step, result) or self._compare_outputs(step, result)
            if difference is not None:
                break
        return ReplayResult(
            self._steps_compared,
            self._records_compared,
            self._outputs_compared,
            first_wall_ms,
            last_wall_ms,
            difference,
        )

    def _compare_records(self, step: StoredStep, result: StepResult) -> Difference | None:
        for record in result.records:
            stored = self._next_record
            if stored is None or stored.input_id != step.last_id:
                return self._differ(step, "a record too many", "nothing", _shown(record))
            self._records_compared += 1
            # Through text and back, so that tuples and lists, which JSON cannot tell apart, are equal.
            data = json.loads(json.dumps(record.data))
            if (stored.kind, stored.key, stored.data) != (record.kind, record.key, data):
                return self._differ(step, "another record", f"{stored.kind} {stored.key} {stored.json}", _shown(record))
            self._next_record = next(self._records, None)
        stored = self._next_record
        if stored is not None and stored.input_id <= step.last_id:
            return self._differ(step, "a record is missing", f"{stored.kind} {stored.key} {stored.json}", "nothing")
        return None

    def _compare_outputs(self, step: StoredStep, result: StepResult) -> Difference | None:
        if self._next_output is not None and self._next_output.input_id == step.last_id:
            self._output = self._next_output
            self._outputs_compared += 1
            self._next_output = next(self._outputs, None)
        stored = (self._output.outputs, self._output.report_every_ms, self._output.clear_board)
        replayed = (result.outputs, result.report_every_ms, result.clear_board)
        if stored == replayed:
            return None
        return self._differ(step, "other orders to the board", _board_text(stored), _board_text(replayed))

    def _differ(self, step: StoredStep, what: str, stored: str, replayed: str) -> Difference:
        return Difference(step.last_id, step.now.wall_ms, what, stored, replayed)


def _shown(record: Record) -> str:
    return f"{record.kind} {record.key} {json.dumps(record.data, ensure_ascii=False, separators=(',', ':'))}"


def _board_text(orders: tuple[object, ...]) -> str:
    outputs, report_every_ms, clear_board = orders
    return f"{outputs}, report every {report_every_ms} ms, clear {clear_board}"


def core_class() -> CoreFactory:
    """The controller's own core. Imported late: listing commands must not load it."""
    try:
        from controller.core import Core
    except ImportError as error:
        raise ConfigurationError(f"the core of the controller cannot be loaded: {error}") from error
    return Core
