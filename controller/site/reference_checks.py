"""Whether the parts of a site fit each other: ids, tanks named elsewhere, outputs and channels used once, flows."""

from __future__ import annotations

from collections.abc import Mapping

from controller.site.document import Document
from controller.site.geometry import volume_l
from controller.site.model import Pump, Tank, Zone
from controller.site.problems import Path, did_you_mean, dotted
from controller.site.show import Show


def check_references(document: Document) -> None:
    """Works on what is written, so that a mistake elsewhere in an entry does not make its id unknown."""
    for name in ("roof", "tank", "pump", "zone"):
        _check_unique_texts(document, name, "id")
    _check_unique_texts(
        document, "pump", "tank", "two pumps for one tank: each tank has one pump; the other is {other}"
    )
    tank_ids = [text for path in document.entries("tank") if (text := document.text_at((*path, "id"))) is not None]
    for name in ("roof", "pump", "zone"):
        _check_tanks_known(document, name, tank_ids)
    _check_pumps_exist(document, tank_ids)
    for name, keys, what in _USED_ONCE:
        _check_used_once(document, name, keys, what)


_USED_ONCE: tuple[tuple[str, Path, str], ...] = (
    ("zone", ("valve", "output"), "valve output"),
    ("zone", ("soil_probe", "channel"), "soil probe channel"),
    ("pump", ("output",), "pump output"),
    ("pump", ("flow_meter", "channel"), "flow meter channel"),
    ("tank", ("sensor_channel",), "level sensor channel"),
    ("tank", ("float_switch_channel",), "float switch channel"),
)


def _check_unique_texts(document: Document, name: str, key: str, text: str = "already used by {other}") -> None:
    seen: dict[str, Path] = {}
    for path in document.entries(name):
        value = document.text_at((*path, key))
        if value is None:
            continue
        if value in seen:
            document.complain((*path, key), text.format(other=dotted(seen[value])))
        seen.setdefault(value, path)


def _check_tanks_known(document: Document, name: str, tank_ids: list[str]) -> None:
    for path in document.entries(name):
        written = document.text_at((*path, "tank"))
        if written is not None and written not in tank_ids:
            known = ", ".join(tank_ids) or "none"
            document.complain(
                (*path, "tank"), f"there is no such tank{did_you_mean(written, tank_ids)}; tanks: {known}"
            )


def _check_pumps_exist(document: Document, tank_ids: list[str]) -> None:
    pumped = {document.text_at((*path, "tank")) for path in document.entries("pump")}
    for path in document.entries("zone"):
        tank_id = document.text_at((*path, "tank"))
        if tank_id in tank_ids and tank_id not in pumped:
            document.complain((*path, "tank"), "no [[pump]] draws from this tank, so the zone cannot be watered")


def _check_used_once(document: Document, name: str, keys: Path, what: str) -> None:
    seen: dict[int, Path] = {}
    for path in document.entries(name):
        value = document.count_at((*path, *keys))
        if value is None:
            continue
        if value in seen:
            document.complain((*path, *keys), f"{what} {value} is already used by {dotted(seen[value])}")
        seen.setdefault(value, path)


def check_flows(
    document: Document,
    tanks: Mapping[Path, Tank],
    pumps: Mapping[Path, Pump],
    zones: Mapping[Path, Zone],
    show: Show,
) -> None:
    """No zone wants more than its pump gives, or a daily cap its tank never holds."""
    pump_by_tank = {pump.tank_id: pump for pump in pumps.values()}
    tank_by_id = {tank.id: tank for tank in tanks.values()}
    for path, zone in zones.items():
        pump, tank = pump_by_tank.get(zone.tank_id), tank_by_id.get(zone.tank_id)
        if pump is not None and zone.rated_flow_l_min > pump.max_flow_l_min:
            document.complain(
                (*path, "emitter_rate"),
                f"{zone.emitter_count} emitters together want {show.flow(zone.rated_flow_l_min)}, more than the "
                f'{show.flow(pump.max_flow_l_min)} of pump "{pump.id}"; split the zone, or check its figures',
            )
        if tank is not None and zone.schedule.mode != "off":
            _check_cap(document, path, zone, tank, show)


def _check_cap(document: Document, path: Path, zone: Zone, tank: Tank, show: Show) -> None:
    kept = max(tank.reserve_l, volume_l(tank.shape, tank.suction_mm))
    usable = volume_l(tank.shape, tank.overflow_mm) - kept
    if usable > 0.0 and zone.schedule.daily_cap_l > usable:
        document.complain(
            (*path, "schedule", "daily_cap"),
            f"cannot be reached: the tank gives {show.volume(usable)} from full down to its reserve or suction",
        )
