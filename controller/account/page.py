"""The account as one HTML page that prints on paper in black and white: no script, nothing fetched."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

from controller.account import words
from controller.account.drift import FlowDrift
from controller.account.made import Account, TankAccount
from controller.account.page_parts import STYLE, fact, figure, table
from controller.account.pictures import MOST_STRIPS, Figure, figures
from controller.account.water import Books
from controller.account.zones import ZoneAccount
from controller.guard.catalogue import CATALOGUE
from controller.site.show import Show

NO_BREAK_HYPHEN = "\u2011"


def page_html(account: Account) -> str:
    """The whole page."""
    drawn = {each.name: each for each in figures(account)}
    show, title = Show(account.site.units), escape(words.title(account))
    body = [
        f"<h1>{escape(account.site.name)}</h1>",
        f"<p>The account of the water from {account.period.first} to {account.period.last}, "
        f"{account.closed_days} closed days{_missing_days(account)}. All of it is reckoned from the journal.</p>",
        _headline(account, show),
        *(_tank(account, tank, show, drawn) for tank in account.tanks),
        _zones(account, show, drawn),
        _findings(account, show, drawn),
        _energy(account, show, drawn),
        _drift(account, show, drawn),
        _notes(),
    ]
    return (
        f'<!doctype html>\n<html lang="en-GB">\n<head><meta charset="utf-8"><title>{title}</title>\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<style>{STYLE}</style></head>\n<body>\n<main>\n" + "\n".join(body) + "\n</main>\n</body>\n</html>\n"
    )


def _missing_days(account: Account) -> str:
    missing = account.period.days - account.closed_days
    return f"; {missing} days of the period were not closed" if missing else ""


def _headline(account: Account, show: Show) -> str:
    facts = []
    for tank in account.tanks:
        several = f", {tank.name}" if len(account.tanks) > 1 else ""
        caught, given = tank.books.of("rain"), tank.books.to_zones
        fell = "" if tank.catch is None else f"of {words.litres(show, tank.catch.fallen_l)} that fell on the roof"
        topped_up = tank.books.of("top-up")
        facts += [
            fact(f"Rain caught{several}", words.litres(show, caught.into_tank_l), fell),
            fact(f"Given to zones{several}", words.litres(show, given.into_tank_l)),
            fact(
                f"Mains water spared{several}",
                words.litres(show, tank.spared.into_tank_l),
                f"{words.litres(show, topped_up.into_tank_l)} topped up, counted against it",
            ),
        ]
    strained = sum(zone.strained_days for zone in account.zones)
    growing = sum(zone.season_days for zone in account.zones)
    known = any(zone.judged_days for zone in account.zones)
    note = f"of {growing} zone-days with plants" if known else "no day says what plants draw with ease"
    facts.append(fact("Days plants had to strain", str(strained) if known else "unknown", note))
    worst = sum(fault.severity == "fault" for fault in account.faults)
    facts.append(fact("Faults", str(worst), f"{len(account.faults)} findings of all kinds"))
    return f"<dl>{''.join(facts)}</dl>"


# --- sections ---------------------------------------------------------------------------------------------------------


def _tank(account: Account, tank: TankAccount, show: Show, drawn: Mapping[str, Figure]) -> str:
    books = tank.books
    lowest = min(tank.supply, key=lambda day: day.low_l)
    parts = [
        f"<h2>{escape(tank.name)}</h2>",
        figure(drawn, f"stored-{tank.tank_id}"),
        f"<p>At its lowest it held {words.litres(show, lowest.low_l)}, on {lowest.date}. On "
        f"{sum(day.at_limit for day in tank.supply)} days it came down to {words.litres(show, tank.limit_l)}, the "
        "reserve and the margin below which no watering begins. "
        f"Its level was known in {words.percent(tank.level_known_part)} of all readings.</p>",
        figure(drawn, f"lasting-{tank.tank_id}"),
        "<h3>From roof to root</h3>",
        _books_table(account, books, show),
        _caught(tank, show),
        _agreement(account, tank, show),
        _spared(tank, show),
        _more_than_fell(tank, show),
        figure(drawn, f"months-{tank.tank_id}"),
        _months_table(tank, show),
    ]
    return "\n".join(part for part in parts if part)


def _books_table(account: Account, books: Books, show: Show) -> str:
    rows = [
        (
            "Opening, " + books.first_day,
            "",
            words.litres(show, books.opening_ml / 1000.0),
            _sd(show, books.opening_sd_ml),
        )
    ]
    for name, entry in books.entries.items():
        words_ = words.account_name(account, name)
        amount = words.litres(show, abs(entry.into_tank_l))
        came = entry.into_tank_ml >= 0
        rows.append((words_[0].upper() + words_[1:], "in" if came else "out", amount, _sd(show, entry.sd_ml)))
    rows.append(
        (
            "Closing, " + books.last_day,
            "",
            words.litres(show, books.closing_ml / 1000.0),
            _sd(show, books.closing_sd_ml),
        )
    )
    caption = f"Every entry of {books.days} days; opening and entries make the closing to the millilitre"
    return table(caption, ("Account", "|In or out", "Amount", "± one standard deviation"), rows, (0, -1))


def _sd(show: Show, sd_ml: float | None) -> str:
    return "not known" if sd_ml is None else words.litres(show, sd_ml / 1000.0)


def _caught(tank: TankAccount, show: Show) -> str:
    catch = tank.catch
    if catch is None or catch.part is None:
        return ""
    return (
        f"<p>{words.litres(show, catch.fallen_l)} fell on the roof; {words.percent(catch.part)} of it reached the "
        f"tank. Declared are {words.percent(catch.declared_part)}, less what the first flush takes.</p>"
    )


def _agreement(account: Account, tank: TankAccount, show: Show) -> str:
    if not tank.unbooked_ml:
        return (
            "<p>What the waterings say they gave and what the books say left for the zones agree to the millilitre.</p>"
        )
    parts = ", ".join(
        f"{words.zone_name(account, zone_id)} {words.litres(show, ml / 1000.0)}"
        for zone_id, ml in tank.unbooked_ml.items()
    )
    return f"<p>Waterings that stand in no closed day of this tank (more than booked): {escape(parts)}.</p>"


def _spared(tank: TankAccount, show: Show) -> str:
    return (
        f"<p>Mains water spared: {words.with_sd(show, tank.spared)}. It is what the zones got, less what was topped "
        "up, whether that was used or is still stored.</p>"
    )


def _more_than_fell(tank: TankAccount, show: Show) -> str:
    if not tank.more_than_fell:
        return ""
    days = ", ".join(f"{words.litres(show, beyond_l)} on {day}" for day, beyond_l in tank.more_than_fell)
    return (
        f"<p>More was booked as rain than can have come off the roof: {days}. If the tank was topped up while it "
        "rained, so much less mains water was spared.</p>"
    )


def _months_table(tank: TankAccount, show: Show) -> str:
    rows = []
    for month, books in [*tank.months.items(), ("whole", tank.books)]:
        rest = books.closing_ml - books.opening_ml
        named = {name: books.of(name).into_tank_ml for name in ("rain", "top-up", "overflow")}
        named["zones"] = -books.to_zones.into_tank_ml
        other_ml = rest - sum(named.values())
        rows.append(
            (
                *(
                    month.replace("-", NO_BREAK_HYPHEN),
                    _l(show, books.opening_ml),
                    _l(show, named["rain"]),
                    _l(show, named["top-up"]),
                ),
                *(
                    _l(show, -named["zones"]),
                    _l(show, -named["overflow"]),
                    _l(show, other_ml),
                    _l(show, books.closing_ml),
                ),
            )
        )
    heading = ("Month", "Opening", "Rain", "Topped up", "To zones", "Overflowed", "All else", "Closing")
    return table("Month by month", heading, rows, (-1,))


def _l(show: Show, ml: float) -> str:
    return words.litres(show, ml / 1000.0)


def _zones(account: Account, show: Show, drawn: Mapping[str, Figure]) -> str:
    rows = [_zone_row(zone, show) for zone in account.zones]
    heading = (
        "Zone",
        "Runs",
        "Given",
        "Rain",
        "Taken",
        "Of need",
        "Drained",
        "Strained days",
        "Refused days",
        "Cut short",
    )
    pictures = [figure(drawn, f"zone-{zone.zone_id}") for zone in account.zones]
    return "\n".join(
        [
            "<h2>Zones</h2>",
            table("Water and stress of each zone", heading, rows),
            "<p>Given is at the emitters. Rain that counted, what plants took, which part that is of what they would "
            "have taken had they never been short, and what drained below the roots are reckoned by the zone's own "
            "water balance (FAO-56). Strained: days on which the root zone at some time lacked more than plants draw "
            "with ease (readily available water). Refused: days that ended with a wanted watering refused. Cut short: "
            "what runs that ended early still owed.</p>",
            figure(drawn, "weather"),
            *(picture for picture in pictures if picture),
        ]
    )


def _zone_row(zone: ZoneAccount, show: Show) -> tuple[str, ...]:
    def depth(mm: float | None) -> str:
        return words.litres(show, None if mm is None or zone.area_m2 is None else mm * zone.area_m2)

    return (
        zone.name,
        str(zone.runs),
        words.litres(show, zone.given_l),
        depth(zone.rain_mm),
        depth(zone.etc_mm),
        words.percent(zone.need_met_part),
        depth(zone.drained_mm),
        words.strained(zone),
        str(zone.refused_days),
        words.litres(show, zone.short_l),
    )


def _findings(account: Account, show: Show, drawn: Mapping[str, Figure]) -> str:
    parts = ["<h2>Findings, and what they cost</h2>"]
    if not account.faults:
        parts.append("<p>Nothing was found wrong.</p>")
    else:
        rows = [
            (
                *(fault.fault_id, fault.severity, str(len(fault.stretches)), words.duration(fault.hours)),
                *("yes" if fault.stands else "no", fault.text),
            )
            for fault in account.faults
        ]
        parts.append(figure(drawn, "findings"))
        if len(account.faults) > MOST_STRIPS:
            parts.append(f"<p>The picture shows the first {MOST_STRIPS} of {len(account.faults)}.</p>")
        heading = ("Finding", "|Kind", "Times", "Stood", "|Still stands", "|What it says")
        parts.append(table("Findings with how long they stood, the worst first", heading, rows))
    if account.missed:
        heading = ("Because of", "|What it means", "Zone-days", "Waiting", "Strained", "|Zones")
        rows = [
            (
                *(
                    missed.condition,
                    _meaning(missed.condition),
                    str(missed.zone_days),
                    words.litres(show, missed.waiting_l),
                ),
                *(f"{missed.strained_days} d", ", ".join(sorted(missed.zones))),
            )
            for missed in account.missed
        ]
        parts.append(table("Waterings that were wanted and refused until the day ended", heading, rows))
        parts.append(
            "<p>Where several objected on one day, each is charged with all of it. Waiting is what the plan still "
            "wanted: of days that follow one another the most, not the sum.</p>"
        )
    else:
        parts.append("<p>No day ended with a watering wanted and refused.</p>")
    return "\n".join(parts)


def _meaning(condition: str) -> str:
    row = CATALOGUE.get(condition)
    return "" if row is None else row.cause


def _energy(account: Account, show: Show, drawn: Mapping[str, Figure]) -> str:
    energy = account.energy
    each = "unknown" if energy.wh_per_l is None else f"{energy.wh_per_l:.2f} Wh a litre"
    charge = "unknown" if energy.lowest_charge_percent is None else f"{energy.lowest_charge_percent:.0f} %"
    facts = [
        fact("Pump", f"{energy.pump_hours:.1f} h", f"about {energy.pump_wh:.0f} Wh, {each}"),
        fact("Electronics", f"{energy.electronics_wh / 1000.0:.1f} kWh", "assumed, not measured"),
        fact("Battery at its lowest", charge, energy.lowest_charge_day or ""),
        fact("Lowest voltage", show.voltage(energy.lowest_v), energy.lowest_v_day or ""),
        fact("Days below the least charge", str(energy.low_days)),
    ]
    return "\n".join(
        [
            f"<h2>Energy</h2><dl>{''.join(facts)}</dl>",
            "<p>The pump's energy is its running time by its current, as a shunt taught it or else as declared, and by "
            "the battery's mean voltage of the day.</p>",
            figure(drawn, "charge"),
            figure(drawn, "voltage"),
        ]
    )


def _drift(account: Account, show: Show, drawn: Mapping[str, Figure]) -> str:
    rows: list[tuple[str, ...]] = [
        (
            f"Flow meter of {meter.pump_id}: put right by",
            words.signed_percent(meter.first_part),
            words.signed_percent(meter.last_part),
            f"{words.signed_percent(meter.lowest_part)} to {words.signed_percent(meter.highest_part)}",
        )
        for meter in account.meters
    ]
    rows += [_flow_row(account, flow, show) for flow in account.flows]
    if not rows:
        return "<h2>Calibration</h2><p>Too few runs to compare.</p>"
    return "\n".join(
        [
            "<h2>Calibration</h2>",
            table(
                "What should not move, at the beginning and at the end", ("Measure", "First", "Last", "Change"), rows
            ),
            "<p>Flows are of whole runs, the middle one of the first ten and of the last ten; a lower battery or a "
            "lower tank makes them a little less. A flow that fell asks for a look at filter and emitters, one that "
            "rose at the pipes.</p>",
            figure(drawn, "flows"),
        ]
    )


def _flow_row(account: Account, flow: FlowDrift, show: Show) -> tuple[str, ...]:
    return (
        f"Flow to {words.zone_name(account, flow.zone_id)}, {flow.runs} runs",
        show.flow(flow.first_l_min),
        show.flow(flow.last_l_min),
        words.signed_percent(flow.change_part),
    )


def _notes() -> str:
    return (
        "<h2>How it is reckoned</h2>"
        "<p>A day's books close on the volume measured at midnight. What entries and measurement disagree about is "
        "shared among the entries by how unsure each is; the rest is unexplained. Errors of one cause, a meter or a "
        "rate, are added up over the days; others are added in squares. Each ± is one standard deviation: two times "
        "in three the truth lies within it.</p>"
        "<p>Hours older than the journal keeps in full count with their mean, so that the extremes of such days are a "
        "little milder than they were. The site is the one declared when the journal was last written.</p>"
    )
