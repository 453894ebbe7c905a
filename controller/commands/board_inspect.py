"""`pumphouse board inspect`: who is on this port, and what it reads now."""

from __future__ import annotations

import argparse
import secrets

from controller.service.board_visit import BoardVisit
from firmware_host.messages import SHUT, Hello, Lifetime, Report
from firmware_host.transport import SerialPort

LOOK_S = 2.5
SPEED_OF_SOUND_MM_US = 0.3432
"""At 20 °C, ISO 9613-1: enough for a first look; the service corrects for temperature."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--serial", required=True, metavar="PATH", help="the board's port, for example /dev/ttyACM0")


def run(args: argparse.Namespace) -> int:
    """Print the introduction and one report. Raises OperatingError when no usable board is there."""
    with BoardVisit(SerialPort(args.serial), session=secrets.randbits(31)) as visit:
        hello = visit.introduce()
        print("\n".join(hello_lines(hello)))
        reports = visit.watch(SHUT, LOOK_S)
    if not reports:
        print("It sent no report yet; try again in a few seconds.")
        return 1
    print("\n".join(report_lines(reports[-1])))
    return 0


def hello_lines(hello: Hello) -> list[str]:
    """Who the board says it is."""
    fitted = hello.fitted
    counts = (
        ("ranger", fitted.echo),
        ("temperature probe", fitted.temperature),
        ("flow meter", fitted.flow),
        ("float switch", fitted.float_switch),
        ("pump", fitted.pump),
        ("valve", fitted.valve),
        ("rain gauge", int(fitted.rain)),
        ("current shunt", int(fitted.shunt)),
        ("panel divider", int(fitted.panel)),
    )
    parts = ", ".join(f"{count} x {name}" for name, count in counts if count) or "nothing"
    return [
        f"Board {hello.board_id}, firmware {hello.firmware}, protocol {hello.protocol}",
        f"Started by {hello.reset_cause}, {hello.uptime_ms / 1000:.0f} s ago",
        f"Fitted: {parts}",
        *(lifetime_lines(hello.lifetime) if hello.lifetime is not None else ()),
    ]


def lifetime_lines(life: Lifetime) -> list[str]:
    """What it has counted since it was first flashed; after a power cut up to an hour is missing."""
    lines = [f"Boots in its life: {life.boots}; the one before this was started by {life.cause_before}"]
    for channel, pulses in sorted(life.pulses.items()):
        lines.append(f"Flow meter {channel}: {pulses} pulses in its life")
    if life.rain_tips is not None:
        lines.append(f"Rain gauge: {life.rain_tips} tips in its life")
    return lines


def report_lines(report: Report) -> list[str]:
    """What it reads, raw enough to be compared with one's own eyes and a hand meter."""
    lines = [f"Battery: {_value(report.battery_v, 'V', 3)}", f"Panel: {_value(report.panel_v, 'V', 3)}"]
    lines.append(f"Current: {_value(report.current_a, 'A', 3)} (positive while charging)")
    for channel, value in sorted(report.temperature_c.items()):
        lines.append(f"Temperature {channel}: {_value(value, '°C', 2)}")
    for channel, burst in sorted(report.echo_us.items()):
        heard = [f"{us * SPEED_OF_SOUND_MM_US / 2.0:.0f}" if us else "-" for us in burst]
        lines.append(f"Ranger {channel}: {' '.join(heard) or 'no burst'} mm (- is a ping without echo)")
    for channel, pulses in sorted(report.flow_pulses.items()):
        lines.append(f"Flow meter {channel}: {pulses} pulses since it started")
    if report.rain_tips is not None:
        lines.append(f"Rain gauge: {report.rain_tips} tips since it started")
    for channel, wet in sorted(report.float_wet.items()):
        lines.append(f"Float switch {channel}: {'water' if wet else 'dry'}")
    lines.append(f"Outputs on: pumps {_outputs(report.pump_on)}, valves {_outputs(report.valve_open)}")
    lines.append(f"Faults: {', '.join(report.faults) or 'none'}")
    return lines


def _value(value: float | None, unit: str, digits: int) -> str:
    return "no good reading, or not fitted" if value is None else f"{value:.{digits}f} {unit}"


def _outputs(mask: int) -> str:
    return ", ".join(str(n) for n in range(mask.bit_length()) if mask >> n & 1) or "none"
