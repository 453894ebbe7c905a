"""The built-in crops and soils against FAO Irrigation and Drainage Paper 56 (Rome, 1998).

fao56_crops.csv holds rows of tables 12, 17 and 22, fao56_table19_soils.csv those of table 19, read from the printed
book.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from controller.site.crops import CROPS
from controller.site.soils import SOILS_MM_PER_M, SURFACE_MM

DATA = Path(__file__).parent / "data"

BOOK_NAMES = {
    "Broccoli": "broccoli",
    "Brussels sprouts": "brussels sprouts",
    "Cabbage": "cabbage",
    "Carrots": "carrot",
    "Cauliflower": "cauliflower",
    "Celery": "celery",
    "Garlic": "garlic",
    "Lettuce": "lettuce",
    "Onions dry": "onion",
    "Onions green": "green onion",
    "Spinach": "spinach",
    "Radish": "radish",
    "Eggplant": "eggplant",
    "Sweet peppers": "sweet pepper",
    "Tomato": "tomato",
    "Cantaloupe": "cantaloupe",
    "Cucumber fresh market": "cucumber",
    "Pumpkin / winter squash": "winter squash",
    "Squash / zucchini": "zucchini",
    "Sweet melons": "sweet melon",
    "Watermelon": "watermelon",
    "Beets table": "beetroot",
    "Parsnip": "parsnip",
    "Potato": "potato",
    "Sweet potato": "sweet potato",
    "Turnip": "turnip",
    "Beans green": "green bean",
    "Beans dry": "dry bean",
    "Peas fresh": "pea",
    "Artichokes": "artichoke",
    "Asparagus": "asparagus",
    "Mint": "mint",
    "Strawberries": "strawberry",
    "Maize sweet": "sweet corn",
    "Berries bushes": "berry bush",
    "Turf cool season": "cool-season turf",
    "Turf warm season": "warm-season turf",
    "Citrus 70% canopy no cover": "citrus",
}


def rows(file_name: str) -> list[dict[str, str]]:
    with (DATA / file_name).open(newline="") as file:
        return list(csv.DictReader(file))


def test_every_row_of_the_book_that_was_read_is_built_in_and_no_other() -> None:
    assert {row["crop"] for row in rows("fao56_crops.csv")} == set(BOOK_NAMES)
    assert {crop.name for crop in CROPS.values()} == {CROPS[name].name for name in BOOK_NAMES.values()}


@pytest.mark.parametrize("row", rows("fao56_crops.csv"), ids=lambda row: row["crop"])
def test_crop_values_are_those_of_tables_12_17_and_22(row: dict[str, str]) -> None:
    crop = CROPS[BOOK_NAMES[row["crop"]]]
    assert crop.kc_initial == float(row["Kc_ini_T12"])
    assert crop.kc_mid == float(row["Kc_mid_T12"])
    assert crop.kc_end == pytest.approx((float(row["Kc_end_lo_T12"]) + float(row["Kc_end_hi_T12"])) / 2)
    assert crop.kcb_initial == float(row["Kcb_ini_T17"])
    assert crop.kcb_mid == float(row["Kcb_mid_T17"])
    assert crop.kcb_end == pytest.approx((float(row["Kcb_end_lo_T17"]) + float(row["Kcb_end_hi_T17"])) / 2)
    heights_m = [float(height) for height in row["h_m_T12"].split("-")]
    assert crop.height_m == pytest.approx(sum(heights_m) / len(heights_m))
    assert crop.depletion_fraction == float(row["p_T22"])
    assert crop.root_depth_low_mm == pytest.approx(float(row["Zr_min_m_T22"]) * 1000)
    assert crop.root_depth_high_mm == pytest.approx(float(row["Zr_max_m_T22"]) * 1000)


@pytest.mark.parametrize("row", rows("fao56_table19_soils.csv"), ids=lambda row: row["soil"])
def test_soils_hold_the_middle_of_the_range_in_table_19(row: dict[str, str]) -> None:
    name = {"Silt clay loam": "silty clay loam"}.get(row["soil"], row["soil"].lower())
    middle = (float(row["diff_min"]) + float(row["diff_max"])) / 2
    assert SOILS_MM_PER_M[name] == pytest.approx(middle * 1000)
    rew_mm, tew_mm = SURFACE_MM[name]
    assert rew_mm == pytest.approx((float(row["REW_min_mm"]) + float(row["REW_max_mm"])) / 2)
    assert tew_mm == pytest.approx((float(row["TEW_min_mm_Ze0.10"]) + float(row["TEW_max_mm_Ze0.10"])) / 2)
    assert len(SOILS_MM_PER_M) == len(rows("fao56_table19_soils.csv"))
