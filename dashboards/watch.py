"""`pumphouse watch`: an MQTT client with its own small history that serves one page and a JSON interface."""

from __future__ import annotations

import argparse
import ipaddress
import logging
import signal
from pathlib import Path

from controller.errors import ConfigurationError, OperatingError

SUMMARY = "serve the page, from what MQTT says"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--mqtt", metavar="HOST:PORT", default="127.0.0.1:1883", help="the broker (127.0.0.1:1883)")
    parser.add_argument("--domain", default="homie", help="first topic level of the device tree (homie)")
    parser.add_argument("--user", help="name of this page's account at the broker")
    parser.add_argument("--password-file", metavar="FILE", help="file whose first line is that account's password")
    parser.add_argument("--ca-file", metavar="FILE", help="use TLS and trust this authority's certificate")
    parser.add_argument(
        "--http", metavar="HOST:PORT", default="127.0.0.1:8080", help="where to serve the page (127.0.0.1:8080)"
    )
    parser.add_argument(
        "--host-name",
        metavar="NAME",
        action="append",
        default=[],
        help="also answer to this name, for example pumphouse.lan; may be given several times",
    )
    parser.add_argument(
        "--store", metavar="FILE", default="watch-history.sqlite3", help="the history file (watch-history.sqlite3)"
    )
    parser.add_argument("--units", choices=("metric", "us"), help="show these units whatever the site prefers")
    parser.add_argument(
        "--open-on-loopback",
        action="store_true",
        help="no accounts: whoever is on this machine may look and order; refused with any other address",
    )


def run(args: argparse.Namespace) -> int:
    """Serve until interrupted. Raises ConfigurationError for arguments that cannot be used."""
    mqtt_host, mqtt_port = host_and_port(args.mqtt, "--mqtt", 1883)
    http_host, http_port = host_and_port(args.http, "--http", 8080)
    if args.open_on_loopback and not is_loopback(http_host):
        raise ConfigurationError(
            f"--open-on-loopback with --http {args.http}: whoever reaches that address could give orders. Leave out "
            "--open-on-loopback, so that people sign in, or serve on 127.0.0.1."
        )
    password = _first_line(args.password_file) if args.password_file else None
    try:
        import uvicorn

        from dashboards.access import Person
        from dashboards.app import build_app
        from dashboards.feed import BrokerSettings, Feed
        from dashboards.gate import OpenDoor
        from dashboards.store import HistoryStore
    except ModuleNotFoundError as error:
        raise OperatingError(
            f"{error.name} is not installed. Install it with: pip install 'pumphouse[dashboards]'"
        ) from error
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")
    store = HistoryStore(args.store)
    feed = Feed(BrokerSettings(mqtt_host, mqtt_port, args.domain, args.user, password, args.ca_file), store)
    door = OpenDoor(Person("this machine", "act" if args.open_on_loopback else "look"))
    app = build_app(feed, door, args.units, tuple(args.host_name))
    config = uvicorn.Config(
        app,
        host=http_host,
        port=http_port,
        log_level="warning",
        access_log=False,
        server_header=False,
        limit_concurrency=64,
        timeout_keep_alive=15,
        ws="none",
        lifespan="off",
    )
    # uvicorn raises the signal that stopped it once more afterwards; closing the history comes first.
    signal.signal(signal.SIGTERM, lambda _signum, _frame: None)
    feed.start()
    try:
        print(f"The page: http://{_for_address_bar(http_host)}:{http_port}/", flush=True)
        uvicorn.Server(config).run()
    finally:
        feed.stop()
        store.close()
    return 0


def host_and_port(text: str, option: str, default_port: int) -> tuple[str, int]:
    """`HOST`, `HOST:PORT` or `[IPv6]:PORT`. Raises ConfigurationError for anything else."""
    host, colon, port_text = text.rpartition(":")
    if not colon or text.endswith("]"):
        host, port_text = text, str(default_port)
    host = host.strip("[]")
    if not host or not port_text.isdigit() or not 1 <= int(port_text) <= 65535:
        raise ConfigurationError(f"{option} {text!r}: write HOST:PORT, for example 127.0.0.1:{default_port}")
    return host, int(port_text)


def is_loopback(host: str) -> bool:
    """True for localhost and loopback addresses; a name that would have to be looked up is not taken for one."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _first_line(path: str) -> str:
    try:
        return Path(path).read_text(encoding="utf-8").partition("\n")[0].rstrip("\r")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigurationError(f"--password-file {path}: cannot be read ({error})") from error


def _for_address_bar(host: str) -> str:
    return f"[{host}]" if ":" in host else host
