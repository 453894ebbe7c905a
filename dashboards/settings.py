"""The settings file of `pumphouse watch` (watch.toml): what is too much for the command line. Every key: docs/watch.md.

All of it may be left out. Secrets never stand in the file itself, only in files of their own that nobody else can read.
"""

from __future__ import annotations

import stat
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, field_validator
from pydantic_core import ErrorDetails

from controller.errors import ConfigurationError
from dashboards.alert_model import HOUR_MS, MINUTE_MS, RULES, AlertSettings, Rule, Severity, Tell
from dashboards.points import FINE_DAYS

SiteId = Annotated[str, Field(pattern=r"^[a-z0-9-]{1,64}$")]
TargetName = Annotated[str, Field(pattern=r"^[A-Za-z0-9 _-]{1,40}$")]
TimeOfDay = Annotated[str, Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]

ALLOWED = {
    "string_pattern_mismatch": {
        "^([01]": "a local time HH:MM, for example 22:00",
        "^[a-z0": "a site's id: lower case letters, digits and hyphens",
        "^[A-Za": "a name of up to 40 letters, digits, blanks, _ and -",
        "^https": "an address that begins with http:// or https://",
    },
}


class Table(BaseModel):
    """A table of the file; what it does not know is an error, and no value is bent into another type."""

    model_config = ConfigDict(extra="forbid", strict=True)


class HistoryTable(Table):
    fine_days: Annotated[int, Field(ge=1, le=60)] = FINE_DAYS


def _no_secret(name: str) -> str:
    """An address where a file's name belongs holds a password, most likely: it must not be repeated in an error."""
    if "://" in name:
        raise ValueError("the name of a file; write the address itself into that file")
    return name


FileName = Annotated[str, Field(min_length=1, max_length=400), AfterValidator(_no_secret)]


class InfluxTable(Table):
    name: TargetName
    url: Annotated[str, Field(pattern=r"^https?://[^\s/]+", max_length=300)]
    org: Annotated[str, Field(min_length=1, max_length=100)]
    bucket: Annotated[str, Field(min_length=1, max_length=100)]
    token_file: FileName
    most_waiting: Annotated[int, Field(ge=1000, le=100_000_000)] = 1_000_000


class RuleTable(Table):
    tell: Tell | None = None
    after_min: Annotated[int, Field(ge=0, le=1440)] | None = None
    again_h: Annotated[int, Field(ge=0, le=720)] | None = None
    through_quiet: bool | None = None


class TargetTable(Table):
    name: TargetName
    url_file: FileName
    least: Severity = "info"
    daily: bool = True
    sites: Annotated[list[SiteId], Field(min_length=1)] | None = None


class AlertsTable(Table):
    time_zone: str = "UTC"
    quiet_from: TimeOfDay | None = None
    quiet_until: Annotated[TimeOfDay | None, Field(validate_default=True)] = None
    daily_at: TimeOfDay | None = None
    daily_when_nothing: bool = True
    lost_after_min: Annotated[int, Field(ge=1, le=1440)] = 15
    broker_lost_after_min: Annotated[int, Field(ge=1, le=1440)] = 15
    fault: RuleTable = RuleTable()
    warning: RuleTable = RuleTable()
    info: RuleTable = RuleTable()
    target: list[TargetTable] = []

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, name: str) -> str:
        try:
            ZoneInfo(name)
        except (ValueError, OSError, LookupError):
            raise ValueError("a time zone of the IANA list, for example Europe/London") from None
        return name

    @field_validator("quiet_until")
    @classmethod
    def _no_half_of_quiet(cls, until: str | None, info: Any) -> str | None:
        if (until is None) != (info.data.get("quiet_from") is None):
            raise ValueError("given together with quiet_from, or both left out")
        return until


class WatchTables(Table):
    history: HistoryTable = HistoryTable()
    influx: list[InfluxTable] = []
    alerts: AlertsTable | None = None


@dataclass(frozen=True, slots=True)
class InfluxSettings:
    """A database that takes the InfluxDB 2 write interface, and how many records may wait for it."""

    name: str
    url: str
    org: str
    bucket: str
    token: str = field(repr=False)
    most_waiting: int


@dataclass(frozen=True, slots=True)
class TargetSettings:
    """Somebody to be told: `url` says how, and is a secret. `sites` None: of all."""

    name: str
    url: str = field(repr=False)
    least: Severity
    daily: bool
    sites: frozenset[str] | None


@dataclass(frozen=True, slots=True)
class AlertPlan:
    """Everything about messages to people."""

    rules: AlertSettings
    targets: tuple[TargetSettings, ...]
    lost_after_ms: int
    broker_lost_after_ms: int


@dataclass(frozen=True, slots=True)
class WatchSettings:
    """The whole file, secrets read."""

    fine_days: int = FINE_DAYS
    influx: tuple[InfluxSettings, ...] = ()
    alerts: AlertPlan | None = None


def load_settings(path: str | Path) -> WatchSettings:
    """Read the file and the secrets it names, which are found beside it unless their path is absolute.

    Raises ConfigurationError that names every wrong key, its value, what is allowed and how to cure it.
    """
    path = Path(path)
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigurationError(f"{path}: cannot be read ({error})") from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigurationError(f"{path}: not TOML: {error}") from error
    try:
        tables = WatchTables.model_validate(values)
    except ValidationError as error:
        raise ConfigurationError("\n".join(f"{path}: {_complaint(detail)}" for detail in error.errors())) from None
    return WatchSettings(
        fine_days=tables.history.fine_days,
        influx=tuple(
            _influx(path, number, table) for number, table in enumerate(_named(path, "influx", tables.influx))
        ),
        alerts=_alert_plan(path, tables.alerts) if tables.alerts is not None else None,
    )


def secret_line(where: str, path: Path) -> str:
    """The first line of a file that only its owner can read. Raises ConfigurationError; the secret is never in it."""
    try:
        mode = path.stat().st_mode
        if stat.S_IMODE(mode) & 0o077:
            raise ConfigurationError(
                f"{where}: {path} can be read by others (mode {stat.S_IMODE(mode):04o}), allowed is 0600. "
                f"Cure: chmod 600 {path}"
            )
        line = path.read_text(encoding="utf-8").partition("\n")[0].strip()
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigurationError(f"{where}: {path} cannot be read ({error})") from error
    if not line:
        raise ConfigurationError(f"{where}: {path} is empty; its first line is the secret")
    return line


def _named(path: Path, key: str, tables: list[Any]) -> list[Any]:
    """The same tables; two of one name are an error, since what waits for a target is kept under its name."""
    names = [table.name for table in tables]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise ConfigurationError(f"{path}: {key}: two have the name {twice!r}; give each a name of its own")
    return tables


def _influx(path: Path, number: int, table: InfluxTable) -> InfluxSettings:
    token = secret_line(f"{path}: influx[{number + 1}].token_file", path.parent / table.token_file)
    return InfluxSettings(table.name, table.url, table.org, table.bucket, token, table.most_waiting)


def _alert_plan(path: Path, table: AlertsTable) -> AlertPlan:
    targets = []
    for number, target in enumerate(_named(path, "alerts.target", table.target)):
        url = secret_line(f"{path}: alerts.target[{number + 1}].url_file", path.parent / target.url_file)
        sites = frozenset(target.sites) if target.sites is not None else None
        targets.append(TargetSettings(target.name, url, target.least, target.daily, sites))
    given: dict[Severity, RuleTable] = {"fault": table.fault, "warning": table.warning, "info": table.info}
    quiet_from, quiet_until = _minutes(table.quiet_from), _minutes(table.quiet_until)
    rules = AlertSettings(
        zone=ZoneInfo(table.time_zone),
        quiet=None if quiet_from is None or quiet_until is None else (quiet_from, quiet_until),
        daily_at=_minutes(table.daily_at),
        daily_when_nothing=table.daily_when_nothing,
        rules={severity: _rule(RULES[severity], rule) for severity, rule in given.items()},
    )
    return AlertPlan(rules, tuple(targets), table.lost_after_min * MINUTE_MS, table.broker_lost_after_min * MINUTE_MS)


def _rule(usual: Rule, given: RuleTable) -> Rule:
    return Rule(
        tell=usual.tell if given.tell is None else given.tell,
        after_ms=usual.after_ms if given.after_min is None else given.after_min * MINUTE_MS,
        again_ms=usual.again_ms if given.again_h is None else given.again_h * HOUR_MS,
        through_quiet=usual.through_quiet if given.through_quiet is None else given.through_quiet,
    )


def _minutes(text: str | None) -> int | None:
    return None if text is None else int(text[:2]) * 60 + int(text[3:])


def _complaint(detail: ErrorDetails) -> str:
    """One problem: the key, the value, what is allowed."""
    key = _key(detail["loc"])
    if detail["type"] == "extra_forbidden":
        return f"{key}: no such key; docs/watch.md lists them. Cure: take it out or correct its spelling"
    if detail["type"] == "missing":
        return f"{key}: missing, it has to be given"
    value = "what is given" if key.endswith("_file") else repr(detail["input"])
    return f"{key}: {value} is not allowed; allowed is {_allowed(detail)}"


def _allowed(detail: ErrorDetails) -> str:
    context = detail.get("ctx", {})
    kind = detail["type"]
    if kind == "string_pattern_mismatch":
        pattern = str(context.get("pattern", ""))
        return next((said for start, said in ALLOWED[kind].items() if pattern.startswith(start)), pattern)
    if kind == "value_error":
        return str(context.get("error", detail["msg"]))
    if kind == "literal_error":
        return str(context.get("expected", ""))
    plain: dict[str, str] = {
        "greater_than_equal": f"{context.get('ge')} or more",
        "less_than_equal": f"{context.get('le')} or less",
        "string_too_long": f"text of at most {context.get('max_length')} characters",
        "string_too_short": "text that is not empty",
        "too_short": "a list that is not empty",
        "int_type": "a whole number",
        "bool_type": "true or false",
        "string_type": "text in quotes",
        "list_type": "a list",
        "model_type": "a table",
    }
    return plain.get(kind, detail["msg"])


def _key(loc: Iterable[int | str]) -> str:
    """`alerts.target[2].least`; the first entry of a list is 1, as people count."""
    text = ""
    for part in loc:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}"
    return text.removeprefix(".")
