"""The words of the account: how its figures are told. Litres or gallons as the owner declared."""

from __future__ import annotations

from controller.account.made import Account
from controller.account.water import NOT_RECORDED, Entry
from controller.account.zones import ZoneAccount
from controller.estimate.ledger import EVAPORATION, LEAK, OVERFLOW, RAIN, TOP_UP, UNEXPLAINED, ZONE_PREFIX
from controller.site.show import Show

_ACCOUNTS = {
    RAIN: "rain from the roof",
    TOP_UP: "topped up",
    OVERFLOW: "overflowed",
    LEAK: "leaked",
    EVAPORATION: "dried up in the tank",
    UNEXPLAINED: "unexplained",
    NOT_RECORDED: "between books that do not join",
}
_TRIGGERS = {
    "need": "by need",
    "fixed": "at fixed times",
    "order": "by order",
    "relief": "to relieve a pump",
    "drain": "to empty a line",
}
_ENDED = {
    "done": "as wanted",
    "stopped": "stopped by somebody",
    "blocked": "stopped by an interlock",
    "slow": "given up as too slow",
    "fault": "stopped by a fault",
    "relief": "relief of a pump",
    "drained": "line emptied",
}


def account_name(account: Account, name: str) -> str:
    """The name of an account of the ledger for people."""
    if name.startswith(ZONE_PREFIX):
        return zone_name(account, name.removeprefix(ZONE_PREFIX))
    if name.startswith("tank:"):
        return f"moved from or to tank {name.removeprefix('tank:')}"
    return _ACCOUNTS.get(name, name)


def zone_name(account: Account, zone_id: str) -> str:
    return next((zone.name for zone in account.zones if zone.zone_id == zone_id), zone_id)


def trigger_name(trigger: str) -> str:
    return _TRIGGERS.get(trigger, trigger)


def ended_name(ended: str) -> str:
    return _ENDED.get(ended, ended)


def litres(show: Show, volume_l: float | None) -> str:
    """A volume for a table: nothing at all is a plain 0, and a minus is a minus sign."""
    if volume_l == 0.0:
        return "0 L" if show.units == "metric" else "0 gal"
    return show.volume(volume_l).replace("-", "−")


def with_sd(show: Show, entry: Entry) -> str:
    """ "1204 L ± 31 L": one standard deviation."""
    if entry.sd_l is None:
        return litres(show, entry.into_tank_l)
    return f"{litres(show, entry.into_tank_l)} ± {litres(show, entry.sd_l)}"


def strained(zone: ZoneAccount) -> str:
    """Days on which plants had to strain, of those with plants."""
    return f"{zone.strained_days} of {zone.season_days}" if zone.judged_days else "unknown"


def percent(part: float | None, decimals: int = 0) -> str:
    return "unknown" if part is None else f"{100.0 * part:.{decimals}f} %"


def signed_percent(part: float) -> str:
    return f"{round(100.0 * part, 1) + 0.0:+.1f} %".replace("-", "−")


def duration(hours: float) -> str:
    """Minutes below two hours, hours below two days, days from there on."""
    if hours < 2.0:
        return f"{60.0 * hours:.0f} min"
    return f"{hours:.0f} h" if hours < 48.0 else f"{hours / 24.0:.0f} days"


def title(account: Account) -> str:
    """What it is about, for a heading."""
    return f"{account.site.name}: the account from {account.period.first} to {account.period.last}"
