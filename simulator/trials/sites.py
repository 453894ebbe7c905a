"""The sites that estimators are tried on."""

from __future__ import annotations

from dataclasses import replace

from controller.site.load import parse_site
from controller.site.model import Site, VerticalCylinder
from simulator.example import example_site_text


def example_site() -> Site:
    """The example site, whose tank lies."""
    return parse_site(example_site_text(), "example site")


def upright_site() -> Site:
    """The example site with an upright tank of 1200 mm across that holds 1.9 m3, the ranger on a riser above it."""
    site = example_site()
    tank = replace(
        site.tanks[0],
        shape=VerticalCylinder(diameter_mm=1200.0, shell_height_mm=1750.0),
        stated_capacity_l=None,
        sensor_height_mm=1980.0,
        blind_zone_mm=250.0,
        overflow_mm=1680.0,
    )
    return replace(site, tanks=(tank,))
