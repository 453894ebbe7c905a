"""Messages and site files that nobody would write, by the million, through the doors that the controller itself has.

`OrderFuzz` sends mutated orders, words and questions into the MQTT session, and whatever it lets through on into a core
that remembers a garden; a witness who knows only the message and what owners may change looks at every one. `SiteFuzz`
does the same to site files. The same seed gives the same messages.
"""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from dataclasses import dataclass, field, fields, is_dataclass
from datetime import date
from functools import cache
from pathlib import Path
from random import Random
from typing import Any, cast
from zoneinfo import available_timezones

from controller.contract import Now, Order, OrderAnswer, RunZone
from controller.core import Core
from controller.errors import ConfigurationError
from controller.guard.board_limits import board_limits
from controller.service.broker import Broker, Message
from controller.service.clock import Clock
from controller.service.codec import decode_input, encode_input
from controller.service.mqtt import MqttService, _Session
from controller.service.orders import ORDER_BYTES, SCHEDULE_BYTES
from controller.service.rate_limit import RateLimit
from controller.service.sitefile import _decoded
from controller.service.unwritable import StandInJournal
from controller.service.writer import JournalWriter
from controller.site.load import parse_site
from controller.site.model import Site
from controller.site.problems import SiteFileError
from simulator.example import example_site_text
from tests.scenario.garden import EXAMPLE, Garden

ORDERS_A_MEMORY = 400
"""After so many orders that were let in, the core begins anew where the garden was."""
LIVES_ON_MS = (1_000, 60_000, 900_000, 6 * 3_600_000)
ANSWER_BYTES = 4096

ODD_NUMBERS = (
    "0", "-0", "-0.0", "1", "-1", "0.5", "1e-320", "1e308", "1e309", "-1e999", "NaN", "Infinity", "-Infinity", "1E400",
    "9007199254740993", "9223372036854775808", "-9223372036854775809", "1" * 19, "1" * 5000, "0x10", "01", "1_000",
    "1.", ".5", "+1", "true", "null", '"6"', "[6]", "1e", "6.0000000000000001", "32", "32.000001", "40", "45",
    "100000.1",
)  # fmt: skip
ODD_TEXTS = (
    "", " ", "\x00", "a\x00b", "\ud800", "run", "hold", "../../etc", "é" * 33, "x" * 41, "x" * 65, "x" * 4097, "${id}",
    "bench-north ", "BENCH-NORTH", "bench-nörth", "23:60", "24:00", "24:01", "7:00", "00:00", "2026-02-29",
    "2026-06-31", "9999-12-31", "0001-01-01", "2026-W23-1", "2026-06-01T05:00:00", "2026-06-01T05:00:00+99:99",
    "+010000-01-01T00:00Z", "9999-12-31T23:59:59.999999-14:00", "0001-01-01T00:00:00+14:00",
    "\u202e", "\n", "\\", '"', "{}", "#", "+/#",
)  # fmt: skip

ODD_ANSWER_TOPICS = (
    "", "#", "+", "homie/5/river-allotment/site/mode/set", "homie-log/river-allotment/order", "$SYS/x", "a" * 70_000,
    "homie-log/river-allotment/answer/#", "homie-log/river-allotment/answer/\x00", "homie-log/river-allotment/answers",
)  # fmt: skip


# --- what people may change -------------------------------------------------------------------------------------


def owned(core: Core) -> dict[str, Any]:
    """Everything in a core's memory that an order may change, part by part."""
    state = core._ctx.state
    return {
        "schedules": {
            zone: (memory.schedule, memory.schedule_version, len(memory.earlier_schedules))
            for zone, memory in state.zones.items()
        },
        "zone holds": {zone: (memory.held, memory.hold_until_wall_ms) for zone, memory in state.zones.items()},
        "looks": {zone: (memory.trim.factor, memory.last_look) for zone, memory in state.zones.items()},
        "hold": (state.held, state.hold_until_wall_ms),
        "runs": [(run.order_id, run.zone_id, run.volume_l) for run in state.manual],
        "under way": None if state.delivery is None else (state.delivery.zone_id, state.delivery.trigger),
        "weather": {day: dict(values) for day, values in state.weather.reported.items()},
        "rain": {day: dict(zones) for day, zones in state.weather.rain_kept_mm.items()},
        "forecast": state.forecast,
        "latches": sorted(state.latches),
        "given": {zone: memory.applied_today_ml for zone, memory in state.zones.items()},
    }


MAY_CHANGE: dict[str, set[str]] = {
    "run-zone": {"runs", "under way"},
    "hold": {"hold", "runs", "under way"},
    "stop-all": {"hold", "runs", "under way"},
    "resume": {"hold", "runs", "under way"},
    "hold-zone": {"zone holds", "runs", "under way"},
    "resume-zone": {"zone holds", "runs", "under way"},
    "set-schedule": {"schedules", "runs", "under way"},
    "undo-schedule": {"schedules", "runs", "under way"},
    "clear-fault": {"latches", "runs", "under way"},
    "day-weather": {"weather", "runs", "under way"},
    "void-rain": {"rain", "runs", "under way"},
    "zone-looks": {"looks", "runs", "under way"},
    "forget-looks": {"looks", "runs", "under way"},
    "drain-zone": {"runs", "under way"},
    "forecast": {"forecast", "runs", "under way"},
    "note": set(),
}
"""What each kind of order may change; a waiting run may begin with any of them."""

KIND_OF_COMMAND = {
    "RunZone": "run-zone", "HoldAll": "hold", "StopAll": "stop-all", "ResumeAll": "resume", "HoldZone": "hold-zone",
    "ResumeZone": "resume-zone", "SetSchedule": "set-schedule", "UndoSchedule": "undo-schedule",
    "ClearFault": "clear-fault", "DayWeather": "day-weather", "VoidRain": "void-rain", "ZoneLooks": "zone-looks",
    "ForgetLooks": "forget-looks", "DrainZone": "drain-zone", "Forecast": "forecast", "Note": "note",
}  # fmt: skip


MOST_BYTES = 1 << 20
"""No message is made longer than about this, many times what the controller takes: doubled twenty times over one would
be longer than MQTT carries (256 MB; MQTT 5.0, section 2.1.4) and fill the test's own memory."""


# --- mutations --------------------------------------------------------------------------------------------------


def mutated_text(rng: Random, text: bytes) -> bytes:
    """Some bytes changed, cut, doubled or put in."""
    data = bytearray(text)
    for _ in range(rng.choice((1, 1, 1, 2, 5, 20))):
        at = rng.randrange(len(data) + 1)
        match rng.randrange(8):
            case 0:
                data[at : at + 1] = bytes([rng.randrange(256)])
            case 1:
                del data[at : at + rng.choice((1, 1, 3, 40, 4000))]
            case 2:
                data[at:at] = rng.randbytes(rng.choice((1, 2, 8)))
            case 3:
                data[at:at] = data[at : at + rng.choice((1, 10, 200))]
            case 4:
                data[at : at + 1] = rng.choice(b'{}[]",:\\\x00\n\t 0123456789.-+eEtfn').to_bytes(1, "big")
            case 5:
                data[at:at] = rng.choice(
                    (b"\xef\xbb\xbf", b"\xff\xfe", b"\xc0\x80", b"\xed\xa0\x80", b"\\ud800", b"/**/")
                )
            case 6:
                numbers = [match.span() for match in re.finditer(rb"-?[0-9]+(?:\.[0-9]+)?", bytes(data))]
                if numbers:
                    start, end = rng.choice(numbers)
                    data[start:end] = rng.choice(ODD_NUMBERS).encode()
            case _:
                more = rng.choice((b" ", b"\n{}", b",", b"\x00", b"x" * 5000, b" " * 70_000, bytes(data)))
                data += more[: max(0, MOST_BYTES - len(data))]
    return bytes(data)


@dataclass(frozen=True)
class Raw:
    """Words that are written into JSON as they are."""

    text: str


def mutated_values(rng: Random, values: dict[str, Any]) -> bytes:
    """One to three places of an order replaced, left out, doubled, or nested."""
    changed = json.loads(json.dumps(values))
    for _ in range(rng.choice((1, 1, 2, 3))):
        holder, key = _some_place(rng, changed)
        match rng.randrange(7):
            case 0 | 1:
                holder[key] = Raw(rng.choice(ODD_NUMBERS))
            case 2:
                holder[key] = rng.choice(ODD_TEXTS)
            case 3:
                del holder[key]
            case 4 if isinstance(holder, dict):
                holder[rng.choice((*ODD_TEXTS[:12], "zone", "volume_l", "until", "schedule", "not_after"))] = holder[
                    key
                ]
            case 5:
                holder[key] = Raw("[" * (depth := rng.choice((1, 7, 9, 3000))) + "1" + "]" * depth)
            case _:
                times = rng.choice((0, 1, 2, 25, 400))
                holder[key] = [holder[key]] * min(times, MOST_BYTES // len(_json(changed)))
    text = _json(changed)
    if rng.random() < 0.1 and len(text) > 2:
        text = text[:-1] + "," + text[1:]  # Everything twice.
    return text.encode("utf-8", "surrogatepass")


def _some_place(rng: Random, values: Any) -> tuple[Any, Any]:
    """A container and one of its keys, at any depth."""
    places: list[tuple[Any, Any]] = []

    def walk(node: Any) -> None:
        keys = list(node) if isinstance(node, dict) else range(len(node)) if isinstance(node, list) else ()
        for key in keys:
            places.append((node, key))
            walk(node[key])

    walk(values)
    if not places:
        values["order"] = "note"
        return values, "order"
    return rng.choice(places)


def _json(value: Any) -> str:
    if isinstance(value, Raw):
        return value.text
    if isinstance(value, dict):
        return (
            "{"
            + ",".join(f"{json.dumps(key, ensure_ascii=False)}:{_json(entry)}" for key, entry in value.items())
            + "}"
        )
    if isinstance(value, list):
        return "[" + ",".join(map(_json, value)) + "]"
    return json.dumps(value, ensure_ascii=False)


# --- orders -----------------------------------------------------------------------------------------------------


TIME_ZONES = frozenset(available_timezones())
FAILED_ZONE = "bean-row"


@cache
def remembered_garden() -> tuple[str, Now]:
    """What a core remembers after a wet morning in June on which a pump failed, and when that was."""
    garden = Garden(EXAMPLE, date(2026, 5, 31), days=4, fill=0.9, rain_mm=12.0)
    garden.run_hours(33)
    garden.season.plant.faults.pump_dead.add(EXAMPLE.pumps[0].output)
    for _ in range(8):
        garden.order(RunZone(FAILED_ZONE, 2.0))
        garden.run_hours(0.25)
    garden.season.plant.faults.pump_dead.clear()
    return json.dumps(garden.season.core.dump()), garden.season.now()


def valid_orders() -> list[dict[str, Any]]:
    """One of each kind, in order."""
    schedule = {"mode": "need", "windows": [{"start": "05:00", "end": "08:00"}], "daily_cap_l": 40}
    fixed = {
        "mode": "fixed", "windows": [], "daily_cap_l": 40.0, "fixed_volume_l": 6.5, "fixed_times": ["06:30", "23:59"],
        "doses_per_day": 2, "soak_min": 0,
    }  # fmt: skip
    weather = {
        "tmin_c": 8, "tmax_c": 19.5, "humidity_mean_percent": 70, "wind_2m_m_s": 2, "radiation_mj_m2": 18,
    }  # fmt: skip
    days = [{"date": f"2026-06-0{day}", "rain_mm": day, "tmin_c": 9, "tmax_c": 18} for day in (1, 2, 3)]
    zone = "bench-north"
    orders: list[dict[str, Any]] = [
        {"order": "run-zone", "zone": zone, "volume_l": 6},
        {"order": "run-zone", "zone": "berry-row", "volume_l": 0.25},
        {"order": "hold"},
        {"order": "hold", "until": "2026-06-01T18:00:00Z"},
        {"order": "resume"},
        {"order": "stop-all"},
        {"order": "clear-fault", "fault": f"no-flow:{FAILED_ZONE}"},
        {"order": "set-schedule", "zone": zone, "base_version": 0, "schedule": schedule},
        {"order": "set-schedule", "zone": "bean-row", "base_version": 0, "schedule": fixed},
        {"order": "undo-schedule", "zone": zone, "base_version": 1},
        {"order": "day-weather", "date": "2026-05-31", **weather},
        {"order": "void-rain", "date": "2026-05-31", "reason": "a hose, not rain"},
        {"order": "zone-looks", "zone": zone, "look": "dry"},
        {"order": "forget-looks", "zone": zone},
        {"order": "hold-zone", "zone": zone, "until": "2026-06-02T07:00:00+01:00"},
        {"order": "resume-zone", "zone": zone},
        {"order": "drain-zone", "zone": zone, "duration_min": 5},
        {"order": "note", "text": "the filter was rinsed"},
        {"order": "forecast", "issued": "2026-06-01T06:00:00Z", "days": days},
        {"ask": "preview-schedule", "zone": zone, "schedule": fixed},
        {"ask": "readings"},
        {"from": 1, "to": 10},
    ]
    return [values if "from" in values else {"id": "x", "sender": "phone", **values} for values in orders]


class _Allowing(dict[str, RateLimit]):
    """Rate limits that limit nothing: what is asked here is what comes after them."""

    def setdefault(self, _key: str, _default: Any = None) -> RateLimit:
        return RateLimit(per_s=1e12, burst=10**12)


@dataclass
class _Post:
    """Stands for the broker; keeps what was published since it was last looked at."""

    messages: Any = ()
    acknowledged: Any = ()
    version_5: bool = True
    unacked: int = 0
    sent: list[tuple[str, bytes]] = field(default_factory=list)

    def publish(self, topic: str, payload: bytes, **_how: Any) -> int:
        self.sent.append((topic, payload))
        return 1


@dataclass
class _Claims:
    """Stands for the journal's thread: order ids are new once."""

    path: Path = Path("none")
    replaced: int = 0
    reopened: int = 0
    last_seq: int = 0
    dropped: int = 0
    trouble: str | None = "none here"
    answers: dict[str, OrderAnswer | None] = field(default_factory=dict)

    def claim_order(self, order_id: str, _wall_ms: int, _timeout_s: float) -> OrderAnswer | None:
        if order_id in self.answers:
            return self.answers[order_id] or OrderAnswer(order_id, False, "this order id was received before")
        self.answers[order_id] = None
        return None

    def submit(self, _work: object, *, urgent: bool = False) -> bool:  # noqa: ARG002
        return True


@dataclass
class _StoppedClock:
    now_: Now
    pace: float = 1.0

    def peek(self) -> Now:
        return self.now_


@dataclass
class Findings:
    """What came of a run."""

    tried: int = 0
    let_in: int = 0
    accepted: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)


class OrderFuzz:
    """A session, a core and a witness."""

    def __init__(self, seed: int) -> None:
        self.rng = Random(f"orders {seed}")
        self.found = Findings()
        self._dump, self._start = remembered_garden()
        self._orders = valid_orders()
        self._number = 0
        self._begin()

    def _begin(self) -> None:
        self.core, self.now = Core(EXAMPLE, json.loads(self._dump)), self._start
        self._claims, self._post, self._clock = _Claims(), _Post(), _StoppedClock(self.now)
        writer, clock = cast(JournalWriter, self._claims), cast(Clock, self._clock)
        self._service = MqttService(EXAMPLE, writer, "f0", 0, {}, clock, lambda: None)
        self._service._limits = _Allowing()
        self._service._refusals = RateLimit(per_s=1e12, burst=10**12)
        self._session = _Session(self._service, cast(Broker, self._post), StandInJournal(Path("none")))
        self._topics = [f"{self._service._log_root}/{leaf}" for leaf in ("order", "ask", "refill")]
        self._set_topics = list(self._service._tree.set_topics())
        self._let_in = 0
        self._owned = owned(self.core)

    def close(self) -> None:
        self._service.stop()

    def run(self, count: int) -> Findings:
        """Send so many messages."""
        for _ in range(count):
            self.one(*self._message())
        return self.found

    def _message(self) -> tuple[str, bytes, bool]:
        rng = self.rng
        self._number += 1
        values = rng.choice(self._orders)
        if "id" in values:
            values = {**values, "id": f"p-{self._number}" if rng.random() < 0.97 else "p-again"}
        if "base_version" in values:
            version = self.core._ctx.state.zones[values["zone"]].schedule_version
            values["base_version"] = version if rng.random() < 0.9 else rng.randrange(5)
        topic = self._topics[2] if "from" in values else self._topics[1] if "ask" in values else self._topics[0]
        way = rng.random()
        if rng.random() < 0.2:
            topic = rng.choice(self._set_topics)
            if topic.endswith("/run/set"):
                values = {"id": values.get("id"), "volume_l": rng.choice((1, 2.5, 6))}
            elif topic.endswith("/schedule/set"):
                values = {"base_version": rng.randrange(3), "schedule": self._orders[7]["schedule"]}
            else:
                words = ("run", "hold", "dry", "wet", f"no-flow:{FAILED_ZONE}", *ODD_TEXTS)
                return topic, rng.choice(words).encode("utf-8", "surrogatepass"), rng.random() < 0.05
        if way < 0.08:
            payload = json.dumps(values).encode()
        elif way < 0.55:
            payload = mutated_values(rng, values)
        elif way < 0.99:
            payload = mutated_text(rng, json.dumps(values).encode())
        else:
            payload = rng.randbytes(rng.choice((0, 1, 100, 70_000)))
        return topic, payload, rng.random() < 0.02

    def one(self, topic: str, payload: bytes, retained: bool) -> None:
        """Send one message and look at what became of it."""
        self.found.tried += 1
        try:
            problem = self._became(topic, payload, retained)
        except Exception as error:
            problem = f"{type(error).__name__} escaped: {error}"
        if problem:
            self.found.wrong.append(f"{topic} {payload[:300]!r}{' retained' if retained else ''}: {problem}")
        if problem or self._let_in >= ORDERS_A_MEMORY:
            self.close()
            self._begin()

    def _became(self, topic: str, payload: bytes, retained: bool) -> str:
        service, post = self._service, self._post
        post.sent.clear()
        own = f"{service._log_root}/answer"
        answer_to = self.rng.choice((None, None, own, f"{own}/phone", f"{own}/", f"{own}/../order", *ODD_ANSWER_TOPICS))
        self._session._handle(
            Message(topic, payload, retained, answer_to, self.rng.choice((None, b"", b"\x00\xff" * 8)))
        )
        astray = [sent for sent, _ in post.sent if not self._may_publish(sent)]
        if astray:
            return f"published to {astray} at somebody else's word"
        orders = []
        while not service.inbox.empty():
            orders.append(service.inbox.get())
        while not service.questions.empty():
            question = service.questions.get()
            if not _sane(question):
                return f"a senseless question passed: {question}"
        if len(orders) > 1:
            return f"one message became {len(orders)} orders"
        if not orders:
            return self._of_none(topic, payload, retained)
        return self._of_one(orders[0], topic, payload, retained)

    def _may_publish(self, topic: str) -> bool:
        """To where answers go and to its own tree, never to where orders come from."""
        own = f"{self._service._log_root}/answer"
        if topic == own or (topic.startswith(f"{own}/") and not set(topic) & set("+#\x00") and len(topic) < 300):
            return True
        return topic.startswith(f"{self._service._tree.root}/") and not topic.endswith("/set")

    def _of_none(self, topic: str, payload: bytes, retained: bool) -> str:
        if self.found.tried % 50 == 0 and owned(self.core) != self._owned:
            return "nothing was let in, yet the memory changed"
        answers = [body for sent, body in self._post.sent if "/answer" in sent]
        if topic == self._topics[0] and (payload or not retained) and len(answers) != 1:
            return f"{len(answers)} answers to an order that was not let in"
        long = [len(body) for _, body in self._post.sent if len(body) > ANSWER_BYTES]
        return f"an answer of {long} bytes" if long else ""

    def _of_one(self, order: Order, topic: str, payload: bytes, retained: bool) -> str:
        self._let_in += 1
        self.found.let_in += 1
        kind = KIND_OF_COMMAND[type(order.command).__name__]
        limit = SCHEDULE_BYTES if kind == "set-schedule" else ORDER_BYTES
        if retained or len(payload) > limit:
            return "a retained or oversized message became an order"
        if not _sane(order) or not _says_so(kind, order, topic, payload):
            return f"a senseless order passed: {order}"
        if decode_input(*encode_input(order)) != order:
            return f"the journal would bring back another order than {order}"
        result = self.core.step(self.now, (order,))
        answers = [answer for answer in result.answers if answer.order_id == order.id]
        if len(answers) != 1:
            return f"{len(answers)} answers to {order}"
        json.dumps([record.data for record in result.records], allow_nan=False)
        before, after = self._owned, owned(self.core)
        self._owned = after
        changed = {part for part in after if after[part] != before[part]}
        if not answers[0].accepted and changed - {"runs", "under way"}:
            return f"refused ({answers[0].reason}), yet {changed} changed"
        if not changed <= MAY_CHANGE[kind]:
            return f"{kind} changed {changed}"
        self._claims.answers[order.id] = answers[0]
        self._service.tell(answers[0])
        self._session._handle_events()
        if answers[0].accepted:
            self.found.accepted[kind] += 1
            if self.found.let_in % 20 == 0:
                return self._lives_on()
        return ""

    def _lives_on(self) -> str:
        """The memory can be kept, brought back, shown, and goes on with."""
        dumped = json.dumps(self.core.dump(), allow_nan=False)
        if json.dumps(Core(EXAMPLE, json.loads(dumped)).dump()) != dumped:
            return "the memory comes back otherwise than it was kept"
        later_ms = self.rng.choice(LIVES_ON_MS)
        self.now = self._clock.now_ = Now(self.now.mono_ms + later_ms, self.now.wall_ms + later_ms, "synchronised")
        self.core.step(self.now, ())
        self._owned = owned(self.core)
        snapshot = self.core.snapshot(self.now)
        over = [zone.id for zone in snapshot.zones if zone.applied_today_l > 1.1 * zone.schedule.daily_cap_l + 1.0]
        return (
            f"more than the day's cap in {over}" if over and not any(self._given_before(zone) for zone in over) else ""
        )

    def _given_before(self, zone_id: str) -> bool:
        """What was given before an order made the cap smaller is no fault."""
        memory: dict[str, Any] = json.loads(self._dump)["state"]["zones"][zone_id]
        return bool(memory["applied_today_ml"])


def _sane(value: Any) -> bool:
    """All numbers finite, all text characters that can be written down, at any depth."""
    if is_dataclass(value):
        return all(_sane(getattr(value, entry.name)) for entry in fields(value))
    if isinstance(value, float):
        return math.isfinite(value)
    if isinstance(value, int):
        return abs(value) < 1 << 63
    if isinstance(value, str):
        return len(value) <= 200 and not any("\ud800" <= character <= "\udfff" for character in value)
    if isinstance(value, (tuple, list)):
        return all(map(_sane, value))
    if isinstance(value, dict):
        return all(_sane(key) and _sane(entry) for key, entry in value.items())
    return True


def _says_so(kind: str, order: Order, topic: str, payload: bytes) -> bool:
    """Does the message, read in the plainest way, say what the order does?"""
    if topic.endswith("/set") and not topic.endswith(("/run/set", "/schedule/set")):
        return True
    said = json.loads(payload)
    command: Any = order.command
    if not topic.endswith("/set") and (
        said["order"] != kind or said["id"] != order.id or said["sender"] != order.sender
    ):
        return False
    zone = said.get("zone") if not topic.endswith("/set") else topic.split("/zone-")[1].split("/")[0]
    if getattr(command, "zone_id", zone) != zone or (zone is not None and all(z.id != zone for z in EXAMPLE.zones)):
        return False
    if kind == "run-zone":
        return bool(command.volume_l == said["volume_l"] > 0) and type(said["volume_l"]) in (int, float)
    if kind == "set-schedule":
        schedule = said["schedule"]
        return bool(
            command.schedule.mode == schedule["mode"]
            and command.schedule.daily_cap_l == schedule["daily_cap_l"] <= 100_000
            and len(command.schedule.windows) == len(schedule["windows"])
            and all(0 <= window.start_min < window.end_min <= 1440 for window in command.schedule.windows)
        )
    return True


# --- site files -------------------------------------------------------------------------------------------------

ODD_VALUES = (
    *ODD_NUMBERS, '""', '"0 L"', '"-5 L"', '"1e400 L"', '"nan L"', '"40"', '"40 gal"', '"40  L"', '"40 L L"', '"4,0 L"',
    '"١٢ L"', '"120 %"', '"-40 °C"', '"900 mm"', '"12 V"', '"0.0000001 mm"', '"9999999999 m2"', '"25:00"', "[]", "{}",
    "[[]]", '["05:30-08:00", "05:30-08:00"]', '["23:00-01:00"]', "1979-05-27", "07:32:00", "1979-05-27T07:32:00Z",
    "'''\n'''", '"Europe/Nowhere"', '"bench-north"', '"main"', '"\\u0000"', "true", "false", "inf", "-nan",
)  # fmt: skip


class SiteFuzz:
    """Mutated site files: refused with reasons, or accepted whole."""

    def __init__(self, seed: int) -> None:
        self.rng = Random(f"sites {seed}")
        self.found = Findings()
        self._text = example_site_text()
        self._lines = self._text.splitlines(keepends=True)

    def run(self, count: int) -> Findings:
        """Try so many files."""
        for _ in range(count):
            text = self._mutated()
            self.found.tried += 1
            problem = self._became(text)
            if problem:
                self.found.wrong.append(f"{_difference(self._text.encode(), text)!r}: {problem}")
        return self.found

    def _mutated(self) -> bytes:
        rng = self.rng
        if rng.random() < 0.2:
            return mutated_text(rng, self._text.encode())
        lines = list(self._lines)
        for _ in range(rng.choice((1, 1, 1, 2, 4))):
            at = rng.randrange(len(lines))
            match rng.randrange(8):
                case 0 | 1 | 2 | 3:
                    lines[at] = self._other_value(lines[at])
                case 4:
                    del lines[at : at + rng.choice((1, 1, 4, 20))]
                case 5:
                    lines[at:at] = lines[at : at + rng.choice((1, 12))]
                case 6:
                    other = rng.randrange(len(lines))
                    lines[at], lines[other] = lines[other], lines[at]
                case _:
                    lines[at] = lines[at].replace("# ", "", 1)
            if not lines:
                lines = ["\n"]
        return "".join(lines).encode("utf-8", "surrogatepass")

    def _other_value(self, line: str) -> str:
        key, equals, value = line.partition(" = ")
        if not equals:
            return line
        numbers = list(re.finditer(r"[0-9]+(?:\.[0-9]+)?", value))
        if numbers and self.rng.random() < 0.6:
            chosen = self.rng.choice(numbers)
            other = self.rng.choice(
                ("0", "1", "2", "7", "12", "59", "99", "-1", "1e3", "1000000", "0.001", "5000", "31")
            )
            return f"{key} = {value[: chosen.start()]}{other}{value[chosen.end() :]}"
        return f"{key} = {self.rng.choice(ODD_VALUES)}\n"

    def _became(self, data: bytes) -> str:
        try:
            text = _decoded(data, Path("site.toml"))
        except ConfigurationError:
            return ""
        try:
            site = parse_site(text, "site.toml", TIME_ZONES)
        except SiteFileError as refused:
            return "" if str(refused).strip() and refused.problems else "refused without a reason"
        except Exception as error:
            return f"{type(error).__name__} escaped: {error}"
        self.found.let_in += 1
        return self._accepted(site, text)

    def _accepted(self, site: Site, text: str) -> str:
        try:
            if parse_site(text, "site.toml", TIME_ZONES) != site:
                return "the same text was understood in two ways"
            board_limits(site)
            memory = json.dumps(Core(site).dump(), allow_nan=False)
            if json.dumps(Core(site, json.loads(memory)).dump()) != memory:
                return "a fresh memory comes back otherwise than it was kept"
        except Exception as error:
            return f"accepted, but {type(error).__name__}: {error}"
        return "" if _finite(site) else "accepted with a number that is none"


def _finite(value: Any) -> bool:
    if is_dataclass(value):
        return all(_finite(getattr(value, entry.name)) for entry in fields(value))
    if isinstance(value, float):
        return math.isfinite(value)
    if isinstance(value, (tuple, list)):
        return all(map(_finite, value))
    return True


def _difference(before: bytes, after: bytes) -> list[bytes]:
    """The lines of a mutated file that are not in the example."""
    known = set(before.splitlines())
    return [line[:200] for line in after.splitlines() if line not in known][:8]


def runs(first_seed: int, count: int, a_run: int) -> list[tuple[int, int]]:
    """(seed, how many) of the runs that make `count` together."""
    return [(first_seed + number, min(a_run, count - number * a_run)) for number in range(-(-count // a_run))]
