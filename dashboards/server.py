"""The web server: uvicorn with limits that hold before a request is complete, and TLS when there is a certificate."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from dashboards.gate import network_of
from dashboards.http_guard import MAX_HEADER_BYTES, MAX_TARGET_BYTES, App

REQUEST_WITHIN_S = 10.0
"""The head of a request is a kilobyte: over the poorest mobile link it takes seconds. Own choice."""
TAKEN_WITHIN_S = 60.0
MOST_CONNECTIONS = 128
MOST_CONNECTIONS_OF_AN_ADDRESS = 48
"""A browser opens six; many people may come through one tunnel or proxy. Own choice."""
KEEP_ALIVE_S = 15


@dataclass(frozen=True, slots=True)
class Listening:
    """Where the page is served, and how. Both files or neither."""

    host: str
    port: int
    cert_file: str | None = None
    key_file: str | None = None
    proxies: Sequence[str] = ()
    """Addresses whose X-Forwarded-For and X-Forwarded-Proto are believed."""


class PatientProtocol(H11Protocol):
    """Ends connections that do not bring a whole request head in time or do not take their answer. When there are too
    many, the one that has been idle for longest makes room for the newest.

    Without it, whoever opens connections and says nothing keeps everybody else out.
    """

    address = ""
    began_s = 0.0
    _timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self.address = network_of(self.client[0]) if self.client else ""
        self.began_s = self.loop.time()
        self._end_after(REQUEST_WITHIN_S)
        everybody = [other for other in self.connections if isinstance(other, PatientProtocol)]
        own = [other for other in everybody if other.address == self.address]
        shared = self.config.proxy_headers  # A proxy brings everybody's requests from its own address.
        if len(own) > MOST_CONNECTIONS_OF_AN_ADDRESS and not shared:
            _make_room(own, self)
        elif len(everybody) > MOST_CONNECTIONS:
            _make_room(everybody, self)

    def is_idle(self) -> bool:
        """Nothing is being answered on it."""
        return self.cycle is None or self.cycle.response_complete

    def connection_lost(self, exc: Exception | None) -> None:
        self._go_on()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        before = self.cycle
        if self._timer is None and (before is None or before.response_complete):
            self._end_after(REQUEST_WITHIN_S)
        super().data_received(data)
        if self.cycle is not before:
            self._go_on()

    def pause_writing(self) -> None:
        super().pause_writing()
        self._end_after(TAKEN_WITHIN_S)

    def resume_writing(self) -> None:
        super().resume_writing()
        self._go_on()

    def _end_after(self, seconds: float) -> None:
        self._go_on()
        self._timer = self.loop.call_later(seconds, self.transport.abort)

    def _go_on(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


def _make_room(connections: Sequence[PatientProtocol], newest: PatientProtocol) -> None:
    idle = [other for other in connections if other is not newest and other.is_idle()]
    least = min(idle, key=lambda other: other.began_s, default=newest)
    least.transport.abort()
    least.connections.discard(least)


def server(app: App, listening: Listening) -> uvicorn.Server:
    """Ready to `run`. Raises OSError (of which ssl.SSLError is one) when the certificate cannot be used."""
    config = uvicorn.Config(
        app,
        host=listening.host,
        port=listening.port,
        http=PatientProtocol,
        log_level="error",
        access_log=False,
        server_header=False,
        # uvicorn would believe these headers from 127.0.0.1 by itself; that is where a tunnel's end is.
        proxy_headers=bool(listening.proxies),
        forwarded_allow_ips=list(listening.proxies),
        h11_max_incomplete_event_size=MAX_HEADER_BYTES + MAX_TARGET_BYTES,
        timeout_keep_alive=KEEP_ALIVE_S,
        timeout_graceful_shutdown=5,
        ssl_certfile=listening.cert_file,
        ssl_keyfile=listening.key_file,
        ws="none",
        lifespan="off",
    )
    config.load()
    return uvicorn.Server(config)
