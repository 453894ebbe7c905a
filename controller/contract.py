"""What goes into the core and what comes out of it: the shared vocabulary of every layer above `site`.

All of it is immutable data. Wall time is UTC milliseconds since 1970; monotonic time is milliseconds on a clock that
never steps. The core never reads a clock: each step is told both.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal, NamedTuple

from controller.site.model import Schedule
from firmware_host.messages import SHUT, Ack, Hello, Outputs, Report

ClockTrust = Literal["synchronised", "coasting", "unknown"]
Quality = Literal["good", "suspect", "unknown"]
Look = Literal["dry", "wet"]
FORECAST_DAYS = 10


class Now(NamedTuple):
    """The two clocks as the shell sees them.

    With trust "unknown" `wall_ms` is a guess: good for keeping plants alive, not for dating.
    """

    mono_ms: int
    wall_ms: int
    trust: ClockTrust = "synchronised"


# --- orders ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SetSchedule:
    """Replace a zone's schedule. `base_version` is the version the sender saw; if another is in force it is refused."""

    zone_id: str
    schedule: Schedule
    base_version: int


@dataclass(frozen=True, slots=True)
class HoldAll:
    """Start nothing until resumed; what runs is stopped. `until_wall_ms` None holds until someone resumes."""

    until_wall_ms: int | None


@dataclass(frozen=True, slots=True)
class ResumeAll:
    """End a hold or a stop."""


@dataclass(frozen=True, slots=True)
class RunZone:
    """Give a zone a volume now, whatever its schedule; interlocks, cap and reserve still apply."""

    zone_id: str
    volume_l: float


@dataclass(frozen=True, slots=True)
class StopAll:
    """Stop what runs and hold until resumed."""


@dataclass(frozen=True, slots=True)
class ClearFault:
    """Deliberately clear one latched fault, by its stable id."""

    fault_id: str


@dataclass(frozen=True, slots=True)
class DayWeather:
    """Weather of one local date from a station or service; what the site's own probe cannot measure.

    With humidity, wind and sunshine or radiation, the day's reference evapotranspiration is Penman-Monteith (FAO-56);
    without, it is Hargreaves from the site's own thermometer.
    """

    date: str
    """ISO local date, today or one of the last 7 days."""
    tmin_c: float
    tmax_c: float
    humidity_mean_percent: float
    wind_2m_m_s: float
    radiation_mj_m2: float


@dataclass(frozen=True, slots=True)
class VoidRain:
    """What the gauge counted on a date was no rain: a sprinkler, a bird, somebody who cleaned it."""

    date: str
    """ISO local date, today or one of the last 2 days."""
    reason: str


@dataclass(frozen=True, slots=True)
class ZoneLooks:
    """What the owner's eye says of a zone: it trims the zone's crop coefficient, see `controller.irrigate.feedback`.

    At most one word for a zone within 20 hours counts.
    """

    zone_id: str
    look: Look


@dataclass(frozen=True, slots=True)
class ForgetLooks:
    """Forget what was learned from the owner's words: the zone's crop coefficient is the declared one again."""

    zone_id: str


@dataclass(frozen=True, slots=True)
class HoldZone:
    """Start nothing in one zone until resumed; if it runs it is stopped. `until_wall_ms` as for `HoldAll`."""

    zone_id: str
    until_wall_ms: int | None


@dataclass(frozen=True, slots=True)
class ResumeZone:
    """End the hold of one zone; a hold of the whole site stays."""

    zone_id: str


@dataclass(frozen=True, slots=True)
class UndoSchedule:
    """Put back the schedule before the present one, as a new version. `base_version` as for `SetSchedule`."""

    zone_id: str
    base_version: int


@dataclass(frozen=True, slots=True)
class DrainZone:
    """Open a zone's valve with the pump off, so that its line runs empty before frost. Only with the site on hold."""

    zone_id: str
    duration_min: float


@dataclass(frozen=True, slots=True)
class Note:
    """What somebody did at the site by hand. It changes nothing; its order is the journal's entry."""

    text: str


@dataclass(frozen=True, slots=True)
class ForecastDay:
    """Forecast of one local date."""

    date: str
    rain_mm: float
    tmin_c: float
    tmax_c: float


@dataclass(frozen=True, slots=True)
class Forecast:
    """A weather forecast from any source, up to `FORECAST_DAYS` days; the newest issued one holds."""

    issued_wall_ms: int
    days: tuple[ForecastDay, ...]


Command = (
    SetSchedule
    | HoldAll
    | ResumeAll
    | RunZone
    | StopAll
    | ClearFault
    | DayWeather
    | VoidRain
    | ZoneLooks
    | ForgetLooks
    | HoldZone
    | ResumeZone
    | UndoSchedule
    | DrainZone
    | Note
    | Forecast
)


@dataclass(frozen=True, slots=True)
class Order:
    """A command with the sender's own id (at most once per id) and the instant after which it must not act."""

    id: str
    sender: str
    not_after_wall_ms: int | None
    command: Command


# --- questions -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PreviewSchedule:
    """A question: what would this schedule do? It changes nothing."""

    id: str
    zone_id: str
    schedule: Schedule


@dataclass(frozen=True, slots=True)
class AskReadings:
    """A question: what does the board read now? While it is asked, the board reports every second."""

    id: str


Question = PreviewSchedule | AskReadings


@dataclass(frozen=True, slots=True)
class TankOutlook:
    """How long a tank would last under some schedules."""

    tank_id: str
    days_of_supply: float | None
    likely: SupplyDays | None


@dataclass(frozen=True, slots=True)
class Intention:
    """What would be done under some schedules.

    volume_l      for the zone asked about, at its next chance
    zone_day_l    the same zone in the next 24 hours; `site_day_l` all zones
    """

    next_start_wall_ms: int | None
    volume_l: float
    zone_day_l: float
    site_day_l: float
    why: str
    tanks: tuple[TankOutlook, ...]


@dataclass(frozen=True, slots=True)
class Preview:
    """The answer to `PreviewSchedule`: with the schedules in force, and with the one asked about."""

    zone_id: str
    base_version: int
    in_force: Intention
    asked: Intention


# --- inputs of a step ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LinkChanged:
    """The serial link came up (after a compatible hello) or was lost; `reason` is for people."""

    up: bool
    reason: str


@dataclass(frozen=True, slots=True)
class Restarted:
    """The shell started again over an existing state: its monotonic clock may have begun anew.

    `away_ms` is how long it was away as far as wall time tells, 0 when that is not known.
    """

    away_ms: int


@dataclass(frozen=True, slots=True)
class LinesDamaged:
    """So many lines from the board came damaged and were dropped since this was last said."""

    count: int


ShellInput = LinkChanged | LinesDamaged | Order | Restarted
"""What the shell tells; the rest is the board's own words."""
Input = Report | Ack | Hello | ShellInput


# --- results of a step -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Record:
    """One thing worth keeping for ever or publishing. `data` holds JSON-able values with units in the key names.

    kind        key                 data
    measure     ""                  tank.<id>.level_mm, tank.<id>.volume_l, battery_v, ... (one flat mapping)
    plan        zone id             what is intended today and why
    start       zone id             volume_l wanted, why, trigger (need, fixed, order, drain)
    delivery    zone id             volume_l, duration_s, metered,
                                    ended (done, stopped, blocked, slow, fault, relief, drained)
    refusal     zone id or ""       blocker ids and texts that keep a wanted watering from starting
    day         zone id or ""       the day's closing: et0_mm, rain_mm, depletion_mm, ...
    ledger      tank id             the day's opening, entries and closing in millilitres
    order       order id            sender, command, accepted, reason
    schedule    zone id             version and the schedule in force from now
    look        zone id             the owner's word, and factor and depletion before and after it
    fault       fault id            raised or cleared, text
    link        ""                  up, reason
    """

    kind: str
    key: str
    data: dict[str, Any]


@dataclass(frozen=True, slots=True)
class OrderAnswer:
    """Accepted, or refused with the reason and nothing changed."""

    order_id: str
    accepted: bool
    reason: str


class StepResult(NamedTuple):
    """What one step wants of the world.

    outputs          what the board should do now; the shell renews the lease while this stands
    report_every_ms  how often the board should report: fast while something runs or is about to
    wake_mono_ms     step again at this monotonic time at the latest, even if nothing arrives
    clear_board      board fault ids whose latches the core wants cleared (a deliberate order)
    """

    outputs: Outputs = SHUT
    report_every_ms: int = 60_000
    wake_mono_ms: int = 0
    records: tuple[Record, ...] = ()
    answers: tuple[OrderAnswer, ...] = ()
    clear_board: tuple[str, ...] = ()


# --- what people see -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Finding:
    """A fault, a blocker or a warning: stable id, what it means, how to cure it, since when."""

    id: str
    severity: Literal["info", "warning", "fault"]
    text: str
    cure: str
    since_wall_ms: int | None = None
    latched: bool = False


class SupplyDays(NamedTuple):
    """Days the water above the reserve lasts in likely weather, rain to come counted: 10th, 50th and 90th percentile.

    120 means longer.
    """

    low: float
    likely: float
    high: float


@dataclass(frozen=True, slots=True)
class TankView:
    id: str
    level_mm: float | None
    volume_l: float | None
    volume_sd_l: float | None
    capacity_l: float
    reserve_l: float
    quality: Quality
    measured_wall_ms: int | None
    days_of_supply: float | None
    """At the expected use, without any rain."""
    at_or_above: bool = False
    """The water stands in the sensor's blind zone: level and volume are lower bounds."""
    likely_supply: SupplyDays | None = None
    """Worked out beside the core, now and then; None without monthly normals or a roof."""


@dataclass(frozen=True, slots=True)
class ZoneView:
    id: str
    name: str
    watering: bool
    delivered_now_l: float
    applied_today_l: float
    depletion_mm: float
    total_available_mm: float
    schedule: Schedule
    schedule_version: int
    next_start_wall_ms: int | None
    plan_l: float
    why: str
    last_refusal: str
    coefficient_factor: float = 1.0
    """What the owner's words have made of the zone's crop coefficient."""
    last_look: Look | None = None
    """The owner's last word that counted; None when there was none, or it was forgotten."""
    held: bool = False
    hold_until_wall_ms: int | None = None
    readily_mm: float | None = None
    """Readily available water today (FAO-56 RAW); None while nothing grows there."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """One consistent picture of the site, made on demand; `wall_ms` is when it was true."""

    wall_ms: int
    trust: ClockTrust
    link_up: bool
    board_id: str | None
    held: bool
    hold_until_wall_ms: int | None
    tanks: tuple[TankView, ...]
    battery_v: float | None
    battery_charge_percent: float | None
    battery_quality: Quality
    pump_on: bool
    temperature_c: float | None
    rain_today_mm: float
    et0_today_mm: float | None
    zones: tuple[ZoneView, ...]
    findings: tuple[Finding, ...] = field(default_factory=tuple)
    forecast_issued_wall_ms: int | None = None
    """When the forecast was issued that counts now; None without one."""
    rain_to_come_mm: float | None = None
    """Rain forecast for the rest of today and for tomorrow."""
