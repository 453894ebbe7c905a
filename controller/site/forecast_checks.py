"""Whether a forecast's address can be fetched from, and safely: encrypted, or in the owner's own network."""

from __future__ import annotations

import re
from collections.abc import Iterator
from ipaddress import ip_address
from urllib.parse import urlsplit

from controller.site.model import ForecastSource
from controller.site.problems import Path

Complaint = tuple[Path, str]
KEY_PLACE = "{key}"
"""Stands in the address where the key file's content goes."""
_HEADER_NAME = re.compile(r"[A-Za-z0-9!#$%&'*+.^_`|~-]+")
"""RFC 9110 section 5.1 (a token)."""


def is_own_network(address: str) -> bool:
    """Is an IP address this machine's or one of a private network? Raises ValueError for what is no address."""
    parsed = ip_address(address.partition("%")[0])
    if parsed.version == 6 and parsed.ipv4_mapped is not None:
        parsed = parsed.ipv4_mapped
    return parsed.is_loopback or (parsed.is_private and not parsed.is_unspecified)


def forecast_complaints(source: ForecastSource) -> Iterator[Complaint]:
    """What is wrong with the address, and with how the key is to be sent."""
    said = _address_complaint(source)
    if said:
        yield ("url",), said
    if KEY_PLACE in source.url and source.key_file is None:
        yield ("key_file",), f"missing: the address has {KEY_PLACE} where the content of a file is to go"
    if not _HEADER_NAME.fullmatch(source.key_header):
        yield ("key_header",), 'is no name of an HTTP header, like "Authorization"'


def _address_complaint(source: ForecastSource) -> str:
    try:
        parts = urlsplit(source.url)
        host, _ = parts.hostname, parts.port
    except ValueError:
        return "is no address; write it like https://weather.example.org/daily"
    if parts.scheme not in ("https", "http") or not host:
        return "is no web address; write it like https://weather.example.org/daily"
    if not source.url.isascii() or any(character.isspace() for character in source.url):
        return "has characters that an address may not hold; write them percent-encoded"
    if parts.username is not None or parts.password is not None:
        return "holds a name or a password; put what is secret into key_file"
    if KEY_PLACE in parts.netloc:
        return f"{KEY_PLACE} may stand in the path or after the question mark, not in the host's name"
    if parts.scheme == "http":
        return _plain_complaint(source, host)
    return ""


def _plain_complaint(source: ForecastSource, host: str) -> str:
    if not source.plain_http:
        return "is not encrypted; use https, or, for a machine in your own network, say plain_http = true"
    try:
        own = is_own_network(host)
    except ValueError:
        return ""  # A name: its addresses are looked at when it is connected to.
    return "" if own else "is not encrypted and not in a private network; use https"
