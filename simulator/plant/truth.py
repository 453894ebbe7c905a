"""What is really so, for tests, invariants and reports; nothing of it reaches the board except through sensors."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simulator.plant.plant import Plant


@dataclass(frozen=True, slots=True)
class ZoneTruth:
    """A zone's water at one instant; `stress` is over the season so far, `stress_yesterday` over the last whole day."""

    content_mm: float
    depletion_mm: float
    capacity_mm: float
    applied_l: float
    rain_l: float
    missed_l: float
    drained_l: float
    transpired_l: float
    potential_l: float
    stress: float
    stress_yesterday: float
    growing: bool


@dataclass(frozen=True, slots=True)
class PumpTruth:
    """A pump at one instant, and how long it has suffered."""

    running: bool
    flow_l_min: float
    current_a: float
    dry: bool
    dead_headed: bool
    starts: int
    running_ms: int
    dry_ms: int
    dead_head_ms: int


class Truth:
    """Reads a plant's true state; each look brings the plant's contents up to its present time first."""

    def __init__(self, plant: Plant) -> None:
        self._plant = plant

    def volume_l(self, tank_id: str) -> float:
        self._plant.settle()
        return self._plant.tanks[tank_id].volume_l

    def level_mm(self, tank_id: str) -> float:
        self._plant.settle()
        return self._plant.tanks[tank_id].level_mm

    def above_suction(self, tank_id: str) -> bool:
        """Whether the pump of the tank still finds water."""
        tank = self._plant.tanks[tank_id]
        self._plant.settle()
        return tank.volume_l > tank.suction_volume_l

    def zone(self, zone_id: str) -> ZoneTruth:
        self._plant.settle()
        roots = self._plant.roots[zone_id]
        return ZoneTruth(
            content_mm=roots.content_l / roots.zone.area_m2,
            depletion_mm=roots.depletion_mm,
            capacity_mm=roots.capacity_mm,
            applied_l=roots.applied_l,
            rain_l=roots.rain_l,
            missed_l=roots.missed_l,
            drained_l=roots.drained_l,
            transpired_l=roots.transpired_l,
            potential_l=roots.potential_l,
            stress=roots.stress,
            stress_yesterday=roots.stress_yesterday,
            growing=roots.growing,
        )

    def pump(self, output: int) -> PumpTruth:
        self._plant.settle()
        state = self._plant.pumps[output]
        return PumpTruth(
            running=state.running,
            flow_l_min=state.flow_l_ms * 60_000.0,
            current_a=state.current_a,
            dry=state.dry,
            dead_headed=state.dead_headed,
            starts=state.starts,
            running_ms=state.running_ms,
            dry_ms=state.dry_ms,
            dead_head_ms=state.dead_head_ms,
        )

    def zone_flow_l_min(self, zone_id: str) -> float:
        """Water that a zone gets now, whichever valve lets it through."""
        self._plant.settle()
        roots = self._plant.roots[zone_id]
        flows = (flow for state in self._plant.pumps.values() for into, flow in state.flows if into is roots)
        return 60_000.0 * sum(flows)

    def valve_open(self, output: int) -> bool:
        """Where the valve truly is, whatever its pin says."""
        return self._plant.valves[output].truly_open

    @property
    def valves_open(self) -> tuple[int, ...]:
        """Outputs of all valves truly open."""
        return tuple(output for output, valve in self._plant.valves.items() if valve.truly_open)

    @property
    def battery_soc(self) -> float:
        """Part of the battery's true capacity that is left, 0 to 1."""
        self._plant.settle()
        return self._plant.bank.soc

    @property
    def battery_capacity_ah(self) -> float:
        """What the battery, as faded as it is, holds when warm; `battery_soc` is a part of this."""
        return self._plant.bank.capacity_ah

    @property
    def battery_usable_ah(self) -> float:
        """What can still be drawn at the battery's present temperature."""
        self._plant.settle()
        bank = self._plant.bank
        return max(0.0, bank.charge_ah - bank.locked_ah)

    @property
    def battery_open_v(self) -> float:
        """Open-circuit voltage that the present charge comes to after long rest."""
        self._plant.settle()
        bank = self._plant.bank
        return bank.rested_v(bank.soc)

    @property
    def battery_c(self) -> float:
        return self._plant.bank.battery_c

    @property
    def battery_v(self) -> float:
        return self._plant.supply_v()

    @property
    def rain_mm(self) -> float:
        """Rain since the start."""
        self._plant.settle()
        return self._plant.rain_mm

    @property
    def roof_catch_l(self) -> float:
        """Water that has reached the tanks from the roofs."""
        self._plant.settle()
        return sum(tank.inflow_l for tank in self._plant.tanks.values())

    @property
    def overflow_l(self) -> float:
        self._plant.settle()
        return sum(tank.overflow_l for tank in self._plant.tanks.values())

    @property
    def drawn_l(self) -> float:
        """Water pumped out of the tanks."""
        self._plant.settle()
        return sum(tank.drawn_l for tank in self._plant.tanks.values())

    @property
    def leaked_l(self) -> float:
        self._plant.settle()
        return sum(tank.leaked_l for tank in self._plant.tanks.values())

    @property
    def evaporated_l(self) -> float:
        """Water dried up from the tanks."""
        self._plant.settle()
        return sum(tank.evaporated_l for tank in self._plant.tanks.values())

    @property
    def external_l(self) -> float:
        """Water put in by hand, less water taken out by hand."""
        self._plant.settle()
        return sum(tank.external_l for tank in self._plant.tanks.values())
