"""Virtual time: it passes only while the program sleeps."""

_now_ms = 0


def ticks_ms():
    return _now_ms & 0x3FFFFFFF


def ticks_us():
    return _now_ms * 1000 & 0x3FFFFFFF


def ticks_diff(later, earlier):
    return ((later - earlier + 0x20000000) & 0x3FFFFFFF) - 0x20000000


def sleep_ms(duration_ms):
    global _now_ms
    _now_ms += duration_ms


def time():
    return _now_ms // 1000
