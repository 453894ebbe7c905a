"""One daemon per journal: a lock the system lets go by itself when the process ends, however it ends."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
from pathlib import Path

from controller.errors import ConfigurationError

TAKES_NOTHING = (errno.EROFS, errno.ENOSPC, errno.EDQUOT, errno.EIO)


class InstanceLock:
    """Holds `<journal>.lock`. Raises ConfigurationError when another daemon holds it."""

    def __init__(self, journal: Path) -> None:
        self.path = Path(f"{journal}.lock")
        self._file = self._opened()
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = _holder(self._file)
            os.close(self._file)
            raise ConfigurationError(
                f"{journal} is in use by another controller (process {holder}); stop that one first"
            ) from error
        with contextlib.suppress(OSError):  # The number is for the words above; a full card takes none.
            os.ftruncate(self._file, 0)
            os.pwrite(self._file, f"{os.getpid()}\n".encode(), 0)

    def _opened(self) -> int:
        """The lock's file; on a medium that takes no new one, the file that is there, else the directory itself."""
        try:
            return os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            if error.errno not in TAKES_NOTHING:
                raise ConfigurationError(
                    f"{self.path}: cannot be made ({error.strerror}); check the directory"
                ) from error
        try:
            return os.open(self.path if self.path.exists() else self.path.parent, os.O_RDONLY | os.O_CLOEXEC)
        except OSError as error:
            raise ConfigurationError(f"{self.path}: cannot be read ({error.strerror}); check the directory") from error

    def release(self) -> None:
        os.close(self._file)


def _holder(file: int) -> str:
    try:
        return os.pread(file, 32, 0).decode("ascii", "replace").strip() or "unknown"
    except OSError:
        return "unknown"  # A directory holds no number.
