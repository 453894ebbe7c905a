"""A small file system of its own for a journal: it can be filled up, turned read-only and brought to a standstill."""

from __future__ import annotations

import contextlib
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

SIZE = "24m"


class SmallMedium:
    """A mounted file system; `directory` is its top."""

    def __init__(self, directory: Path) -> None:
        self.directory = directory
        self._filler = directory / "filler"

    def fill_up(self) -> None:
        """Leave not a single free byte."""
        with self._filler.open("wb", buffering=0) as filler, contextlib.suppress(OSError):
            while True:
                filler.write(bytes(4096))

    def make_room(self) -> None:
        self._filler.unlink()

    def turn_read_only(self) -> None:
        """Only while nobody has a file open for writing."""
        _run("mount", "-o", "remount,ro", self.directory)

    def turn_writable(self) -> None:
        _run("mount", "-o", "remount,rw", self.directory)

    def give_up(self) -> None:
        """What the kernel does on a card that fails: from now on nothing is written, whoever has files open."""
        device = subprocess.run(
            ["findmnt", "-no", "SOURCE", self.directory], check=True, capture_output=True, text=True
        ).stdout.strip()
        Path("/sys/fs/ext4", Path(device).name, "trigger_fs_error").write_text("1")

    @contextlib.contextmanager
    def also_at(self, directory: Path) -> Iterator[None]:
        """What is here can be seen there, too, in place of what was there."""
        _run("mount", "--bind", self.directory, directory)
        try:
            yield
        finally:
            _run("umount", "--lazy", directory)

    @contextlib.contextmanager
    def standing_still(self) -> Iterator[None]:
        """Whoever writes waits."""
        _run("fsfreeze", "--freeze", self.directory)
        try:
            yield
        finally:
            _run("fsfreeze", "--unfreeze", self.directory)


@contextlib.contextmanager
def in_memory(directory: Path) -> Iterator[SmallMedium]:
    """A tmpfs. Skips the test where nothing may be mounted."""
    directory.mkdir()
    with _mounted(directory, "-t", "tmpfs", "-o", f"size={SIZE}", "none") as medium:
        yield medium


@contextlib.contextmanager
def in_a_file(directory: Path) -> Iterator[SmallMedium]:
    """An ext4 in a file, as on a card; it can stand still. Skips the test where nothing may be mounted."""
    if os.geteuid() != 0:
        pytest.skip("no file system may be mounted here: this is not root")
    directory.mkdir()
    image = directory.with_name(f"{directory.name}.image")
    with image.open("wb") as file:
        file.truncate(24 << 20)
    _run("mkfs.ext4", "-q", image)
    with _mounted(directory, "-o", "loop,errors=remount-ro", str(image)) as medium:
        yield medium


@contextlib.contextmanager
def _mounted(directory: Path, *words: str) -> Iterator[SmallMedium]:
    try:
        _run("mount", *words, directory)
    except (OSError, subprocess.CalledProcessError) as error:
        pytest.skip(f"no file system may be mounted here ({getattr(error, 'stderr', '') or error})")
    try:
        yield SmallMedium(directory)
    finally:
        _run("umount", "--lazy", directory)


def _run(*words: object) -> None:
    subprocess.run([str(word) for word in words], check=True, capture_output=True, text=True)
