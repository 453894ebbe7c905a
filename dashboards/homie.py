"""Collects a Homie 5 device tree from its retained topics. Everything that arrives is untrusted and bounded here.

Pure bookkeeping: topics and payloads in, values out; no network, no clock.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from typing import Any

MAX_DEVICES = 64
MAX_TOPICS_PER_DEVICE = 2000
MAX_VALUE_BYTES = 64 * 1024
TOPIC_ID = re.compile(r"[a-z0-9-]{1,64}")
DEVICE_STATES = ("init", "ready", "disconnected", "sleeping", "lost")


@dataclass(slots=True)
class Heard:
    """A topic's text, when it came (UTC ms, own clock), and whether it was kept by the broker (not fresh)."""

    text: str
    at_ms: int
    retained: bool


@dataclass(slots=True)
class Device:
    """One device: state as it says itself, name and links of its description, and values by `node/property`."""

    id: str
    state: str = ""
    name: str = ""
    root: str = ""
    nodes: tuple[str, ...] = ()
    heard_at_ms: int = 0
    values: dict[str, Heard] = field(default_factory=dict)
    alerts: dict[str, Heard] = field(default_factory=dict)

    def text(self, path: str) -> str | None:
        """The value of `node/property`; None when unknown. A single zero byte is how the convention writes ""."""
        heard = self.values.get(path)
        if heard is None:
            return None
        return "" if heard.text == "\x00" else heard.text


class DeviceTree:
    """All devices below one domain."""

    def __init__(self, domain: str) -> None:
        self.prefix = f"{domain}/5/"
        self.devices: dict[str, Device] = {}
        self.refused = 0

    def take(self, topic: str, payload: bytes, retained: bool, at_ms: int) -> None:
        """Note one message. What does not belong to the convention is counted in `refused` and changes nothing."""
        parts = topic.removeprefix(self.prefix).split("/")
        text = _decoded(payload)
        if not topic.startswith(self.prefix) or len(parts) < 2 or text is None or not TOPIC_ID.fullmatch(parts[0]):
            self.refused += 1
            return
        device = self._device(parts[0])
        if device is None:
            self.refused += 1
            return
        device.heard_at_ms = max(device.heard_at_ms, at_ms)
        self._apply(device, parts[1:], Heard(text, at_ms, retained))

    def sites(self) -> list[Device]:
        """Root devices that describe a garden's controller, by id."""
        roots = (d for d in self.devices.values() if not d.root and d.state and "site" in d.nodes)
        return sorted(roots, key=lambda d: d.id)

    def board_of(self, site: Device) -> Device | None:
        """The site's microcontroller."""
        return next((d for d in self.devices.values() if d.root == site.id and "link" in d.nodes and d.state), None)

    def _device(self, device_id: str) -> Device | None:
        if device_id not in self.devices and len(self.devices) < MAX_DEVICES:
            self.devices[device_id] = Device(device_id)
        return self.devices.get(device_id)

    def _apply(self, device: Device, path: list[str], heard: Heard) -> None:
        if path == ["$state"]:
            device.state = heard.text if heard.text in DEVICE_STATES else ""
        elif path == ["$description"]:
            self._describe(device, heard.text)
        elif len(path) == 2 and path[0] == "$alert":
            _set_or_delete(device.alerts, path[1], heard)
        elif len(path) == 2 and all(TOPIC_ID.fullmatch(part) for part in path):
            _set_or_delete(device.values, "/".join(path), heard)

    def _describe(self, device: Device, text: str) -> None:
        document = json_or_none(text)
        if not isinstance(document, dict):
            device.nodes, device.root = (), ""
            self.refused += 1 if text else 0
            return
        nodes = document.get("nodes", {})
        device.nodes = tuple(nodes) if isinstance(nodes, dict) else ()
        root, name = document.get("root", ""), document.get("name", "")
        device.root = root if isinstance(root, str) else ""
        device.name = without_surrogates(name) if isinstance(name, str) else ""


def without_surrogates(text: str) -> str:
    """JSON can smuggle in halves of characters that no encoding can write; they become question marks."""
    return text.encode("utf-8", "replace").decode("utf-8")


def json_or_none(text: str | None) -> Any:
    """A JSON document, or None when there is none or it is damaged."""
    if not text:
        return None
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return None


def _decoded(payload: bytes) -> str | None:
    if len(payload) > MAX_VALUE_BYTES:
        return None
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError:
        return None


def _set_or_delete(store: dict[str, Heard], name: str, heard: Heard) -> None:
    if not heard.text:
        store.pop(name, None)
    elif name in store or len(store) < MAX_TOPICS_PER_DEVICE:
        store[name] = heard
