"""The list of program files that is flashed beside them, against which a board tests its own program."""

from __future__ import annotations

import binascii
from collections.abc import Mapping

LIST_PATH = "/firmware.sums"


def program_list(files: Mapping[str, bytes]) -> bytes:
    """One line `<crc32> <bytes> <path>` for each file, and the CRC-32 of those lines as the last one.

    Paths are those on the board, from its root. Raises ValueError for a path with a blank or without a leading slash.
    """
    lines = b""
    for path, content in sorted(files.items()):
        if not path.startswith("/") or " " in path or not path.isascii():
            raise ValueError(f"{path!r}: a path on the board begins with a slash and has no blanks")
        lines += f"{binascii.crc32(content):08x} {len(content)} {path}\n".encode()
    return lines + f"{binascii.crc32(lines):08x}\n".encode()
