"""The vocabulary: one row a quantity, and nothing about a quantity stands anywhere else.

A row tells the name (the CF standard name where CF has one), the unit used inside, the kind of
interval, the range beyond which a value is a data error, and how the number is shown. A *fetched*
quantity comes from a source; a *derived* one from a recipe in ``derive``.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from enum import StrEnum

from wxgate.errors import UsageError


class Kind(StrEnum):
    """What a value on the time axis stands for; the words are those of CF ``cell_methods``."""

    POINT = "point"  #: at the instant; an hour is graded by the worse of its two ends
    MAXIMUM = "maximum"  #: largest over the interval, laid on every hour that it overlaps
    MINIMUM = "minimum"
    MEAN = "mean"
    SUM = "sum"
    CONSTANT = "constant"  #: does not change with time


@dataclass(frozen=True, slots=True)
class Quantity:
    """One row of the vocabulary."""

    name: str
    units: str
    kind: Kind
    low: float  #: plausible range, in ``units``; a value outside it is a data error (NaN)
    high: float
    label: str  #: what people read
    standard_name: str | None = None  #: CF standard name, None where CF has none
    derived: bool = False
    column: str | None = None  #: its dimension in ``LEVELS``; heights are above ground
    difference: bool = False  #: a temperature difference: 3 degC are 3 K
    advisory: bool = False  #: a rule may let it be missing without lowering the grade
    shown: str = ""  #: unit on screen, ``units`` when empty
    digits: int = 1  #: digits behind the point on screen
    scale: float | None = None  #: unit of margin; None: margin is a share of the limit

    @property
    def cf_units(self) -> str:
        """The unit as a CF file spells it."""
        return "1" if self.units in {"Kp", "points", "cycles", "flag"} else self.units

    @property
    def shown_units(self) -> str:
        """The unit on screen."""
        return self.shown or self.units


P, X, N, M, S, C = (
    Kind.POINT, Kind.MAXIMUM, Kind.MINIMUM, Kind.MEAN, Kind.SUM, Kind.CONSTANT,
)  # fmt: skip
Q = Quantity

#: The dimensions of levels: the unit inside, and the CF standard name.
LEVELS = {"height": ("m", "height"), "air_pressure": ("Pa", "air_pressure")}

#: "No ceiling" in metres above ground, as the largest value that sources write for it.
NO_CEILING = 20000.0

_FETCHED = (
    # On heights above ground (dimension ``height``) and on pressure levels (``air_pressure``).
    Q("eastward_wind", "m s-1", P, -150, 150, "eastward wind", "eastward_wind", column="height"),
    Q("northward_wind", "m s-1", P, -150, 150, "northward wind", "northward_wind", column="height"),
    Q("eastward_wind_on_levels", "m s-1", P, -150, 150, "eastward wind on levels",
      "eastward_wind", column="air_pressure"),
    Q("northward_wind_on_levels", "m s-1", P, -150, 150, "northward wind on levels",
      "northward_wind", column="air_pressure"),
    Q("geopotential_height_on_levels", "m", P, -1000, 40000, "height of levels above sea level",
      "geopotential_height", column="air_pressure"),
    Q("air_temperature_on_levels", "K", P, 150, 340, "temperature on levels", "air_temperature",
      shown="degC", column="air_pressure"),
    Q("air_temperature_at_heights", "K", P, 150, 340, "temperature aloft", "air_temperature",
      shown="degC", column="height"),
    # At the surface.
    Q("wind_speed_of_gust", "m s-1", P, 0, 150, "gust at 10 m", "wind_speed_of_gust"),
    Q("wind_speed_maximum", "m s-1", X, 0, 150, "largest 10 m wind of the hour", "wind_speed"),
    Q("eastward_wind_at_maximum", "m s-1", X, -150, 150,
      "eastward part of the largest wind of the hour"),
    Q("northward_wind_at_maximum", "m s-1", X, -150, 150,
      "northward part of the largest wind of the hour"),
    Q("air_temperature", "K", P, 180, 340, "temperature", "air_temperature", shown="degC",
      scale=10.0),
    Q("dew_point_temperature", "K", P, 160, 320, "dew point", "dew_point_temperature",
      shown="degC", scale=10.0),
    Q("relative_humidity", "1", P, 0, 1.2, "relative humidity", "relative_humidity", shown="%",
      digits=0),
    Q("surface_air_pressure", "Pa", P, 40000, 110000, "surface pressure",
      "surface_air_pressure", shown="hPa", digits=0),
    Q("visibility_in_air", "m", P, 0, 300000, "visibility", "visibility_in_air", shown="km"),
    Q("ceiling_height", "m", P, 0, NO_CEILING, "ceiling above ground", digits=0),
    Q("cloud_area_fraction", "1", P, 0, 1, "total cloud", "cloud_area_fraction", shown="%",
      digits=0),
    Q("low_type_cloud_area_fraction", "1", P, 0, 1, "low cloud",
      "low_type_cloud_area_fraction", shown="%", digits=0),
    Q("lwe_thickness_of_precipitation_amount", "mm", S, 0, 300, "precipitation in the hour",
      "lwe_thickness_of_precipitation_amount"),
    Q("lwe_thickness_of_convective_precipitation_amount", "mm", S, 0, 300,
      "convective precipitation in the hour",
      "lwe_thickness_of_convective_precipitation_amount"),
    Q("lwe_precipitation_rate", "mm h-1", P, 0, 500, "precipitation rate",
      "lwe_precipitation_rate"),
    Q("precipitation_neighbourhood_fraction", "1", S, 0, 1,
      "share of neighbouring cells with precipitation in the hour", shown="%", digits=0),
    Q("precipitation_neighbourhood_maximum", "mm", S, 0, 300,
      "most precipitation in the hour among neighbouring cells"),
    Q("categorical_rain", "flag", P, 0, 1, "rain flag", digits=0),
    Q("categorical_freezing_rain", "flag", P, 0, 1, "freezing-rain flag", digits=0),
    Q("categorical_ice_pellets", "flag", P, 0, 1, "ice-pellet flag", digits=0),
    Q("categorical_snow", "flag", P, 0, 1, "snow flag", digits=0),
    Q("convective_available_potential_energy", "J kg-1", P, 0, 15000, "CAPE",
      "atmosphere_convective_available_potential_energy", digits=0),
    Q("convective_inhibition", "J kg-1", P, -5000, 0, "CIN",
      "atmosphere_convective_inhibition", digits=0),
    Q("lightning", "1", X, 0, 1e6, "lightning field"),
    Q("atmosphere_boundary_layer_thickness", "m", P, 0, 8000, "boundary-layer depth",
      "atmosphere_boundary_layer_thickness", digits=0),
    Q("surface_upward_sensible_heat_flux", "W m-2", P, -1000, 1500, "sensible heat flux",
      "surface_upward_sensible_heat_flux", digits=0),
    Q("surface_roughness_length", "m", C, 0, 20, "roughness length",
      "surface_roughness_length", digits=2),
    Q("surface_altitude", "m", C, -500, 9000, "model terrain above sea level",
      "surface_altitude", digits=0),
    Q("pm2p5", "ug m-3", P, 0, 5000, "fine particles (PM2.5)", digits=0),
    Q("planetary_k_index", "Kp", X, 0, 9, "planetary K index", advisory=True, scale=3.0,
      digits=2),
    # On the field, by a hand-held meter; no source gives them.
    Q("meter_wind_speed", "m s-1", X, 0, 150, "mean wind on the meter"),
    Q("meter_wind_maximum", "m s-1", X, 0, 150, "strongest wind on the meter"),
)  # fmt: skip

_DERIVED = (
    Q("wind_speed", "m s-1", P, 0, 150, "wind at 10 m", "wind_speed"),
    Q("wind_from_direction", "degree", P, 0, 360, "wind direction at 10 m",
      "wind_from_direction", digits=0),
    Q("wind_speed_at_flight_height", "m s-1", P, 0, 150, "wind at flight height"),
    Q("wind_from_direction_at_flight_height", "degree", P, 0, 360,
      "wind direction at flight height", digits=0),
    Q("wind_speed_layer_maximum", "m s-1", P, 0, 150, "strongest wind up to flight height"),
    Q("launch_wind_speed", "m s-1", P, 0, 150, "wind at the launch place"),
    Q("wind_step", "m s-1", P, 0, 150, "wind step from launch to flight height"),
    Q("lee_separation", "flag", C, 0, 1, "lee of a steep hill", digits=0),
    Q("wake_turbulence", "flag", C, 0, 1, "flight in the wake of trees or walls", digits=0),
    Q("terrain_difference", "m", C, 0, 9500, "site above or below the model's terrain",
      advisory=True, digits=0),
    Q("low_level_jet", "flag", P, 0, 1, "low-level jet", digits=0),
    Q("wind_direction_swing", "degree", X, 0, 180, "swing of the wind direction", digits=0),
    Q("sea_breeze_onset", "flag", X, 0, 1, "onset of the sea breeze", digits=0),
    Q("beaufort", "1", P, 0, 12, "Beaufort force", digits=0),
    Q("gust", "m s-1", P, 0, 150, "gust at 10 m, at least the wind"),
    Q("gust_at_flight_height", "m s-1", P, 0, 200, "gust at flight height"),
    Q("gust_layer_maximum", "m s-1", P, 0, 200, "strongest gust up to flight height"),
    Q("gust_spread", "m s-1", P, 0, 150, "gust spread at flight height"),
    Q("convective_velocity_scale", "m s-1", P, 0, 10, "thermal turbulence w*"),
    Q("bulk_richardson_number", "1", P, -1e6, 1e6, "bulk Richardson number", advisory=True,
      digits=2, scale=0.25),
    Q("dew_point_spread", "K", P, 0, 80, "dew-point spread", difference=True),
    Q("cloud_base_height", "m", P, 0, NO_CEILING, "cloud base above ground", digits=0),
    Q("ceiling_clearance", "m", P, -1000, NO_CEILING, "cloud above flight height", digits=0,
      scale=100.0),
    Q("fog_points", "points", P, 0, 20, "fog points", digits=0),
    Q("visibility", "m", N, 0, 300000, "visibility", shown="km"),
    Q("attitude_line_of_sight", "m", C, 0, 10000, "distance at which the attitude is seen",
      digits=0),
    Q("detection_line_of_sight", "m", N, 0, 100000, "distance at which other traffic is seen",
      digits=0),
    Q("visual_range", "m", N, 0, 10000, "line of sight to the aircraft", digits=0),
    Q("visual_radius", "m", N, 0, 10000, "how far out the aircraft is seen at flight height",
      digits=0, scale=100.0),
    Q("required_visibility", "m", C, 0, 300000, "visibility needed for aircraft and height",
      shown="km"),
    Q("dew_on_surfaces", "flag", P, 0, 1, "dew on aircraft and lens", digits=0),
    Q("condensation_on_aircraft", "flag", P, 0, 1, "mist on an aircraft from indoors", digits=0),
    Q("wet_bulb_temperature", "K", P, 180, 330, "wet-bulb temperature", shown="degC",
      scale=10.0),
    Q("icing", "flag", X, 0, 1, "icing", digits=0),
    Q("precipitation", "mm", S, 0, 300, "precipitation in the hour", digits=2),
    Q("precipitation_probability", "1", S, 0, 1, "chance of precipitation", shown="%",
      digits=0),
    Q("precipitation_nearby_probability", "1", S, 0, 1, "chance of precipitation nearby",
      shown="%", digits=0),
    Q("thunder_probability", "1", S, 0, 1, "chance of thunder", shown="%", digits=0),
    Q("air_density", "kg m-3", P, 0.3, 2, "air density", "air_density", digits=3),
    Q("density_altitude", "m", P, -5000, 12000, "density altitude", digits=0),
    Q("hover_power_factor", "1", P, 0.5, 3, "hover power against sea level", digits=2),
    Q("battery_factor", "1", P, 0, 1.2, "usable share of the battery", digits=2),
    Q("airspeed_margin", "m s-1", P, -150, 100, "airspeed above the wind on return",
      scale=4.0),
    Q("airspeed_to_gust_ratio", "1", P, 0, 1000, "airspeed on return as a share of the gust",
      shown="%", digits=0),
    Q("wind_power_factor", "1", P, 1, 500, "power in wind against still air", digits=2),
    Q("usable_flight_time", "s", P, 0, 90000, "flight time on a full battery", shown="min",
      digits=0),
    Q("return_ground_speed", "m s-1", P, 0, 100, "ground speed on return into the wind"),
    Q("return_ground_speed_slow", "m s-1", P, 0, 100,
      "ground speed on return into the wind, slow mode"),
    Q("reach", "m", P, 0, 1e7, "reach out and back", shown="km"),
    Q("reach_slow", "m", P, 0, 1e7, "reach out and back, slow mode", shown="km"),
    Q("drift_distance", "m", P, 0, 1e5, "drift of a lost aircraft on its way down", digits=0),
    Q("drift_sector_start", "degree", P, 0, 360, "first bearing of the drift sector", digits=0),
    Q("drift_sector_end", "degree", P, 0, 360, "last bearing of the drift sector", digits=0),
    Q("solar_elevation_angle", "degree", P, -90, 90, "sun elevation",
      "solar_elevation_angle", scale=10.0),
    Q("solar_azimuth_angle", "degree", P, 0, 360, "sun azimuth", "solar_azimuth_angle",
      digits=0),
    Q("glare_angle", "degree", P, 0, 180, "smallest angle between sun and line of sight",
      digits=0, scale=25.0),
    Q("glare_half_width", "degree", P, 0, 180,
      "half width of the glare either side of the sun's azimuth", digits=0),
    Q("civil_twilight", "flag", X, 0, 2, "darkness by the sun's elevation", digits=0),
    Q("fixed_twilight", "flag", X, 0, 2, "darkness by minutes from sunrise and sunset", digits=0),
    Q("wind_chill", "K", P, 150, 330, "wind chill", shown="degC", scale=10.0),
    Q("heat_index", "K", P, 150, 500, "heat index", shown="degC", scale=10.0),
    Q("geomagnetic_latitude", "degree", C, -90, 90, "geomagnetic latitude"),
    Q("geomagnetic_storm_probability", "1", X, 0, 1, "chance of a geomagnetic storm (Kp 5 or more)",
      advisory=True, shown="%", digits=0),
    Q("flight_height", "m", C, 0, 1000, "flight height above ground", digits=0),
    Q("equatorial_scintillation", "flag", P, 0, 1, "evening scintillation near the equator",
      advisory=True, digits=0),
    Q("flyable_probability", "1", X, 0, 1, "chance that the hour can be flown", shown="%",
      digits=0),
    Q("hours_ahead", "h", X, -1e6, 1e6, "hours from now to the start of the hour", digits=0),
    Q("forecast_age", "h", X, -1e6, 1e6, "age of the forecast run", digits=0),
    Q("forecast_age_in_cycles", "cycles", X, -1e6, 1e6, "age of the run in its cycles"),
)  # fmt: skip


def _with_derived(row: Quantity) -> Quantity:
    from dataclasses import replace

    return replace(row, derived=True)


QUANTITIES: dict[str, Quantity] = {
    row.name: row for row in (*_FETCHED, *(_with_derived(row) for row in _DERIVED))
}


def quantity(name: str) -> Quantity:
    """The row of a quantity; UsageError names the nearest when there is none of that name."""
    found = QUANTITIES.get(name)
    if found is None:
        near = difflib.get_close_matches(name, QUANTITIES, n=1, cutoff=0.5)
        hint = f"Did you mean {near[0]!r}?" if near else "See `wxgate rules quantities`."
        raise UsageError(f"quantity {name!r} is not known", remedy=hint)
    return found
