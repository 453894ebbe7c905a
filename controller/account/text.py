"""The account as a page of text, for the terminal."""

from __future__ import annotations

from controller.account import words
from controller.account.made import Account, TankAccount
from controller.account.water import Entry
from controller.site.show import Show


def text_lines(account: Account) -> list[str]:
    """The most important figures; the page and the tables have all."""
    show = Show(account.site.units)
    lines = [words.title(account), f"{account.closed_days} closed days, {show.rain(account.rain_mm)} of rain"]
    for tank in account.tanks:
        lines += ["", *_tank(account, tank, show)]
    lines += ["", f"{'zone':<26}{'runs':>6}{'given':>10}{'taken':>10}{'strained':>12}{'refused':>9}"]
    for zone in account.zones:
        taken_l = None if zone.area_m2 is None else zone.etc_mm * zone.area_m2
        lines.append(
            f"{zone.name:<26}{zone.runs:>6}{words.litres(show, zone.given_l):>10}{words.litres(show, taken_l):>10}"
            f"{words.strained(zone):>12}{zone.refused_days:>9}"
        )
    lines += ["", *_energy(account, show), *_drift(account), "", *_faults(account, show)]
    return lines


def _tank(account: Account, tank: TankAccount, show: Show) -> list[str]:
    books = tank.books

    def line(name: str, value: Entry) -> str:
        return f"  {name:<30}{words.with_sd(show, value):>22}"

    opening = Entry(books.opening_ml, books.opening_sd_ml)
    closing = Entry(books.closing_ml, books.closing_sd_ml)
    return [
        f"{tank.name}: {books.days} days from {books.first_day} to {books.last_day}",
        line("opening", opening),
        *(line(words.account_name(account, name), entry) for name, entry in books.entries.items()),
        line("closing", closing),
        line("mains water spared", tank.spared),
        *(
            f"  {day}: {words.litres(show, beyond_l)} more than fell on the roof; topped up while it rained?"
            for day, beyond_l in tank.more_than_fell
        ),
    ]


def _energy(account: Account, show: Show) -> list[str]:
    energy = account.energy
    each = "" if energy.wh_per_l is None else f", {energy.wh_per_l:.2f} Wh a litre"
    lines = [f"pump: {energy.pump_hours:.1f} h, about {energy.pump_wh:.0f} Wh{each}"]
    if energy.lowest_charge_percent is not None:
        lines.append(f"battery at its lowest: {energy.lowest_charge_percent:.0f} % on {energy.lowest_charge_day}")
    if energy.lowest_v is not None:
        lines.append(f"lowest voltage: {show.voltage(energy.lowest_v)} on {energy.lowest_v_day}")
    return lines


def _drift(account: Account) -> list[str]:
    lines = [
        f"flow meter of {meter.pump_id}: counted as too little by {words.signed_percent(meter.last_part)} at the end"
        for meter in account.meters
    ]
    for flow in account.flows:
        name, change = words.zone_name(account, flow.zone_id), words.signed_percent(flow.change_part)
        lines.append(f"flow to {name}: {change} over {flow.runs} runs")
    return lines


def _faults(account: Account, show: Show) -> list[str]:
    if not account.faults and not account.missed:
        return ["no findings, and no day ended with a watering refused"]
    lines = [
        f"{fault.severity:<8}{fault.fault_id:<28}{len(fault.stretches):>4}x{words.duration(fault.hours):>10}"
        + ("  still stands" if fault.stands else "")
        for fault in account.faults
    ]
    for missed in account.missed:
        days, waiting = f"{missed.zone_days} zone-days", words.litres(show, missed.waiting_l)
        lines.append(
            f"kept from watering: {missed.condition}, {days} ({missed.strained_days} strained), {waiting} waiting"
        )
    return lines
