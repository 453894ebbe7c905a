"""`pumphouse what-if`: a season that was, lived again with another tank, roof, panel or schedule."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from controller.account import words
from controller.account.made import Account
from controller.account.tables import document
from controller.commands.account import account_in, events_of
from controller.commands.arguments import add_days
from controller.errors import ConfigurationError
from controller.service.journal import Journal
from controller.service.sitefile import read_site
from controller.site.model import Site
from controller.site.show import Show
from controller.site.units import AREA, CHARGE, POWER, VOLUME, Dimension, QuantityError, parse_quantity
from simulator.season_command import collecting_seldom, show_progress
from simulator.what_if import Change, Recorded, changed, in_force, lived_again, recorded

SUMMARY = "live a recorded season again with another tank, roof, panel or schedule"
COLUMNS = ("recorded", "as it is", "what if")
NOTE = """\
recorded  what the journal says: with its faults, holds, orders and top-ups
as it is  the same weather through the virtual garden of the site as it is, without them
what if   the same with the change. Compare it with "as it is", and see by "recorded" how true the virtual garden is"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("journal", type=Path, help="the journal file")
    add_days(parser)
    parser.add_argument(
        "--tank", action="append", default=[], metavar="[ID=]VOLUME", help='as "3000 L" to the overflow'
    )
    parser.add_argument("--roof", action="append", default=[], metavar="[ID=]AREA", help='of a tank, as "40 m2"')
    parser.add_argument("--panel", metavar="POWER", help='as "100 W"')
    parser.add_argument("--battery", metavar="CAPACITY", help='as "120 Ah"')
    parser.add_argument("--site", type=Path, help="a whole other site file: zones, plants, schedules")
    parser.add_argument("--seed", type=int, default=1, help="which hidden parameters the virtual garden has (1)")
    parser.add_argument("--json", action="store_true", help="print values instead of text")


def run(args: argparse.Namespace) -> int:
    """Live the days twice and print them side by side. Raises ConfigurationError for a change that makes no sense."""
    account = account_in(args.journal, args.start, args.end)
    season, site = _recorded(args.journal, account, args.seed)
    other = changed(site if args.site is None else read_site(args.site), _change(args, site))
    if other == site:
        raise ConfigurationError("nothing is changed; say what, with --tank, --roof, --panel, --battery or --site")
    told = show_progress if sys.stderr.isatty() else _tell_nobody
    with collecting_seldom():
        lived = [lived_again(season, each, args.seed, told) for each in (site, other)]
    accounts = [account, *lived]
    if args.json:
        documents = {name: document(each) for name, each in zip(COLUMNS, accounts, strict=True)}
        print(json.dumps({name.replace(" ", "_"): each for name, each in documents.items()}, indent=1, allow_nan=False))
    else:
        print("\n".join(comparison_lines(accounts, season.filled_days)))
    return 0


def _tell_nobody(_done: int, _of: int) -> None:
    return


def _recorded(path: Path, account: Account, seed: int) -> tuple[Recorded, Site]:
    journal = Journal.read(path)
    try:
        season = recorded(account, events_of(journal.records_of("measure")), seed)
        return season, in_force(account.site, events_of(journal.records_of("schedule")), account.ended_wall_ms)
    finally:
        journal.close()


def _change(args: argparse.Namespace, site: Site) -> Change:
    return Change(
        dict(_of_a_tank(text, "--tank", VOLUME, site) for text in args.tank),
        dict(_of_a_tank(text, "--roof", AREA, site) for text in args.roof),
        None if args.panel is None else _quantity(args.panel, "--panel", POWER),
        None if args.battery is None else _quantity(args.battery, "--battery", CHARGE),
    )


def _of_a_tank(text: str, option: str, dimension: Dimension, site: Site) -> tuple[str, float]:
    tank_id, separator, quantity = text.rpartition("=")
    if not separator:
        if len(site.tanks) > 1:
            raise ConfigurationError(f"{option} {text}: there are several tanks; write {option} ID={text}")
        tank_id = site.tanks[0].id
    return tank_id, _quantity(quantity, option, dimension)


def _quantity(text: str, option: str, dimension: Dimension) -> float:
    try:
        quantity = parse_quantity(text, dimension)
    except QuantityError as error:
        raise ConfigurationError(f"{option} {text}: {error}") from None
    if quantity <= 0.0:
        raise ConfigurationError(f"{option} {text}: must be above 0")
    return quantity


# --- side by side -----------------------------------------------------------------------------------------------------


def comparison_lines(accounts: Sequence[Account], filled_days: int) -> list[str]:
    """The table: recorded, as it is, what if."""
    account, show = accounts[0], Show(accounts[0].site.units)
    lines = [f"{account.site.name}, {account.period.first} to {account.period.last}", ""]
    lines.append(f"{'':<34}" + "".join(f"{name:>14}" for name in COLUMNS))
    for name, values in _rows(accounts, show):
        lines.append(f"{name:<34}" + "".join(f"{value:>14}" for value in values))
    lines += ["", NOTE]
    if filled_days:
        lines.append(f"{filled_days} days without readings had the temperatures of the day before")
    return lines


def _rows(accounts: Sequence[Account], show: Show) -> list[tuple[str, list[str]]]:
    rows: list[tuple[str, list[str]]] = []
    for tank in accounts[0].tanks:
        mine = [next((each for each in account.tanks if each.tank_id == tank.tank_id), None) for account in accounts]

        def told(name: str, say: Any, mine: Sequence[Any] = mine) -> None:
            rows.append((name, ["-" if each is None else say(each) for each in mine]))

        rows.append((f"tank {tank.tank_id}", [""] * len(accounts)))
        told("  holds", lambda each: words.litres(show, each.capacity_l))
        told("  rain caught", lambda each: words.litres(show, each.books.of("rain").into_tank_l))
        told("  topped up", lambda each: words.litres(show, each.books.of("top-up").into_tank_l))
        told("  given to zones", lambda each: words.litres(show, each.books.to_zones.into_tank_l))
        told("  overflowed", lambda each: words.litres(show, -each.books.of("overflow").into_tank_l))
        told("  at its lowest", lambda each: words.litres(show, min(day.low_l for day in each.supply)))
        told("  days too low to water", lambda each: str(sum(day.at_limit for day in each.supply)))
    for zone in accounts[0].zones:
        found = [next((each for each in account.zones if each.zone_id == zone.zone_id), None) for account in accounts]
        rows.append((f"{zone.name}", [""] * len(accounts)))
        rows.append(("  given", ["-" if z is None else words.litres(show, z.given_l) for z in found]))
        rows.append(("  of its need", ["-" if z is None else words.percent(z.need_met_part) for z in found]))
        rows.append(("  strained days", ["-" if z is None else words.strained(z) for z in found]))
    rows.append(("battery at its lowest", [_charge(account) for account in accounts]))
    rows.append(("days below the least charge", [str(account.energy.low_days) for account in accounts]))
    return rows


def _charge(account: Account) -> str:
    lowest = account.energy.lowest_charge_percent
    return "unknown" if lowest is None else f"{lowest:.0f} %"
