"""What a right site file becomes: the same site whatever units it is written in."""

from __future__ import annotations

import zoneinfo

import pytest

from controller.site.advice import site_advice
from controller.site.geometry import height_mm, volume_l
from controller.site.load import parse_site
from controller.site.model import (
    ConeBottom,
    Frustum,
    History,
    HorizontalCylinder,
    Mqtt,
    Rectangle,
    Schedule,
    Site,
    Stack,
    StrappingTable,
    TankShape,
    VerticalCylinder,
    Window,
)
from controller.site.show import Show
from controller.site.zone_checks import schedule_complaints
from simulator.example import example_site_text

EXAMPLE = example_site_text()
SHAPE_TABLE = EXAMPLE[EXAMPLE.index("[tank.shape]") : EXAMPLE.index("# --- moving")]


def site_of(text: str) -> Site:
    return parse_site(text, "site.toml", zoneinfo.available_timezones())


def edited(*edits: tuple[str, str]) -> Site:
    text = EXAMPLE
    for old, new in edits:
        assert old in text
        text = text.replace(old, new, 1)
    return site_of(text)


def test_the_example_becomes_the_allotment_it_describes() -> None:
    site = site_of(EXAMPLE)
    assert (site.id, site.units, site.idle_report_s, site.frost_c) == ("river-allotment", "metric", 60, 2.0)
    assert (site.place.latitude_deg, site.place.longitude_deg, site.place.elevation_m) == (51.72, -2.14, 46.0)
    assert site.place.time_zone == "Europe/London"
    assert site.place.normals is not None
    assert site.place.normals.rain_mm[11] == 83.0
    assert site.place.normals.tmin_c[0] == 1.9
    assert site.roofs[0].area_m2 == 24.0
    tank = site.tank("main")
    assert tank.shape == HorizontalCylinder(1150.0, 1480.0, "elliptical")
    assert volume_l(tank.shape, tank.overflow_mm) == pytest.approx(1900, abs=5)
    assert site.pump_for_tank("main").flow_meter is not None
    assert (site.battery.capacity_ah, site.battery.chemistry) == (80.0, "agm")
    assert site.rain_gauge is not None
    assert site.rain_gauge.mm_per_tip == 0.2794
    assert [zone.kind for zone in site.zones] == ["bed", "bed", "row", "row", "container", "container"]
    assert site.zone("bench-south").rain_fed is False
    assert site.zone("bean-row").rated_flow_l_min == pytest.approx(100 * 3.785411784 / 60)
    assert site.zone("salad-bed-east").drip_efficiency == 0.9
    assert site.zone("salad-bed-east").total_available_mm == pytest.approx(39.0)
    assert (site.mqtt, site.history) == (Mqtt(), History())
    assert site_advice(site) == []


def test_the_examples_zones_ask_what_its_pump_and_water_can_give() -> None:
    """Flow of each zone 3 to 6 L/min under a 10 L/min pump; at 4 mm/day of reference evapotranspiration, an ordinary
    summer day, the plants want roughly 60 to 140 L a day.
    """
    site = site_of(EXAMPLE)
    assert all(3.0 <= zone.rated_flow_l_min <= 6.5 for zone in site.zones)
    want_l = sum(4.0 * zone.area_m2 * sum(c.kc_mid * c.share for c in zone.crops) for zone in site.zones)
    assert 60.0 <= want_l <= 140.0


def test_a_crop_takes_table_values_unless_the_file_says_otherwise() -> None:
    bean = site_of(EXAMPLE).zone("bean-row").crops[0]
    assert (bean.name, bean.kc_initial, bean.kc_mid, bean.kc_end) == ("green bean", 0.5, 1.15, 0.9)
    assert (bean.planted_month, bean.planted_day, bean.stage_days) == (5, 20, (20, 30, 50, 15))
    assert (bean.depletion_fraction, bean.share) == (0.45, 1.0)


def test_a_crop_of_the_owners_own_needs_no_table() -> None:
    own = 'name = "Dahlias"\nkc_initial = 0.4\nkc_end = 0.6\ndepletion_fraction = 0.35'
    crop = edited(('plant = "green bean"', own)).zone("bean-row").crops[0]
    assert (crop.name, crop.kc_initial, crop.kc_mid, crop.kc_end) == ("Dahlias", 0.4, 1.15, 0.6)
    assert crop.depletion_fraction == 0.35


def test_crops_share_a_zone() -> None:
    crops = site_of(EXAMPLE).zone("salad-bed-east").crops
    assert [(crop.name, crop.share) for crop in crops] == [("lettuce", 0.6), ("spinach", 0.4)]


@pytest.mark.parametrize("day", ["20 May", "May 20", "20 may", "20 MAY"])
def test_a_planting_day_is_written_in_either_order(day: str) -> None:
    crop = edited(('planted = "20 May"', f'planted = "{day}"')).zone("bean-row").crops[0]
    assert (crop.planted_month, crop.planted_day) == (5, 20)


def test_the_same_site_in_other_units_is_the_same_site() -> None:
    other = edited(
        ('"1900 L"', '"1.9 m3"'),
        ('"1400 mm"', '"1.4 m"'),
        ('"250 mm"', '"25 cm"'),
        ('"51.72 °N"', '"51.72 °"'),
        ('"2.14 °W"', '"-2.14 °"'),
        ('"10 L/min"', '"600 L/h"'),
        ('"60 s"', '"1 min"'),
        ('"60 W"', '"0.06 kW"'),
    )
    assert other == site_of(EXAMPLE)


def test_us_units_read_as_what_they_measure() -> None:
    site = edited(('"24 m2"', '"258 ft2"'), ('"150 L"', '"40 gal"'), ('"80 mm"', '"3 in"'), ('"2 °C"', '"36 °F"'))
    assert site.roofs[0].area_m2 == pytest.approx(23.969, abs=1e-3)
    assert site.tanks[0].reserve_l == pytest.approx(151.416, abs=1e-3)
    assert site.tanks[0].suction_mm == pytest.approx(76.2)
    assert site.frost_c == pytest.approx(2.2222, abs=1e-4)


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (
            'kind = "vertical cylinder"\ndiameter = "1.2 m"\nshell_height = "1.7 m"\nbottom_head = "torispherical"',
            VerticalCylinder(1200.0, 1700.0, "torispherical", "flat"),
        ),
        (
            'kind = "horizontal cylinder"\ndiameter = "1.2 m"\nlength = "1.5 m"\nhead = "torispherical"\ndish_f = 0.9',
            HorizontalCylinder(1200.0, 1500.0, "torispherical", 0.9, 0.06),
        ),
        ('kind = "rectangle"\nlength = "1.2 m"\nwidth = "1.2 m"\nheight = "1.3 m"', Rectangle(1200.0, 1200.0, 1300.0)),
        (
            'kind = "cone bottom"\ndiameter = "1.2 m"\nshell_height = "1.5 m"\ncone_height = "400 mm"',
            ConeBottom(1200.0, 1500.0, 400.0),
        ),
        (
            'kind = "frustum"\nbottom_diameter = "1.4 m"\ntop_diameter = "1.5 m"\nheight = "1.2 m"',
            Frustum(1400.0, 1500.0, 1200.0),
        ),
        (
            'kind = "strapping table"\npoints = [{ level = "0 mm", volume = "0 L" }, '
            '{ level = "600 mm", volume = "900 L" }, { level = "1200 mm", volume = "2000 L" }]',
            StrappingTable((0.0, 600.0, 1200.0), (0.0, 900.0, 2000.0)),
        ),
        (
            'kind = "stack"\n[[tank.shape.parts]]\nkind = "cone bottom"\ndiameter = "1.4 m"\nshell_height = "100 mm"\n'
            'cone_height = "300 mm"\n[[tank.shape.parts]]\nkind = "vertical cylinder"\ndiameter = "1.5 m"\n'
            'shell_height = "900 mm"\ntop_head = "elliptical"',
            Stack((ConeBottom(1400.0, 100.0, 300.0), VerticalCylinder(1500.0, 900.0, "flat", "elliptical"))),
        ),
    ],
    ids=lambda value: type(value).__name__,
)
def test_every_shape_can_be_declared(lines: str, expected: TankShape) -> None:
    text = EXAMPLE.replace(SHAPE_TABLE, f"[tank.shape]\n{lines}\n\n").replace('stated_capacity = "1900 L"', "")
    overflow = height_mm(expected) - 50.0
    text = text.replace('overflow = "1090 mm"', f'overflow = "{overflow:.3f} mm"')
    text = text.replace('sensor_height = "1400 mm"', f'sensor_height = "{overflow + 300:.3f} mm"')
    assert site_of(text).tanks[0].shape == expected


def test_a_fixed_schedule_and_one_that_is_off() -> None:
    fixed = 'mode = "fixed"\nfixed_times = ["06:00", "20:30"]\nfixed_volume = "8 L"'
    schedule = edited(('mode = "need"  ', fixed + "  ")).zones[0].schedule
    assert (schedule.mode, schedule.fixed_times_min, schedule.fixed_volume_l) == ("fixed", (360, 1230), 8.0)
    assert edited(('mode = "need"  ', 'mode = "off"  '), ('"40 L"', '"0 L"')).zones[0].schedule.mode == "off"


def test_windows_may_touch_and_may_end_the_day() -> None:
    windows = '["00:00-02:00", "02:00-03:00", "22:00-24:00"]'
    schedule = edited(('["05:30-08:00", "20:00-22:00"]', windows)).zones[0].schedule
    assert schedule.windows == (Window(0, 120), Window(120, 180), Window(1320, 1440))


@pytest.mark.parametrize("stated", ["1525 L", "1900 L", "2315 L", "500 gal", "400 imp gal"])
def test_a_label_may_be_a_fifth_off_the_shape(stated: str) -> None:
    """80 % of what is held up to the overflow is 1521 L, 120 % of the full volume 2322 L."""
    assert edited(('"1900 L"', f'"{stated}"')).tanks[0].stated_capacity_l is not None


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('overflow = "1090 mm"', 'overflow = "1150 mm"'),
        ('sensor_height = "1400 mm"', 'sensor_height = "1091 mm"'),
        ('sensor_height = "1400 mm"', 'sensor_height = "2150 mm"'),
        ('suction = "80 mm"', 'suction = "0 mm"'),
        ('max_flow = "10 L/min"', 'max_flow = "6.4 L/min"'),
        ('daily_cap = "40 L"', 'daily_cap = "864 L"'),
    ],
)
def test_the_last_value_that_is_possible_is_taken(old: str, new: str) -> None:
    assert edited((old, new)).id == "river-allotment"


def test_what_is_left_out_has_its_default() -> None:
    site = edited(
        ('units = "metric"', ""),
        ('frost = "2 °C"', ""),
        ("[mqtt]", ""),
        ('host = "127.0.0.1"', ""),
        ("port = 1883", ""),
    )
    assert (site.units, site.frost_c, site.mqtt) == ("metric", 2.0, Mqtt())


def test_a_roof_a_panel_and_a_gauge_are_optional() -> None:
    text = EXAMPLE
    for start, end in (("[[roof]]", "# --- storing"), ("[panel]", "[rain_gauge]"), ("[rain_gauge]", "# --- watering")):
        text = text.replace(text[text.index(start) : text.index(end)], "", 1)
    site = site_of(text)
    assert (site.roofs, site.panel, site.rain_gauge) == ((), None, None)
    assert any("no roof drains into it" in line for line in site_advice(site))


def test_a_second_tank_has_its_own_pump_and_zones() -> None:
    second = (
        '[[tank]]\nid = "butt"\nname = "Butt"\nsensor_channel = 1\nsensor_height = "1300 mm"\nblind_zone = "200 mm"\n'
        'overflow = "900 mm"\nsuction = "50 mm"\n'
        'shape = { kind = "rectangle", length = "600 mm", width = "600 mm", height = "950 mm" }\n'
        '[[pump]]\nid = "butt-pump"\ntank = "butt"\noutput = 1\nmax_flow = "8 L/min"\nmax_head = "9 m"\n'
        'current = "2 A"\n'
    )
    site = edited(("[[tank]]", second + "[[tank]]"), ('kind = "row"\ntank = "main"', 'kind = "row"\ntank = "butt"'))
    assert site.pump_for_tank(site.zone("berry-row").tank_id).id == "butt-pump"
    assert site.pump_for_tank(site.zone("bean-row").tank_id).id == "main-pump"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('reserve = "150 L"', 'reserve = "20 L"', "the reserve of 20.0 L lies below the suction, which leaves 52.4 L"),
        ('sensor_height = "1400 mm"', 'sensor_height = "1300 mm"', "from 1050 mm up to the overflow at 1090 mm lie in"),
        ("float_switch_channel = 0 ", "", "no float switch"),
        ("doses_per_day = 4 ", "", "containers do better with several small doses"),
        ("rain_fed = false", "rain_fed = true", "containers counted as rain-fed"),
        ('mode = "need" ', 'mode = "off" ', "its schedule is off"),
    ],
)
def test_what_is_allowed_but_worth_knowing_is_said(old: str, new: str, said: str) -> None:
    advice = site_advice(edited((old, new)))
    assert any(said in line for line in advice), advice


def test_a_schedule_from_afar_is_judged_by_the_same_rules() -> None:
    reachable = Schedule("need", (Window(300, 360),), 60.0)
    unreachable = Schedule("need", (Window(300, 301),), 60.0)
    backwards = Schedule("need", (Window(1300, 100),), 60.0)
    show = Show("metric")
    assert list(schedule_complaints(reachable, 3.0, show)) == []
    assert [path for path, _ in schedule_complaints(unreachable, 3.0, show)] == [("daily_cap",)]
    assert ("windows", 0) in [path for path, _ in schedule_complaints(backwards, 3.0, show)]
    tomorrow = Schedule("fixed", (), 60.0, fixed_volume_l=5.0, fixed_times_min=(360, 1440))
    assert [path for path, _ in schedule_complaints(tomorrow, 3.0, show)] == [("fixed_times",)]


def test_a_crop_that_goes_by_warmth_and_a_forecast_from_the_web_are_told_about() -> None:
    heat = 'stage_heat = ["120 °C day", "200 °C day", "300 °C day", "90 °C day"]\nbase_temperature = "9 °C"'
    source = 'url = "https://weather.example.org/daily"'
    fields = 'date = "/day"\nrain = "/rain"\nnight_low = "/low"\nday_high = "/high"'
    text = example_site_text().replace("stage_days = [20, 30, 50, 15]", heat, 1)
    site = parse_site(f"{text}\n[forecast]\n{source}\n[forecast.fields]\n{fields}\n", "site.toml")
    forecast, beans = site_advice(site)[-1], site_advice(site)[0]
    stages = ", ".join(str(days) for days in site.zone("bean-row").crops[0].stage_days[:3])
    assert beans.startswith(f'zone "bean-row": green bean goes by warmth; in a usual year its stages last {stages} and')
    assert "may speak to this machine only" in forecast
