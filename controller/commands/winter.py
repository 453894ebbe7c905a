"""`pumphouse winter`: a guided list for closing a site down and starting it up again, which can be left and taken up.

What the program can do it does by order, when told to; what a person does is written into the journal with his name.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol

from controller.commands.arguments import progress_file, sender
from controller.commands.requests import Requests
from controller.commands.status import add_broker_arguments, broker_of, from_broker
from controller.core.drain import LONGEST_DRAIN_MIN
from controller.errors import ConfigurationError, OperatingError
from controller.service.winter_list import Season, Step, for_a_hand, note_of, steps_of
from controller.site.model import Mqtt

SUMMARY = "close a site down for winter or start it up in spring, step by step"
OPENS_WITHIN_S = 30.0
LOOK_EVERY_S = 2.0
QUESTION = {
    True: "  Enter sends the order, s leaves it out, q stops here (go on later): ",
    False: "  Enter when it is done, s leaves it out, q stops here (go on later): ",
}

Ask = Callable[[str], str]
Say = Callable[[str], None]


class Talk(Protocol):
    """The site at the other end."""

    def order(self, fields: Mapping[str, Any]) -> tuple[bool, str]:
        """Send an order; whether it was accepted, and why not."""

    def is_open(self, zone_id: str) -> bool:
        """Whether water is meant to flow in a zone now."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("season", choices=("close", "open"), help="close it down, or start it up")
    parser.add_argument("--mqtt", metavar="HOST:PORT", required=True, help="the broker of the site")
    add_broker_arguments(parser)
    parser.add_argument("--who", default=None, help="your name in the journal (the name you are logged in with)")
    parser.add_argument("--minutes", type=float, default=5.0, help="how long each valve is open to empty its line (5)")
    parser.add_argument("--progress", type=Path, help="file that remembers what is done (in your home directory)")
    parser.add_argument("--afresh", action="store_true", help="begin at the first step again")


def run(args: argparse.Namespace) -> int:
    """Go through the list. Raises OperatingError when the site does not answer."""
    if not 1.0 <= args.minutes <= LONGEST_DRAIN_MIN:
        raise ConfigurationError(f"--minutes {args.minutes:g}: allowed are 1 to {LONGEST_DRAIN_MIN}")
    who = sender(args.who)
    settings = broker_of(args)
    site_id, values = from_broker(settings, args.domain, args.name)
    for line in opening_lines(site_id, values):
        print(line)
    steps = steps_of(args.season, zones_in(values), args.minutes)
    progress = Progress(args.progress or progress_file(f"winter-{site_id}-{args.season}"))
    if args.afresh:
        progress.forget()
    talk = OverMqtt(settings, args.domain, site_id, who)
    try:
        finished = guide(args.season, steps, talk, progress, who, input, print)
    finally:
        talk.close()
    return 0 if finished else 3


def opening_lines(site_id: str, values: Mapping[str, str]) -> list[str]:
    """What the site itself says now: readings to compare, and findings that ask for a hand."""
    lines = [f"{site_id} is {'on hold' if values.get('site/mode') == 'hold' else 'watering by itself'}"]
    readings = [
        f"  {path} {value}"
        for path, value in sorted(values.items())
        if path.endswith(("/level", "/volume", "power/voltage", "weather/temperature"))
    ]
    lines += readings
    try:
        findings = for_a_hand(json.loads(values.get("site/findings", "[]")))
    except ValueError:
        findings = []
    lines += [f"  look at: {finding['text']}; {finding['cure']}" for finding in findings]
    return [*lines, ""]


def zones_in(values: Mapping[str, str]) -> list[tuple[str, str]]:
    """(id, name) of the zones that the site publishes."""
    found = []
    for path, value in sorted(values.items()):
        device, _, name = path.partition("/")
        if device.startswith("zone-") and name == "name":
            found.append((device.removeprefix("zone-"), value))
    return found


class Progress:
    """Which steps are done, by whom and when: a small file, written anew after each."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.done: dict[str, str] = {}
        try:
            self.done = {str(step): str(words) for step, words in json.loads(path.read_text("utf-8")).items()}
        except FileNotFoundError:
            return
        except (OSError, ValueError, AttributeError) as error:
            raise ConfigurationError(
                f"{path}: cannot be read ({error}); delete it or name another --progress"
            ) from error

    def note(self, step: Step, words: str) -> None:
        self.done[step.id] = words
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            fresh = self._path.with_name(f"{self._path.name}.new")
            fresh.write_text(json.dumps(self.done, ensure_ascii=False, indent=1), encoding="utf-8")
            fresh.replace(self._path)
        except OSError as error:
            raise OperatingError(f"{self._path}: cannot be written ({error}); name another --progress") from error

    def forget(self) -> None:
        self.done = {}
        self._path.unlink(missing_ok=True)


def guide(season: Season, steps: Sequence[Step], talk: Talk, progress: Progress, who: str, ask: Ask, say: Say) -> bool:
    """Go through what is not done yet. True when the list is finished; it begins anew the next time."""
    for number, step in enumerate(steps, 1):
        head = f"{number}/{len(steps)}  {step.text}"
        if step.id in progress.done:
            say(f"{head}\n  {progress.done[step.id]}")
            continue
        say(head)
        while True:
            try:
                word = ask(QUESTION[step.order is not None]).strip().lower()
            except EOFError:
                word = "q"
            if word == "q":
                say("  Stopped here. The same command goes on with this step.")
                return False
            if word in ("", "s"):
                reason = _do(season, step, talk, skipped=word == "s")
                if not reason:
                    break
                say(f"  refused: {reason}")
        progress.note(step, f"{'left out' if word == 's' else 'done'} by {who}, {datetime.now(UTC):%Y-%m-%d %H:%M} UTC")
    progress.forget()
    say("All steps are done; they are in the journal under your name.")
    return True


def _do(season: Season, step: Step, talk: Talk, *, skipped: bool) -> str:
    """Carry out a step, or write it down; the reason why it was refused, or nothing."""
    if skipped:
        note = note_of(season, step)
        accepted, reason = talk.order({"order": "note", "text": f"left out: {note}"[:200]})
    elif step.order is None:
        accepted, reason = talk.order({"order": "note", "text": note_of(season, step)})
    else:
        accepted, reason = talk.order(step.order)
        if accepted and step.zone_id is not None:
            _until_shut(talk, step.zone_id)
    return "" if accepted else reason or "no reason was given"


def _until_shut(talk: Talk, zone_id: str) -> None:
    """Wait until a zone has opened and is shut again: one valve at a time."""
    opens_by_s = time.monotonic() + OPENS_WITHIN_S
    while not talk.is_open(zone_id):
        if time.monotonic() > opens_by_s:
            return
        time.sleep(LOOK_EVERY_S)
    while talk.is_open(zone_id):
        time.sleep(LOOK_EVERY_S)


class OverMqtt:
    """Orders by request and answer, and the retained tree over a connection of its own: hours may lie between."""

    def __init__(self, settings: Mqtt, domain: str, site_id: str, who: str) -> None:
        self._settings, self._domain, self._site_id = settings, domain, site_id
        self._requests = Requests(settings, domain, site_id, who, "winter")

    def order(self, fields: Mapping[str, Any]) -> tuple[bool, str]:
        answer = self._requests.exchange("order", fields)
        return answer["accepted"], str(answer.get("reason") or "")

    def close(self) -> None:
        self._requests.close()

    def is_open(self, zone_id: str) -> bool:
        _, values = from_broker(self._settings, self._domain, self._site_id)
        return values.get(f"zone-{zone_id}/watering") == "true"
