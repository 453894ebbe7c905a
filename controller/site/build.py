"""From the tables of a site file to the dataclasses everything else works on. Form is already checked."""

from __future__ import annotations

from typing import TypeVar

from controller.site import model, schema
from controller.site.crops import CropValues
from controller.site.heat import day_index, usual_stage_days
from controller.site.soils import SURFACE_MM
from controller.site.zone_checks import crop_heat

T = TypeVar("T")
LEAST_KCB = 0.1


def build_place(table: schema.PlaceTable) -> model.Place:
    return model.Place(
        name=table.name,
        latitude_deg=table.latitude,
        longitude_deg=table.longitude,
        elevation_m=table.elevation / 1000.0,
        time_zone=table.time_zone,
        normals=None if table.normals is None else _build_normals(table.normals),
        coastal=table.coastal,
    )


def _build_normals(table: schema.NormalsTable) -> model.MonthlyNormals:
    months: list[schema.MonthTable] = [getattr(table, name) for name in schema.NormalsTable.model_fields]
    return model.MonthlyNormals(
        tmin_c=tuple(month.night_low for month in months),
        tmax_c=tuple(month.day_high for month in months),
        rain_mm=tuple(month.rain for month in months),
        wet_days=tuple(month.wet_days for month in months),
        et0_mm=_all_or_none(tuple(month.evapotranspiration for month in months)),
    )


def _all_or_none(months: tuple[float | None, ...]) -> tuple[float, ...] | None:
    known = tuple(month for month in months if month is not None)
    return known if len(known) == len(months) else None


def build_roof(table: schema.RoofTable) -> model.Roof:
    return model.Roof(
        id=table.id,
        tank_id=table.tank,
        area_m2=table.area,
        runoff_coefficient=table.runoff_coefficient,
        first_flush_mm=table.first_flush,
    )


def build_tank(table: schema.TankTable) -> model.Tank:
    return model.Tank(
        id=table.id,
        name=table.name,
        shape=build_shape(table.shape),
        stated_capacity_l=table.stated_capacity,
        sensor_channel=table.sensor_channel,
        sensor_height_mm=table.sensor_height,
        blind_zone_mm=table.blind_zone,
        overflow_mm=table.overflow,
        suction_mm=table.suction,
        reserve_l=table.reserve,
        float_switch_channel=table.float_switch_channel,
    )


def build_shape(table: schema.Shape) -> model.TankShape:
    match table:
        case schema.HorizontalCylinderTable():
            return model.HorizontalCylinder(table.diameter, table.length, table.head, table.dish_f, table.knuckle_k)
        case schema.StrappingTableTable():
            levels = tuple(point.level for point in table.points)
            return model.StrappingTable(levels, tuple(point.volume for point in table.points))
        case schema.StackTable():
            return model.Stack(tuple(_build_part(part) for part in table.parts))
        case _:
            return _build_part(table)


def _build_part(
    table: schema.Part,
) -> model.VerticalCylinder | model.Rectangle | model.ConeBottom | model.Frustum:
    match table:
        case schema.VerticalCylinderTable():
            return model.VerticalCylinder(table.diameter, table.shell_height, table.bottom_head, table.top_head)
        case schema.RectangleTable():
            return model.Rectangle(table.length, table.width, table.height)
        case schema.ConeBottomTable():
            return model.ConeBottom(table.diameter, table.shell_height, table.cone_height)
        case schema.FrustumTable():
            return model.Frustum(table.bottom_diameter, table.top_diameter, table.height)


def build_pump(table: schema.PumpTable) -> model.Pump:
    meter = table.flow_meter
    return model.Pump(
        id=table.id,
        tank_id=table.tank,
        output=table.output,
        max_flow_l_min=table.max_flow,
        max_head_m=table.max_head / 1000.0,
        current_a=table.current,
        flow_meter=None if meter is None else model.FlowMeter(meter.channel, meter.pulses),
    )


def build_battery(table: schema.BatteryTable) -> model.Battery:
    rest = table.rest_table
    return model.Battery(
        chemistry=table.chemistry,
        capacity_ah=table.capacity,
        disconnect_v=table.disconnect,
        floor_v=table.floor,
        resume_v=table.resume,
        maximum_v=table.maximum,
        minimum_charge_percent=table.minimum_charge,
        rest_table=None if rest is None else tuple((point.voltage, point.charge) for point in rest),
    )


def build_panel(table: schema.PanelTable) -> model.Panel:
    return model.Panel(peak_w=table.peak, tilt_deg=table.tilt, azimuth_deg=table.azimuth)


def build_rain_gauge(table: schema.RainGaugeTable) -> model.RainGauge:
    return model.RainGauge(mm_per_tip=table.per_tip)


def build_zone(table: schema.ZoneTable, soil_name: str | None, normals: model.MonthlyNormals | None) -> model.Zone:
    """A zone whose ground and crops are complete (see `controller.site.zone_checks`)."""
    held = table.available_water if table.available_water is not None else table.soil
    assert held is not None, "checked before building"
    probe = table.soil_probe
    return model.Zone(
        id=table.id,
        name=table.name,
        kind=table.kind,
        tank_id=table.tank,
        valve=model.Valve(table.valve.kind, table.valve.output, table.valve.opening_time),
        area_m2=table.area,
        crops=tuple(_build_crop(crop, normals) for crop in table.crop),
        root_depth_mm=table.root_depth,
        available_water_mm_per_m=held,
        emitter_count=table.emitter_count,
        emitter_l_h=table.emitter_rate * 60.0,
        drip_efficiency=table.drip_efficiency / 100.0,
        rain_fed=table.rain_fed,
        priority=table.priority,
        schedule=build_schedule(table.schedule),
        surface=_build_surface(table, soil_name),
        soil_probe=None if probe is None else model.SoilProbe(probe.channel, probe.dry, probe.full),
        line=None if table.line is None else _build_line(table.line),
    )


def _build_line(table: schema.LineTable) -> model.Line:
    regulated = table.regulated_head
    return model.Line(
        count=table.count,
        length_m=table.length / 1000.0,
        bore_mm=table.bore,
        feed_length_m=table.feed_length / 1000.0,
        feed_bore_mm=table.feed_bore,
        exponent=table.exponent,
        nominal_head_m=table.nominal_head / 1000.0,
        regulated_head_m=None if regulated is None else regulated / 1000.0,
        rise_m=table.rise / 1000.0,
    )


def _build_surface(table: schema.ZoneTable, soil_name: str | None) -> model.Surface | None:
    if table.coefficients != "dual":
        return None
    assert soil_name is not None, "checked before building"
    rew_mm, tew_mm = SURFACE_MM[soil_name.strip().lower()]
    return model.Surface(table.wetted_fraction / 100.0, rew_mm, tew_mm)


def _build_crop(table: schema.CropTable, normals: model.MonthlyNormals | None) -> model.Crop:
    plant = table.plant
    return model.Crop(
        name=_chosen(table.name, plant.name if plant else None),
        kc_initial=_chosen(table.kc_initial, plant.kc_initial if plant else None),
        kc_mid=_chosen(table.kc_mid, plant.kc_mid if plant else None),
        kc_end=_chosen(table.kc_end, plant.kc_end if plant else None),
        stage_days=_stage_days(table, normals),
        planted_month=table.planted[0],
        planted_day=table.planted[1],
        depletion_fraction=_chosen(table.depletion_fraction, plant.depletion_fraction if plant else None),
        share=1.0 if table.share is None else table.share / 100.0,
        basal=None if plant is None else _build_basal(table, plant),
        heat=crop_heat(table),
    )


def _stage_days(table: schema.CropTable, normals: model.MonthlyNormals | None) -> tuple[int, int, int, int]:
    """Those written, or what the written warmth takes in a usual year."""
    heat = crop_heat(table)
    if heat is not None and normals is not None:
        usual = usual_stage_days(heat, normals, day_index(*table.planted))
        assert usual is not None, "checked before building"
        return usual
    assert table.stage_days is not None, "checked before building"
    first, development, middle, late = table.stage_days
    return first, development, middle, late


def _build_basal(table: schema.CropTable, plant: CropValues) -> model.Basal:
    """Where the owner changed a coefficient of the plant, its basal one changes by as much (own choice)."""
    pairs = (
        (table.kc_initial, plant.kc_initial, plant.kcb_initial),
        (table.kc_mid, plant.kc_mid, plant.kcb_mid),
        (table.kc_end, plant.kc_end, plant.kcb_end),
    )
    initial, middle, end = (
        max(LEAST_KCB, basal + (0.0 if written is None else written - single)) for written, single, basal in pairs
    )
    return model.Basal(initial, middle, end, plant.height_m)


def _chosen(written: T | None, from_table: T | None) -> T:
    """What the owner wrote, else the built-in table's value."""
    value = written if written is not None else from_table
    assert value is not None, "checked before building"
    return value


def build_schedule(table: schema.ScheduleTable) -> model.Schedule:
    return model.Schedule(
        mode=table.mode,
        windows=tuple(model.Window(start, end) for start, end in table.windows),
        daily_cap_l=table.daily_cap,
        doses_per_day=table.doses_per_day,
        fixed_volume_l=table.fixed_volume,
        fixed_times_min=tuple(table.fixed_times),
        soak_min=round(table.soak / 60.0),
    )


def build_mqtt(table: schema.MqttTable) -> model.Mqtt:
    return model.Mqtt(table.host, table.port, table.username, table.password_file, table.ca_file, table.domain)


def build_forecast(table: schema.ForecastTable) -> model.ForecastSource:
    fields = table.fields
    return model.ForecastSource(
        url=table.url,
        fields=model.ForecastFields(
            fields.date, fields.rain, fields.night_low, fields.day_high, fields.days, fields.issued
        ),
        every_s=table.every,
        units=table.units,
        plain_http=table.plain_http,
        key_file=table.key_file,
        key_header=table.key_header,
    )


def build_history(table: schema.HistoryTable) -> model.History:
    day_s = 86400.0
    return model.History(inputs_days=round(table.inputs / day_s), measurements_days=round(table.measurements / day_s))
