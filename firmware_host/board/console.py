"""The board's end of the cable: bytes in and out of the USB serial port, without ever waiting for a host."""

import select
import sys

QUEUE_BYTES = 4096
READ_BYTES = 256
_CHUNK_BYTES = 64
_CHUNKS_A_TURN = 4


class Console:
    """The port that MicroPython calls standard input and output. `write` queues, `step` sends what has room."""

    def __init__(self) -> None:
        self._readable = select.poll()
        self._readable.register(sys.stdin, select.POLLIN)
        self._writable = select.poll()
        self._writable.register(sys.stdout, select.POLLOUT)
        self._queue = bytearray()
        self.lost_bytes = 0

    def read(self) -> bytes:
        """What arrived; at most READ_BYTES, so that a babbling host does not hold up the loop."""
        data = b""
        while len(data) < READ_BYTES and self._readable.poll(0):
            byte = sys.stdin.buffer.read(1)
            if not byte:
                break
            data += byte
        return data

    def write(self, data: bytes) -> None:
        """Queue a whole line, or lose it."""
        if len(self._queue) + len(data) > QUEUE_BYTES:
            self.lost_bytes += len(data)
        else:
            self._queue += data

    def step(self) -> None:
        for _ in range(_CHUNKS_A_TURN):
            if not self._queue or not self._writable.poll(0):
                return
            sys.stdout.buffer.write(bytes(self._queue[:_CHUNK_BYTES]))
            self._queue = self._queue[_CHUNK_BYTES:]
