"""A day of the whole firmware with six waterings; prints what the test looks at.

Turns are as long as the board lets them be, instead of 5 ms: 17 million turns would take an hour.
"""

import gc
import sys

sys.path.insert(0, "/fw")
gc.collect()

import machine  # noqa: E402
from bench import Gc, Select, Stream, Streams  # noqa: E402

from firmware_host.board import clock, console, main, rp2_hardware  # noqa: E402
from firmware_host.wire import encode  # noqa: E402

HOUR_MS = 3_600_000
WATERING_MS = 60_000
WATERINGS_MS = [HOUR_MS // 2 + 4 * HOUR_MS * number for number in range(6)]
SHORTEST_MS, LONGEST_MS = main.TURN_MS, 900
PULSE_EVERY_MS = 100
TURNS_A_COLLECTION = 4
PUMP, SECOND, VALVE, FLOAT, FLOW = 2, 3, 6, 14, 12


class Cable(Stream):
    """The far end keeps nothing of what the board says."""

    def write(self, data):
        pass


def say(on):
    global seq
    seq += 1
    fields = {"boot": hardware.boot_id(), "at": hardware.uptime_ms(), "pumps": on, "valves": on}
    fields.update({"lease": 5000, "report": 1000 if on else 60_000})
    cable.incoming += encode("set", seq, fields)


def show(what):
    levels = machine.levels
    print(what, "pump", levels[PUMP], "second contact", levels[SECOND], "valve", levels[VALVE])


cable = Cable()
console.select, console.sys = Select(cable), Streams(cable)
rp2_hardware.gc = Gc
hardware, settings = main.prepare("/fw")
board = main.start(hardware, settings)
gc.collect()
machine.levels[FLOAT] = 0
least = gc.mem_free()
seq = faults = turn = pulsed_ms = said_ms = 0
hour = 1
watering = resting = False
say(0)
while hour <= 24:
    now = hardware.uptime_ms()
    due = [start for start in WATERINGS_MS if start <= now < start + WATERING_MS]
    if due and now - said_ms >= 1000:
        said_ms = now
        say(1)
    if watering and not due:
        show("watered:")
        say(0)
        resting = now
    if resting and now - resting > 5000:
        resting = 0
        show("rested:")
    watering = bool(due)
    while machine.levels[PUMP] and now - pulsed_ms >= PULSE_EVERY_MS:
        pulsed_ms = max(pulsed_ms + PULSE_EVERY_MS, now - PULSE_EVERY_MS)
        machine.handlers[FLOW](None)
    hardware.step()
    wait_ms = board.tick() - now
    faults = max(faults, len(board.faults.standing))
    longest_ms = PULSE_EVERY_MS if due or resting else LONGEST_MS
    clock.pause_ms(min(max(wait_ms, SHORTEST_MS), longest_ms))
    turn += 1
    if turn % TURNS_A_COLLECTION == 0:
        least = min(least, gc.mem_free())
        gc.collect()
    if now >= hour * HOUR_MS:
        gc.collect()
        print("hour", hour, "least free", least, "free", gc.mem_free())
        hour += 1
print("turns", turn)
print("faults", faults)
print("flow pulses", hardware.flow_pulses(0))
