"""Collects a Homie 5 device tree from its retained topics. Everything that arrives is untrusted and bounded here.

Pure bookkeeping: topics and payloads in, values out; no network, no clock.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from typing import Any

MAX_DEVICES = 4096
MAX_TOPICS_PER_DEVICE = 2000
MAX_CHARS_PER_DEVICE = 512 * 1024
MAX_VALUE_BYTES = 64 * 1024
TOPIC_ID = re.compile(r"[a-z0-9-]{1,64}")
DEVICE_STATES = ("init", "ready", "disconnected", "sleeping", "lost")


@dataclass(slots=True)
class Heard:
    """A topic's text, when it came (UTC ms, own clock), and whether it was kept by the broker (not fresh)."""

    text: str
    at_ms: int
    retained: bool
    round: int = 0
    """Which hearing of everything the broker keeps it belongs to."""


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
    changes: int = 0
    """Grows with everything heard: what was worked out at the same number still holds."""
    state_round: int = 0
    chars: int = 0

    def text(self, path: str) -> str | None:
        """The value of `node/property`; None when unknown. A single zero byte is how the convention writes ""."""
        heard = self.values.get(path)
        if heard is None:
            return None
        return "" if heard.text == "\x00" else heard.text


class DeviceTree:
    """All devices below one domain. What one message costs does not depend on how many devices there are."""

    def __init__(self, domain: str) -> None:
        self.prefix = f"{domain}/5/"
        self.devices: dict[str, Device] = {}
        self.refused = 0
        self._round = 0
        self._changes = 0
        self._sites: dict[str, Device] = {}
        self._sorted: list[Device] | None = None
        self._children: dict[str, dict[str, Device]] = {}

    def take(self, topic: str, payload: bytes, retained: bool, at_ms: int) -> Device | None:
        """Note one message and say whose it was. What does not belong to the convention is counted in `refused`."""
        parts = topic.removeprefix(self.prefix).split("/")
        text = _decoded(payload)
        if not topic.startswith(self.prefix) or len(parts) < 2 or text is None or not TOPIC_ID.fullmatch(parts[0]):
            self.refused += 1
            return None
        device = self._device(parts[0])
        if device is None:
            self.refused += 1
            return None
        device.heard_at_ms = max(device.heard_at_ms, at_ms)
        self._touch(device)
        self._apply(device, parts[1:], Heard(text, at_ms, retained, self._round))
        return device

    def sites(self) -> list[Device]:
        """Root devices that describe a garden's controller, by id."""
        if self._sorted is None:
            self._sorted = [self._sites[name] for name in sorted(self._sites)]
        return self._sorted

    def site(self, site_id: str) -> Device | None:
        """One of `sites`."""
        return self._sites.get(site_id)

    def board_of(self, site: Device) -> Device | None:
        """The site's microcontroller."""
        children = self._children.get(site.id, {})
        return next((d for d in children.values() if "link" in d.nodes and d.state), None)

    def begin_round(self) -> None:
        """The broker is about to say again everything it keeps."""
        self._round += 1

    def end_round(self) -> None:
        """Everything kept has been heard: what was not among it was deleted while nobody listened."""
        for device in list(self.devices.values()):
            if device.state_round < self._round:
                self._remove(device)
                continue
            for store in (device.values, device.alerts):
                for name in [name for name, heard in store.items() if heard.round < self._round]:
                    self._set_or_delete(device, store, name, Heard("", 0, True))
                    self._touch(device)

    def _touch(self, device: Device) -> None:
        self._changes += 1
        device.changes = self._changes

    def _device(self, device_id: str) -> Device | None:
        if device_id not in self.devices and len(self.devices) < MAX_DEVICES:
            self.devices[device_id] = Device(device_id)
        return self.devices.get(device_id)

    def _remove(self, device: Device) -> None:
        del self.devices[device.id]
        device.state = ""
        self._place(device, "")

    def _apply(self, device: Device, path: list[str], heard: Heard) -> None:
        if path == ["$state"]:
            device.state = heard.text if heard.text in DEVICE_STATES else ""
            device.state_round = self._round
            self._place(device, device.root)
        elif path == ["$description"]:
            self._describe(device, heard.text)
        elif len(path) == 2 and path[0] == "$alert":
            self._set_or_delete(device, device.alerts, path[1], heard)
        elif len(path) == 2 and all(TOPIC_ID.fullmatch(part) for part in path):
            self._set_or_delete(device, device.values, "/".join(path), heard)

    def _describe(self, device: Device, text: str) -> None:
        document = json_or_none(text)
        if not isinstance(document, dict):
            device.nodes = ()
            self._place(device, "")
            self.refused += 1 if text else 0
            return
        nodes = document.get("nodes", {})
        device.nodes = tuple(nodes) if isinstance(nodes, dict) else ()
        root, name = document.get("root", ""), document.get("name", "")
        device.name = without_surrogates(name) if isinstance(name, str) else ""
        self._place(device, root if isinstance(root, str) else "")

    def _place(self, device: Device, root: str) -> None:
        """Keep the lists of sites and of children true after a change of state, nodes or root."""
        if device.root and device.root != root:
            siblings = self._children.get(device.root, {})
            siblings.pop(device.id, None)
            if not siblings:
                self._children.pop(device.root, None)
        device.root = root
        if root:
            self._children.setdefault(root, {})[device.id] = device
        is_site = bool(not root and device.state and "site" in device.nodes)
        if is_site != (device.id in self._sites):
            self._sorted = None
            if is_site:
                self._sites[device.id] = device
            else:
                del self._sites[device.id]

    def _set_or_delete(self, device: Device, store: dict[str, Heard], name: str, heard: Heard) -> None:
        before = store.get(name)
        grown = device.chars + len(heard.text) - (len(before.text) if before is not None else 0)
        if not heard.text:
            store.pop(name, None)
        elif grown > MAX_CHARS_PER_DEVICE or (before is None and len(store) >= MAX_TOPICS_PER_DEVICE):
            self.refused += 1
            return
        else:
            store[name] = heard
        device.chars = grown


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
