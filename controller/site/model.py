"""What the owner declares about a site, as frozen dataclasses in SI-based units.

The site file (TOML, see `controller.site.load`) is parsed and checked at the edge; everything behind it works on these
classes. Every quantity carries its unit at the end of its name. Nothing here computes: tank volumes are in
`controller.site.geometry`, so that the simulator can read the same declaration and do its own physics.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

HeadKind = Literal["flat", "hemispherical", "elliptical", "torispherical"]
Chemistry = Literal["flooded", "agm", "lifepo4"]
ZoneKind = Literal["bed", "row", "container"]
ValveKind = Literal["held", "latching"]
CoefficientKind = Literal["single", "dual"]
ScheduleMode = Literal["need", "fixed", "off"]
UnitSystem = Literal["metric", "us"]


@dataclass(frozen=True, slots=True)
class VerticalCylinder:
    """Upright cylinder; `shell_height_mm` is the straight part, the heads add to it (2:1 elliptical: D/4)."""

    diameter_mm: float
    shell_height_mm: float
    bottom_head: HeadKind = "flat"
    top_head: HeadKind = "flat"


@dataclass(frozen=True, slots=True)
class HorizontalCylinder:
    """Lying cylinder; `length_mm` is the straight part. Torispherical heads: dish radius f x D, knuckle k x D."""

    diameter_mm: float
    length_mm: float
    head: HeadKind = "flat"
    dish_f: float = 1.0
    knuckle_k: float = 0.06


@dataclass(frozen=True, slots=True)
class Rectangle:
    length_mm: float
    width_mm: float
    height_mm: float


@dataclass(frozen=True, slots=True)
class ConeBottom:
    """Upright cylinder on a cone that stands on its point."""

    diameter_mm: float
    shell_height_mm: float
    cone_height_mm: float


@dataclass(frozen=True, slots=True)
class Frustum:
    """Round tank that widens or narrows evenly from bottom to top."""

    bottom_diameter_mm: float
    top_diameter_mm: float
    height_mm: float


@dataclass(frozen=True, slots=True)
class StrappingTable:
    """Calibration table: volumes at levels, both strictly rising, straight lines between."""

    levels_mm: tuple[float, ...]
    volumes_l: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Stack:
    """Parts that stand on one another, the lowest first."""

    parts: tuple[VerticalCylinder | Rectangle | ConeBottom | Frustum, ...]


TankShape = VerticalCylinder | HorizontalCylinder | Rectangle | ConeBottom | Frustum | StrappingTable | Stack


@dataclass(frozen=True, slots=True)
class MonthlyNormals:
    """Twelve long-term monthly means each, January first; the fallback when nothing better is known."""

    tmin_c: tuple[float, ...]
    tmax_c: tuple[float, ...]
    rain_mm: tuple[float, ...]
    wet_days: tuple[float, ...]
    et0_mm: tuple[float, ...] | None = None
    """Reference evapotranspiration of a day; None: what the temperatures say."""


@dataclass(frozen=True, slots=True)
class Place:
    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    time_zone: str
    normals: MonthlyNormals | None = None
    coastal: bool = False


@dataclass(frozen=True, slots=True)
class Roof:
    """A catchment: plan area (not the sloped area) that drains into one tank."""

    id: str
    tank_id: str
    area_m2: float
    runoff_coefficient: float
    first_flush_mm: float


@dataclass(frozen=True, slots=True)
class Tank:
    """A tank. All heights are above the inside floor; `sensor_height_mm` is where the ranger's face sits."""

    id: str
    name: str
    shape: TankShape
    stated_capacity_l: float | None
    sensor_channel: int
    sensor_height_mm: float
    blind_zone_mm: float
    overflow_mm: float
    suction_mm: float
    reserve_l: float
    float_switch_channel: int | None = None


@dataclass(frozen=True, slots=True)
class FlowMeter:
    channel: int
    pulses_per_l: float


@dataclass(frozen=True, slots=True)
class Pump:
    """A pump, the tank it draws from and the board output that drives it."""

    id: str
    tank_id: str
    output: int
    max_flow_l_min: float
    max_head_m: float
    current_a: float
    flow_meter: FlowMeter | None = None


@dataclass(frozen=True, slots=True)
class Battery:
    """A 12 V battery. `disconnect_v` stops the pump after 10 s, `floor_v` at once; `resume_v` lets it start again."""

    chemistry: Chemistry
    capacity_ah: float
    disconnect_v: float
    floor_v: float
    resume_v: float
    maximum_v: float
    minimum_charge_percent: float
    rest_table: tuple[tuple[float, float], ...] | None = None
    """(rested volts, state of charge %) pairs, rising; None: the table for the chemistry."""


@dataclass(frozen=True, slots=True)
class Panel:
    peak_w: float
    tilt_deg: float
    azimuth_deg: float
    """Clockwise from north: 180 faces south."""


@dataclass(frozen=True, slots=True)
class RainGauge:
    mm_per_tip: float


@dataclass(frozen=True, slots=True)
class Valve:
    kind: ValveKind
    output: int
    opening_s: float


@dataclass(frozen=True, slots=True)
class Basal:
    """What a crop transpires alone, FAO-56 table 17, and how high it grows."""

    kcb_initial: float
    kcb_mid: float
    kcb_end: float
    height_m: float


@dataclass(frozen=True, slots=True)
class Heat:
    """Growth by warmth: degree-days of the four stages, counted between two temperatures."""

    base_c: float
    upper_c: float
    stages_c_day: tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Crop:
    """One kind of plant in a zone. Stage lengths: initial, development, mid-season, late (FAO-56 chapter 6)."""

    name: str
    kc_initial: float
    kc_mid: float
    kc_end: float
    stage_days: tuple[int, int, int, int]
    planted_month: int
    planted_day: int
    depletion_fraction: float
    share: float = 1.0
    """Part of the zone's area, all crops of a zone together 1."""
    basal: Basal | None = None
    """Known for plants of the built-in table."""
    heat: Heat | None = None
    """Set when the stages go by warmth; `stage_days` are then those of a usual year."""


@dataclass(frozen=True, slots=True)
class Window:
    """When watering may happen: minutes after local midnight, start < end <= 1440. None of them crosses midnight."""

    start_min: int
    end_min: int


DEFAULT_SOAK_MIN = 60
"""Between two doses of one zone (common practice for containers: let the mix take it up)."""


@dataclass(frozen=True, slots=True)
class Schedule:
    """What an owner may change from afar; the site file gives version 0, later versions live in the journal.

    need   water by need inside the windows, in `doses_per_day` doses at most, `soak_min` minutes between two
    fixed  `fixed_volume_l` at each of `fixed_times_min` (minutes after local midnight)
    off    never
    """

    mode: ScheduleMode
    windows: tuple[Window, ...]
    daily_cap_l: float
    doses_per_day: int = 1
    fixed_volume_l: float = 0.0
    fixed_times_min: tuple[int, ...] = ()
    soak_min: int = DEFAULT_SOAK_MIN


@dataclass(frozen=True, slots=True)
class SoilProbe:
    """A probe in the root zone: its voltage at the wilting point and at field capacity, whichever is higher."""

    channel: int
    dry_v: float
    full_v: float


@dataclass(frozen=True, slots=True)
class Line:
    """The pipes of a zone: a feed pipe to equal lines with emitters. For planning only, nothing is decided by it.

    feed_bore_mm    None: a usual one for the flow
    exponent        of the emitters in q = k h^x: 0.5 a plain turbulent one, near 0 one that compensates pressure
    nominal_head_m  at which an emitter gives its rate
    regulated_head_m  None: no pressure regulator
    rise_m          from the tank's floor up to the emitters
    """

    count: int
    length_m: float
    bore_mm: float
    feed_length_m: float
    feed_bore_mm: float | None
    exponent: float
    nominal_head_m: float
    regulated_head_m: float | None
    rise_m: float


@dataclass(frozen=True, slots=True)
class Surface:
    """The uppermost soil of a zone whose evaporation is reckoned by itself, FAO-56 chapter 7.

    wetted_fraction  part of the ground that the emitters wet
    rew_mm, tew_mm   readily and totally evaporable water, table 19
    """

    wetted_fraction: float
    rew_mm: float
    tew_mm: float


@dataclass(frozen=True, slots=True)
class Zone:
    """An area watered through one valve. `priority` 1 is served first."""

    id: str
    name: str
    kind: ZoneKind
    tank_id: str
    valve: Valve
    area_m2: float
    crops: tuple[Crop, ...]
    root_depth_mm: float
    available_water_mm_per_m: float
    emitter_count: int
    emitter_l_h: float
    drip_efficiency: float
    rain_fed: bool
    priority: int
    schedule: Schedule
    surface: Surface | None = None
    """Set for dual crop coefficients; every crop of the zone then has its `basal`."""
    soil_probe: SoilProbe | None = None
    line: Line | None = None

    @property
    def rated_flow_l_min(self) -> float:
        """Nominal flow of all emitters together."""
        return self.emitter_count * self.emitter_l_h / 60.0

    @property
    def total_available_mm(self) -> float:
        """Total available water of the root zone, FAO-56 equation 82."""
        return self.available_water_mm_per_m * self.root_depth_mm / 1000.0


@dataclass(frozen=True, slots=True)
class Mqtt:
    host: str = "127.0.0.1"
    port: int = 1883
    username: str | None = None
    password_file: str | None = None
    ca_file: str | None = None
    domain: str = "homie"
    """First topic level of the device tree."""


@dataclass(frozen=True, slots=True)
class History:
    """How long the journal keeps what; the ledger is kept for ever."""

    inputs_days: int = 30
    measurements_days: int = 730


@dataclass(frozen=True, slots=True)
class ForecastFields:
    """Where a forecast's values stand in the answer, as JSON Pointers (RFC 6901).

    With `days` the others are looked up in each entry of that list; without it each of them is a list itself.
    """

    date: str
    rain: str
    night_low: str
    day_high: str
    days: str | None = None
    issued: str | None = None


@dataclass(frozen=True, slots=True)
class ForecastSource:
    """A forecast that is fetched by HTTP. `units` are those of the answer's figures."""

    url: str
    fields: ForecastFields
    every_s: float
    units: UnitSystem = "metric"
    plain_http: bool = False
    key_file: str | None = None
    key_header: str = "Authorization"


@dataclass(frozen=True, slots=True)
class Site:
    """Everything declared about one site. Lookups by id never fail on a checked site."""

    id: str
    name: str
    units: UnitSystem
    place: Place
    roofs: tuple[Roof, ...]
    tanks: tuple[Tank, ...]
    pumps: tuple[Pump, ...]
    battery: Battery
    panel: Panel | None
    rain_gauge: RainGauge | None
    zones: tuple[Zone, ...]
    mqtt: Mqtt = field(default_factory=Mqtt)
    history: History = field(default_factory=History)
    idle_report_s: int = 60
    frost_c: float = 2.0
    forecast: ForecastSource | None = None

    def tank(self, tank_id: str) -> Tank:
        return next(t for t in self.tanks if t.id == tank_id)

    def zone(self, zone_id: str) -> Zone:
        return next(z for z in self.zones if z.id == zone_id)

    def pump_for_tank(self, tank_id: str) -> Pump:
        return next(p for p in self.pumps if p.tank_id == tank_id)
