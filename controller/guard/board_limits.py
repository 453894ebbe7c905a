"""The limits a site asks its board to enforce by itself: the controller's own, a little laxer, as the last line."""

from __future__ import annotations

from controller.site.model import Site
from firmware_host.link import BoardLimits

SAG_ALLOWANCE_MV = 300
"""The controller judges the voltage with the pump's sag added back; the board does not, and must not trip first."""
LOWEST_LIMIT_MV = 10_800
LOWEST_FLOOR_MV = 10_000
LEAST_OPENING_MS = 2_000


def board_limits(site: Site) -> BoardLimits:
    """Valve opening time of the slowest valve, and the battery's two limits."""
    opening_ms = max(round(zone.valve.opening_s * 1000.0) for zone in site.zones)
    return BoardLimits(
        opening_ms=max(LEAST_OPENING_MS, opening_ms),
        low_mv=max(LOWEST_LIMIT_MV, round(site.battery.disconnect_v * 1000.0) - SAG_ALLOWANCE_MV),
        floor_mv=max(LOWEST_FLOOR_MV, round(site.battery.floor_v * 1000.0) - SAG_ALLOWANCE_MV),
    )
