"""One daemon per journal: a lock the system lets go by itself when the process ends, however it ends."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from controller.errors import ConfigurationError


class InstanceLock:
    """Holds `<journal>.lock`. Raises ConfigurationError when another daemon holds it."""

    def __init__(self, journal: Path) -> None:
        self.path = Path(f"{journal}.lock")
        try:
            self._file = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise ConfigurationError(f"{self.path}: cannot be made ({error.strerror}); check the directory") from error
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.pread(self._file, 32, 0).decode("ascii", "replace").strip() or "unknown"
            os.close(self._file)
            raise ConfigurationError(
                f"{journal} is in use by another controller (process {holder}); stop that one first"
            ) from error
        os.ftruncate(self._file, 0)
        os.pwrite(self._file, f"{os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        os.close(self._file)
