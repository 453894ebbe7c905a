"""Reads a site file from disk; everything that can go wrong on the way is said with its cure."""

from __future__ import annotations

import zoneinfo
from pathlib import Path

from controller.errors import ConfigurationError
from controller.site.load import parse_site
from controller.site.model import Site

LARGEST_BYTES = 1024 * 1024


def read_site(path: Path) -> Site:
    """The checked site declared in a file. Raises ConfigurationError (SiteFileError for what is wrong inside it)."""
    time_zones = zoneinfo.available_timezones()
    if not time_zones:
        raise ConfigurationError("this machine has no time zone data; install the Python package tzdata and try again")
    return parse_site(read_site_text(path), path.name, time_zones)


def read_site_text(path: Path) -> str:
    """The text of a site file; raises ConfigurationError with the cure when it cannot be read."""
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        raise ConfigurationError(
            f"there is no file {path}; write an example to start from with: pumphouse check --example > {path.name}"
        ) from None
    except IsADirectoryError:
        raise ConfigurationError(f"{path} is a directory; name the site file inside it") from None
    except PermissionError:
        raise ConfigurationError(f"{path} may not be read by this user; check its owner and mode (ls -l)") from None
    except OSError as error:
        raise ConfigurationError(f"{path} cannot be read: {error.strerror or error}") from None
    if len(data) > LARGEST_BYTES:
        raise ConfigurationError(f"{path} is larger than 1 MiB, which no site file is; is it the right file?")
    return _decoded(data, path)


def _decoded(data: bytes, path: Path) -> str:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise ConfigurationError(
            f"{path}, line {line}: not UTF-8 text (often a degree sign saved in another encoding); "
            "save the file as UTF-8 in your editor"
        ) from None
