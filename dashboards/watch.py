"""`pumphouse watch`: an MQTT client with its own small history that serves one page and a JSON interface."""

from __future__ import annotations

import argparse
import contextlib
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
    parser.add_argument(
        "--settings", metavar="FILE", help="databases to write to and people to tell, see docs/watch.md"
    )
    parser.add_argument(
        "--test-alert",
        action="store_true",
        help="send everybody in the settings a trial message, say what happened, end",
    )
    parser.add_argument("--units", choices=("metric", "us"), help="show these units whatever the site prefers")
    parser.add_argument(
        "--accounts",
        metavar="FILE",
        default="watch-accounts.sqlite3",
        help="the file of accounts (watch-accounts.sqlite3)",
    )
    parser.add_argument(
        "--open-on-loopback",
        action="store_true",
        help="no accounts: whoever is on this machine may look and order; refused with any other address",
    )
    parser.add_argument(
        "--refused-passwords",
        metavar="FILE",
        help="nobody may choose a password of this list, one a line; read whenever somebody chooses",
    )
    parser.add_argument("--tls-cert", metavar="FILE", help="serve over TLS with this certificate chain (PEM)")
    parser.add_argument("--tls-key", metavar="FILE", help="the certificate's private key (PEM)")
    parser.add_argument(
        "--strict-transport",
        action="store_true",
        help="have browsers use TLS for this name for a year, on every port: only if nothing else is served there",
    )
    parser.add_argument(
        "--plain-http",
        action="store_true",
        help="serve beyond this machine without TLS, because that address is reached through an encrypted tunnel only",
    )
    parser.add_argument(
        "--behind-proxy",
        metavar="ADDRESS",
        action="append",
        default=[],
        help="believe X-Forwarded-For and X-Forwarded-Proto from this address; may be given several times",
    )


def run(args: argparse.Namespace) -> int:
    """Serve until interrupted. Raises ConfigurationError for arguments that cannot be used."""
    mqtt_host, mqtt_port = host_and_port(args.mqtt, "--mqtt", 1883)
    http_host, http_port = host_and_port(args.http, "--http", 8080)
    check_exposure(args, http_host)
    password = _first_line(args.password_file) if args.password_file else None
    try:
        from dashboards.accounts import Accounts
        from dashboards.app import build_app
        from dashboards.door import AccountDoor
        from dashboards.feed import BrokerSettings, Feed
        from dashboards.gate import OpenDoor
        from dashboards.known_passwords import KnownPasswords
        from dashboards.order_book import OrderBook
        from dashboards.outlets import open_outlets, trial_alert
        from dashboards.server import Listening, server
        from dashboards.settings import WatchSettings, load_settings
        from dashboards.store import HistoryStore
    except ModuleNotFoundError as error:
        raise OperatingError(
            f"{error.name} is not installed. Install it with: pip install 'pumphouse[dashboards]'"
        ) from error
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")
    settings = load_settings(args.settings) if args.settings else WatchSettings()
    if args.test_alert:
        return trial_alert(settings.alerts)
    # Who came in and who was turned away: the one thing worth a line though nothing is wrong.
    logging.getLogger("pumphouse.accounts").setLevel(logging.INFO)
    with contextlib.ExitStack() as stack:
        door: AccountDoor | OpenDoor = OpenDoor()
        if not args.open_on_loopback:
            accounts = stack.enter_context(contextlib.closing(Accounts(args.accounts)))
            known = KnownPasswords(args.refused_passwords) if args.refused_passwords else None
            door = stack.enter_context(contextlib.closing(AccountDoor(accounts, known=known)))
        store = stack.enter_context(contextlib.closing(HistoryStore(args.store, settings.fine_days)))
        feed = Feed(BrokerSettings(mqtt_host, mqtt_port, args.domain, args.user, password, args.ca_file), store)
        # Beside the history, which may be deleted at any time: orders cannot be asked for again.
        book = stack.enter_context(contextlib.closing(OrderBook(f"{args.store}.orders")))
        app = build_app(feed, door, args.units, tuple(args.host_name), book, strict_transport=args.strict_transport)
        listening = Listening(http_host, http_port, args.tls_cert, args.tls_key, args.behind_proxy)
        try:
            web = server(app, listening)
        except OSError as error:
            raise ConfigurationError(f"--tls-cert {args.tls_cert} --tls-key {args.tls_key}: {error}") from error
        open_outlets(stack, settings, store, feed)
        # uvicorn raises the signal that stopped it once more afterwards; closing the files comes first.
        signal.signal(signal.SIGTERM, lambda _signum, _frame: None)
        feed.start()
        stack.callback(feed.stop)
        _say_where(args, http_host, http_port, None if isinstance(door, OpenDoor) else door.new_set_up_link())
        web.run()
    return 0


def check_exposure(args: argparse.Namespace, http_host: str) -> None:
    """Raises ConfigurationError when what was asked for would let strangers order, or passwords travel in the open."""
    if bool(args.tls_cert) != bool(args.tls_key):
        raise ConfigurationError("--tls-cert and --tls-key go together: give both or neither")
    if args.strict_transport and not (args.tls_cert or args.behind_proxy):
        raise ConfigurationError(
            "--strict-transport without TLS says nothing: give --tls-cert and --tls-key too, or --behind-proxy with "
            "the address of a proxy that has the certificate"
        )
    for address in args.behind_proxy:
        try:
            ipaddress.ip_network(address)
        except ValueError as error:
            raise ConfigurationError(f"--behind-proxy {address}: {error}; write the proxy's address") from error
    if args.open_on_loopback and (not is_loopback(http_host) or args.behind_proxy):
        beside = "--behind-proxy" if args.behind_proxy else f"--http {args.http}"
        raise ConfigurationError(
            f"--open-on-loopback with {beside}: whoever reaches that could give orders. Leave out --open-on-loopback, "
            "so that people sign in, or serve on 127.0.0.1 alone."
        )
    if not is_loopback(http_host) and not (args.tls_cert or args.plain_http):
        raise ConfigurationError(
            f"--http {args.http} without TLS: passwords would cross the network readable. Serve on 127.0.0.1 and come "
            "through a tunnel, give --tls-cert and --tls-key, or, if that address is a tunnel's own, --plain-http."
        )


def _say_where(args: argparse.Namespace, host: str, port: int, set_up_key: str | None) -> None:
    scheme = "https" if args.tls_cert else "http"
    if args.host_name and not is_loopback(host):
        host = args.host_name[0]
    page = f"{scheme}://{_for_address_bar(host)}:{port}"
    print(f"The page: {page}/", flush=True)
    if set_up_key is not None:
        print(
            f"Nobody has an account yet. Make the first one within an hour: {page}/set-up?key={set_up_key}", flush=True
        )


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
