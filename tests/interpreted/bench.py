"""What lies round the chip: a cable whose far end the program itself plays, and a collector that waits its turn."""

import sys


class Gc:
    """This build's collector may only run where nothing is held in a local variable: between turns, in the program."""

    @staticmethod
    def collect():
        pass


class Poll:
    """Says whether a stream has something to read, or has room."""

    def __init__(self, stream):
        self.stream = stream

    def register(self, _, kind):
        self.kind = kind

    def poll(self, _):
        return self.kind == Select.POLLOUT or bool(self.stream.incoming)


class Select:
    POLLIN, POLLOUT = 1, 4

    def __init__(self, stream):
        self.stream = stream

    def poll(self):
        return Poll(self.stream)


class Stream:
    def __init__(self):
        self.incoming = b""
        self.buffer = self

    def read(self, most):
        data = self.incoming[:most]
        self.incoming = self.incoming[most:]
        return data

    def write(self, data):
        sys.stdout.write(data.decode())


class Streams:
    def __init__(self, stream):
        self.stdin = self.stdout = stream
