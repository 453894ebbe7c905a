"""The controller's side of MQTT: publishes the device tree and the history stream, takes orders.

Everything happens in one thread of its own. The control loop only puts things into queues and never waits; the broker
being away changes nothing about watering. Topics: docs/mqtt.md.
"""

from __future__ import annotations

import json
import logging
import queue
import random
import secrets
import socket
import sqlite3
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from controller.contract import (
    ClearFault,
    HoldAll,
    HoldZone,
    Order,
    OrderAnswer,
    Question,
    ResumeAll,
    Snapshot,
    StopAll,
)
from controller.errors import ConfigurationError
from controller.service.asks import AskAnswer, answer_values, parse_ask
from controller.service.broker import Broker, BrokerLost, Message
from controller.service.clock import Clock
from controller.service.homie import DeviceTree, ServiceFacts, SetTopic
from controller.service.journal import Journal
from controller.service.orders import DEFAULT_LIFE_MS, Ground, Refusal, parse_order, parse_set
from controller.service.outbox import REFILL_LIMIT, Outbox
from controller.service.rate_limit import RateLimit
from controller.service.sign_in_name import SignInName
from controller.service.strict_json import RefusedError, read_json_object
from controller.service.unwritable import StandInJournal
from controller.service.writer import JournalWriter
from controller.site.model import Site

CURSOR = "mqtt"
SAVE_CURSOR_EVERY_S = 60.0
CLAIM_TIMEOUT_S = 5.0
CLAIM_TIMEOUT_STOP_S = 0.5
PACKS_PER_S = 100
"""A backlog goes out no faster: a broker acknowledges at once and drops what a slow reader has not taken yet."""
SHORTEST_WAIT_S = 0.5
LONGEST_WAIT_LOCAL_S = 2.0
LONGEST_WAIT_S = 30.0
LONGEST_WAIT_REFUSED_S = 120.0
THREAD_ANEW_AFTER_S = 10.0
"""The thread begins anew no sooner than this after it was begun."""
PENDING_LIMIT = 200
CONTENT_TYPE = "application/senml+json"
_TARGET = "target/"

log = logging.getLogger("pumphouse.mqtt")


@dataclass(frozen=True, slots=True)
class Picture:
    """What the control loop hands over to be published."""

    snapshot: Snapshot
    battery_measured_wall_ms: int | None = None
    temperature_measured_wall_ms: int | None = None


@dataclass(frozen=True, slots=True)
class WateringEnded:
    zone_id: str


@dataclass(frozen=True, slots=True)
class _Sender:
    """Where the answer to an order goes, and what to show when it is accepted."""

    topic: str | None
    correlation: bytes | None = None
    target: tuple[str, bytes] | None = None


class MqttService:
    """Runs the thread. `inbox` receives checked orders for the control loop, `questions` what is only asked;
    `on_order` wakes it."""

    def __init__(
        self,
        site: Site,
        writer: JournalWriter,
        install_id: str,
        cursor: int,
        targets: dict[str, bytes],
        clock: Clock,
        on_order: Callable[[], None],
    ) -> None:
        """`cursor` and `targets` as the journal keeps them, see `stored_targets`."""
        self.inbox: queue.SimpleQueue[Order] = queue.SimpleQueue()
        self.questions: queue.SimpleQueue[Question] = queue.SimpleQueue()
        self.trouble: str | None = "not connected yet"
        self.connections = 0
        self._site = site
        self._tree = DeviceTree(site)
        self._log_root = f"{site.mqtt.domain}-log/{site.id}"
        self._writer = writer
        self._names = SignInName(f"{site.id}-controller-{install_id}", lambda: secrets.token_hex(4))
        self._cursor = cursor
        self._clock = clock
        self._on_order = on_order
        self._wake_read, self._wake_write = socket.socketpair()
        self._wake_read.setblocking(False)
        self._wake_write.setblocking(False)
        self._events: queue.SimpleQueue[OrderAnswer | AskAnswer | WateringEnded] = queue.SimpleQueue()
        self._picture: Picture | None = None
        self._published: dict[str, bytes] = {}
        self._targets = dict(targets)
        self._reached = {path: payload for path, payload in targets.items() if path.endswith("/run")}
        self._last_refusal = ""
        self._last_cleared = ""
        self._pending: dict[str, _Sender] = {}
        self._askers: dict[str, _Sender] = {}
        self._limits: dict[str, RateLimit] = {}
        self._refusals = RateLimit(per_s=5.0, burst=20)
        self._complaints = RateLimit(per_s=0.1, burst=5)
        self._orders_made = 0
        self._version_5 = True
        self._stopping = threading.Event()
        self._thread = self._new_thread()
        self._begun_s = time.monotonic()

    # --- called by the control loop -------------------------------------------------------------------------------

    def start(self) -> None:
        self._begun_s = time.monotonic()
        self._thread.start()

    def show(self, picture: Picture) -> None:
        """Publish what changed in this picture, soon; a newer picture replaces one not yet published."""
        self._picture = picture
        self._wake()

    def tell(self, event: OrderAnswer | AskAnswer | WateringEnded) -> None:
        self._events.put(event)
        self._wake()

    @property
    def name_taken(self) -> str | None:
        """That another program signs in at the broker by our name; None while none is known to."""
        return self._names.trouble

    def alive(self) -> bool:
        return self._thread.is_alive()

    def supervise(self) -> None:
        """Begin the thread anew when it has ended though nobody stopped it."""
        if self.alive() or self._stopping.is_set() or time.monotonic() - self._begun_s < THREAD_ANEW_AFTER_S:
            return
        log.error("the thread that speaks to the broker has ended; it begins anew")
        self.trouble = "a fault inside the publisher, see the log"
        self._thread = self._new_thread()
        self.start()

    def stop(self, timeout_s: float = 4.0) -> None:
        """Publish `disconnected`, close, end the thread."""
        self._stopping.set()
        self._wake()
        if self._thread.ident is not None:
            self._thread.join(timeout_s)
        if not self._thread.is_alive():
            self._wake_read.close()
            self._wake_write.close()

    def _new_thread(self) -> threading.Thread:
        return threading.Thread(target=self._run, name="mqtt", daemon=True)

    def _wake(self) -> None:
        try:
            self._wake_write.send(b"!")
        except OSError:
            return  # The thread has not yet read earlier wake-ups and is going to wake anyway, or it has ended.

    # --- the thread ------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        wait_s = 0.0
        while not self._stopping.is_set():
            if wait_s:
                self._stopping.wait(wait_s * random.uniform(0.8, 1.2))
            connected_s = time.monotonic()
            try:
                self._session()
                return
            except BrokerLost as lost:
                self._note_trouble(str(lost))
                if lost.protocol_unknown:
                    self._version_5 = not self._version_5
                lived_s = time.monotonic() - connected_s
                wait_s = SHORTEST_WAIT_S if self._name_changes(lost) else self._next_wait_s(wait_s, lived_s, lost)
            except Exception:
                # A bug here must not silence the site for ever; it is written down and the connection starts anew.
                log.exception("publishing failed")
                self.trouble = "a fault inside the publisher, see the log"
                wait_s = self._next_wait_s(wait_s, time.monotonic() - connected_s, None)

    def _next_wait_s(self, last_s: float, lived_s: float, lost: BrokerLost | None) -> float:
        if lost is not None and lost.protocol_unknown and not self._version_5:
            return 0.1
        local = self._site.mqtt.host in ("127.0.0.1", "localhost", "::1")
        longest_s = LONGEST_WAIT_LOCAL_S if local else LONGEST_WAIT_S
        if lost is not None and lost.not_allowed:
            longest_s = LONGEST_WAIT_REFUSED_S
        return SHORTEST_WAIT_S if lived_s > 60.0 else min(longest_s, max(SHORTEST_WAIT_S, 2.0 * last_s))

    def _name_changes(self, lost: BrokerLost) -> bool:
        """Whether the next connection goes by another name than this one, which is then made soon."""
        before = self._names.name
        self._names.ended(time.monotonic(), lost.end)
        if self._names.name == before:
            return False
        log.warning("signing in as %s from now on", self._names.name)
        return True

    def _note_trouble(self, text: str) -> None:
        if text != self.trouble:
            log.warning("%s", text)
        self.trouble = text

    def _session(self) -> None:
        """One connection from start to clean stop. Raises BrokerLost when it breaks."""
        will = (self._tree.state_topic, b"lost")
        broker = Broker(self._site.mqtt, self._names.name, will, version_5=self._version_5)
        self._names.let_in(time.monotonic())
        reader = self._reader()
        try:
            _Session(self, broker, reader).run()
        finally:
            reader.close()
            broker.drop()

    def _reader(self) -> Journal:
        """The journal for reading; where there is none that can be read, nothing is sent of the history."""
        try:
            return Journal.read(self._writer.path)
        except (ConfigurationError, sqlite3.Error):
            if self._writer.trouble is None:
                raise
            return StandInJournal(self._writer.path)


class _Session:
    """What lives as long as one connection."""

    def __init__(self, service: MqttService, broker: Broker, reader: Journal) -> None:
        self._s = service
        self._broker = broker
        self._replaced, self._reopened = service._writer.replaced, service._writer.reopened
        if self._replaced and service._cursor > reader.newest_seq():
            service._cursor = 0
        self._outbox = Outbox(service._site.id, reader, service._cursor)
        self._pace = RateLimit(per_s=PACKS_PER_S, burst=PACKS_PER_S)
        self._cursor_saved_s = time.monotonic()
        self._cursor_saved = service._cursor
        self._ready = False
        self._tree_shown: Picture | None = None
        self._stale_alerts: set[str] = set()

    def run(self) -> None:
        service = self._s
        self._open()
        while not service._stopping.is_set():
            if service._writer.replaced != self._replaced:
                raise BrokerLost("the journal was replaced, starting over")
            if service._writer.reopened != self._reopened:
                raise BrokerLost("the journal is written again, starting over")
            if not service._names.stays(time.monotonic()):
                raise BrokerLost("trying whether the controller's own name at the broker is free again")
            self._handle_messages()
            self._handle_events()
            self._show_picture()
            self._drain()
            self._broker.poll(1.0 if self._idle() else 0.05, service._wake_read)
            self._handle_acknowledged()
        self._close()

    def _idle(self) -> bool:
        return not self._broker.messages and self._s._events.empty()

    # --- start and end ------------------------------------------------------------------------------------------

    def _open(self) -> None:
        service, broker, tree = self._s, self._broker, self._s._tree
        service._published = {}
        broker.publish(tree.state_topic, b"init", retain=True)
        broker.publish(tree.board_state_topic, b"init", retain=True)
        for topic, document in tree.descriptions().items():
            broker.publish(topic, document, retain=True)
        broker.subscribe([f"{tree.root}/$alert/+"])

    def _become_ready(self) -> None:
        """After the first full picture: take orders, and only then say ready."""
        service, broker = self._s, self._broker
        broker.subscribe(
            [*service._tree.set_topics(), *(f"{service._log_root}/{leaf}" for leaf in ("order", "ask", "refill"))]
        )
        broker.publish(service._tree.state_topic, b"ready", retain=True)
        self._ready = True
        service.connections += 1
        service.trouble = None
        log.info("connected to the broker, MQTT %s", "5" if broker.version_5 else "3.1.1")

    def _close(self) -> None:
        self._save_cursor()
        self._handle_events()
        for topic in (self._s._tree.board_state_topic, self._s._tree.state_topic):
            self._broker.publish(topic, b"disconnected", retain=True)
        deadline_s = time.monotonic() + 2.0
        while self._broker.unacked and time.monotonic() < deadline_s:
            self._broker.poll(0.1)
        self._broker.close()

    # --- what goes out ---------------------------------------------------------------------------------------------

    def _show_picture(self) -> None:
        service = self._s
        picture = service._picture
        if picture is None or picture is self._tree_shown:
            return
        self._tree_shown = picture
        facts = ServiceFacts(
            last_seq=service._writer.last_seq,
            unsent=max(0, service._writer.last_seq - self._outbox.cursor) if self._ready else 0,
            last_refusal=service._last_refusal,
            last_cleared=service._last_cleared,
            battery_measured_wall_ms=picture.battery_measured_wall_ms,
            temperature_measured_wall_ms=picture.temperature_measured_wall_ms,
            targets=service._targets,
            reached=service._reached,
        )
        values = service._tree.values(picture.snapshot, facts)
        values[service._tree.board_state_topic] = b"ready" if picture.snapshot.link_up else b"lost"
        for topic in (service._published.keys() | self._stale_alerts) - values.keys():
            self._broker.publish(topic, b"", retain=True)
        self._stale_alerts.clear()
        for topic, payload in values.items():
            if service._published.get(topic) != payload:
                self._broker.publish(topic, payload, retain=True)
        service._published = values
        if not self._ready:
            self._become_ready()

    def _drain(self) -> None:
        if not self._ready:
            return
        topic, newest = f"{self._s._log_root}/senml", self._s._writer.last_seq
        while self._outbox.has_room and self._outbox.has_more(newest) and self._pace.allows(_mono_ms()):
            pack = self._outbox.next_pack()
            if pack is None:
                return
            self._outbox.sent(self._broker.publish(topic, pack.payload, content_type=CONTENT_TYPE), pack)

    def _handle_acknowledged(self) -> None:
        acknowledged = self._broker.acknowledged
        while acknowledged:
            self._outbox.acknowledged(acknowledged.popleft())
        self._s._cursor = self._outbox.cursor
        if time.monotonic() - self._cursor_saved_s > SAVE_CURSOR_EVERY_S:
            self._save_cursor()

    def _save_cursor(self) -> None:
        self._cursor_saved_s = time.monotonic()
        cursor = self._outbox.cursor
        if cursor != self._cursor_saved:
            self._cursor_saved = cursor
            self._s._writer.submit(lambda journal: journal.set_cursor(CURSOR, cursor))

    # --- what comes in -----------------------------------------------------------------------------------------------

    def _handle_messages(self) -> None:
        """One that turns out to be a trap is left: retained, it would end every connection anew."""
        messages = self._broker.messages
        while messages:
            message = messages.popleft()
            try:
                self._handle(message)
            except BrokerLost:
                raise
            except Exception:
                if self._s._complaints.allows(_mono_ms()):
                    log.exception("a message on %s cannot be handled and is left", message.topic)

    def _handle(self, message: Message) -> None:
        service = self._s
        set_topic = service._tree.set_topics().get(message.topic)
        if message.topic.startswith(f"{service._tree.root}/$alert/"):
            if message.payload and message.topic not in service._published:
                self._stale_alerts.add(message.topic)
                self._tree_shown = None
        elif set_topic is not None:
            self._handle_set(message, set_topic)
        elif message.topic == f"{service._log_root}/order":
            self._handle_order(message)
        elif message.topic == f"{service._log_root}/ask":
            self._handle_ask(message)
        elif message.topic == f"{service._log_root}/refill":
            self._handle_refill(message)

    def _handle_set(self, message: Message, set_topic: SetTopic) -> None:
        if message.retained and not message.payload:
            return
        order = self._read_set(message, set_topic)
        has_target = set_topic.kind in ("run-zone", "set-schedule")
        self._take(order, _Sender(None, None, (set_topic.property_path, message.payload) if has_target else None))

    def _read_set(self, message: Message, set_topic: SetTopic) -> Order | Refusal:
        if not self._allowed(message.topic):
            return Refusal("too many orders: one a second beyond a burst of ten")
        if set_topic.kind in ("run-zone", "set-schedule"):
            return parse_set(message.payload, set_topic.kind, set_topic.zone_id, self._ground(), message.retained)
        if message.retained:
            return Refusal("retained orders are ignored: clear the topic")
        if set_topic.kind == "zone-looks":
            look = message.payload.decode("utf-8", "replace")
            return self._order_from_word({"order": "zone-looks", "zone": set_topic.zone_id, "look": look})
        if set_topic.kind == "zone-mode":
            if message.payload not in (b"run", b"hold"):
                return Refusal(f"{set_topic.property_path} is either run or hold")
            kind = "hold-zone" if message.payload == b"hold" else "resume-zone"
            return self._order_from_word({"order": kind, "zone": set_topic.zone_id})
        if set_topic.kind == "mode":
            commands: dict[bytes, ResumeAll | HoldAll] = {b"run": ResumeAll(), b"hold": HoldAll(None)}
            if message.payload not in commands:
                return Refusal("site/mode is either run or hold")
            return self._plain_order(commands[message.payload])
        return self._order_from_word({"order": "clear-fault", "fault": message.payload.decode("utf-8", "replace")})

    def _order_from_word(self, values: dict[str, str | None]) -> Order | Refusal:
        """An order that a plain word of a `set` topic means, checked like any other."""
        payload = json.dumps(values | {"id": self._own_id(), "sender": "homie"})
        return parse_order(payload.encode("utf-8", "replace"), self._ground())

    def _plain_order(self, command: ResumeAll | HoldAll) -> Order:
        ground = self._ground()
        return Order(self._own_id(), "homie", ground.default_not_after_wall_ms(), command)

    def _own_id(self) -> str:
        self._s._orders_made += 1
        return f"homie-{self._s._clock.peek().wall_ms}-{self._s._orders_made}"

    def _handle_order(self, message: Message) -> None:
        too_many = Refusal("too many orders: one a second beyond a burst of ten")
        sender = self._let_in(message, lambda sender: self._refuse(too_many, sender))
        if sender is not None:
            self._take(parse_order(message.payload, self._ground(), message.retained), sender)

    def _let_in(self, message: Message, refuse: Callable[[_Sender], None]) -> _Sender | None:
        """Who sent a message that is to be looked at; None for a retained one that was taken away, or one too many."""
        if message.retained and not message.payload:
            return None
        sender = _Sender(self._answer_topic(message), message.correlation)
        if self._allowed(message.topic):
            return sender
        if self._s._refusals.allows(_mono_ms()):
            refuse(sender)
        return None

    def _handle_ask(self, message: Message) -> None:
        """A question goes to the control loop beside the orders; its refusal is no refused order."""
        service, too_many = self._s, "too many questions: one a second beyond a burst of ten"
        sender = self._let_in(message, lambda sender: self._send_answer(sender, None, False, too_many))
        if sender is None:
            return
        question = parse_ask(message.payload, service._site, message.retained)
        if isinstance(question, Refusal):
            self._send_answer(sender, question.id, False, question.reason)
            return
        if len(service._askers) >= PENDING_LIMIT:
            service._askers.clear()
        service._askers[question.id] = sender
        service.questions.put(question)
        service._on_order()

    def _answer_topic(self, message: Message) -> str:
        """The sender's own response topic only below ours: else it could make us write anywhere."""
        own = f"{self._s._log_root}/answer"
        asked = message.response_topic
        if asked is not None and asked.startswith(f"{own}/") and not set(asked) & set("+#\x00") and len(asked) < 200:
            return asked
        return own

    def _take(self, order: Order | Refusal, sender: _Sender) -> None:
        """Reserve the order's id and pass it to the control loop, or refuse it."""
        service = self._s
        if isinstance(order, Refusal):
            self._refuse(order, sender)
            return
        if len(service._pending) >= PENDING_LIMIT:
            service._pending.clear()
        stopping = isinstance(order.command, (StopAll, HoldAll, HoldZone))
        timeout_s = CLAIM_TIMEOUT_STOP_S if stopping else CLAIM_TIMEOUT_S
        try:
            earlier = service._writer.claim_order(order.id, service._clock.peek().wall_ms, timeout_s)
        except TimeoutError:
            if not stopping:
                self._refuse(Refusal("the journal cannot be written, so no order can be taken", order.id), sender)
                return
            earlier = None  # Stopping twice does no harm, and a stop must not depend on the disk.
        if earlier is not None:
            self._answer(earlier, _Sender(sender.topic, sender.correlation))
            return
        if isinstance(order.command, ClearFault):
            sender = _Sender(sender.topic, sender.correlation, ("site/clear-fault", order.command.fault_id.encode()))
        service._pending[order.id] = sender
        service.inbox.put(order)
        service._on_order()

    def _handle_events(self) -> None:
        service = self._s
        while not service._events.empty():
            event = service._events.get()
            if isinstance(event, WateringEnded):
                self._watering_ended(event.zone_id)
            elif isinstance(event, AskAnswer):
                asker = service._askers.pop(event.ask_id, _Sender(f"{service._log_root}/answer"))
                found = answer_values(event)
                self._send_answer(asker, event.ask_id, bool(found), event.reason, found)
            else:
                self._answer(event, service._pending.pop(event.order_id, _Sender(f"{service._log_root}/answer")))

    def _watering_ended(self, zone_id: str) -> None:
        path = f"zone-{zone_id}/run"
        if path in self._s._targets:
            self._s._reached[path] = self._s._targets[path]
            self._tree_shown = None

    def _answer(self, answer: OrderAnswer, sender: _Sender) -> None:
        service = self._s
        if not answer.accepted:
            self._refuse(Refusal(answer.reason, answer.order_id), sender)
            return
        if sender.target is not None:
            path, payload = sender.target
            if path == "site/clear-fault":
                service._last_cleared = payload.decode()
            else:
                service._targets[path] = payload
                text = payload.decode()
                service._writer.submit(lambda journal: journal.set_meta(_TARGET + path, text))
            self._tree_shown = None
        if sender.topic is not None:
            self._send_answer(sender, answer.order_id, True, answer.reason)

    def _refuse(self, refusal: Refusal, sender: _Sender) -> None:
        service = self._s
        named = f"{refusal.id}: {refusal.reason}" if refusal.id else refusal.reason
        service._last_refusal = named
        self._tree_shown = None
        if service._refusals.allows(_mono_ms()):
            self._broker.publish(f"{service._tree.root}/$log/warn", f"order refused: {named}".encode())
        if sender.topic is not None:
            self._send_answer(sender, refusal.id, False, refusal.reason)

    def _send_answer(
        self,
        sender: _Sender,
        order_id: str | None,
        accepted: bool,
        reason: str,
        found: Mapping[str, Any] | None = None,
    ) -> None:
        values = {"id": order_id, "accepted": accepted, "reason": reason, **(found or {})}
        text = json.dumps(values, ensure_ascii=False)
        self._broker.publish(sender.topic or "", text.encode(), correlation=sender.correlation)

    def _handle_refill(self, message: Message) -> None:
        if not self._allowed(message.topic) or not message.payload:
            return
        try:
            values = read_json_object(message.payload, message.retained, 1024)
        except RefusedError as refused:
            self._refuse(Refusal(f"refill: {refused}"), _Sender(None))
            return
        first, last = values.get("from"), values.get("to")
        if type(first) is not int or type(last) is not int or not 1 <= first <= last < first + REFILL_LIMIT:
            self._refuse(
                Refusal(f'refill: write {{"from": 1, "to": 10}}, at most {REFILL_LIMIT} at a time'), _Sender(None)
            )
            return
        self._outbox.ask_again(first, last)

    def _allowed(self, topic: str) -> bool:
        return self._s._limits.setdefault(topic, RateLimit()).allows(_mono_ms())

    def _ground(self) -> Ground:
        now = self._s._clock.peek()
        picture = self._s._picture
        caps_l = {zone.id: zone.schedule.daily_cap_l for zone in picture.snapshot.zones} if picture else None
        life_ms = int(DEFAULT_LIFE_MS * max(1.0, self._s._clock.pace))
        return Ground(self._s._site, now.wall_ms, now.trust != "unknown", caps_l, life_ms)


def stored_targets(journal: Journal) -> dict[str, bytes]:
    """Commands accepted earlier, to be shown again after a restart."""
    return {path: text.encode() for path, text in journal.meta_under(_TARGET).items()}


def _mono_ms() -> int:
    return int(time.monotonic() * 1000)
