"""Boots the firmware and waters for half a minute, ordered by a host on its cable; prints what the test looks at."""

import gc
import sys

sys.path.insert(0, "/fw")
gc.collect()
print("heap", gc.mem_free())

import machine  # noqa: E402
from bench import Gc, Select, Stream, Streams  # noqa: E402

from firmware_host.board import clock, console, main, rp2_hardware  # noqa: E402
from firmware_host.wire import encode  # noqa: E402

TURNS_A_SECOND = 200

stream = Stream()
console.select, console.sys = Select(stream), Streams(stream)
rp2_hardware.gc = Gc
hardware, settings = main.prepare("/fw")
board = main.start(hardware, settings)
gc.collect()
print("free after start", gc.mem_free())
least = gc.mem_free()
machine.levels[14] = 0
seq = 0
for second in range(60):
    if 2 <= second < 32:
        seq += 1
        fields = {"boot": hardware.boot_id(), "at": hardware.uptime_ms(), "pumps": 1, "valves": 1}
        fields.update({"lease": 5000, "report": 1000})
        stream.incoming += encode("set", seq, fields)
    for turn in range(TURNS_A_SECOND):
        main.turn(hardware, board)
        clock.pause_ms(main.TURN_MS)
        if machine.levels[2] and turn % 4 == 0:
            machine.handlers[12](None)
    least = min(least, gc.mem_free())
    gc.collect()
    print("second", second, "pump", machine.levels[2], "second contact", machine.levels[3], "valve", machine.levels[6])
print("least free", least)
print("free at end", gc.mem_free())
print("feeds", machine.feeds)
