"""`pumphouse status`: the site as it is now, from what the controller publishes or from its journal."""

from __future__ import annotations

import argparse
import contextlib
import json
import secrets
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

from controller.commands import live
from controller.errors import ConfigurationError, OperatingError
from controller.service.broker import Broker
from controller.service.homie import DeviceTree, ServiceFacts
from controller.service.journal import Journal
from controller.service.replay import core_class
from controller.service.restore import restore, stored_site
from controller.service.status_text import picture_time, status_lines
from controller.site.model import Mqtt

SUMMARY = "show the site as it is now, from MQTT or the journal"
SETTLED_S = 0.5
LISTEN_S = 5.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    source = parser.add_mutually_exclusive_group(required=True)
    source.add_argument("--journal", type=Path, help="read this journal")
    source.add_argument("--mqtt", metavar="HOST:PORT", help="ask this broker")
    add_broker_arguments(parser)
    shape = parser.add_mutually_exclusive_group()
    shape.add_argument("--json", action="store_true", help="print values by name instead of text")
    shape.add_argument("--live", action="store_true", help="keep showing it, with --mqtt; q leaves")


def add_broker_arguments(parser: argparse.ArgumentParser) -> None:
    """How to be let in at a broker named by `--mqtt`, and which site is meant."""
    parser.add_argument("--domain", default="homie", help="first topic level at the broker (default homie)")
    parser.add_argument("--user", help="account at the broker, for example look-SITE")
    parser.add_argument("--password-file", metavar="FILE", help="file that holds that account's password")
    parser.add_argument("--ca-file", metavar="FILE", help="use TLS and trust this authority's certificate")
    parser.add_argument("--name", help="site id at the broker, when several sites publish there")


def run(args: argparse.Namespace) -> int:
    """Print the page, or JSON. Raises OperatingError when nothing can be had."""
    if args.live:
        if args.mqtt is None:
            raise ConfigurationError("--live needs --mqtt: a journal is read once")
        return live.run(live.Source(lambda: _listening(broker_of(args), args.domain, args.name)))
    if args.journal is not None:
        site_id, values, now = from_journal(args.journal)
    else:
        site_id, values = from_broker(broker_of(args), args.domain, args.name)
        now = picture_time(values, datetime.now(UTC))
    if args.json:
        print(json.dumps({"site": site_id, "values": values}, indent=2, ensure_ascii=False, sort_keys=True))
    else:
        print("\n".join(status_lines(site_id, values, now)))
    return 0


def from_journal(path: Path) -> tuple[str, dict[str, str], datetime]:
    """Site id, values of the tree, and the time of the last stored step."""
    journal = Journal.read(path)
    try:
        checkpoint = journal.checkpoint_before()
        if checkpoint is None:
            raise OperatingError(f"{path}: holds nothing yet")
        site = stored_site(checkpoint.site_text)
        now = journal.last_now()
        core = restore(journal, site, checkpoint.site_text, core_class(), stored_site).core
        reported_ms = journal.last_report_wall_ms()
        facts = ServiceFacts(journal.newest_seq(), 0, "", "", reported_ms, reported_ms)
        tree = DeviceTree(site)
        topics = tree.values(core.snapshot(now), facts)
    finally:
        journal.close()
    return site.id, _by_path(topics, site.id, site.mqtt.domain), datetime.fromtimestamp(now.wall_ms / 1000.0, UTC)


def from_broker(settings: Mqtt, domain: str, name: str | None) -> tuple[str, dict[str, str]]:
    """Site id and values of the tree as the broker has them retained."""
    broker = _subscribed(settings, domain, name)
    try:
        topics = _listen(broker)
    finally:
        broker.drop()
    return _one_site(topics, settings, domain, name)


@contextlib.contextmanager
def _listening(settings: Mqtt, domain: str, name: str | None) -> Iterator[Callable[[], list[str]]]:
    """What gives the page as it is now, as long as the connection stands."""
    broker = _subscribed(settings, domain, name)
    topics = _listen(broker)

    def page() -> list[str]:
        broker.poll(0.0)
        while broker.messages:
            message = broker.messages.popleft()
            topics[message.topic] = message.payload
            broker.poll(0.0)
        site_id, values = _one_site(topics, settings, domain, name)
        return status_lines(site_id, values, picture_time(values, datetime.now(UTC)))

    try:
        yield page
    finally:
        broker.drop()


def _subscribed(settings: Mqtt, domain: str, name: str | None) -> Broker:
    broker = Broker(settings, f"pumphouse-status-{secrets.token_hex(4)}", None, version_5=False)
    devices = [name, f"{name}-board"] if name else ["+"]
    broker.subscribe([f"{domain}/5/{device}/#" for device in devices])
    return broker


def _one_site(topics: dict[str, bytes], settings: Mqtt, domain: str, name: str | None) -> tuple[str, dict[str, str]]:
    """Site id and values by path. Raises OperatingError when there is none, or more than one."""
    roots = sorted(_roots(topics, domain))
    if not roots:
        raise OperatingError(f"no site publishes below {domain}/5/{name or '+'} at {settings.host}:{settings.port}")
    if len(roots) > 1:
        raise OperatingError(f"several sites publish there, choose one with --name: {', '.join(roots)}")
    state = topics.get(f"{domain}/5/{roots[0]}/$state", b"").decode("utf-8", "replace")
    return roots[0], {"$state": state, **_by_path(topics, roots[0], domain)}


def _listen(broker: Broker) -> dict[str, bytes]:
    topics: dict[str, bytes] = {}
    end_s = time.monotonic() + LISTEN_S
    heard_s: float | None = None
    while time.monotonic() < end_s and (heard_s is None or time.monotonic() - heard_s < SETTLED_S):
        broker.poll(0.1)
        while broker.messages:
            message = broker.messages.popleft()
            topics[message.topic] = message.payload
            heard_s = time.monotonic()
    return topics


def _roots(topics: dict[str, bytes], domain: str) -> set[str]:
    """Ids of root devices: those whose description names no other root."""
    roots = set()
    for topic, payload in topics.items():
        levels = topic.split("/")
        if levels[:2] == [domain, "5"] and levels[3:] == ["$description"] and payload:
            try:
                if "root" not in json.loads(payload):
                    roots.add(levels[2])
            except (ValueError, TypeError):
                continue  # Someone else's broken device; it is not ours to judge.
    return roots


def _by_path(topics: dict[str, bytes], site_id: str, domain: str) -> dict[str, str]:
    values: dict[str, str] = {}
    for topic, payload in topics.items():
        for device in (site_id, f"{site_id}-board"):
            start = f"{domain}/5/{device}/"
            path = topic.removeprefix(start)
            if topic.startswith(start) and path.count("/") == 1 and not path.startswith("$") and payload:
                values[path] = payload.decode("utf-8", "replace")
    return values


def broker_of(args: argparse.Namespace) -> Mqtt:
    """Where the broker is and how to be let in."""
    text = args.mqtt
    host, _, port = text.rpartition(":")
    if not host or not port.isdigit() or not 0 < int(port) < 65_536:
        raise ConfigurationError(f"--mqtt {text!r}: write host:port, for example 127.0.0.1:1883")
    return Mqtt(host.strip("[]"), int(port), args.user, args.password_file, args.ca_file)
