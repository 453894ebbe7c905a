"""The system calls of a process on its files, recorded with strace and read back."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]
CALLS = "openat,pwrite64,write,ftruncate,fdatasync,fsync,unlink"
LONGEST_WRITE = 1 << 20
_CALL = re.compile(r"(\w+)\((.*)\) += (-?\d+)")
_FILE = re.compile(r"-?\w+<((?:\\x[0-9a-f]{2})*)>")
_TEXT = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')


@dataclass(frozen=True, slots=True)
class Call:
    """One call that succeeded: `write` (data at offset), `truncate` (to offset), `sync`, `unlink`, `create`, `say`."""

    kind: str
    file: str
    offset: int = 0
    data: bytes = b""


def record(directory: Path, words: list[str]) -> list[Call]:
    """Run a module of ours under strace; its calls on the files of `directory`, and what it said, in their order."""
    trace = directory.with_name(f"{directory.name}.trace")
    command = ["strace", "-qq", "-y", "-xx", "-s", str(LONGEST_WRITE), "-e", f"trace={CALLS}", "-o", str(trace)]
    subprocess.run(
        [*command, sys.executable, "-m", *words], cwd=PROJECT, check=True, stdout=subprocess.DEVNULL, timeout=300
    )
    calls = list(_read(trace, str(directory)))
    trace.unlink()
    return calls


def _read(trace: Path, directory: str) -> Iterator[Call]:
    with trace.open() as lines:
        for line in lines:
            match = _CALL.match(line)
            if match is None or int(match[3]) < 0:
                continue
            name, arguments = match[1], match[2]
            call = _call(name, arguments)
            if call is not None and (call.kind == "say" or call.file.startswith(directory + "/")):
                yield Call(call.kind, call.file.removeprefix(directory + "/"), call.offset, call.data)


def _call(name: str, arguments: str) -> Call | None:
    file, text = _FILE.match(arguments), _TEXT.search(arguments)
    path = _bytes(file[1]).decode() if file else ""
    data = _bytes(text[1]) if text else b""
    numbers = [int(word) for word in re.findall(r", (\d+)(?=,|$)", arguments)]
    if name == "pwrite64":
        return Call("write", path, numbers[-1], data)
    if name == "ftruncate":
        return Call("truncate", path, numbers[-1])
    if name in ("fdatasync", "fsync"):
        return Call("sync", path)
    if name == "unlink":
        return Call("unlink", data.decode())
    if name == "openat":
        return Call("create", data.decode()) if "O_CREAT" in arguments else None
    return Call("say", "", data=data) if arguments.startswith("1<") else None


def _bytes(escaped: str) -> bytes:
    return bytes.fromhex(escaped.replace("\\x", ""))
