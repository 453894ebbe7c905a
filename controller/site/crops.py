"""Crop coefficients that come with the program, so that a site file can say `plant = "lettuce"`.

Source: FAO Irrigation and Drainage Paper 56 (Rome, 1998), table 12 (single crop coefficients Kc, height h), table 17
(basal crop coefficients Kcb) and table 22 (largest root depth as a range, depletion fraction p). Where a table gives a
range for the end of the season or the height, its middle is used.
The coefficients hold for a sub-humid climate with light wind. Tall staked plants reach a Kc mid of 1.15 (beans,
peppers, cucumbers) or 1.20 (tomatoes): table 12, note 2; write `kc_mid` in the site file for those.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class CropValues:
    """One row: Kc of the three stages, root depth of a grown plant from-to in mm, depletion fraction p, then Kcb of the
    three stages and the height of a grown plant."""

    name: str
    kc_initial: float
    kc_mid: float
    kc_end: float
    root_depth_low_mm: float
    root_depth_high_mm: float
    depletion_fraction: float
    kcb_initial: float
    kcb_mid: float
    kcb_end: float
    height_m: float


_ROWS = (
    CropValues("broccoli", 0.7, 1.05, 0.95, 400.0, 600.0, 0.45, 0.15, 0.95, 0.85, 0.3),
    CropValues("brussels sprouts", 0.7, 1.05, 0.95, 400.0, 600.0, 0.45, 0.15, 0.95, 0.85, 0.4),
    CropValues("cabbage", 0.7, 1.05, 0.95, 500.0, 800.0, 0.45, 0.15, 0.95, 0.85, 0.4),
    CropValues("carrot", 0.7, 1.05, 0.95, 500.0, 1000.0, 0.35, 0.15, 0.95, 0.85, 0.3),
    CropValues("cauliflower", 0.7, 1.05, 0.95, 400.0, 700.0, 0.45, 0.15, 0.95, 0.85, 0.4),
    CropValues("celery", 0.7, 1.05, 1.0, 300.0, 500.0, 0.2, 0.15, 0.95, 0.9, 0.6),
    CropValues("garlic", 0.7, 1.0, 0.7, 300.0, 500.0, 0.3, 0.15, 0.9, 0.6, 0.3),
    CropValues("lettuce", 0.7, 1.0, 0.95, 300.0, 500.0, 0.3, 0.15, 0.9, 0.9, 0.3),
    CropValues("onion", 0.7, 1.05, 0.75, 300.0, 600.0, 0.3, 0.15, 0.95, 0.65, 0.4),
    CropValues("green onion", 0.7, 1.0, 1.0, 300.0, 600.0, 0.3, 0.15, 0.9, 0.9, 0.3),
    CropValues("spinach", 0.7, 1.0, 0.95, 300.0, 500.0, 0.2, 0.15, 0.9, 0.85, 0.3),
    CropValues("radish", 0.7, 0.9, 0.85, 300.0, 500.0, 0.3, 0.15, 0.85, 0.75, 0.3),
    CropValues("aubergine", 0.6, 1.05, 0.9, 700.0, 1200.0, 0.45, 0.15, 1.0, 0.8, 0.8),
    CropValues("sweet pepper", 0.6, 1.05, 0.9, 500.0, 1000.0, 0.3, 0.15, 1.0, 0.8, 0.7),
    CropValues("tomato", 0.6, 1.15, 0.8, 700.0, 1500.0, 0.4, 0.15, 1.1, 0.7, 0.6),
    CropValues("cantaloupe", 0.5, 0.85, 0.6, 900.0, 1500.0, 0.45, 0.15, 0.75, 0.5, 0.3),
    CropValues("cucumber", 0.6, 1.0, 0.75, 700.0, 1200.0, 0.5, 0.15, 0.95, 0.7, 0.3),
    CropValues("winter squash", 0.5, 1.0, 0.8, 1000.0, 1500.0, 0.35, 0.15, 0.95, 0.7, 0.4),
    CropValues("courgette", 0.5, 0.95, 0.75, 600.0, 1000.0, 0.5, 0.15, 0.9, 0.7, 0.3),
    CropValues("sweet melon", 0.5, 1.05, 0.75, 800.0, 1500.0, 0.4, 0.15, 1.0, 0.7, 0.4),
    CropValues("watermelon", 0.4, 1.0, 0.75, 800.0, 1500.0, 0.4, 0.15, 0.95, 0.7, 0.4),
    CropValues("beetroot", 0.5, 1.05, 0.95, 600.0, 1000.0, 0.5, 0.15, 0.95, 0.85, 0.4),
    CropValues("parsnip", 0.5, 1.05, 0.95, 500.0, 1000.0, 0.4, 0.15, 0.95, 0.85, 0.4),
    CropValues("potato", 0.5, 1.15, 0.75, 400.0, 600.0, 0.35, 0.15, 1.1, 0.65, 0.6),
    CropValues("sweet potato", 0.5, 1.15, 0.65, 1000.0, 1500.0, 0.65, 0.15, 1.1, 0.55, 0.4),
    CropValues("turnip", 0.5, 1.1, 0.95, 500.0, 1000.0, 0.5, 0.15, 1.0, 0.85, 0.6),
    CropValues("green bean", 0.5, 1.05, 0.9, 500.0, 700.0, 0.45, 0.15, 1.0, 0.8, 0.4),
    CropValues("dry bean", 0.4, 1.15, 0.35, 600.0, 900.0, 0.45, 0.15, 1.1, 0.25, 0.4),
    CropValues("pea", 0.5, 1.15, 1.1, 600.0, 1000.0, 0.35, 0.15, 1.1, 1.05, 0.5),
    CropValues("artichoke", 0.5, 1.0, 0.95, 600.0, 900.0, 0.45, 0.15, 0.95, 0.9, 0.7),
    CropValues("asparagus", 0.5, 0.95, 0.3, 1200.0, 1800.0, 0.45, 0.15, 0.9, 0.2, 0.5),
    CropValues("mint", 0.6, 1.15, 1.1, 400.0, 800.0, 0.4, 0.4, 1.1, 1.05, 0.7),
    CropValues("strawberry", 0.4, 0.85, 0.75, 200.0, 300.0, 0.2, 0.3, 0.8, 0.7, 0.2),
    CropValues("sweet corn", 0.3, 1.15, 1.05, 800.0, 1200.0, 0.5, 0.15, 1.1, 1.0, 1.5),
    CropValues("berry bush", 0.3, 1.05, 0.5, 600.0, 1200.0, 0.5, 0.2, 1.0, 0.4, 1.5),
    CropValues("cool-season turf", 0.9, 0.95, 0.95, 500.0, 1000.0, 0.4, 0.85, 0.9, 0.9, 0.1),
    CropValues("warm-season turf", 0.8, 0.85, 0.85, 500.0, 1000.0, 0.5, 0.75, 0.8, 0.8, 0.1),
    CropValues("citrus", 0.7, 0.65, 0.7, 1200.0, 1500.0, 0.5, 0.65, 0.6, 0.65, 4.0),
)

_BY_NAME = {row.name: row for row in _ROWS}

CROPS = {**_BY_NAME, "eggplant": _BY_NAME["aubergine"], "zucchini": _BY_NAME["courgette"]}
