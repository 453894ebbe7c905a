"""Every condition that can keep water from flowing, or that a person should hear about: one table.

docs/faults.md is written from it. The board's own faults, which it enforces by itself, are the rows that begin with
"board-" (all but board-lost, board-fault and board-deaf, which are the controller's). An id never changes its meaning
once released. `text` and `cure` may use the numbers that the interlock supplies, in braces.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["info", "warning", "fault"]


@dataclass(frozen=True, slots=True)
class Condition:
    """One row: what it is, what it means, what most likely causes it, what cures it, how it clears."""

    id: str
    severity: Severity
    text: str
    cause: str
    cure: str
    clears: str


_ROWS = (
    Condition(
        "clock-unknown",
        "warning",
        "the time of day is not known, so no watering window can be trusted",
        "the controller started without a network and its clock is older than its own journal",
        "connect it to a network once, or fit a clock module; watering resumes by itself",
        "by itself when the clock is synchronised",
    ),
    Condition(
        "clock-guessed",
        "warning",
        "the time of day is a guess since the last restart ({guess}); plants are kept alive on it",
        "a power cut on a machine without clock module and network",
        "connect it to a network once, or fit a clock module",
        "by itself when the clock is synchronised",
    ),
    Condition(
        "held",
        "info",
        "watering is on hold{until}",
        "somebody ordered a hold or a stop",
        "resume when you want watering to go on",
        "at the set time, or by the order resume",
    ),
    Condition(
        "zone-held",
        "info",
        "{zone} is on hold{until}",
        "somebody ordered a hold of this zone",
        "resume the zone when you want it watered again",
        "at the set time, or by the order resume-zone",
    ),
    Condition(
        "board-lost",
        "fault",
        "the board in the pump house does not answer ({reason})",
        "USB cable loose, board without power, or another program holds the port",
        "check the cable and the board's supply; it reconnects by itself",
        "by itself when the board answers",
    ),
    Condition(
        "board-fault",
        "fault",
        "the board reports the fault {fault}, which this version of the controller does not know",
        "the board's firmware is newer than the controller",
        "update the controller, or see the firmware's own notes; then clear the fault {fault}",
        "as the board's firmware says",
    ),
    Condition(
        "level-unknown",
        "fault",
        "tank {tank}: no believable level reading {since}",
        "level sensor unplugged, dirty or dripping wet, or its face is in the water",
        "look at the sensor and wipe its face; see the raw echoes in the journal",
        "by itself with the next good reading",
    ),
    Condition(
        "level-doubtful",
        "warning",
        "tank {tank}: the level reading is doubtful and leaves no safe margin above the reserve",
        "echoes disagree with each other or with what was drawn",
        "look into the tank and compare; wipe the sensor's face",
        "by itself when readings agree again, or with more water",
    ),
    Condition(
        "tank-reserve",
        "info",
        "tank {tank} holds {volume_l:.0f} L (give or take {margin_l:.0f} L); the reserve of {reserve_l:.0f} L is kept",
        "more was used than rained",
        "wait for rain, fill the tank, or lower the reserve in the site file",
        "by itself when the volume is 2 % of the tank above the reserve",
    ),
    Condition(
        "suction-dry",
        "fault",
        "tank {tank}: the low-level float switch says that the pump's intake is dry",
        "the tank is empty, or the float hangs",
        "look at the water level and move the float by hand",
        "by itself when the float lifts",
    ),
    Condition(
        "battery-unknown",
        "fault",
        "no believable battery voltage {since}",
        "divider wire off, fuse of the divider blown, or a stuck converter",
        "measure the battery with a hand meter and check the divider's wiring",
        "by itself with the next good reading",
    ),
    Condition(
        "battery-low",
        "warning",
        "battery at {battery_v:.2f} V; pumping stopped below {disconnect_v:.2f} V and waits for {resume_v:.2f} V",
        "dark days, an ageing battery, or a charger that does not charge",
        "wait for sun; if it stays low on sunny days, check panel, fuse and battery",
        "by itself after 30 min above the resume voltage",
    ),
    Condition(
        "battery-charge",
        "warning",
        "battery at about {charge:.0f} % of charge; pumping stops below {minimum:.0f} %",
        "dark days, an ageing battery, or a charger that does not charge",
        "wait for sun, or lower minimum_charge if your battery's maker allows it",
        "by itself when the charge is 5 % above the limit",
    ),
    Condition(
        "battery-high",
        "fault",
        "battery at {battery_v:.2f} V, above {maximum_v:.2f} V",
        "charge controller faulty or set for another battery",
        "check the charge controller; overcharging a battery gives off explosive gas: ventilate, no sparks",
        "by itself below the maximum",
    ),
    Condition(
        "frost",
        "warning",
        "{temperature_c:.1f} °C is below the frost limit of {frost_c:.1f} °C",
        "cold",
        "nothing to do; drain pump and pipes before hard frost",
        "by itself 1 °C above the limit",
    ),
    Condition(
        "temperature-unknown",
        "warning",
        "no temperature {since} in a month that can freeze",
        "temperature probe unplugged or broken",
        "check the probe; watering in frost can burst the pump",
        "by itself with the next good reading",
    ),
    Condition(
        "cap-reached",
        "info",
        "{zone} has had {applied_l:.0f} L of at most {cap_l:.0f} L today",
        "the zone needed its whole daily allowance, or somebody watered by order",
        "raise the zone's daily cap if plants still look dry tomorrow",
        "by itself at local midnight",
    ),
    Condition(
        "no-flow",
        "fault",
        "{zone}: the pump ran {elapsed_s:.0f} s without flow",
        "valve stuck shut, filter blocked, air in the intake, pump worn, or a dead flow meter",
        "listen whether the valve opens and the pump turns, clean the filter, then clear the fault {fault}",
        "by the order clear-fault",
    ),
    Condition(
        "burst-flow",
        "fault",
        "{zone}: {flow_l_min:.1f} L/min is far more than its emitters can pass ({rated_l_min:.1f} L/min)",
        "pipe off or split, or emitters popped out",
        "walk along the zone's line and look for water, then clear the fault {fault}",
        "by the order clear-fault",
    ),
    Condition(
        "slow-delivery",
        "warning",
        "{zone} got {delivered_l:.1f} L of {wanted_l:.1f} L before its time was up",
        "filter or emitters clogging, or a weak pump",
        "clean the filter and flush the line; the next run tries again",
        "by itself with the next full delivery",
    ),
    Condition(
        "flow-at-rest",
        "fault",
        "{volume_l:.1f} L flowed while everything was off",
        "a valve does not close, or a pump relay sticks",
        "look for running water at the pump house; close the hand valve; then clear the fault {fault}",
        "by the order clear-fault",
    ),
    Condition(
        "output-stuck",
        "fault",
        "the board was told to shut but reads an output as still on",
        "relay welded, driver shorted or wiring fault",
        "pull the pump's fuse, then check the relay; then clear the fault {fault}",
        "by the order clear-fault",
    ),
    Condition(
        "order-expired",
        "info",
        "a run of {zone} by order could not start in time",
        "an interlock kept it from starting until the order's time had passed",
        "order it again when nothing blocks it",
        "by itself at the end of the day",
    ),
    Condition(
        "nothing-to-spare",
        "info",
        "{zone} gets nothing: {why}",
        "zones of higher priority needed all that tank or battery can spare",
        "wait for rain or sun, lower the reserve, or change priorities",
        "by itself when there is more",
    ),
    Condition(
        "leak",
        "fault",
        "tank {tank} loses {rate_l_h:.2f} L/h (give or take {sd_l_h:.2f}) with the pump off; {lost_l:.0f} L are gone",
        "a crack, a fitting or hose that drips, or a valve that does not close quite",
        "walk from the tank to the beds and look for wet ground; shut the tank's hand valve and see if the loss ends",
        "by itself after two quiet days without loss",
    ),
    Condition(
        "leak-stopped",
        "warning",
        "tank {tank} lost {lost_l:.0f} L at {rate_l_h:.2f} L/h, and no longer does since it holds {left_l:.0f} L",
        "it was mended, or the water stands below the crack now",
        "if nobody mended it, look for a crack at the height of the water; it goes on when the tank is filled",
        "by itself after two quiet days",
    ),
    Condition(
        "catch-lost",
        "warning",
        "{part:.0f} % of what the roof should give does not reach tank {tank}; {lost_l:.0f} L went elsewhere",
        "leaves in the gutter, the downpipe off or blocked, or the first-flush device stuck",
        "watch the gutter in the next rain; clean gutter, downpipe and filter. Ladders: never alone",
        "by itself when storms bring what they should",
    ),
    Condition(
        "rain-gauge-low",
        "warning",
        "tank {tank} gets {part:.0f} % more than the rain gauge accounts for",
        "the gauge's funnel is blocked or it stands aslant, or water is filled in during rain",
        "clean the gauge's funnel and see that it stands level",
        "by itself when gauge and tank agree again",
    ),
    Condition(
        "false-echo",
        "warning",
        "tank {tank}: something {distance_mm:.0f} mm below the sensor answers in place of the water",
        "a ladder rung, a pipe, a wall too near, or a cobweb",
        "turn or move the sensor so that nothing is within its beam",
        "by itself when only the water answers",
    ),
    Condition(
        "battery-faded",
        "warning",
        "the battery holds about {capacity:.0f} % of its declared capacity (give or take {sd:.0f} %)",
        "age, deep discharges, or long times half charged",
        "plan for a new battery; until then expect pumping to stop sooner in dark weeks",
        "by itself when more is measured",
    ),
    Condition(
        "charger-dead",
        "fault",
        "the sun shines on the panel, but the battery is not charged",
        "a fuse blown, a wire off, or a charge controller that has failed",
        "look at the charge controller's lamps; check the panel's and the battery's fuse with the panel covered",
        "by itself when the battery is charged again",
    ),
    Condition(
        "charger-low",
        "warning",
        "the charger holds the battery at a voltage at which it never gets full",
        "the charge controller is set for another kind of battery, or its wires are thin",
        "compare its settings with the battery's data sheet",
        "by itself when it holds the right voltage",
    ),
    Condition(
        "battery-frozen",
        "warning",
        "the battery's voltage stands at {battery_v:.2f} V and does not answer to loads",
        "a stuck converter, or the divider measures something else than the battery",
        "measure the battery with a hand meter while the pump runs and compare",
        "by itself when the voltage moves with the load",
    ),
    Condition(
        "weather-assumed",
        "info",
        "evapotranspiration is estimated from {source}",
        "no thermometer reading for a whole day",
        "check the temperature probe",
        "by itself with a day of readings",
    ),
    Condition(
        "probe-silent",
        "warning",
        "the soil probe of {zone} does not answer to the water and is not listened to: {why}",
        "probe pulled out, its wire broken, or its two voltages wrong in the site file",
        "push it in where the roots are, check its wire, and measure its voltage in dry and in drained wet soil",
        "by itself at the end of a day with believable readings",
    ),
)

_SERVICE_ROWS = (
    Condition(
        "journal-not-written",
        "warning",
        "the journal cannot be written at the moment; readings wait in memory",
        "card full, worn out or mounted read-only",
        "free space on the card or replace it; what waits is written when it can be",
        "by itself when the journal is written again",
    ),
    Condition(
        "journal-incomplete",
        "warning",
        "the journal lacks some readings",
        "it could not be written for so long that the oldest waiting readings were dropped",
        "check the card; replace it if this comes again",
        "by a restart of the controller",
    ),
    Condition(
        "board-deaf",
        "warning",
        "the board reports, but does not answer commands",
        "the wire from the controller to the board is loose, or the board's program hangs half-way",
        "check the wire from the controller's TX, then restart the board",
        "by itself when the board answers",
    ),
)

_BOARD_ROWS = (
    Condition(
        "board-no-flow",
        "fault",
        "the board stopped the pump: no flow",
        "valve stuck shut, filter blocked, air in the intake, pump worn, or a dead flow meter",
        "listen whether the valve opens and the pump turns, clean the filter, then clear the fault {fault}",
        "by the order clear-fault; up to 3 times a day the controller clears it and latches the zone out instead",
    ),
    Condition(
        "board-output-mismatch",
        "fault",
        "the board drives an output one way and reads it the other way",
        "relay or driver broken, wiring fault, or a pin shorted",
        "pull the pump's fuse, check the output's wiring and relay, then clear the fault {fault}",
        "by the order clear-fault",
    ),
    Condition(
        "board-supply-low",
        "warning",
        "the board stopped the pump: its supply was too low",
        "dark days, an ageing battery, or thin wires",
        "wait for sun; if it comes back on sunny days, check battery, fuse and wires",
        "by itself half an hour after the supply has recovered",
    ),
    Condition(
        "board-supply-unknown",
        "fault",
        "the board cannot read its supply voltage",
        "divider wire off, or its fuse blown",
        "measure the battery with a hand meter and check the divider's wiring",
        "by itself a minute after it reads again",
    ),
    Condition(
        "board-dry",
        "fault",
        "the board stopped the pump: the float switch says the intake is dry",
        "the tank is empty, or the float hangs",
        "look at the water level and move the float by hand",
        "by itself a minute after the float lifts",
    ),
    Condition(
        "board-valve-too-long",
        "warning",
        "the board shut a valve that had been open for its longest time",
        "the controller asked for too long a run",
        "nothing to do once; if it happens again, look at the zone's flow",
        "by itself a minute later",
    ),
    Condition(
        "board-pump-too-long",
        "warning",
        "the board stopped a pump that had run for its longest time",
        "the controller asked for too long a run",
        "nothing to do once; if it happens again, look at the zone's flow",
        "by itself a minute later",
    ),
    Condition(
        "board-flow-at-rest",
        "fault",
        "water runs although the board keeps everything shut",
        "a valve that does not close, a welded pump contact, a burst pipe, or a tap that somebody opened",
        "pull the pump's fuse, look where the water goes and end it, then clear the fault {fault}",
        "by the order clear-fault, once the water stands still",
    ),
    Condition(
        "board-self-test",
        "fault",
        "the board failed its own test of memory, program, clock or voltage converter; it keeps every output shut",
        "damaged flash or memory, a program file that was changed by hand, or a broken converter",
        "see which test in the board's hello; flash it again, or replace it; then clear the fault {fault}",
        "by the order clear-fault, or a restart, once the test is passed",
    ),
    Condition(
        "board-reboots",
        "fault",
        "the board restarted more than three times within minutes and keeps every output shut for half an hour",
        "a loose supply wire, a battery that breaks down as the pump starts, or a fault in the board",
        "check the board's supply and its wires; watch the voltage as the pump starts",
        "by itself after half an hour without a restart, or by the order clear-fault",
    ),
    Condition(
        "board-reboots-latched",
        "fault",
        "the board was locked out three times because it kept restarting",
        "a supply that keeps breaking down, or a board that is broken",
        "find out why it restarts, then clear the fault {fault}",
        "by the order clear-fault",
    ),
    Condition(
        "board-settings-bad",
        "fault",
        "the board's own settings are wrong or damaged; it keeps every output shut",
        "its settings file was edited wrongly or got damaged; the board's hello says what is wrong",
        "put the board's settings right and restart it",
        "by good settings",
    ),
    Condition(
        "board-lease-lapsed",
        "info",
        "the board shut everything because the controller was silent for 5 s",
        "the controller was restarted, or the cable was loose for a moment",
        "nothing to do once; if it happens often, check the cable and the controller's supply",
        "by itself with the next command",
    ),
)

CATALOGUE: dict[str, Condition] = {row.id: row for row in (*_ROWS, *_SERVICE_ROWS, *_BOARD_ROWS)}
LATCHING = frozenset(
    {"no-flow", "burst-flow", "flow-at-rest", "output-stuck", "board-no-flow", "board-output-mismatch"}
    | {"board-flow-at-rest", "board-self-test", "board-reboots-latched"}
)
