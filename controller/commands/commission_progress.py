"""What is remembered of a commissioning between two sittings: a small file, written anew after each step."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from controller.errors import ConfigurationError, OperatingError


class Progress:
    """done: verdict, name and time by step. kept: what a step wants to find again.

    was_on_hold  whether the site was on hold before; held_zones: put on hold for a step, to be taken off again
    """

    def __init__(self, path: Path) -> None:
        """Raises ConfigurationError when there is a file that cannot be read."""
        self._path = path
        self.begun = self.was_on_hold = False
        self.held_zones: list[str] = []
        self.done: dict[str, str] = {}
        self.kept: dict[str, dict[str, Any]] = {}
        try:
            values = json.loads(path.read_text("utf-8"))
            self.begun = True
            self.was_on_hold = bool(values["was_on_hold"])
            self.held_zones = [str(zone_id) for zone_id in values["held_zones"]]
            self.done = {str(step): str(words) for step, words in values["done"].items()}
            self.kept = {str(step): dict(kept) for step, kept in values["kept"].items()}
        except FileNotFoundError:
            return
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            raise ConfigurationError(
                f"{path}: cannot be read ({error}); begin again with --afresh or name another --progress"
            ) from error

    def begin(self, *, was_on_hold: bool) -> None:
        self.begun, self.was_on_hold = True, was_on_hold
        self._write()

    def note(self, step_id: str, words: str) -> None:
        """A step is over; what it kept is no longer needed."""
        self.done[step_id] = words
        self.kept.pop(step_id, None)
        self._write()

    def keep(self, step_id: str, values: dict[str, Any]) -> None:
        self.kept[step_id] = values
        self._write()

    def zones_held(self, zone_ids: list[str]) -> None:
        self.held_zones = zone_ids
        self._write()

    def forget(self) -> None:
        self.begun = self.was_on_hold = False
        self.held_zones, self.done, self.kept = [], {}, {}
        self._path.unlink(missing_ok=True)

    def _write(self) -> None:
        values = {
            "was_on_hold": self.was_on_hold,
            "held_zones": self.held_zones,
            "done": self.done,
            "kept": self.kept,
        }
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            fresh = self._path.with_name(f"{self._path.name}.new")
            fresh.write_text(json.dumps(values, ensure_ascii=False, indent=1), encoding="utf-8")
            fresh.replace(self._path)
        except OSError as error:
            raise OperatingError(f"{self._path}: cannot be written ({error}); name another --progress") from error
