"""The controller as a process: one loop that carries bytes, time and decisions between the board and the core.

Nothing here decides about water. The loop waits on the serial port and a wake-up socket, never on disk or network;
the journal and MQTT have threads of their own.
"""

from __future__ import annotations

import json
import logging
import queue
import select
import signal
import socket
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from types import FrameType
from zoneinfo import ZoneInfo

from controller.contract import (
    AskReadings,
    Finding,
    HoldAll,
    HoldZone,
    Input,
    LinesDamaged,
    LinkChanged,
    Now,
    Order,
    OrderAnswer,
    Record,
    Restarted,
    ShellInput,
    StepResult,
    StopAll,
)
from controller.guard.catalogue import CATALOGUE
from controller.service.cable import Cable
from controller.service.clock import Clock
from controller.service.codec import Entry, encode_input
from controller.service.housekeeping import Housekeeping
from controller.service.mqtt import MqttService, Picture, WateringEnded
from controller.service.ports import CorePort, ForecastPort
from controller.service.prospects import Prospects
from controller.service.readings import NewestReport
from controller.service.restore import Restored
from controller.service.systemd import Notifier
from controller.service.writer import JournalWriter
from controller.site.model import Site
from firmware_host.link import CommandUnanswered, Damaged, Event, LinkDown, LinkUp, Received
from firmware_host.messages import SHUT, Report

CHECKPOINT_EVERY_MS = 24 * 3_600_000
PICTURE_EVERY_S = 1.0
PICTURE_AT_REST_S = 60.0
LONGEST_WAIT_S = 1.0
SHUT_WITHIN_S = 2.0
SLOW_TURN_S = 1.0
STOPS = (StopAll, HoldAll, HoldZone)

log = logging.getLogger("pumphouse.daemon")


@dataclass(frozen=True, slots=True)
class Parts:
    """Everything the loop works with; made by `pumphouse serve`, or by a test."""

    site: Site
    site_text: str
    clock: Clock
    restored: Restored
    cable: Cable
    writer: JournalWriter
    notifier: Notifier
    mqtt: MqttService | None = None
    prospects: Prospects | None = None
    forecasts: ForecastPort | None = None
    day_unknown: str = ""
    """Why it is not known what today has had; empty when it is known."""


class Waker:
    """Lets other threads and signals end the loop's waiting at once."""

    def __init__(self) -> None:
        self._read, self._write = socket.socketpair()
        self._read.setblocking(False)
        self._write.setblocking(False)

    def fileno(self) -> int:
        return self._read.fileno()

    def wake(self) -> None:
        try:
            self._write.send(b"!")
        except BlockingIOError:
            return  # It is full of wake-ups nobody has read yet.

    def clear(self) -> None:
        try:
            self._read.recv(4096)
        except BlockingIOError:
            return

    def signal_descriptor(self) -> int:
        """For `signal.set_wakeup_fd`."""
        return self._write.fileno()

    def close(self) -> None:
        self._read.close()
        self._write.close()


class Daemon:
    """Runs until told to stop. An exception out of `run` is a bug: the outputs are shut on the way out."""

    def __init__(self, parts: Parts, waker: Waker) -> None:
        self._parts = parts
        self._waker = waker
        self._core: CorePort = parts.restored.core
        self._clock = parts.clock
        self._stopping = False
        self._inputs: list[Input] = []
        self._entries: list[Entry] = []
        self._wake_mono_ms = 0
        self._result = StepResult()
        self._dropped = parts.writer.dropped
        self._replaced = parts.writer.replaced
        self._trust_before = "unknown"
        self._checkpoint_mono_ms = 0
        self._picture_s = 0.0
        self._stepped = True
        self._battery_measured_ms: int | None = None
        self._temperature_measured_ms: int | None = None
        self._ping_s = 0.0
        self._unanswered = ""
        self._clock_steps = parts.clock.steps
        self._newest = NewestReport()
        self._housekeeping = Housekeeping({"prune": self._prune})
        self._day_unknown = parts.day_unknown
        if not parts.restored.whole and not self._day_unknown:
            self._day_unknown = "the journal was damaged, or brought back from a copy"
        self._unknown_until_ms = 0
        self._guessed_midnight = False
        self._findings: tuple[Finding, ...] = ()
        self._longest_turn_s = 0.0
        self.starts_over = False
        """The loop ended because a new start knows more."""

    def run(self) -> None:
        """Restore, tell the core, loop, and on the way out shut the outputs whatever happened."""
        try:
            self._begin()
            self._housekeeping.start()
            self._parts.notifier.send("READY=1", "STATUS=running")
            while not self._stopping:
                self._turn()
                self._wait()
            self._end()
        finally:
            self._shut_outputs()
            self._housekeeping.stop()

    def stop(self, *_signal: int | FrameType | None) -> None:
        """End the loop soon; safe as a signal handler."""
        self._stopping = True
        self._waker.wake()

    # --- begin and end -------------------------------------------------------------------------------------------

    def _begin(self) -> None:
        parts, now = self._parts, self._clock.now()
        self._checkpoint(now)
        if not parts.restored.fresh:
            self._take(Restarted(self._clock.away_ms))
        if self._day_unknown:
            log.error("%s: what today used is not known, so nothing is watered until tomorrow", self._day_unknown)
            text = f"What the day has had is not known: {self._day_unknown}"
            parts.writer.add_record(now, Record("journal", "", {"day_unknown": True, "text": text}))
            self._hold_the_day(now)

    def _hold_the_day(self, now: Now) -> None:
        """Nothing is watered before the next midnight; a hold that somebody gave for longer stays as it is."""
        until_ms = next_midnight_ms(now, self._parts.site.place.time_zone)
        self._unknown_until_ms, self._guessed_midnight = until_ms, now.trust == "unknown"
        held = self._core.snapshot(now)
        if not held.held or (held.hold_until_wall_ms is not None and held.hold_until_wall_ms < until_ms):
            self._take(Order(f"journal-lost-{now.wall_ms}", "controller", None, HoldAll(until_ms)))

    def _end(self) -> None:
        self._parts.notifier.send("STOPPING=1")
        log.info("the longest turn of the loop took %.3f s", self._longest_turn_s)
        self._checkpoint(self._clock.now())

    def _shut_outputs(self) -> None:
        """Ask the board to shut and give it a moment to confirm; its leases do the same a little later."""
        cable = self._parts.cable
        deadline_s = time.monotonic() + SHUT_WITHIN_S
        if not self._result.outputs.any_on:
            return
        shut = False
        while not shut and time.monotonic() < deadline_s:
            mono_ms = self._clock.now().mono_ms
            cable.link.want(SHUT, 1000, mono_ms)
            cable.send(mono_ms)
            time.sleep(0.05)
            for event in cable.turn(self._clock.now().mono_ms):
                message = event.message if isinstance(event, Received) else None
                shut |= isinstance(message, Report) and not message.pump_on and not message.valve_open

    # --- one turn --------------------------------------------------------------------------------------------------

    def _turn(self) -> None:
        began_s = time.monotonic()
        now = self._clock.now()
        self._take_events(self._parts.cable.turn(now.mono_ms), now)
        self._take_orders()
        if self._guessed_midnight and now.trust != "unknown":
            # Before the step, which would end a hold whose guessed midnight is past.
            self._hold_the_day(now)
        if self._inputs or now.mono_ms >= self._wake_mono_ms:
            self._step(now)
        every_ms = self._newest.report_every_ms(self._result.report_every_ms, now.mono_ms)
        self._parts.cable.link.want(self._result.outputs, every_ms, now.mono_ms)
        self._take_events(self._parts.cable.send(now.mono_ms), now)
        self._take_questions(now)
        self._keep_house(now)
        took_s = time.monotonic() - began_s
        self._longest_turn_s = max(self._longest_turn_s, took_s)
        if took_s > SLOW_TURN_S:
            log.warning("one turn of the loop took %.1f s", took_s)

    def _take_events(self, events: Sequence[Event], now: Now) -> None:
        for event in events:
            if isinstance(event, Received):
                self._inputs.append(event.message)
                self._entries.append(("line", event.text))
                if isinstance(event.message, Report):
                    self._note_readings(event.message)
                    self._newest.came(event.message, now.mono_ms)
            elif isinstance(event, LinkUp):
                self._unanswered = ""
                self._take(LinkChanged(True, f"board {event.board_id}"))
            elif isinstance(event, LinkDown):
                self._newest.lost()
                self._take(LinkChanged(False, event.reason))
            elif isinstance(event, Damaged):
                self._take(LinesDamaged(event.lines))
            elif isinstance(event, CommandUnanswered):
                self._unanswered = f"the board has not answered {event.command} for {event.waited_ms / 1000:.1f} s"
                log.warning("%s", self._unanswered)

    def _take(self, item: ShellInput) -> None:
        self._inputs.append(item)
        self._entries.append(encode_input(item))

    def _note_readings(self, report: Report) -> None:
        wall_ms = self._clock.peek().wall_ms
        if report.battery_v is not None:
            self._battery_measured_ms = wall_ms
        if any(value is not None for value in report.temperature_c.values()):
            self._temperature_measured_ms = wall_ms
        self._unanswered = ""

    def _take_orders(self) -> None:
        for source in (self._parts.mqtt, self._parts.forecasts):
            while source is not None:
                try:
                    self._take(source.inbox.get_nowait())
                except queue.Empty:
                    break

    def _take_questions(self, now: Now) -> None:
        """What is read now is told at once; else a question gets a copy of the memory and is answered elsewhere."""
        mqtt, prospects = self._parts.mqtt, self._parts.prospects
        if mqtt is None or prospects is None:
            return
        while not mqtt.questions.empty():
            question = mqtt.questions.get()
            if isinstance(question, AskReadings):
                mqtt.tell(self._newest.answer(question, self._parts.cable.link.hello, now.mono_ms))
            else:
                prospects.ask(question, now, self._memory(), mqtt.tell)

    def _step(self, now: Now) -> None:
        inputs, entries = tuple(self._inputs), tuple(self._entries)
        self._inputs.clear()
        self._entries.clear()
        result = self._core.step(now, inputs)
        self._parts.writer.add_step(now, entries, result, self._answering(inputs, result.answers))
        self._result = result
        self._wake_mono_ms = result.wake_mono_ms if result.wake_mono_ms > now.mono_ms else now.mono_ms + 1000
        self._stepped = True
        for fault_id in result.clear_board:
            self._parts.cable.link.clear_fault(fault_id)
        mqtt, prospects, coming = self._parts.mqtt, self._parts.prospects, self._core.coming_uses()
        if prospects is not None and coming is not None:
            prospects.work_out_prices(coming)
        if mqtt is not None:
            for record in result.records:
                if record.kind == "delivery":
                    mqtt.tell(WateringEnded(record.key))

    def _answering(self, inputs: Sequence[Input], answers: Sequence[OrderAnswer]) -> Callable[[], None] | None:
        """What tells senders once it cannot be lost any more. A stop is answered at once, whatever the disk does."""
        mqtt = self._parts.mqtt
        if mqtt is None or not answers:
            return None
        stops = {item.id for item in inputs if isinstance(item, Order) and isinstance(item.command, STOPS)}
        later = [answer for answer in answers if answer.order_id not in stops]
        for answer in answers:
            if answer.order_id in stops:
                mqtt.tell(answer)

        def tell() -> None:
            for answer in later:
                mqtt.tell(answer)

        return tell if later else None

    # --- housekeeping ------------------------------------------------------------------------------------------------

    def _keep_house(self, now: Now) -> None:
        if self._parts.mqtt is not None:
            self._parts.mqtt.supervise()
        self._show(now)
        self._ping()
        if self._trust_before == "unknown" and now.trust != "unknown":
            self._parts.writer.submit(lambda journal: journal.date_records(now))
        self._trust_before = now.trust
        writer = self._parts.writer
        if writer.found_again and not self._stopping:
            log.warning("the journal can be read again: starting over with what it knows")
            self.starts_over = self._stopping = True
        hole = writer.dropped != self._dropped and writer.backlog() == 0
        if hole or writer.replaced != self._replaced:
            reason = {"opened_anew": writer.replaced != self._replaced, "dropped": writer.dropped - self._dropped}
            self._dropped, self._replaced = writer.dropped, writer.replaced
            writer.add_record(now, Record("journal", "", reason))
            self._checkpoint(now)
        if now.mono_ms - self._checkpoint_mono_ms >= CHECKPOINT_EVERY_MS:
            self._checkpoint(now)
        if self._clock.steps != self._clock_steps:
            self._clock_steps = self._clock.steps
            self._housekeeping.clock_stepped()

    def _checkpoint(self, now: Now) -> None:
        state = self._memory()
        site_text = self._parts.site_text
        self._parts.writer.submit(lambda journal: journal.add_checkpoint(now, site_text, state))
        self._checkpoint_mono_ms = now.mono_ms

    def _memory(self) -> str:
        """The core's memory as text, not the dump itself: other threads must not see the core change under them."""
        return json.dumps(self._core.dump(), separators=(",", ":"), ensure_ascii=False, allow_nan=False)

    def _prune(self) -> None:
        now, kept = self._clock.peek(), self._parts.site.history
        self._parts.writer.submit(
            lambda journal: journal.prune(now, inputs_days=kept.inputs_days, measurements_days=kept.measurements_days)
        )

    def _show(self, now: Now) -> None:
        mqtt = self._parts.mqtt
        if mqtt is None:
            return
        since_s = time.monotonic() - self._picture_s
        prospects = self._parts.prospects
        own = self.service_findings()
        news = self._stepped or own != self._findings or (prospects is not None and prospects.news())
        if since_s < PICTURE_EVERY_S or not (news or since_s >= PICTURE_AT_REST_S):
            return
        self._picture_s = time.monotonic()
        self._stepped, self._findings = False, own
        snapshot = self._core.snapshot(now)
        if now.wall_ms >= self._unknown_until_ms or not snapshot.held:
            self._unknown_until_ms = 0
        if prospects is not None:
            snapshot = prospects.shown(now, snapshot)
        if own:
            snapshot = replace(snapshot, findings=(*snapshot.findings, *own))
        mqtt.show(Picture(snapshot, self._battery_measured_ms, self._temperature_measured_ms))

    def service_findings(self) -> tuple[Finding, ...]:
        """What is wrong with the service itself."""
        writer, mqtt, forecasts = self._parts.writer, self._parts.mqtt, self._parts.forecasts
        found: list[Finding] = []
        if writer.trouble is not None:
            found.append(_told("journal-not-written", writer.trouble))
        elif writer.full:
            found.append(_told("disk-full"))
        if self._unknown_until_ms:
            found.append(_told("day-not-known", why=self._day_unknown))
        if writer.dropped:
            text = f"{writer.dropped} entries of the journal were lost because the disk stood still too long"
            found.append(_told("journal-incomplete", text))
        if self._unanswered:
            found.append(_told("board-deaf", self._unanswered))
        if mqtt is not None and mqtt.name_taken is not None:
            found.append(_told("broker-name-taken", mqtt.name_taken))
        if forecasts is not None and forecasts.trouble is not None:
            found.append(_told("forecast-not-fetched", forecasts.trouble))
        return tuple(found)

    def _ping(self) -> None:
        """The service manager hears only from here, after the parts were looked at: a hang must end in a restart."""
        notifier = self._parts.notifier
        if notifier.watchdog_s is None or time.monotonic() - self._ping_s < notifier.watchdog_s:
            return
        mqtt = self._parts.mqtt
        if self._parts.writer.alive() and (mqtt is None or mqtt.alive()):
            notifier.send("WATCHDOG=1")
            self._ping_s = time.monotonic()

    def _wait(self) -> None:
        if self._stopping:
            return
        cable = self._parts.cable
        mono_ms = self._clock.now().mono_ms
        due_ms = min(self._wake_mono_ms, cable.due_ms(mono_ms))
        wait_s = min(LONGEST_WAIT_S, max(0.0, (due_ms - mono_ms) / 1000.0 / self._clock.pace))
        descriptor = cable.fileno()
        watched: list[int | Waker] = [self._waker] if descriptor is None else [self._waker, descriptor]
        ready, _, _ = select.select(watched, [], [], wait_s)
        if self._waker in ready:
            self._waker.clear()


def next_midnight_ms(now: Now, time_zone: str) -> int:
    """Wall time at which the present local day ends; a full day ahead while the time is not known."""
    if now.trust == "unknown":
        return now.wall_ms + 86_400_000
    local = datetime.fromtimestamp(now.wall_ms / 1000.0, ZoneInfo(time_zone))
    tomorrow = (local + timedelta(days=1)).date()
    midnight = datetime(tomorrow.year, tomorrow.month, tomorrow.day, tzinfo=ZoneInfo(time_zone))
    return int(midnight.timestamp() * 1000)


def run_until_signalled(make: Callable[[Waker], Daemon]) -> bool:
    """Run a daemon in this process until SIGTERM or SIGINT. True when it ended by itself, to be started over."""
    waker = Waker()
    daemon = make(waker)
    signal.set_wakeup_fd(waker.signal_descriptor(), warn_on_full_buffer=False)
    before = {number: signal.signal(number, daemon.stop) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        daemon.run()
    finally:
        signal.set_wakeup_fd(-1)
        for number, handler in before.items():
            signal.signal(number, handler)
        waker.close()
    return daemon.starts_over


def _told(condition_id: str, text: str = "", **numbers: str) -> Finding:
    """A condition of the catalogue, in its own text with its `numbers`, or in one that knows more."""
    row = CATALOGUE[condition_id]
    return Finding(row.id, row.severity, text or row.text.format(**numbers), row.cure)
