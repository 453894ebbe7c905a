"""What the service needs of the core, as protocols: the shell is written and tested against these."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from queue import SimpleQueue
from typing import Any, Protocol

from controller.contract import Input, Now, Order, Snapshot, StepResult
from controller.irrigate.outlook import Uses
from controller.site.model import Site


class CorePort(Protocol):
    """One deterministic state machine; it never reads a clock and never does I/O."""

    def prepare(self) -> None:
        """Work out beforehand what takes long."""
        ...

    def coming_uses(self) -> Uses | None:
        """What the next table of prices will be made for; None when the present one stays."""
        ...

    def step(self, now: Now, inputs: Sequence[Input]) -> StepResult:
        """Advance to `now` with what arrived since the last step (nothing: a pure tick)."""
        ...

    def snapshot(self, now: Now) -> Snapshot:
        """A picture for people; changes nothing."""
        ...

    def dump(self) -> dict[str, Any]:
        """The full state as JSON-able data; a core made from it continues exactly."""
        ...


class ForecastPort(Protocol):
    """Where forecasts come from beside MQTT."""

    @property
    def inbox(self) -> SimpleQueue[Order]:
        """Orders `forecast` that nobody has taken yet."""
        ...

    @property
    def trouble(self) -> str | None:
        """Why none has come for a while, for people."""
        ...


CoreFactory = Callable[[Site, dict[str, Any] | None], CorePort]
"""Makes a core for a site, fresh (None) or from a dump."""
