"""Puts another text in a site file's place: a dated copy first, then the new text as a whole or not at all."""

from __future__ import annotations

import os
import shutil
from datetime import datetime
from pathlib import Path

from controller.errors import ConfigurationError


def replace_site_text(path: Path, text: str, now: datetime) -> Path:
    """Write `text` in the file's place, with its mode and owner, and return where the copy of the former text is.

    Raises ConfigurationError with the cure when it cannot be done; then the file is as it was.
    """
    path = path.resolve()
    copy = _unused(path.with_name(f"{path.name}.before-{now:%Y%m%d-%H%M%S}"))
    fresh = path.with_name(f".{path.name}.new")
    try:
        shutil.copy2(path, copy)
        _write_through(fresh, text)
        _like(path, fresh)
        _like(path, copy)
        fresh.replace(path)
        _sync_folder(path.parent)
    except OSError as error:
        fresh.unlink(missing_ok=True)
        raise ConfigurationError(
            f"{path} cannot be replaced ({error.strerror or error}); run this command as a user who may write there "
            "(sudo), or write the lines by hand"
        ) from error
    return copy


def _unused(path: Path) -> Path:
    """This name, or the first with a number behind it: no copy is ever overwritten."""
    number, name = 1, path
    while name.exists():
        number, name = number + 1, path.with_name(f"{path.name}-{number + 1}")
    return name


def _write_through(path: Path, text: str) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())


def _like(model: Path, path: Path) -> None:
    """The same mode and owner, so that the service may still read it."""
    shutil.copymode(model, path)
    wanted, has = model.stat(), path.stat()
    if (wanted.st_uid, wanted.st_gid) != (has.st_uid, has.st_gid):
        os.chown(path, wanted.st_uid, wanted.st_gid)


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
