"""Orders and questions of a person at a terminal: sent to the site, and its answer waited for."""

from __future__ import annotations

import json
import secrets
import time
from collections.abc import Mapping
from typing import Any

from controller.errors import OperatingError
from controller.service.broker import Broker, BrokerLost
from controller.site.model import Mqtt

ANSWER_WITHIN_S = 15.0
IDLE_S = 20.0
"""A connection that nobody has used for longer is made anew: the person was away."""


class Requests:
    """One connection to the broker, made when it is needed. `purpose` is the command's name: it begins the ids."""

    def __init__(self, settings: Mqtt, domain: str, site_id: str, who: str, purpose: str) -> None:
        self._settings, self._site_id, self._who, self._purpose = settings, site_id, who, purpose
        self._root = f"{domain}-log/{site_id}"
        self._broker: Broker | None = None
        self._used_s = 0.0

    def exchange(self, leaf: str, fields: Mapping[str, Any]) -> Mapping[str, Any]:
        """Send, and wait for the answer to it. A connection that broke meanwhile is made anew, once.

        Raises OperatingError when nobody answers.
        """
        request_id = f"{self._purpose}-{secrets.token_hex(8)}"
        payload = json.dumps({**fields, "id": request_id, "sender": self._who}, ensure_ascii=False).encode()
        try:
            return self._once(leaf, request_id, payload)
        except BrokerLost:
            self.close()
            return self._once(leaf, request_id, payload)

    def close(self) -> None:
        if self._broker is not None:
            self._broker.drop()
            self._broker = None

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
            client_id = f"pumphouse-{self._purpose}-{secrets.token_hex(4)}"
            self._broker = Broker(self._settings, client_id, None, version_5=False)
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
