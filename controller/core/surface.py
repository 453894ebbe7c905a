"""The wet surface of zones with dual crop coefficients: what it evaporates, and what wets it again."""

from __future__ import annotations

from controller.core.state import ZoneState
from controller.irrigate.dual_coefficient import (
    Canopy,
    dried_surface_mm,
    drying_coefficient,
    evaporation_coefficient,
    exposed_wetted_fraction,
    wetted_surface_mm,
)
from controller.site.model import Surface

WETTING_RAIN_MM = 3.0
"""Rain of a day from which all the ground counts as wet, not only what the emitters reach (own choice; FAO-56 page 147
leaves "light" to the reader)."""


def evaporated_mm(state: ZoneState, surface: Surface, canopy: Canopy, et0_mm: float) -> float:
    """Evaporation from the soil over a stretch of reference evapotranspiration, booked to the surface layer.

    `et0_mm` below zero takes back what was booked too much.
    """
    wetted = 1.0 if state.surface_rained else surface.wetted_fraction
    exposed = exposed_wetted_fraction(canopy.cover, wetted, under_canopy=not state.surface_rained)
    drying = drying_coefficient(state.surface_mm, surface.tew_mm, surface.rew_mm)
    asked_mm = evaporation_coefficient(drying, canopy.kcb, canopy.kc_max, exposed) * et0_mm
    # Days that are booked in one go ask for more than is there.
    evaporated = min(asked_mm, (surface.tew_mm - state.surface_mm) * exposed)
    state.surface_mm = dried_surface_mm(state.surface_mm, surface.tew_mm, evaporated, exposed)
    return evaporated


def rained(state: ZoneState, rain_mm: float) -> None:
    """Rain wets all of the surface; enough of it counts for the exposed part until the emitters run again."""
    state.surface_mm = wetted_surface_mm(state.surface_mm, rain_mm)
    if state.rain_credited_mm >= WETTING_RAIN_MM:
        state.surface_rained = True


def watered(state: ZoneState, surface: Surface, net_mm: float) -> None:
    """A watering, in mm over the zone's whole area, falls on the wetted part."""
    state.surface_mm = wetted_surface_mm(state.surface_mm, net_mm / surface.wetted_fraction)
    state.surface_rained = False
