"""The live site of a commissioning: orders, readings and values over one connection to the broker."""

from __future__ import annotations

import json
import secrets
import time
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import TypeAdapter, ValidationError

from controller.commands.status import from_broker
from controller.commissioning.readings import Readings
from controller.errors import OperatingError
from controller.service.broker import Broker, BrokerLost
from controller.site.model import Mqtt

ANSWER_WITHIN_S = 15.0
READ_EVERY_S = 1.05
"""A little less often than questions are let in."""
REPORT_WITHIN_S = 90.0
"""The board may report once in a minute until it is asked to hurry."""
IDLE_S = 20.0
"""A connection that nobody has used for longer is made anew: the person was away."""
BURST, EVERY_S = 8, 1.05
"""Orders are let in one a second beyond a burst of ten; this keeps below it."""
SHAPE = TypeAdapter(Readings)


class OverMqtt:
    """Raises OperatingError when nobody answers.

    pace         how much faster than real time the site runs
    wants_stop   asked again and again while the board is looked at: does the person want everything stopped?
    """

    def __init__(
        self,
        settings: Mqtt,
        site_id: str,
        who: str,
        time_zone: str,
        pace: float = 1.0,
        wants_stop: Callable[[], bool] = lambda: False,
    ) -> None:
        self._settings, self._site_id, self._who, self._pace = settings, site_id, who, pace
        self._wants_stop = wants_stop
        self._zone = ZoneInfo(time_zone)
        self._root = f"{settings.domain}-log/{site_id}"
        self._broker: Broker | None = None
        self._used_s = 0.0
        self._burst_over_s = 0.0

    def order(self, fields: Mapping[str, Any]) -> str:
        """Send an order; why it was refused, or nothing."""
        now_s = time.monotonic()
        # Each order fills the burst by one, and it empties with time.
        self._burst_over_s = max(self._burst_over_s, now_s) + EVERY_S
        time.sleep(max(0.0, self._burst_over_s - now_s - BURST * EVERY_S))
        answer = self._exchange("order", fields)
        return "" if answer["accepted"] else str(answer["reason"] or "no reason was given")

    def look(self, seconds: float) -> tuple[Readings, ...]:
        """Readings over so long, one or more, each once; none that the board reported before."""
        began_s = time.monotonic()
        found: list[Readings] = []
        why = "it has not reported"
        while True:
            asked_s = time.monotonic()
            if self._wants_stop():
                self.order({"order": "stop-all"})
            answer = self._exchange("ask", {"ask": "readings"})
            if answer["accepted"]:
                newest = _readings(answer.get("readings"))
                since_s = (time.monotonic() - began_s) * self._pace
                if newest.age_s < since_s and (not found or _another(found[-1], newest)):
                    found.append(newest)
            else:
                why = str(answer["reason"])
            now_s = time.monotonic()
            if found and (now_s - began_s) * self._pace >= seconds:
                return tuple(found)
            if now_s - began_s > REPORT_WITHIN_S + seconds / self._pace:
                raise OperatingError(f"no readings of the board: {why}")
            time.sleep(max(0.0, asked_s + READ_EVERY_S - now_s))

    def values(self) -> dict[str, str]:
        """What the site has published, by path."""
        _, values = from_broker(self._settings, self._settings.domain, self._site_id)
        return values

    def now(self) -> datetime:
        """The site's own time, as it last said it; this machine's when it has not."""
        try:
            told = datetime.fromisoformat(self.values()["site/updated-at"])
        except (KeyError, ValueError):
            return datetime.now(self._zone)
        return told.astimezone(self._zone)

    def close(self) -> None:
        if self._broker is not None:
            self._broker.drop()
            self._broker = None

    def _exchange(self, leaf: str, fields: Mapping[str, Any]) -> Mapping[str, Any]:
        """Send, and wait for the answer to it. A connection that broke meanwhile is made anew, once."""
        request_id = f"commission-{secrets.token_hex(8)}"
        payload = json.dumps({**fields, "id": request_id, "sender": self._who}, ensure_ascii=False).encode()
        try:
            return self._once(leaf, request_id, payload)
        except BrokerLost:
            self.close()
            return self._once(leaf, request_id, payload)

    def _once(self, leaf: str, request_id: str, payload: bytes) -> Mapping[str, Any]:
        broker = self._connected()
        broker.publish(f"{self._root}/{leaf}", payload)
        end_s = time.monotonic() + ANSWER_WITHIN_S
        while time.monotonic() < end_s:
            broker.poll(0.2)
            while broker.messages:
                answer = _answer(broker.messages.popleft().payload, request_id)
                if answer is not None:
                    self._used_s = time.monotonic()
                    return answer
        raise OperatingError(
            f"{self._site_id} did not answer within {ANSWER_WITHIN_S:g} s; is the controller running, and may this "
            "account give orders (--user act-SITE)?"
        )

    def _connected(self) -> Broker:
        if self._broker is not None and time.monotonic() - self._used_s > IDLE_S:
            self.close()
        if self._broker is None:
            self._broker = Broker(self._settings, f"pumphouse-commission-{secrets.token_hex(4)}", None, version_5=False)
            self._broker.subscribe([f"{self._root}/answer"])
            self._broker.poll(0.2)
            self._used_s = time.monotonic()
        return self._broker


def _answer(payload: bytes, request_id: str) -> Mapping[str, Any] | None:
    try:
        values = json.loads(payload)
        if isinstance(values, dict) and values["id"] == request_id and isinstance(values["accepted"], bool):
            return values
    except (ValueError, KeyError):
        return None
    return None


def _readings(values: object) -> Readings:
    try:
        return SHAPE.validate_python(values)
    except ValidationError as error:
        raise OperatingError(
            f"the controller's readings are not what this program knows ({error.error_count()} fields); are both of "
            "the same version?"
        ) from error


def _another(before: Readings, newest: Readings) -> bool:
    return (before.boot, before.up_s) != (newest.boot, newest.up_s)
