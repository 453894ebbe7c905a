"""One small document from the web: over TLS, in bounded time and size, never from where it was not asked for.

No proxy of the environment is used and no redirect to another host is followed: the address in the site file is the one
that is spoken to, and only it is ever shown the key.
"""

from __future__ import annotations

import http.client
import socket
import ssl
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urljoin, urlsplit

from controller.site.forecast_checks import is_own_network

MOST_BYTES = 256 * 1024
PART_TIMEOUT_S = 10.0
"""For each packet that is waited for."""
WHOLE_TIMEOUT_S = 60.0
MOST_REDIRECTS = 3
_REDIRECTS = (301, 302, 303, 307, 308)
_BUSY = (429, 503)
_LONGEST_RETRY_S = 86_400.0


class FetchError(Exception):
    """Why nothing was fetched, in words; `retry_after_s` when the server said when to come back."""

    def __init__(self, text: str, retry_after_s: float | None = None) -> None:
        super().__init__(text)
        self.retry_after_s = retry_after_s


@dataclass(frozen=True, slots=True)
class Limits:
    """How long and how much at most."""

    part_s: float = PART_TIMEOUT_S
    whole_s: float = WHOLE_TIMEOUT_S
    most_bytes: int = MOST_BYTES


@dataclass(frozen=True, slots=True)
class Fetched:
    """A body with what the server would know it by again; None: it has not changed since."""

    body: bytes | None
    etag: str | None = None


USUAL_LIMITS = Limits()


def fetch(
    url: str,
    headers: Mapping[str, str],
    *,
    plain_http: bool = False,
    etag: str | None = None,
    limits: Limits = USUAL_LIMITS,
) -> Fetched:
    """GET one document. `plain_http` allows an unencrypted address in a private network. Raises FetchError."""
    asked = url
    for _ in range(MOST_REDIRECTS + 1):
        found = _Exchange(asked, plain_http, limits).get(headers, etag)
        if isinstance(found, Fetched):
            return found
        if _origin(found) != _origin(url):
            raise FetchError(f"the server sends us on to {_shown(found)}; put that into the site file if it is right")
        asked = found
    raise FetchError(f"the server sent us on more than {MOST_REDIRECTS} times")


def _origin(url: str) -> tuple[str, str | None, int]:
    parts = urlsplit(url)
    return parts.scheme, parts.hostname, parts.port or (443 if parts.scheme == "https" else 80)


def _shown(url: str) -> str:
    """An address without what may be secret in it."""
    parts = urlsplit(url)
    return f"{parts.scheme}://{parts.hostname or ''}"[:100]


class _Exchange:
    """One request and its answer. A timer cuts the connection when it all takes too long."""

    def __init__(self, url: str, plain_http: bool, limits: Limits) -> None:
        try:
            parts = urlsplit(url)
            self._scheme, self._host, port = parts.scheme, parts.hostname or "", parts.port
        except ValueError:
            raise FetchError("the server sends us to something that is no address") from None
        if self._scheme not in ("https", "http") or (self._scheme == "http" and not plain_http):
            raise FetchError(f"{_shown(url)} is not encrypted")
        self._target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        self._url, self._limits = url, limits
        self._late = False
        self._socket: socket.socket | None = None
        """The connection forgets its own as soon as the headers are read."""
        if self._scheme == "https":
            self._connection: http.client.HTTPConnection = http.client.HTTPSConnection(
                self._host, port, timeout=limits.part_s, context=ssl.create_default_context()
            )
        else:
            self._connection = http.client.HTTPConnection(self._host, port, timeout=limits.part_s)

    def get(self, headers: Mapping[str, str], etag: str | None) -> Fetched | str:
        """What was fetched, or the address to look at instead."""
        timer = threading.Timer(self._limits.whole_s, self._cut)
        timer.daemon = True
        timer.start()
        try:
            return self._get({**headers, **({} if etag is None else {"If-None-Match": etag})})
        except (OSError, http.client.HTTPException, ValueError) as error:
            if self._late:
                raise FetchError(f"{self._host} took longer than {self._limits.whole_s:g} s") from None
            raise FetchError(f"{self._host}: {_words(error)}") from None
        finally:
            timer.cancel()
            self._connection.close()

    def _cut(self) -> None:
        self._late = True
        if self._socket is not None:
            try:
                self._socket.shutdown(socket.SHUT_RDWR)
            except OSError:
                return  # It was closed in the meantime.

    def _get(self, headers: Mapping[str, str]) -> Fetched | str:
        connection = self._connection
        connection.connect()
        self._socket = connection.sock
        if self._scheme == "http" and not is_own_network(str(connection.sock.getpeername()[0])):
            raise FetchError(f"{self._host} is not in a private network, so it must be asked by https")
        usual = {"Accept": "application/json", "Accept-Encoding": "identity", "User-Agent": "pumphouse"}
        connection.request("GET", self._target, headers={**usual, **headers})
        with connection.getresponse() as response:
            return self._judged(response)

    def _judged(self, response: http.client.HTTPResponse) -> Fetched | str:
        if response.status == 304:
            return Fetched(None)
        if response.status in _REDIRECTS:
            onward = urljoin(self._url, response.headers.get("Location", ""))
            _origin(onward)  # Raises for what is no address.
            return onward
        if response.status != 200:
            wait_s = _retry_after_s(response) if response.status in _BUSY else None
            raise FetchError(f"{self._host} answered {response.status} {response.reason[:40]}", wait_s)
        if response.headers.get("Content-Encoding", "identity") != "identity":
            raise FetchError(f"{self._host} sent a packed answer, which was not asked for")
        return Fetched(self._body(response), response.headers.get("ETag"))

    def _body(self, response: http.client.HTTPResponse) -> bytes:
        most = self._limits.most_bytes
        too_much = FetchError(f"{self._host} sent more than {most // 1024} KiB")
        if response.length is not None and response.length > most:
            raise too_much
        body = response.read(most + 1)
        if self._late:
            # A connection that was cut reads like one that has ended.
            raise OSError("cut")
        if len(body) > most:
            raise too_much
        if response.length:
            raise OSError(f"the answer broke off {response.length} bytes before its end")
        return body


def _words(error: Exception) -> str:
    return (str(error) or type(error).__name__)[:160]


def _retry_after_s(response: http.client.HTTPResponse) -> float | None:
    """Seconds of a Retry-After header (RFC 9110 section 10.2.3), at most a day; its form with a date is not read."""
    text = response.headers.get("Retry-After", "")
    return min(float(text), _LONGEST_RETRY_S) if text.isascii() and text.isdigit() and len(text) < 9 else None
