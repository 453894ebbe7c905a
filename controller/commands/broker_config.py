"""`pumphouse broker-config`: writes what Mosquitto needs so that every client has an account and no right too many."""

from __future__ import annotations

import argparse
import contextlib
import os
import pwd
import re
import secrets
from collections.abc import Sequence
from pathlib import Path

from controller.errors import ConfigurationError, OperatingError
from controller.service.broker_files import (
    SALT_BYTES,
    BrokerAccount,
    Listener,
    SiteTopics,
    access_text,
    accounts_for,
    config_text,
    password_line,
)
from controller.service.sitefile import read_site

SUMMARY = "write accounts and access rights for the MQTT broker (Mosquitto)"
FILES = ("pumphouse.conf", "pumphouse.acl", "pumphouse.passwd")
SECRET_BYTES = 20
_PASSWORD = re.compile(r"[A-Za-z0-9_-]{20,}")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--site",
        type=Path,
        action="append",
        required=True,
        metavar="FILE",
        help="a site file; several for several sites",
    )
    parser.add_argument(
        "--out",
        type=Path,
        default=Path("/etc/mosquitto/pumphouse"),
        metavar="DIR",
        help="where the files are written and stay (/etc/mosquitto/pumphouse)",
    )
    parser.add_argument("--port", type=int, help="the broker's port on this machine (as in the first site file)")
    parser.add_argument("--tls-cert", metavar="FILE", help="certificate chain (PEM): also listen beyond this machine")
    parser.add_argument("--tls-key", metavar="FILE", help="the certificate's private key (PEM)")
    parser.add_argument("--tls-port", type=int, default=8883, help="the port beyond this machine (8883)")
    parser.add_argument("--force", action="store_true", help="write over what is there; passwords stay as they are")
    parser.add_argument("--new-passwords", action="store_true", help="with --force: new passwords for every account")


def run(args: argparse.Namespace) -> int:
    """Write the files. Raises ConfigurationError when arguments do not fit together or something is there already."""
    declared = [read_site(path) for path in args.site]
    if args.port is None:
        args.port = declared[0].mqtt.port if declared[0].mqtt.ca_file is None else 1883
    _check(args)
    sites = [SiteTopics(site.id, site.mqtt.domain) for site in declared]
    if len({site.id for site in sites}) < len(sites):
        raise ConfigurationError("two of these site files declare the same id; every site needs its own")
    directory = Path(os.path.abspath(args.out))
    if any((directory / name).exists() for name in FILES) and not args.force:
        raise ConfigurationError(
            f"{directory} holds a configuration already. Write it anew with --force (passwords stay as they are), or "
            "name another directory with --out."
        )
    accounts = accounts_for(sites)
    try:
        lines = _password_lines(directory, accounts, args.new_passwords)
        beyond = Listener(_absolute(args.tls_cert), _absolute(args.tls_key), args.tls_port) if args.tls_cert else None
        texts = (config_text(str(directory), args.port, beyond), access_text(accounts), "".join(lines))
        for name, text in zip(FILES, texts, strict=True):
            _write(directory / name, text, for_broker=True)
    except OSError as error:
        raise OperatingError(f"{error}. Run it as root for /etc, or name another directory with --out.") from error
    print("\n".join(_what_next(directory, accounts, args)))
    return 0


def _check(args: argparse.Namespace) -> None:
    if bool(args.tls_cert) != bool(args.tls_key):
        raise ConfigurationError("--tls-cert and --tls-key go together: give both or neither")
    if args.new_passwords and not args.force:
        raise ConfigurationError("--new-passwords goes with --force")
    for option, port in (("--port", args.port), ("--tls-port", args.tls_port)):
        if not 1 <= port <= 65535:
            raise ConfigurationError(f"{option} {port}: allowed are 1 to 65535")
    if args.tls_cert and args.port == args.tls_port:
        raise ConfigurationError("--port and --tls-port must differ")
    for option, file in (("--tls-cert", args.tls_cert), ("--tls-key", args.tls_key)):
        if file and not Path(file).is_file():
            raise ConfigurationError(f"{option} {file}: there is no such file")
    if re.search(r"[\s#]", str(args.out)):
        raise ConfigurationError(f"--out {args.out}: Mosquitto takes no path with spaces or # in it")


def _password_lines(directory: Path, accounts: Sequence[BrokerAccount], renew: bool) -> list[str]:
    """A line of the password file for each account.

    Its password is that of its secret file. When that has been thrown away, the line stays as it was; an account that
    has neither gets a new password, and a file that holds it.
    """
    folder = directory / "secrets"
    folder.mkdir(parents=True, exist_ok=True)
    directory.chmod(0o755)  # The broker runs as a user of its own and must get to its files.
    folder.chmod(0o700)
    before = _lines_before(directory / FILES[2])
    lines = []
    for account in accounts:
        file = folder / account.name
        kept = "" if renew or not file.is_file() else file.read_text(encoding="utf-8").strip()
        if not kept and account.name in before and not renew:
            lines.append(before[account.name])
            continue
        if not _PASSWORD.fullmatch(kept):
            kept = secrets.token_urlsafe(SECRET_BYTES)
            _write(file, kept + "\n")
        lines.append(password_line(account.name, kept, secrets.token_bytes(SALT_BYTES)))
    return lines


def _lines_before(file: Path) -> dict[str, str]:
    text = file.read_text(encoding="utf-8") if file.is_file() else ""
    return {line.partition(":")[0]: line for line in text.splitlines(keepends=True)}


def _write(file: Path, text: str, for_broker: bool = False) -> None:
    """Readable by its owner alone from the first byte; the broker's own files belong to the broker."""
    new = file.with_name(file.name + ".new")
    with contextlib.suppress(FileNotFoundError):
        new.unlink()
    with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as out:
        out.write(text)
    if for_broker and os.geteuid() == 0:
        with contextlib.suppress(KeyError):
            broker = pwd.getpwnam("mosquitto")
            os.chown(new, broker.pw_uid, broker.pw_gid)
    new.replace(file)


def _absolute(path: str) -> str:
    return os.path.abspath(path)


def _what_next(directory: Path, accounts: Sequence[BrokerAccount], args: argparse.Namespace) -> list[str]:
    secret = directory / "secrets"
    controllers = [account.name for account in accounts if account.role == "controller"]
    where = f"127.0.0.1:{args.port}"
    beyond = f" and, over TLS, on port {args.tls_port} of every address" if args.tls_cert else ""
    lines = [f"Written to {directory}: {', '.join(FILES)}. The broker listens on {where}{beyond}.", "", "Next:"]
    lines.append("1. Let Mosquitto read it, and start it again:")
    lines.append(f"     sudo ln -sf {directory}/pumphouse.conf /etc/mosquitto/conf.d/pumphouse.conf")
    lines.append("     sudo systemctl restart mosquitto")
    lines.append("2. Give each program its password, readable by its user alone:")
    for name, user in (*((name, "pumphouse") for name in controllers), ("watch", "pumphouse-watch")):
        lines.append(f"     sudo install -m 600 -o {user} {secret}/{name} /etc/pumphouse/{name}.password")
    lines.append("3. Name account and password in each site file, for the controller:")
    for name in controllers:
        lines += ["     [mqtt]", f'     username = "{name}"', f'     password_file = "/etc/pumphouse/{name}.password"']
    lines.append("   and for the page, where it is started (sudo systemctl edit pumphouse-watch):")
    lines.append("     pumphouse watch --user watch --password-file /etc/pumphouse/watch.password ...")
    lines.append(
        f"4. For phones and screens: act-SITE may order, look-SITE only looks. Passwords: sudo cat {secret}/act-SITE"
    )
    lines.append("   Type one into the phone, over TLS or a tunnel; its file in secrets may go then.")
    return lines
