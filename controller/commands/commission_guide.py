"""Goes through the steps of a commissioning with a person: asks, orders, shows, writes down. Decides nothing itself."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any, Protocol

from controller.commands.commission_progress import Progress
from controller.commissioning.outcome import Outcome, SiteChange
from controller.commissioning.readings import Readings
from controller.commissioning.record import notes_of, verdict_of
from controller.commissioning.steps import CAUTIONS, OnBoard, Step, steps_of
from controller.commissioning.talk import Ask, Give, Look, Request, Say, Script, TellTime, Tree
from controller.errors import ConfigurationError
from controller.site.geometry import LevelTable
from controller.site.model import Site

STOP, LEAVE, SKIP = "stop", "q", "s"
WORDS = (
    f"Words that work at any question: {STOP} stops everything, {SKIP} leaves the step out, {LEAVE} goes on later. "
    f"{STOP} works while water flows, too."
)

FLASH = (
    "sudo systemctl stop pumphouse",
    "pumphouse board flash --serial PORT --pins FILE",
    "sudo systemctl start pumphouse",
)

SAME_CAPACITY_L = 1.0

AskPerson = Callable[[str], str]
SayPerson = Callable[[str], None]


class Live(Protocol):
    """The site at the other end."""

    def order(self, fields: Mapping[str, Any]) -> str:
        """Give an order; why it was refused, or nothing."""

    def look(self, seconds: float) -> Sequence[Readings]:
        """The board's readings over so long, one or more."""

    def values(self) -> Mapping[str, str]:
        """The published values by path."""

    def now(self) -> datetime:
        """The time, in the site's own zone."""


class File(Protocol):
    """The site file."""

    def site(self) -> Site:
        """What it declares now."""

    def write(self, changes: Sequence[SiteChange]) -> str:
        """Put changes in place and say where the copy of the former file is. Raises ConfigurationError, and then
        nothing has changed."""


def another_file(site: Site, values: Mapping[str, str]) -> str:
    """Why what is published cannot be of this site file; empty when nothing speaks against it."""
    published = {path.split("/")[0].removeprefix("zone-") for path in values if path.startswith("zone-")}
    declared = {zone.id for zone in site.zones}
    if published != declared:
        odd = ", ".join(sorted(published ^ declared))
        return f"the running service does not have this site file: zones {odd} are in one of them only; restart it"
    for tank in site.tanks:
        told, is_l = values.get(f"tank-{tank.id}/capacity", ""), LevelTable(tank.shape).volume_l(tank.overflow_mm)
        if told and abs(float(told) - is_l) > SAME_CAPACITY_L:
            return (
                f"the running service does not have this site file: {tank.name} holds {told} L there and {is_l:.1f} L "
                "in the file; restart the service"
            )
    return ""


class _LeftError(Exception):
    """The person goes away; the step is begun anew another time."""


class _LeftOutError(Exception):
    """The person leaves the step out."""


class Guide:
    """One sitting. `go` returns whether everything is done."""

    def __init__(
        self, live: Live, file: File, board: OnBoard, progress: Progress, who: str, ask: AskPerson, say: SayPerson
    ) -> None:
        self._live, self._file, self._board, self._progress = live, file, board, progress
        self._who, self._ask_person, self._say = who, ask, say

    def go(self) -> bool:
        """Every step that is not done yet; True when none is left and it was signed off."""
        for line in (*CAUTIONS, WORDS, ""):
            self._say(line)
        try:
            if not self._begin():
                return False
            waiting = self._all_steps()
            return self._sign_off(waiting)
        except _LeftError:
            self._say("  Stopped here. The site stays on hold. The same command goes on with this step.")
            return False
        finally:
            self._release()

    # --- begin and end ----------------------------------------------------------------------------------------------

    def _begin(self) -> bool:
        """Put the site on hold, whatever a sitting that was lost left behind. False: the person would rather not."""
        values = self._live.values()
        other = another_file(self._file.site(), values)
        if other:
            raise ConfigurationError(other)
        if not self._progress.begun:
            if self._ask("Type yes to put the site on hold and begin: ").lower() != "yes":
                self._say("Nothing was changed.")
                return False
            self._progress.begin(was_on_hold=values.get("site/mode") == "hold")
        self._must({"order": "hold"})
        self._release()
        return True

    def _sign_off(self, waiting: Sequence[str]) -> bool:
        if waiting:
            self._say(
                f"Still open: {', '.join(waiting)}. The same command goes on with it; until then the site is on hold."
            )
            return False
        self._release()
        verdicts = [words.partition(" by ")[0] for words in self._progress.done.values()]
        counts = ", ".join(f"{verdicts.count(word)} {word}" for word in ("right", "corrected", "open", "left out"))
        self._say(f"All steps are through: {counts}.")
        while (word := self._ask(f"Sign off as {self._who}? (yes or no): ").lower()) not in ("yes", "no"):
            self._say(f"  {word!r}: yes or no is needed")
        if word == "no":
            return False
        self._note(f"commissioning signed off by {self._who}: {counts}"[:200])
        if self._progress.was_on_hold:
            self._say("The site was on hold before, and stays so.")
        elif self._yes("Let it water by itself from now on?"):
            self._must({"order": "resume"})
        else:
            self._say("The site stays on hold until somebody resumes it.")
        self._progress.forget()
        self._say("Signed off. It is in the journal, step by step, under your name.")
        return True

    # --- the steps --------------------------------------------------------------------------------------------------

    def _all_steps(self) -> list[str]:
        """Go through them; the ids of those that wait for something. The site file may change on the way."""
        waiting: list[str] = []
        for step_id in [step.id for step in steps_of(self._file.site(), self._board)]:
            steps = steps_of(self._file.site(), self._board)
            step = next((one for one in steps if one.id == step_id), None)
            if step is None:
                continue
            number = f"{steps.index(step) + 1}/{len(steps)}"
            self._say(f"\n{number}  {step.title}")
            if step.id in self._progress.done:
                self._say(f"  {self._progress.done[step.id]}")
            elif not self._one_step(step):
                waiting.append(step.id)
        return waiting

    def _one_step(self, step: Step) -> bool:
        """True when it is over: right, corrected, left open or left out."""
        try:
            self._only("", "  Enter begins: ")
            while True:
                self._clear_latched()
                outcome = self._run(step)
                self._show(outcome)
                if outcome.waiting:
                    self._progress.keep(step.id, dict(outcome.keep))
                    self._say(f"  Not over yet: {outcome.waiting}.")
                    return False
                accepted = self._offer(outcome)
                self._write_down(step, outcome, accepted=accepted)
                if outcome.right or self._only("a", "  a does this step again, Enter goes on: ") == "":
                    self._close(step, verdict_of(outcome, accepted=accepted))
                    return True
        except _LeftOutError:
            self._note(f"commissioning, {step.id}: left out")
            self._close(step, "left out")
            return True

    def _run(self, step: Step) -> Outcome:
        """One script from start to end; water flows by order only, and all is shut and on hold afterwards."""
        if step.wet:
            self._hold_zones()
            self._must({"order": "resume"})
        over = False
        try:
            outcome = self._play(step.script(self._progress.kept.get(step.id, {})))
            over = True
        finally:
            if step.wet or not over:
                self._live.order({"order": "stop-all"})
        return outcome

    def _play(self, script: Script) -> Outcome:
        reply: Any = None
        while True:
            try:
                request = script.send(reply)
            except StopIteration as end:
                outcome: Outcome = end.value
                return outcome
            reply = self._answer(request)

    def _answer(self, request: Request) -> Any:
        if isinstance(request, Say):
            return self._say(f"  {request.text}")
        if isinstance(request, Ask):
            return self._ask(f"  {request.text}")
        if isinstance(request, Give):
            return self._live.order(request.fields)
        if isinstance(request, Look):
            return tuple(self._live.look(request.seconds))
        if isinstance(request, Tree):
            return self._live.values()
        assert isinstance(request, TellTime)
        return self._live.now()

    def _ask(self, text: str) -> str:
        """A question; the words that always work are done here."""
        while True:
            try:
                word = self._ask_person(text).strip()
            except EOFError:
                word = LEAVE
            if word.lower() == STOP:
                refused = self._live.order({"order": "stop-all"})
                self._say(
                    f"  Not stopped: {refused}. Use S2." if refused else "  Everything is stopped; the site is on hold."
                )
            elif word.lower() == LEAVE:
                raise _LeftError
            elif word.lower() == SKIP:
                raise _LeftOutError
            else:
                return word

    def _only(self, other: str, text: str) -> str:
        """Nothing but Enter, or one other word."""
        while (word := self._ask(text).lower()) not in ("", other):
            self._say(f"  {word!r} means nothing here. {WORDS}")
        return word

    # --- zones on hold while water is given by order ---------------------------------------------------------------

    def _hold_zones(self) -> None:
        values = self._live.values()
        zones = [zone.id for zone in self._file.site().zones if values.get(f"zone-{zone.id}/mode") != "hold"]
        self._progress.zones_held(sorted({*self._progress.held_zones, *zones}))
        for zone_id in zones:
            self._must({"order": "hold-zone", "zone": zone_id})

    def _release(self) -> None:
        """Take zones off hold that were put on hold for a step. The site is on hold, so none begins."""
        if not self._progress.held_zones:
            return
        known = {zone.id for zone in self._file.site().zones}
        for zone_id in self._progress.held_zones:
            if zone_id in known:
                self._must({"order": "resume-zone", "zone": zone_id})
        self._progress.zones_held([])

    def _clear_latched(self) -> None:
        """Faults that stay until somebody says that they are mended: they would refuse the next try."""
        try:
            findings = json.loads(self._live.values().get("site/findings", "[]"))
        except ValueError:
            return
        for finding in findings:
            if finding["latched"]:
                self._say(f"  The controller holds: {finding['text']}")
                self._say(f"            -> {finding['cure']}")
                if self._yes(f"Clear {finding['id']} now, because it is mended?"):
                    refused = self._live.order({"order": "clear-fault", "fault": finding["id"]})
                    self._say(f"  Not cleared: {refused}" if refused else "  Cleared.")

    def _must(self, fields: Mapping[str, Any]) -> None:
        refused = self._live.order(fields)
        if refused:
            raise ConfigurationError(f"the order {fields['order']} was refused: {refused}")

    # --- what was found ---------------------------------------------------------------------------------------------

    def _show(self, outcome: Outcome) -> None:
        for line in outcome.measured:
            self._say(f"  measured  {line}")
        for fault in outcome.faults:
            self._say(f"  WRONG     {fault.text}")
            self._say(f"            -> {fault.cure}")
        if outcome.right:
            self._say("  Right.")

    def _offer(self, outcome: Outcome) -> bool:
        """Show before and after, and change what the person says yes to."""
        accepted = False
        if outcome.pin_lines:
            self._say("  For the board's pin file; the cable cannot set it:")
            for line in outcome.pin_lines:
                self._say(f"    before  {line.before}")
                self._say(f"    after   {line.after}")
            self._say("  Write it there, then, with the pump's fuse out:")
            for command in FLASH:
                self._say(f"    {command}")
            accepted = self._yes("Is that done?")
        if outcome.changes:
            self._say("  For the site file:")
            for change in outcome.changes:
                self._say(f"    {change.line()}")
            if self._yes("Write it into the site file?"):
                accepted = self._write(outcome.changes)
        return accepted

    def _write(self, changes: Sequence[SiteChange]) -> bool:
        try:
            copy = self._file.write(changes)
        except ConfigurationError as error:
            self._say(f"  Nothing was written: {error}")
            return False
        self._say(f"  Written. The former file is {copy}.")
        self._say("  The controller reads the file when it starts: sudo systemctl restart pumphouse")
        self._only("", "  Enter when it has started again: ")
        return True

    def _yes(self, text: str) -> bool:
        while (word := self._ask(f"  {text} (yes or no): ").lower()) not in ("yes", "y", "no", "n"):
            self._say(f"  {word!r}: yes or no is needed")
        return word[0] == "y"

    def _write_down(self, step: Step, outcome: Outcome, *, accepted: bool) -> None:
        for text in notes_of(step.id, outcome, accepted=accepted):
            self._note(text)

    def _note(self, text: str) -> None:
        self._must({"order": "note", "text": text})

    def _close(self, step: Step, verdict: str) -> None:
        self._progress.note(step.id, f"{verdict} by {self._who}, {self._live.now():%Y-%m-%d %H:%M}")
