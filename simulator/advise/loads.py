"""Weight of a tank, and water that has to get out of it: overflow, drain. Kilograms, litres, kilopascals."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sqrt

from controller.site.geometry import height_mm, level_mm, volume_l
from controller.site.model import (
    Frustum,
    Rectangle,
    Site,
    Stack,
    Tank,
    TankShape,
    VerticalCylinder,
)

G_M_S2 = 9.80665
ORIFICE = 0.6
"""Discharge coefficient of a sharp-edged hole; textbooks have 0.60 to 0.62."""
DESIGN_RAIN_MM_H = (75.0, 150.0)
"""Gutters are laid out for 75 mm/h in Britain (from memory); twice that is a cloudburst."""
PIPE_BORES_MM = (32.0, 40.0, 50.0, 68.0, 82.0, 110.0, 160.0)
DRAIN_BORE_MM = 25.0
SOILS_KPA = (("clay, sandy clay, silty clay", 71.82), ("sand, silty sand", 95.76), ("sandy gravel, gravel", 143.64))
"""Presumptive bearing: 1500, 2000 and 3000 lb/ft2 (International Residential Code, table R401.4.1, from memory)."""
FILL_BORES_MM = (10.0, 15.0, 20.0)
_SLICES = 400


@dataclass(frozen=True, slots=True)
class TankLoads:
    """One tank. `base_kpa` None where the shape does not say on what it stands.

    water_kg     full to its very top
    inflow_l_s   from its roofs at each of `DESIGN_RAIN_MM_H`
    overflow_mm  bore of an overflow that carries it, None when no common one does
    """

    tank: Tank
    water_kg: float
    base_kpa: float | None
    inflow_l_s: tuple[float, ...]
    overflow_mm: tuple[float | None, ...]
    drain_l_min: float
    drain_min: float


def study_loads(site: Site) -> tuple[TankLoads, ...]:
    """All tanks."""
    return tuple(_of_tank(site, tank) for tank in site.tanks)


def _of_tank(site: Site, tank: Tank) -> TankLoads:
    water_kg = volume_l(tank.shape, height_mm(tank.shape))
    area = base_m2(tank.shape)
    roof_m2 = sum(roof.area_m2 for roof in site.roofs if roof.tank_id == tank.id)
    # All of the rain: a cloudburst asks no runoff coefficient.
    inflow = tuple(rain * roof_m2 / 3600.0 for rain in DESIGN_RAIN_MM_H)
    return TankLoads(
        tank=tank,
        water_kg=water_kg,
        base_kpa=None if area is None else water_kg * G_M_S2 / area / 1000.0,
        inflow_l_s=inflow,
        overflow_mm=tuple(overflow_bore_mm(flow) for flow in inflow),
        drain_l_min=hole_l_s(DRAIN_BORE_MM, tank.overflow_mm / 1000.0) * 60.0,
        drain_min=drain_time_s(tank.shape, tank.overflow_mm, DRAIN_BORE_MM) / 60.0,
    )


def base_m2(shape: TankShape) -> float | None:
    """The ground a tank stands on; None for those that lie on saddles, stand on legs, or do not say."""
    match shape:
        case VerticalCylinder() if shape.bottom_head == "flat":
            return pi / 4.0 * (shape.diameter_mm / 1000.0) ** 2
        case Rectangle():
            return shape.length_mm * shape.width_mm / 1e6
        case Frustum():
            return pi / 4.0 * (shape.bottom_diameter_mm / 1000.0) ** 2
        case Stack():
            return base_m2(shape.parts[0])
        case _:
            return None


def hole_l_s(bore_mm: float, head_m: float) -> float:
    """Flow through a hole under a head: C A sqrt(2 g h) (Torricelli)."""
    return ORIFICE * pi / 4.0 * (bore_mm / 1000.0) ** 2 * sqrt(2.0 * G_M_S2 * max(0.0, head_m)) * 1000.0


def overflow_l_s(bore_mm: float) -> float:
    """What a short level pipe takes with the water up to its crown: a hole under half its bore."""
    return hole_l_s(bore_mm, bore_mm / 2000.0)


def overflow_bore_mm(flow_l_s: float) -> float | None:
    """The smallest common pipe that takes a flow."""
    return next((bore for bore in PIPE_BORES_MM if overflow_l_s(bore) >= flow_l_s), None)


def drain_time_s(shape: TankShape, from_mm: float, bore_mm: float) -> float:
    """How long a hole at the floor takes to empty a tank from a level, slice by slice of equal volume."""
    full_l = volume_l(shape, from_mm)
    slice_l = full_l / _SLICES
    total = 0.0
    for n in range(_SLICES):
        middle_mm = level_mm(shape, (n + 0.5) * slice_l)
        total += slice_l / hole_l_s(bore_mm, middle_mm / 1000.0)
    return total
