"""One probe at 15.31 degrees."""

# Everything is called as the real module is, used or not.
# ruff: noqa: ARG002


class OneWire:
    def __init__(self, pin):
        pass

    def reset(self):
        return True

    def writebyte(self, byte):
        pass

    def readinto(self, buffer):
        buffer[:] = b"\xf5\x00\x4b\x46\x7f\xff\x0c\x10\x00"

    def crc8(self, data):
        return 0
