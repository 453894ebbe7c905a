"""What Mosquitto has to be told so that every client gets an account of its own and may do what docs/mqtt.md says.

Text in, text out: accounts, an access-control file, a password file and a configuration. Nothing here reads or writes a
file, and randomness is passed in.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

AccountRole = Literal["controller", "watch", "act", "look"]

HASH_ROUNDS = 1000
"""Of PBKDF2. The secrets are 160 random bits, which no number of guesses finds; and the broker serves nobody else while
it works on one, so many rounds would only let a flood of connections stop it. Own choice."""
SALT_BYTES = 12
"""As Mosquitto's own tool writes it; version 2.0 reads no other length."""


@dataclass(frozen=True, slots=True)
class SiteTopics:
    """Where one site publishes: its id and the first level of its topics."""

    id: str
    domain: str = "homie"

    @property
    def tree(self) -> str:
        return f"{self.domain}/5/{self.id}"

    @property
    def board(self) -> str:
        return f"{self.domain}/5/{self.id}-board"

    @property
    def log(self) -> str:
        return f"{self.domain}-log/{self.id}"


@dataclass(frozen=True, slots=True)
class BrokerAccount:
    """One client: `writes` and `reads` are topic filters."""

    name: str
    role: AccountRole
    writes: tuple[str, ...]
    reads: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Listener:
    """Where the broker is reached beyond this machine. Needs a certificate: passwords cross the network."""

    cert_file: str
    key_file: str
    port: int = 8883


def accounts_for(sites: Sequence[SiteTopics]) -> list[BrokerAccount]:
    """Every client that these sites need, with no right too many."""
    accounts = [_controller(site) for site in sites]
    accounts.append(_watch(sites))
    for site in sites:
        accounts += [_act(site), _look(site)]
    return accounts


def _controller(site: SiteTopics) -> BrokerAccount:
    """`+/+` holds values, alerts and log lines, but not what others `set`, which is one level deeper."""
    devices = (site.tree, site.board)
    tree = [f"{device}/{below}" for device in devices for below in ("+", "+/+", "+/+/$target")]
    return BrokerAccount(
        f"controller-{site.id}",
        "controller",
        (*tree, f"{site.log}/senml", f"{site.log}/answer/#"),
        (
            f"{site.tree}/+/+/set",
            f"{site.tree}/$alert/+",
            *(f"{site.log}/{leaf}" for leaf in ("order", "ask", "refill")),
        ),
    )


def _watch(sites: Sequence[SiteTopics]) -> BrokerAccount:
    """Sees every site; sends what people order on its pages, and asks for records that are missing."""
    return BrokerAccount(
        "watch",
        "watch",
        tuple(f"{site.log}/{leaf}" for site in sites for leaf in ("order", "ask", "refill")),
        tuple(topic for site in sites for topic in (*_tree_reads(site), f"{site.log}/senml", f"{site.log}/answer/#")),
    )


def _act(site: SiteTopics) -> BrokerAccount:
    return BrokerAccount(
        f"act-{site.id}",
        "act",
        (f"{site.tree}/+/+/set", f"{site.log}/order", f"{site.log}/ask"),
        (*_tree_reads(site), f"{site.log}/answer/#"),
    )


def _look(site: SiteTopics) -> BrokerAccount:
    return BrokerAccount(f"look-{site.id}", "look", (), _tree_reads(site))


def _tree_reads(site: SiteTopics) -> tuple[str, ...]:
    """What the site says of itself, not what others tell it."""
    return tuple(f"{device}/{below}" for device in (site.tree, site.board) for below in ("+", "+/+", "+/+/$target"))


def access_text(accounts: Iterable[BrokerAccount]) -> str:
    """Mosquitto's access-control file. Whoever is not in it may do nothing."""
    parts = ["# Written by pumphouse broker-config; see docs/mqtt.md, who may do what.\n"]
    for account in accounts:
        lines = [f"user {account.name}"]
        lines += [f"topic write {topic}" for topic in account.writes]
        lines += [f"topic read {topic}" for topic in account.reads]
        parts.append("\n".join(lines) + "\n")
    return "\n".join(parts)


def password_line(name: str, password: str, salt: bytes) -> str:
    """One line of Mosquitto's password file: `$7$`, rounds, salt, and PBKDF2 (RFC 8018) with SHA-512."""
    assert len(salt) == SALT_BYTES
    key = hashlib.pbkdf2_hmac("sha512", password.encode("utf-8"), salt, HASH_ROUNDS, 64)
    return f"{name}:$7${HASH_ROUNDS}${_base64(salt)}${_base64(key)}\n"


def config_text(directory: str, port: int, beyond: Listener | None) -> str:
    """The part of Mosquitto's configuration that is ours; `directory` holds the other two files."""
    tls = "" if beyond is None else _TLS.format(port=beyond.port, cert=beyond.cert_file, key=beyond.key_file)
    return _CONFIG.format(port=port, tls=tls, directory=directory)


_CONFIG = """\
# Written by pumphouse broker-config. Values are own choice unless said otherwise; the manual is mosquitto.conf(5).

# One access-control file for all ways in. Nobody comes in without an account.
per_listener_settings false
allow_anonymous false
password_file {directory}/pumphouse.passwd
acl_file {directory}/pumphouse.acl

# On this machine: the controller and the page.
listener {port} 127.0.0.1
max_connections 100
{tls}
# A page that was away is sent thousands of records at once: it is their size that is limited, for each client. (With 0,
# no limit, Mosquitto 2.0.11 cuts off every client that sends something it may not, instead of dropping the message.)
max_queued_messages 100000
max_queued_bytes 16777216

# The largest thing that is ever sent is an order with a schedule, 64 KiB. A packet is topic and properties more.
message_size_limit 131072
max_packet_size 163840

# The controller says every 20 s that it is there, the page every 30 s; a phone that sleeps may take ten minutes.
max_keepalive 600

# What is kept for a phone that does not come back is thrown away after two weeks.
persistent_client_expiration 14d

# The broker shares a board of 512 MB with the controller: it refuses work rather than use up the machine's memory.
memory_limit 100663296

# What sites said of themselves outlives a restart of the broker; written to the card once an hour.
persistence true
autosave_interval 3600

# Small messages go out at once.
set_tcp_nodelay true
"""

_TLS = """
# Beyond this machine: over TLS only, so that passwords cannot be read on the way.
listener {port}
max_connections 200
certfile {cert}
keyfile {key}
tls_version tlsv1.2
"""


def _base64(raw: bytes) -> str:
    return base64.b64encode(raw).decode("ascii")
