"""Random weather of any shape, for the laws and the benchmark of all recipes."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from wxgate.forecast import Field, Forecast, make_field
from wxgate.profiles import Aircraft, Hill, Shelter, Site
from wxgate.quantities import QUANTITIES, Kind

START = np.datetime64("2026-06-20T22:00:00", "s")
SITE = Site(
    "field", "an invented field", 52.0, -1.5, "UTC", altitude=150.0, coast=True,
    shelter=Shelter(8.0, 40.0, 0.4, True), hill=Hill("ridge", 40.0, 60.0, 30.0),
    flight_direction=120.0,
)  # fmt: skip
CRAFT = Aircraft(
    "mid", "an invented aircraft", 0.9, 12.0, 0.44, 263.15, 313.15, 13.0, slow_airspeed=8.0,
    endurance=2100.0, descent_speed=3.0,
)  # fmt: skip

HEIGHTS = (10.0, 80.0, 100.0)
PRESSURES = (100000.0, 97500.0, 95000.0, 92500.0)
_ALTITUDES = np.array([150.0, 380.0, 600.0, 820.0])
#: From and to what a quantity is drawn, where its plausible range is too wide to be weather.
_DRAWN = {
    "eastward_wind": (-12, 12), "northward_wind": (-12, 12), "eastward_wind_on_levels": (-15, 15),
    "northward_wind_on_levels": (-15, 15), "air_temperature_on_levels": (265, 295),
    "air_temperature_at_heights": (265, 300), "wind_speed_of_gust": (0, 20),
    "wind_speed_maximum": (0, 15), "air_temperature": (265, 308),
    "dew_point_temperature": (258, 296), "relative_humidity": (0.2, 1),
    "surface_air_pressure": (95000, 103000), "visibility_in_air": (100, 30000),
    "ceiling_height": (20, 5000), "lwe_thickness_of_precipitation_amount": (-2, 2),
    "lwe_thickness_of_convective_precipitation_amount": (-2, 2), "lwe_precipitation_rate": (-3, 3),
    "precipitation_neighbourhood_maximum": (-2, 4), "surface_roughness_length": (0.01, 1.5),
    "convective_available_potential_energy": (0, 1500), "convective_inhibition": (-200, 0),
    "lightning": (-1, 1), "atmosphere_boundary_layer_thickness": (50, 2500),
    "surface_upward_sensible_heat_flux": (-50, 350), "surface_altitude": (60, 160),
    "pm2p5": (0, 200),
}  # fmt: skip
_ON_HEIGHTS = {"eastward_wind", "northward_wind", "air_temperature_at_heights"}


def field_of(name: str, hours: int, behind: tuple[int, ...], random: np.random.Generator) -> Field:
    """A fetched field of ``hours`` instants with dimensions behind them; below 0 is none."""
    row = QUANTITIES[name]
    low, high = _DRAWN.get(name, (row.low, row.high))
    on_map = behind if len(behind) == 2 else ()  # members share their ground
    shape: tuple[int, ...] = on_map if row.kind is Kind.CONSTANT else (hours, *behind)
    levels = None
    if name in _ON_HEIGHTS:
        levels, shape = np.array(HEIGHTS), (hours, len(HEIGHTS), *behind)
    elif name.endswith("_on_levels"):
        levels, shape = np.array(PRESSURES), (hours, len(PRESSURES), *behind)
    values = random.random(shape, dtype=np.float32) * np.float32(high - low) + np.float32(low)
    if name == "geopotential_height_on_levels":
        column = _ALTITUDES.reshape(-1, *(1,) * len(behind))
        values = (column + 20 * random.random(shape, dtype=np.float32)).astype(np.float32)
    if low < 0 <= row.low:
        values = np.maximum(values, 0)
    if row.units == "flag":
        values = np.round(values)
    return make_field(name, values, levels=levels)


def weather(hours: int, behind: tuple[int, ...] = (), seed: int = 1) -> dict[str, Field]:
    """Every fetched quantity, drawn anew."""
    random = np.random.default_rng(seed)
    return {n: field_of(n, hours, behind, random) for n, q in QUANTITIES.items() if not q.derived}


def forecast(fields: Mapping[str, Field], hours: int) -> Forecast:
    """A forecast of these fields from ``START`` on."""
    return Forecast(START + np.arange(hours) * np.timedelta64(3600, "s"), dict(fields))
