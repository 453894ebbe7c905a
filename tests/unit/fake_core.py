"""A core that is easy to predict: it counts, switches the pump on while ordered to, and remembers all of it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from controller.contract import (
    HoldAll,
    Input,
    LinkChanged,
    Now,
    Order,
    OrderAnswer,
    Record,
    Restarted,
    RunZone,
    Snapshot,
    StepResult,
)
from controller.irrigate.outlook import Uses
from controller.site.model import Site
from firmware_host.messages import SHUT, Outputs, Report
from tests.unit.test_homie import snapshot


class FakeCore:
    """`offset` stands for a program that decides differently."""

    offset = 0

    def __init__(self, site: Site, state: dict[str, Any] | None = None) -> None:
        self.site = site
        self.state: dict[str, Any] = {"reports": 0, "on": False, "held": None} | (state or {})
        self.seen: list[Input] = []

    def prepare(self) -> None:
        """Nothing here takes long."""

    def coming_uses(self) -> Uses | None:
        return None

    def step(self, now: Now, inputs: Sequence[Input]) -> StepResult:
        records, answers = [], []
        for item in inputs:
            self.seen.append(item)
            if isinstance(item, Report):
                self.state["reports"] += 1
                records.append(Record("measure", "", {"reports": self.state["reports"] + self.offset, "pair": (1, 2)}))
            elif isinstance(item, Order):
                answers.append(OrderAnswer(item.id, True, ""))
                self.state["on"] = isinstance(item.command, RunZone)
                if isinstance(item.command, HoldAll):
                    self.state["held"] = item.command.until_wall_ms
            elif isinstance(item, (LinkChanged, Restarted)):
                self.state["on"] = False
        outputs = Outputs(1, 1) if self.state["on"] else SHUT
        return StepResult(outputs, 60_000, now.mono_ms + 60_000, tuple(records), tuple(answers))

    def snapshot(self, now: Now) -> Snapshot:
        return snapshot(wall_ms=now.wall_ms, trust=now.trust)

    def dump(self) -> dict[str, Any]:
        return dict(self.state)


class OtherCore(FakeCore):
    """Decides differently once it has seen more than five reports."""

    @property
    def offset(self) -> int:  # type: ignore[override]
        return 1 if self.state["reports"] > 5 else 0
