"""The interpreter has no source of chance."""


def urandom(count):
    return b"\x5f\x0a\x1c\x2e"[:count]
