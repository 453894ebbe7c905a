"""`pumphouse check`: reads a site file and says what is wrong with it, or what it declares."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from controller.errors import ConfigurationError
from controller.service.sitefile import read_site
from controller.site.advice import site_advice
from controller.site.geometry import volume_l
from controller.site.model import Pump, Site, Tank, Zone
from controller.site.show import Show, clock

SUMMARY = "read a site file and say what is wrong with it"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", nargs="?", type=Path, help="the site file, usually site.toml")
    parser.add_argument("--example", action="store_true", help="print an annotated example site file to start from")
    parser.add_argument("--schema", action="store_true", help="print the site file's JSON Schema, for editors")


def run(args: argparse.Namespace) -> int:
    """Print a summary of a good file; raises ConfigurationError (exit code 2) with all problems of a bad one."""
    if args.example:
        from simulator.example import example_site_text

        print(example_site_text(), end="")
        return 0
    if args.schema:
        from controller.site.json_schema import site_file_schema

        print(json.dumps(site_file_schema(), indent=1, ensure_ascii=False))
        return 0
    if args.file is None:
        raise ConfigurationError(
            "name the file to check, or write an example with: pumphouse check --example > site.toml"
        )
    print("\n".join(summary(read_site(args.file))))
    return 0


def summary(site: Site) -> list[str]:
    """What a checked site amounts to, in the owner's units, one line each."""
    show = Show(site.units)
    lines = [f"{site.name} ({site.id}): in order", ""]
    lines += _table(_TANK_HEADINGS, [_tank_row(tank, site, show) for tank in site.tanks])
    lines.append("")
    lines += _table(_ZONE_HEADINGS, [_zone_row(zone, site.pump_for_tank(zone.tank_id), show) for zone in site.zones])
    battery = f"{site.battery.chemistry}, {site.battery.capacity_ah:g} Ah"
    panel = "no panel" if site.panel is None else f"panel {site.panel.peak_w:g} W"
    lines += ["", f"power: {battery}, {panel}; the pump stops below {show.voltage(site.battery.disconnect_v)}"]
    advice = site_advice(site)
    if advice:
        lines += ["", "worth knowing:", *(f"  - {line}" for line in advice)]
    return lines


_TANK_HEADINGS = ("tank", "to overflow", "usable", "reserve", "roof")
_ZONE_HEADINGS = ("zone", "kind", "area", "flow", "of pump", "ground holds", "daily cap", "when")


def _tank_row(tank: Tank, site: Site, show: Show) -> tuple[str, ...]:
    to_overflow = volume_l(tank.shape, tank.overflow_mm)
    kept = max(tank.reserve_l, volume_l(tank.shape, tank.suction_mm))
    roof = sum(roof.area_m2 for roof in site.roofs if roof.tank_id == tank.id)
    return (
        tank.id,
        show.volume(to_overflow),
        show.volume(to_overflow - kept),
        show.volume(tank.reserve_l),
        show.area(roof) if roof else "none",
    )


def _zone_row(zone: Zone, pump: Pump, show: Show) -> tuple[str, ...]:
    share = 100.0 * zone.rated_flow_l_min / pump.max_flow_l_min
    return (
        zone.id,
        zone.kind,
        show.area(zone.area_m2),
        show.flow(zone.rated_flow_l_min),
        f"{share:.0f} %",
        f"{show.rain(zone.total_available_mm)} = {show.volume(zone.total_available_mm * zone.area_m2)}",
        show.volume(zone.schedule.daily_cap_l),
        _when(zone),
    )


def _when(zone: Zone) -> str:
    schedule = zone.schedule
    if schedule.mode == "off":
        return "off"
    if schedule.mode == "fixed":
        return "at " + ", ".join(clock(minute) for minute in schedule.fixed_times_min)
    return "by need " + ", ".join(f"{clock(window.start_min)}-{clock(window.end_min)}" for window in schedule.windows)


def _table(headings: tuple[str, ...], rows: list[tuple[str, ...]]) -> list[str]:
    widths = [max(len(cell) for cell in column) for column in zip(headings, *rows, strict=True)]
    rule = tuple("-" * width for width in widths)
    return [
        "  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip()
        for row in (headings, rule, *rows)
    ]
