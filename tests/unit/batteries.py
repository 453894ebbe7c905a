"""A battery for tests of what is known of it."""

from __future__ import annotations

from controller.site.model import Battery, Chemistry


def make_battery(chemistry: Chemistry = "flooded", own_table: tuple[tuple[float, float], ...] | None = None) -> Battery:
    return Battery(
        chemistry=chemistry,
        capacity_ah=100.0,
        disconnect_v=11.8,
        floor_v=11.0,
        resume_v=12.4,
        maximum_v=15.0,
        minimum_charge_percent=50.0,
        rest_table=own_table,
    )
