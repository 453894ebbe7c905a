"""Sends letters through the notification library, which knows e-mail, web hooks and much more by their address.

The library is loaded only when somebody is to be told. Addresses hold passwords: what it says about them is cut.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from typing import Any
from urllib.parse import parse_qsl, unquote, urlsplit

from controller.errors import ConfigurationError, OperatingError
from dashboards.alert_model import Severity
from dashboards.settings import TargetSettings

SHORTEST_SECRET = 4
HIDDEN = "***"


class Postman:
    """One library object per target. `send` may be called from one thread at a time."""

    def __init__(self, targets: tuple[TargetSettings, ...]) -> None:
        """Raises OperatingError without the library, ConfigurationError for an address that it does not know."""
        try:
            import apprise
        except ModuleNotFoundError as error:
            raise OperatingError(
                f"{error.name} is not installed, nobody can be told. Install it with: pip install 'pumphouse[alerts]'"
            ) from error
        logging.getLogger("apprise").propagate = False
        self._library = apprise
        asset = apprise.AppriseAsset(app_id="pumphouse", app_desc="pumphouse watch", app_url="")
        self._targets = {target.name: self._made(target, asset) for target in targets}
        self._secrets = {target.name: sorted(secrets_in(target.url), key=len, reverse=True) for target in targets}

    def _made(self, target: TargetSettings, asset: Any) -> Any:
        made = self._library.Apprise(asset=asset)
        if not made.add(target.url):
            raise ConfigurationError(
                f"alerts.target {target.name}: the address in its file is of no kind that can be sent to; "
                "docs/watch.md shows e-mail and web hook"
            )
        for service in made:
            service.notify_format = self._library.NotifyFormat.TEXT
        return made

    def send(self, target: str, title: str, body: str, severity: Severity) -> str | None:
        """None when it was sent, else what went wrong, without anything secret."""
        library = self._library
        kinds = {
            "fault": library.NotifyType.FAILURE,
            "warning": library.NotifyType.WARNING,
            "info": library.NotifyType.INFO,
        }
        with library.LogCapture(level=logging.WARNING, fmt="%(message)s") as said:
            done = self._targets[target].notify(
                title=title, body=body, notify_type=kinds[severity], body_format=library.NotifyFormat.TEXT
            )
            problem = " ".join(said.getvalue().split())
        return None if done else self._cut(target, problem) or "not sent; the library gives no reason"

    def _cut(self, target: str, text: str) -> str:
        for secret in self._secrets[target]:
            text = text.replace(secret, HIDDEN)
        return text[:300]


def secrets_in(url: str) -> Iterator[str]:
    """Every part of an address that may be a password or a key: all but its scheme, host and port."""
    parts = urlsplit(url)
    user_info = parts.netloc.rpartition("@")[0]
    pieces = [*user_info.split(":"), *parts.path.split("/"), *(value for _, value in parse_qsl(parts.query))]
    for piece in pieces:
        for form in {piece, unquote(piece)}:
            if len(form) >= SHORTEST_SECRET:
                yield form
