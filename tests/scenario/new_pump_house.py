"""A new pump house in virtual time, wired otherwise than its site file says, and its owner with tape, stick, bucket and
hand meter.

The owner answers from what is true in the plant; what is declared is known to the controller alone.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import TypeAdapter

from controller.commands.commission import SiteFile, on_board
from controller.commands.commission_guide import Guide
from controller.commands.commission_progress import Progress
from controller.commissioning.readings import Readings
from controller.contract import AskReadings, Input, Now, OrderAnswer, StepResult
from controller.core import Core
from controller.guard.board_limits import board_limits
from controller.service.homie import DeviceTree, ServiceFacts
from controller.service.orders import Ground, Refusal, parse_order
from controller.service.readings import NewestReport
from controller.site.model import Site
from firmware_host.board.logic import Board
from firmware_host.link import Link
from firmware_host.messages import Report
from simulator.board import PlantHardware, board_settings
from simulator.plant.daily_records import DailyRecord, weather_from_daily
from simulator.plant.plant import Plant
from simulator.plant.truth import Truth
from simulator.season import SeasonRun

SHAPE = TypeAdapter(Readings)
START = date(2026, 6, 2)


@dataclass
class Wiring:
    """How the board's readings differ from what its pins should read."""

    divider_part: float = 1.0
    """What the board reads of the battery's true voltage."""
    float_inverted: bool = False
    float_held: bool | None = None
    """Held up (True) or down by hand."""
    tips_by_hand: int = 0
    pump_dead: bool = False
    """The relay's contact does not carry: the output reads on and nothing runs."""
    silent_valves: set[int] = field(default_factory=set)


class WatchedCore:
    """A core whose newest report can be asked for, and which then has the board report often, as the daemon does."""

    def __init__(self, core: Core) -> None:
        self.core = core
        self.newest = NewestReport()

    def step(self, now: Now, inputs: Sequence[Input]) -> StepResult:
        for item in inputs:
            if isinstance(item, Report):
                self.newest.came(item, now.mono_ms)
        result = self.core.step(now, inputs)
        every_ms = self.newest.report_every_ms(result.report_every_ms, now.mono_ms)
        return result if every_ms == result.report_every_ms else result._replace(report_every_ms=every_ms)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.core, name)


class PumpHouse:
    """`built` is how it is wired and measured in truth, the file what its owner declared."""

    def __init__(self, built: Site, file: SiteFile, wiring: Wiring, seed: int = 3, fill: float = 0.7) -> None:
        rows = [DailyRecord(START + timedelta(days=n - 1), 12.0, 21.0, 0.0) for n in range(6)]
        midnight = datetime.combine(START, time(9), ZoneInfo(built.place.time_zone))
        weather = weather_from_daily(rows, built.place, seed)
        self.built, self.file, self.wiring = built, file, wiring
        self.notes: list[str] = []
        self.starts: list[dict[str, Any]] = []
        self.true_flows_l_min: dict[str, float] = {}
        """What last left each zone's emitters while its pump ran, some seconds into the run."""
        self._orders = 0
        self._answers: list[OrderAnswer] = []
        self.season = SeasonRun(built, weather, seed, int(midnight.timestamp() * 1000), fill=fill)
        self.season.hardware = _miswired(self.season.plant, wiring, seed)
        self.season.board = Board(self.season.hardware, board_settings(built))
        self._start_controller(None)
        for event in self.season.link.connected(0):
            self.season._take_change(event)
        self.season.watch = self._watch
        self.season.run_until(120_000)

    def _watch(self, _now: Now, result: StepResult) -> None:
        self._answers += result.answers
        self.starts += [record.data for record in result.records if record.kind == "start"]
        for zone in self.built.zones:
            flow_l_min = self.season.plant.truth.zone_flow_l_min(zone.id) if result.outputs.pumps else 0.0
            if flow_l_min > 0.0:
                self.true_flows_l_min[zone.id] = flow_l_min

    def _start_controller(self, memory: dict[str, Any] | None) -> None:
        site = self.file.site()
        self.season.site = site
        self.core = WatchedCore(Core(site, memory))
        self.season.core = self.core  # type: ignore[assignment]
        if memory is None:
            self.season.link = Link(board_limits(site))

    def restart_controller(self) -> None:
        """The service is started again and reads the site file anew."""
        self.season.site = self.file.site()
        self.season.restart(20_000)
        self.core = WatchedCore(self.season.core)
        self.season.core = self.core  # type: ignore[assignment]
        self.run(120.0)

    def run(self, seconds: float) -> None:
        self.season.run_until(self.season.plant.now_ms + round(1000.0 * seconds))

    # --- the live site, as `commission_guide.Live` ------------------------------------------------------------------

    def order(self, fields: Mapping[str, Any]) -> str:
        self._orders += 1
        values = {**fields, "id": f"c-{self._orders}", "sender": "kim"}
        order = parse_order(json.dumps(values).encode(), Ground(self.season.site, self.season.now().wall_ms))
        if isinstance(order, Refusal):
            return order.reason
        self.season.order(order)
        self.run(0.0)
        if fields["order"] == "note":
            self.notes.append(fields["text"])
        answer = next(one for one in self._answers if one.order_id == order.id)
        return "" if answer.accepted else answer.reason

    def look(self, seconds: float) -> list[Readings]:
        found: list[Readings] = []
        season = self.season
        began_ms = season.plant.now_ms
        while not found or season.plant.now_ms < began_ms + 1000.0 * seconds:
            answer = self.core.newest.answer(AskReadings("q"), season.link.hello, season.plant.now_ms)
            if answer.readings is not None:
                newest = SHAPE.validate_python(answer.readings)
                new = not found or found[-1].up_s != newest.up_s
                if new and 1000.0 * newest.age_s < season.plant.now_ms - began_ms:
                    found.append(newest)
            season._core_due_ms = season.plant.now_ms
            self.run(1.05)
        return found

    def values(self) -> dict[str, str]:
        now = self.season.now()
        topics = DeviceTree(self.season.site).values(
            self.core.snapshot(now), ServiceFacts(0, 0, "", "", now.wall_ms, now.wall_ms)
        )
        root = f"homie/5/{self.season.site.id}/"
        return {topic.removeprefix(root): payload.decode() for topic, payload in topics.items()}

    def now(self) -> datetime:
        zone = ZoneInfo(self.built.place.time_zone)
        return datetime.fromtimestamp(self.season.now().wall_ms / 1000.0, zone)


def _miswired(plant: Plant, wiring: Wiring, seed: int) -> PlantHardware:
    """The board's pins over a plant, between them what is wired wrong."""
    hardware = PlantHardware(plant, seed)
    sensors = hardware.sensors
    move_valve = plant.set_valve

    def battery_mv() -> int | None:
        true_mv = sensors.battery_mv()
        return None if true_mv is None else round(true_mv * wiring.divider_part)

    def float_wet(channel: int) -> bool:
        wet = sensors.float_wet(channel) if wiring.float_held is None else wiring.float_held
        return wet != wiring.float_inverted

    def set_valve(output: int, is_open: bool) -> None:
        move_valve(output, is_open and output not in wiring.silent_valves)

    own: dict[str, Callable[..., object]] = {
        "battery_mv": battery_mv,
        "float_wet": float_wet,
        "rain_tips": lambda: sensors.rain_tips() + wiring.tips_by_hand,
    }
    for name, reads in own.items():
        setattr(hardware, name, reads)
    plant.set_valve = set_valve  # type: ignore[method-assign]
    if wiring.pump_dead:
        plant.faults.pump_dead.update(pump.output for pump in plant.site.pumps)
    return hardware


class Owner:
    """Answers every question from what is true. `refuses`: words of questions to which the answer is no."""

    def __init__(self, house: PumpHouse, refuses: Sequence[str] = ()) -> None:
        self._house, self._refuses = house, tuple(refuses)
        self.heard: list[str] = []
        self._given_l: dict[str, float] = {}
        self._drawn_l = 0.0
        self._pumped_ms = 0
        self._poured = False
        self._rest_s = 0.0
        self._note_water()
        self._answers: list[tuple[str, Callable[[str], str]]] = [
            ("put the site on hold and begin", lambda _: "yes"),
            ("Enter when it has started again", self._restart),
            ("Is that done?", self._flash),
            ("Enter when the bucket", self._empty_bucket),
            ("Enter begins", self._begin),
            ("Is all still", lambda _: "yes" if not self._pump_runs() else "no"),
            ("Enter when it is off", lambda _: self._switch_panel(off=True)),
            ("Switch the panel on", lambda _: self._switch_panel(off=False)),
            ("Lift it", lambda _: self._hold_float(True)),
            ("Push it down", lambda _: self._hold_float(False)),
            ("Tip its bucket 10 times", self._tip),
            ("Pour a known volume", lambda _: "no"),
            ("in, out, or done", self._pour),
            ("How much went", lambda _: "300 L"),
            ("Enter when the water is calm", lambda _: ""),
            ("Tape", lambda _: f"{self._gap_mm():.0f} mm"),
            ("Stick", lambda _: f"{self._depth_mm() / 10:.1f} cm"),
            ("hand meter", lambda _: f"{self._truth.battery_v:.2f} V"),
            ("It shows, for", lambda _: f"{self._air_c():.1f} °C"),
            ("Water in the bucket", lambda _: f"{self._truth.drawn_l - self._drawn_l:.2f} L"),
            ("Did the pump run", lambda _: "yes" if self._pumped() else "no"),
            ("its number", self._point_out),
            ("Nothing moved", lambda _: ""),
            ("a does this step again", lambda _: ""),
            ("(yes or no)", lambda text: "no" if any(word in text for word in self._refuses) else "yes"),
        ]

    def say(self, text: str) -> None:
        self.heard.append(text)
        if "Which valve opened" in text or "Where did water come" in text:
            self._asked = text

    def ask(self, text: str) -> str:
        self.heard.append(text)
        answer = next((answer for words, answer in self._answers if words in text), None)
        assert answer is not None, f"nobody told the owner what to say to: {text}"
        return answer(text)

    # --- what is true -----------------------------------------------------------------------------------------------

    @property
    def _truth(self) -> Truth:
        return self._house.season.plant.truth

    def _gap_mm(self) -> float:
        channel = self._house.built.tanks[0].sensor_channel
        return self._house.season.hardware.sensors.face_mm(channel) - self._depth_mm()

    def _depth_mm(self) -> float:
        return self._truth.level_mm(self._house.built.tanks[0].id)

    def _air_c(self) -> float:
        air = self._house.season.plant.headspaces[self._house.built.tanks[0].id]
        return float(air.probed_c)

    def _note_water(self) -> None:
        self._given_l = {zone.id: self._truth.zone(zone.id).applied_l for zone in self._house.built.zones}
        self._drawn_l = self._truth.drawn_l
        self._pumped_ms = sum(self._truth.pump(pump.output).running_ms for pump in self._house.built.pumps)

    def _pumped(self) -> bool:
        return sum(self._truth.pump(p.output).running_ms for p in self._house.built.pumps) > self._pumped_ms

    def _pump_runs(self) -> bool:
        return any(self._truth.pump(pump.output).running for pump in self._house.built.pumps)

    # --- what the hand does -----------------------------------------------------------------------------------------

    def _begin(self, _text: str) -> str:
        self._house.wiring.float_held = None
        self._note_water()
        return ""

    def _restart(self, _text: str) -> str:
        self._house.restart_controller()
        return ""

    def _flash(self, _text: str) -> str:
        """Writes what was proposed last into the pin file, and flashes it."""
        before, after = (
            next(text for text in reversed(self.heard) if text.strip().startswith(word)) for word in ("before", "after")
        )
        if "top_ohm" in after:
            self._house.wiring.divider_part *= _factor(after) / _factor(before)
            self._rest_s = 5400.0
        if '"wet"' in after:
            self._house.wiring.float_inverted = not self._house.wiring.float_inverted
        self._house.wiring.float_held = None
        self._house.season.hardware.reboot("soft")
        self._house.season.board = Board(self._house.season.hardware, board_settings(self._house.built))
        self._house.restart_controller()
        # The controller's idea of the charge follows slowly: the owner has lunch.
        self._house.run(self._rest_s)
        self._rest_s = 0.0
        return "yes"

    def _switch_panel(self, *, off: bool) -> str:
        self._house.season.plant.faults.charger_dead = off
        self._house.run(1000.0)
        return ""

    def _hold_float(self, up: bool) -> str:
        self._house.wiring.float_held = up
        return ""

    def _tip(self, _text: str) -> str:
        self._house.wiring.tips_by_hand += 10
        return ""

    def _empty_bucket(self, _text: str) -> str:
        self._note_water()
        return ""

    def _pour(self, _text: str) -> str:
        if self._poured:
            return "done"
        self._poured = True
        tank_id = self._house.built.tanks[0].id
        self._house.season.plant.hand_fill(tank_id, 20.0, 15.0)
        self._house.run(1000.0)
        return "in"

    def _point_out(self, _text: str) -> str:
        zones = self._house.built.zones
        self._house.run(8.0)
        open_now = self._truth.valves_open
        if "valve opened" in self._asked:
            seen = [number for number, zone in enumerate(zones, 1) if zone.valve.output in open_now]
        else:
            seen = [number for number, zone in enumerate(zones, 1) if self._got_water(zone.id)]
        return " ".join(str(number) for number in seen) or "0"

    def _got_water(self, zone_id: str) -> bool:
        return self._truth.zone(zone_id).applied_l > self._given_l[zone_id] + 0.05


def _factor(line: str) -> float:
    """Volts of battery for a volt at the pin, by a line of the pin file."""
    top, bottom, trim = (int(found.replace("_", "")) for found in re.findall(r'_(?:ohm|permille)": ([\d_]+)', line))
    return (top + bottom) / bottom * trim / 1000.0


def sitting(house: PumpHouse, folder: Path, owner: Owner, pins: Path | None = None) -> bool:
    """One sitting of the real guide with this owner."""
    progress = Progress(folder / "progress.json")
    return Guide(house, house.file, on_board(pins), progress, "kim", owner.ask, owner.say).go()
