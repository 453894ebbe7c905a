"""Writes points through the InfluxDB 2 interface. The client library is loaded only when a database is configured."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from typing import Any

from controller.errors import OperatingError
from dashboards.export_points import ExportPoint
from dashboards.settings import InfluxSettings

TIMEOUT_MS = 15_000
WILL_NEVER_TAKE = (400, 413, 422)
"""Malformed, too large, or of another type than before: the same points will be refused again."""


class TryLater(Exception):  # noqa: N818 - what to do, not an error class of its own kind
    """The database did not take the points now; `after_s` is how long it wants to be left alone, if it said so."""

    def __init__(self, reason: str, after_s: float | None = None) -> None:
        super().__init__(reason)
        self.after_s = after_s


class Refused(Exception):  # noqa: N818
    """The database will never take these points, or not all of them together."""


class InfluxWriter:
    """One database; `write` returns when it has confirmed the points."""

    def __init__(self, settings: InfluxSettings) -> None:
        """Raises OperatingError without the library."""
        try:
            import influxdb_client
            from influxdb_client.client.write_api import SYNCHRONOUS
        except ModuleNotFoundError as error:
            raise OperatingError(
                f"{error.name} is not installed. Install it with: pip install 'pumphouse[influx]'"
            ) from error
        # At its finer levels the library logs whole requests, the token in them.
        logging.getLogger("influxdb_client").setLevel(logging.WARNING)
        self._library: Any = influxdb_client
        self._token = settings.token
        self._client: Any = self._library.InfluxDBClient(
            url=settings.url, token=settings.token, org=settings.org, timeout=TIMEOUT_MS, enable_gzip=True
        )
        self._write_api = self._client.write_api(write_options=SYNCHRONOUS)
        self._bucket, self._org = settings.bucket, settings.org

    def close(self) -> None:
        self._client.close()

    def write(self, points: Sequence[ExportPoint]) -> None:
        """Raises TryLater or Refused."""
        from urllib3.exceptions import HTTPError

        lines = [self._line(point) for point in points]
        try:
            self._write_api.write(self._bucket, self._org, lines, write_precision=self._library.WritePrecision.NS)
        except self._library.rest.ApiException as error:
            reason = self._without_token(f"{error.status} {error.reason}: {error.message or ''}")
            if error.status in WILL_NEVER_TAKE:
                raise Refused(reason) from None
            raise TryLater(reason, _seconds((error.headers or {}).get("Retry-After"))) from None
        except (HTTPError, OSError) as error:
            raise TryLater(self._without_token(f"{type(error).__name__}: {error}")) from None

    def _line(self, point: ExportPoint) -> str:
        made = self._library.Point(point.measurement).time(point.time_ns, self._library.WritePrecision.NS)
        for name, tag in point.tags:
            made.tag(name, tag)
        for name, field in point.fields:
            made.field(name, field)
        return str(made.to_line_protocol())

    def _without_token(self, text: str) -> str:
        return " ".join(text.replace(self._token, "***").split())[:300]


def _seconds(text: Any) -> float | None:
    try:
        seconds = float(text)
    except (TypeError, ValueError):
        return None
    return seconds if 0.0 <= seconds <= 86_400.0 else None
