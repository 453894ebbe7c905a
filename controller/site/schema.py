"""The site file's vocabulary: every table and key, what kind of value it takes and its bounds.

Only the form of single values is judged here; how they fit together is in `controller.site.consistency`. Bounds are
physical limits of a garden-sized site, wide enough for anything real and narrow enough to catch a wrong unit; they are
common practice, no source. `docs/site-file.md` is checked against these classes.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict
from pydantic import Field as PydanticField

from controller.site.crops import CROPS, CropValues
from controller.site.fields import (
    Choice,
    Count,
    DayOfYear,
    Flag,
    Id,
    JsonPointer,
    Named,
    Number,
    Quantity,
    Text,
    TimeOfDay,
    TimeSpan,
)
from controller.site.model import Chemistry, CoefficientKind, HeadKind, ScheduleMode, UnitSystem, ValveKind, ZoneKind
from controller.site.soils import GROUNDS_MM_PER_M
from controller.site.units import (
    ANGLE,
    AREA,
    CHARGE,
    CURRENT,
    DEPTH_PER_DAY,
    DURATION,
    FLOW,
    HEAT_SUM,
    LATITUDE,
    LENGTH,
    LONGITUDE,
    PERCENT,
    POWER,
    PULSES,
    TEMPERATURE,
    VOLTAGE,
    VOLUME,
    WATER_CONTENT,
)

HEADS = ("flat", "hemispherical", "elliptical", "torispherical")

TankLength = Annotated[float, Quantity(LENGTH, "100 mm", "20 m")]
TankHeight = Annotated[float, Quantity(LENGTH, "0 mm", "6 m")]
TankDiameter = Annotated[float, Quantity(LENGTH, "200 mm", "6 m")]
TankVolume = Annotated[float, Quantity(VOLUME, "20 L", "200 m3")]
Head = Annotated[HeadKind, Choice(*HEADS)]
Name = Annotated[str, Text(60)]
Identifier = Annotated[str, Id()]
Channel = Annotated[int, Count(0, 7)]
ValveOutput = Annotated[int, Count(0, 15)]
BatteryVolts = Annotated[float, Quantity(VOLTAGE, "9 V", "16 V")]
Kc = Annotated[float, Number(0.1, 1.4)]
Stage = Annotated[int, Count(1, 365)]
StageHeat = Annotated[float, Quantity(HEAT_SUM, "1 °C day", "5000 °C day")]


class Declared(BaseModel):
    """Base of all tables: no unknown keys, nothing converted behind the owner's back."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


# --- site and place ---------------------------------------------------------------------------------------------------


class SiteTable(Declared):
    id: Identifier
    name: Name
    units: Annotated[UnitSystem, Choice("metric", "us")] = "metric"
    report_every: Annotated[float, Quantity(DURATION, "5 s", "10 min")] = 60.0
    frost: Annotated[float, Quantity(TEMPERATURE, "-10 °C", "10 °C")] = 2.0


class MonthTable(Declared):
    night_low: Annotated[float, Quantity(TEMPERATURE, "-50 °C", "40 °C")]
    day_high: Annotated[float, Quantity(TEMPERATURE, "-40 °C", "50 °C")]
    rain: Annotated[float, Quantity(LENGTH, "0 mm", "1500 mm")]
    wet_days: Annotated[float, Number(0, 31)]
    evapotranspiration: Annotated[float, Quantity(DEPTH_PER_DAY, "0 mm/day", "15 mm/day")] | None = None


class NormalsTable(Declared):
    january: MonthTable
    february: MonthTable
    march: MonthTable
    april: MonthTable
    may: MonthTable
    june: MonthTable
    july: MonthTable
    august: MonthTable
    september: MonthTable
    october: MonthTable
    november: MonthTable
    december: MonthTable


class PlaceTable(Declared):
    name: Name
    latitude: Annotated[float, Quantity(LATITUDE, "-72 °", "72 °")]
    longitude: Annotated[float, Quantity(LONGITUDE, "-180 °", "180 °")]
    elevation: Annotated[float, Quantity(LENGTH, "-400 m", "4500 m")]
    time_zone: Name
    coastal: Annotated[bool, Flag()] = False
    normals: NormalsTable | None = None


# --- roof and tank ----------------------------------------------------------------------------------------------------


class RoofTable(Declared):
    id: Identifier
    tank: Identifier
    area: Annotated[float, Quantity(AREA, "0.5 m2", "2000 m2")]
    runoff_coefficient: Annotated[float, Number(0.1, 1.0)]
    first_flush: Annotated[float, Quantity(LENGTH, "0 mm", "10 mm")]


class VerticalCylinderTable(Declared):
    kind: Literal["vertical cylinder"]
    diameter: TankDiameter
    shell_height: TankLength
    bottom_head: Head = "flat"
    top_head: Head = "flat"


class HorizontalCylinderTable(Declared):
    kind: Literal["horizontal cylinder"]
    diameter: TankDiameter
    length: TankLength
    head: Head = "flat"
    dish_f: Annotated[float, Number(0.6, 2.0)] = 1.0
    knuckle_k: Annotated[float, Number(0.01, 0.3)] = 0.06


class RectangleTable(Declared):
    kind: Literal["rectangle"]
    length: TankLength
    width: TankLength
    height: TankLength


class ConeBottomTable(Declared):
    kind: Literal["cone bottom"]
    diameter: TankDiameter
    shell_height: TankLength
    cone_height: Annotated[float, Quantity(LENGTH, "10 mm", "3 m")]


class FrustumTable(Declared):
    kind: Literal["frustum"]
    bottom_diameter: TankDiameter
    top_diameter: TankDiameter
    height: TankLength


class StrappingPointTable(Declared):
    level: TankHeight
    volume: Annotated[float, Quantity(VOLUME, "0 L", "200 m3")]


class StrappingTableTable(Declared):
    kind: Literal["strapping table"]
    points: Annotated[list[StrappingPointTable], PydanticField(min_length=2, max_length=500)]


Part = Annotated[
    VerticalCylinderTable | RectangleTable | ConeBottomTable | FrustumTable, PydanticField(discriminator="kind")
]


class StackTable(Declared):
    kind: Literal["stack"]
    parts: Annotated[list[Part], PydanticField(min_length=1, max_length=8)]


Shape = Annotated[
    VerticalCylinderTable
    | HorizontalCylinderTable
    | RectangleTable
    | ConeBottomTable
    | FrustumTable
    | StrappingTableTable
    | StackTable,
    PydanticField(discriminator="kind"),
]


class TankTable(Declared):
    id: Identifier
    name: Name
    shape: Shape
    stated_capacity: TankVolume | None = None
    sensor_channel: Channel
    sensor_height: Annotated[float, Quantity(LENGTH, "100 mm", "8 m")]
    blind_zone: Annotated[float, Quantity(LENGTH, "0 mm", "1 m")]
    overflow: Annotated[float, Quantity(LENGTH, "100 mm", "6 m")]
    suction: Annotated[float, Quantity(LENGTH, "0 mm", "3 m")]
    reserve: Annotated[float, Quantity(VOLUME, "0 L", "200 m3")] = 0.0
    float_switch_channel: Channel | None = None


# --- pump and power ---------------------------------------------------------------------------------------------------


class FlowMeterTable(Declared):
    channel: Channel
    pulses: Annotated[float, Quantity(PULSES, "0.1 pulses/L", "10000 pulses/L")]


class PumpTable(Declared):
    id: Identifier
    tank: Identifier
    output: Channel
    max_flow: Annotated[float, Quantity(FLOW, "0.5 L/min", "200 L/min")]
    max_head: Annotated[float, Quantity(LENGTH, "1 m", "100 m")]
    current: Annotated[float, Quantity(CURRENT, "0.1 A", "40 A")]
    flow_meter: FlowMeterTable | None = None


class RestPointTable(Declared):
    voltage: BatteryVolts
    charge: Annotated[float, Quantity(PERCENT, "0 %", "100 %")]


class BatteryTable(Declared):
    chemistry: Annotated[Chemistry, Choice("flooded", "agm", "lifepo4")]
    capacity: Annotated[float, Quantity(CHARGE, "2 Ah", "2000 Ah")]
    floor: BatteryVolts
    disconnect: BatteryVolts
    resume: BatteryVolts
    maximum: BatteryVolts
    minimum_charge: Annotated[float, Quantity(PERCENT, "0 %", "95 %")]
    rest_table: Annotated[list[RestPointTable], PydanticField(min_length=2, max_length=50)] | None = None


class PanelTable(Declared):
    peak: Annotated[float, Quantity(POWER, "1 W", "5 kW")]
    tilt: Annotated[float, Quantity(ANGLE, "0 °", "90 °")]
    azimuth: Annotated[float, Quantity(ANGLE, "0 °", "360 °")]


class RainGaugeTable(Declared):
    per_tip: Annotated[float, Quantity(LENGTH, "0.05 mm", "2 mm")]


# --- zones ------------------------------------------------------------------------------------------------------------


class ValveTable(Declared):
    kind: Annotated[ValveKind, Choice("held", "latching")]
    output: ValveOutput
    opening_time: Annotated[float, Quantity(DURATION, "0.1 s", "60 s")] = 2.0


class CropTable(Declared):
    plant: Annotated[CropValues | None, Named("plant", CROPS)] = None
    name: Name | None = None
    planted: Annotated[tuple[int, int], DayOfYear()]
    stage_days: Annotated[list[Stage], PydanticField(min_length=4, max_length=4)] | None = None
    stage_heat: Annotated[list[StageHeat], PydanticField(min_length=4, max_length=4)] | None = None
    base_temperature: Annotated[float, Quantity(TEMPERATURE, "-5 °C", "20 °C")] | None = None
    upper_temperature: Annotated[float, Quantity(TEMPERATURE, "10 °C", "50 °C")] = 30.0
    kc_initial: Kc | None = None
    kc_mid: Kc | None = None
    kc_end: Kc | None = None
    depletion_fraction: Annotated[float, Number(0.1, 0.8)] | None = None
    share: Annotated[float, Quantity(PERCENT, "1 %", "100 %")] | None = None


class ScheduleTable(Declared):
    mode: Annotated[ScheduleMode, Choice("need", "fixed", "off")] = "need"
    windows: Annotated[list[Annotated[tuple[int, int], TimeSpan()]], PydanticField(max_length=8)] = []
    daily_cap: Annotated[float, Quantity(VOLUME, "0 L", "20 m3")]
    doses_per_day: Annotated[int, Count(1, 24)] = 1
    soak: Annotated[float, Quantity(DURATION, "0 min", "12 h")] = 3600.0
    fixed_volume: Annotated[float, Quantity(VOLUME, "0 L", "20 m3")] = 0.0
    fixed_times: Annotated[list[Annotated[int, TimeOfDay()]], PydanticField(max_length=24)] = []


class SoilProbeTable(Declared):
    channel: Channel
    dry: Annotated[float, Quantity(VOLTAGE, "0 V", "3.3 V")]
    full: Annotated[float, Quantity(VOLTAGE, "0 V", "3.3 V")]


class LineTable(Declared):
    count: Annotated[int, Count(1, 500)] = 1
    length: Annotated[float, Quantity(LENGTH, "100 mm", "300 m")]
    bore: Annotated[float, Quantity(LENGTH, "2 mm", "60 mm")]
    feed_length: Annotated[float, Quantity(LENGTH, "0 m", "500 m")] = 10_000.0
    feed_bore: Annotated[float, Quantity(LENGTH, "3 mm", "100 mm")] | None = None
    exponent: Annotated[float, Number(0, 1)] = 0.5
    nominal_head: Annotated[float, Quantity(LENGTH, "1 m", "60 m")] = 10_000.0
    regulated_head: Annotated[float, Quantity(LENGTH, "1 m", "60 m")] | None = None
    rise: Annotated[float, Quantity(LENGTH, "-20 m", "60 m")] = 0.0


class ZoneTable(Declared):
    id: Identifier
    name: Name
    kind: Annotated[ZoneKind, Choice("bed", "row", "container")]
    tank: Identifier
    valve: ValveTable
    area: Annotated[float, Quantity(AREA, "0.05 m2", "2000 m2")]
    crop: Annotated[list[CropTable], PydanticField(min_length=1, max_length=12)]
    root_depth: Annotated[float, Quantity(LENGTH, "50 mm", "2 m")]
    soil: Annotated[Any, Named("soil or mix", GROUNDS_MM_PER_M)] = None
    available_water: Annotated[float, Quantity(WATER_CONTENT, "20 mm/m", "500 mm/m")] | None = None
    emitter_count: Annotated[int, Count(1, 5000)]
    emitter_rate: Annotated[float, Quantity(FLOW, "0.1 L/h", "60 L/h")]
    drip_efficiency: Annotated[float, Quantity(PERCENT, "50 %", "100 %")] = 90.0
    rain_fed: Annotated[bool, Flag()]
    priority: Annotated[int, Count(1, 9)] = 5
    coefficients: Annotated[CoefficientKind, Choice("single", "dual")] = "single"
    wetted_fraction: Annotated[float, Quantity(PERCENT, "5 %", "100 %")] = 35.0
    soil_probe: SoilProbeTable | None = None
    line: LineTable | None = None
    schedule: ScheduleTable


# --- services ---------------------------------------------------------------------------------------------------------


class MqttTable(Declared):
    host: Annotated[str, Text(253)] = "127.0.0.1"
    port: Annotated[int, Count(1, 65535)] = 1883
    username: Annotated[str, Text(120)] | None = None
    password_file: Annotated[str, Text(250)] | None = None
    ca_file: Annotated[str, Text(250)] | None = None
    domain: Identifier = "homie"


class HistoryTable(Declared):
    inputs: Annotated[float, Quantity(DURATION, "30 days", "3650 days")] = 30 * 86400.0
    measurements: Annotated[float, Quantity(DURATION, "30 days", "36500 days")] = 730 * 86400.0


class ForecastFieldsTable(Declared):
    days: Annotated[str, JsonPointer()] | None = None
    date: Annotated[str, JsonPointer()]
    rain: Annotated[str, JsonPointer()]
    night_low: Annotated[str, JsonPointer()]
    day_high: Annotated[str, JsonPointer()]
    issued: Annotated[str, JsonPointer()] | None = None


class ForecastTable(Declared):
    url: Annotated[str, Text(1000)]
    every: Annotated[float, Quantity(DURATION, "30 min", "12 h")] = 3 * 3600.0
    units: Annotated[UnitSystem, Choice("metric", "us")] = "metric"
    plain_http: Annotated[bool, Flag()] = False
    key_file: Annotated[str, Text(250)] | None = None
    key_header: Annotated[str, Text(60)] = "Authorization"
    fields: ForecastFieldsTable


SINGLE_TABLES: dict[str, type[Declared]] = {
    "site": SiteTable,
    "place": PlaceTable,
    "battery": BatteryTable,
    "panel": PanelTable,
    "rain_gauge": RainGaugeTable,
    "mqtt": MqttTable,
    "history": HistoryTable,
    "forecast": ForecastTable,
}
REPEATED_TABLES: dict[str, type[Declared]] = {
    "roof": RoofTable,
    "tank": TankTable,
    "pump": PumpTable,
    "zone": ZoneTable,
}
REQUIRED_TABLES = ("site", "place", "battery", "tank", "pump", "zone")
LONGEST_LISTS = {"roof": 8, "tank": 8, "pump": 8, "zone": 16}
