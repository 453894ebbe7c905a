"""Asks the owner's source of forecasts for a new one now and then, in a thread of its own, and makes it an order.

The control loop takes the order when it looks; it never waits for the network. Watering needs no forecast, so whatever
goes wrong here is told, tried again later, and harms nothing.
"""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Protocol
from urllib.parse import quote
from zoneinfo import ZoneInfo

from controller.contract import Forecast, Now, Order
from controller.service.forecast_answer import AnswerError, order_values, read_json
from controller.service.orders import Ground, Refusal, order_from_values
from controller.service.web_fetch import Fetched, FetchError, fetch
from controller.site.forecast_checks import KEY_PLACE
from controller.site.model import ForecastSource, Site

FIRST_AFTER_S = 30.0
CLOCK_AGAIN_S = 60.0
RETRY_FIRST_S, RETRY_LAST_S = 300.0, 6 * 3600.0
TELL_AFTER = 4
"""Failures in a row, over an hour of them, before people are told (own choice: networks come and go)."""
ORDER_LIFE_MS = 600_000

log = logging.getLogger("pumphouse.forecast")


class PeekedClock(Protocol):
    """The service's clock, read from another thread."""

    def peek(self) -> Now: ...


def retry_s(failures: int, said_s: float | None = None) -> float:
    """How long to wait after so many failures in a row: twice as long each time, never less than the server said."""
    own_s = min(RETRY_LAST_S, RETRY_FIRST_S * 2.0 ** min(failures - 1, 20))
    return own_s if said_s is None else max(own_s, said_s)


def _nobody() -> None:
    """Nobody waits to be woken before the start."""


def _request(source: ForecastSource) -> tuple[str, dict[str, str]]:
    """The address and the headers, with the key where it belongs. No error ever quotes it."""
    if source.key_file is None:
        return source.url, {}
    try:
        key = Path(source.key_file).read_text(encoding="ascii").strip()
    except UnicodeDecodeError:
        key = ""
    if not key or not key.isprintable():
        raise AnswerError(f"{source.key_file} must hold the key, one line of plain characters, and nothing else")
    if KEY_PLACE in source.url:
        return source.url.replace(KEY_PLACE, quote(key, safe="")), {}
    return source.url, {source.key_header: key}


class ForecastPoll:
    """Runs the thread. `inbox` holds what the control loop has not taken yet; `trouble` what is wrong, for people."""

    def __init__(
        self,
        site: Site,
        source: ForecastSource,
        clock: PeekedClock,
        get: Callable[..., Fetched] = fetch,
    ) -> None:
        self.inbox: queue.SimpleQueue[Order] = queue.SimpleQueue()
        self.trouble: str | None = None
        self._site, self._source, self._clock, self._get = site, source, clock, get
        self._wake: Callable[[], None] = _nobody
        self._time_zone = ZoneInfo(site.place.time_zone)
        self._failures = 0
        self._etag: str | None = None
        self._newest_wall_ms = 0
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="forecast", daemon=True)

    def start(self, wake: Callable[[], None]) -> None:
        """Begin. `wake` is called, in the thread, when there is an order to take."""
        self._wake = wake
        self._thread.start()

    def stop(self, timeout_s: float = 1.0) -> None:
        """End the thread; a fetch under way is not waited for long, the process may end without it."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(timeout_s)

    def _run(self) -> None:
        wait_s = FIRST_AFTER_S
        while not self._stopping.wait(wait_s):
            try:
                wait_s = self.turn()
            except Exception:
                # A fault here must not end the thread; the watering knows nothing of it.
                log.exception("fetching a forecast failed")
                wait_s = RETRY_LAST_S

    def turn(self) -> float:
        """Ask once; seconds until the next time."""
        now = self._clock.peek()
        if now.trust == "unknown":
            # Neither certificates nor dates can be judged.
            return CLOCK_AGAIN_S
        try:
            order = self._asked(now)
        except FetchError as error:
            return self._failed(str(error), error.retry_after_s)
        except (AnswerError, OSError) as error:
            return self._failed(str(error))
        if self._failures:
            log.info("a forecast has come again")
        self._failures, self.trouble = 0, None
        if order is not None:
            self.inbox.put(order)
            self._wake()
        return self._source.every_s

    def _asked(self, now: Now) -> Order | None:
        """The order a new forecast makes; None when there is none newer than the last."""
        source = self._source
        url, headers = _request(source)
        # Without an issue time in it an unchanged answer is a new forecast all the same.
        etag = None if source.fields.issued is None else self._etag
        fetched = self._get(url, headers, plain_http=source.plain_http, etag=etag)
        if fetched.body is None:
            return None
        values = order_values(read_json(fetched.body), source, self._time_zone, now.wall_ms)
        found = order_from_values(values, Ground(self._site, now.wall_ms, life_ms=ORDER_LIFE_MS))
        if isinstance(found, Refusal):
            raise AnswerError(f"the answer is no forecast to go by: {found.reason}")
        self._etag = fetched.etag
        assert isinstance(found.command, Forecast)
        if found.command.issued_wall_ms <= self._newest_wall_ms:
            return None
        self._newest_wall_ms = found.command.issued_wall_ms
        return found

    def _failed(self, text: str, said_s: float | None = None) -> float:
        self._failures += 1
        wait_s = retry_s(self._failures, said_s)
        log.log(logging.WARNING if self._failures == 1 else logging.INFO, "no forecast: %s", text)
        if self._failures >= TELL_AFTER:
            self.trouble = text
        return wait_s
