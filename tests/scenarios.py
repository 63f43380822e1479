"""Scenarios as their users would bring them: weather in plain words, written as a CF netCDF file.

A scenario tells only what its table tells; every other field that a fetch of a global model gives
is filled with a fair-weather value that is consistent with it. The file is written by plain
xarray from a list of names and units that stands here: nothing of wxgate is used, so that the
data contract of DEVELOPERS.md is kept by what it says and not by what the code does.

Hours count from ``midnight``, the beginning of the local day, and may be negative. A value at an
instant is a number, or anchors between which it is linear; a value of an hour is a number, or one
for each hour that is named.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import xarray as xr

Series = float | Mapping[float, float]
Array = np.ndarray[Any, np.dtype[np.float64]]

HEIGHTS = (10.0, 80.0, 100.0)  #: m above ground, as the GFS has them
LEVELS = (1000.0, 975.0, 950.0, 925.0, 900.0, 850.0)  #: hPa
GRAVITY, GAS_CONSTANT, ZERO = 9.80665, 287.05, 273.15


@dataclass(frozen=True)
class Cast:
    """One aircraft, pilot and height, and the verdict of each hour."""

    aircraft: str  #: the id of one that ships, or the text of an aircraft file
    skill: str
    height: float
    #: For each hour the grade, and the rules that must all give it; one of them must limit.
    verdict: Mapping[int, str]
    #: Numbers that the table tells: (hour, quantity) to (value, tolerance); None: at least.
    numbers: Mapping[tuple[int, str], tuple[float, float | None]] = field(default_factory=dict)
    rules: str = ""  #: a rules file to add
    note: str = ""  #: where the verdict is stricter than the table's: why


@dataclass(frozen=True)
class Scenario:
    """A place, a time, the weather, and who flies."""

    id: str
    midnight: str  #: the local day, such as 2026-10-20
    site: Mapping[str, Any]
    weather: Mapping[str, Series]
    casts: tuple[Cast, ...]
    aloft: Mapping[float, float] = field(default_factory=dict)  #: hPa to m/s
    run_age: float = 6.0  #: h at the first hour that is asked for
    before: int = 2  #: hours in the file before and after those asked for
    after: int = 2
    absent: tuple[str, ...] = ()  #: variables that the file lacks

    @property
    def hours(self) -> tuple[int, int]:
        """The first hour that is asked for, and the one after the last."""
        asked = [hour for cast in self.casts for hour in cast.verdict]
        return min(asked), max(asked) + 1

    def at(self, hour: float) -> datetime:
        """The instant of an hour of the local day."""
        zone = ZoneInfo(self.site["zone"])
        day = datetime.fromisoformat(self.midnight)
        start = day if day.tzinfo else day.replace(tzinfo=zone)
        return start.astimezone(ZoneInfo("UTC")) + timedelta(hours=hour)

    def site_text(self) -> str:
        """The site file."""
        named = {"id": "field", "name": "An invented field", **self.site}
        return "site:\n" + "".join(_yaml_lines(named, 2))


def _yaml_lines(content: Mapping[str, Any], indent: int) -> Iterable[str]:
    for key, value in content.items():
        if isinstance(value, Mapping):
            yield f"{' ' * indent}{key}:\n"
            yield from _yaml_lines(value, indent + 2)
        else:
            text = str(value).lower() if isinstance(value, bool) else value
            yield f"{' ' * indent}{key}: {text}\n"


# ---------------------------------------------------------------------- weather

#: Fair weather, in the units that people speak in (m/s, degC, km, m, %, mm, J/kg, W/m2).
FAIR: dict[str, Series] = {
    "t": 16.0, "td": 9.0, "u10": 2.5, "d10": 240.0, "visibility": 24.135, "ceiling": 20000.0,
    "cloud": 20.0, "low_cloud": 10.0, "rate": 0.0, "cape": 20.0, "cin": -30.0, "depth": 500.0,
    "flux": 60.0,
}  # fmt: skip
FAIR_HOURS: dict[str, Series] = {
    "precipitation": 0.0, "convective": 0.0, "wet_neighbours": 0.0, "most_nearby": 0.0, "kp": 2.0,
}  # fmt: skip


class _Weather:
    """The weather of a scenario on the hours of its file."""

    def __init__(self, scenario: Scenario) -> None:
        first, last = scenario.hours
        #: One instant more than hours: it closes the last one.
        self.hours = np.arange(first - scenario.before, last + scenario.after + 1, dtype=float)
        self.told = scenario.weather
        known = {*FAIR, *FAIR_HOURS, *_TOLD_ONLY}
        assert set(self.told) <= known, set(self.told) - known

    def at(self, name: str) -> Array:
        """A value at the instants."""
        told = self.told.get(name, FAIR.get(name))
        assert told is not None, name
        if isinstance(told, Mapping):
            return np.interp(self.hours, list(told), list(told.values()))
        return np.full(self.hours.shape, float(told))

    def over(self, name: str) -> Array:
        """A value of the hours; those that are not named are fair."""
        fair = FAIR_HOURS[name]
        told = self.told.get(name, fair)
        assert not isinstance(fair, Mapping)
        if isinstance(told, Mapping):
            return np.array([told.get(int(hour), fair) for hour in self.hours])
        return np.full(self.hours.shape, float(told))

    def either(self, name: str, otherwise: Array) -> Array:
        """A value at the instants where the table tells it."""
        return self.at(name) if name in self.told else otherwise


_TOLD_ONLY = {"gust", "u80", "u100", "d80", "d100", "pressure", "t100", "snow", "rain", "pm2p5"}


def _winds(weather: _Weather) -> tuple[Array, Array]:
    """Speed and direction on ``HEIGHTS``: (time, height). Neutral where only 10 m is told."""
    u10, d10 = weather.at("u10"), weather.at("d10")
    u100 = weather.either("u100", u10 * 10**0.14)
    share = np.log(8) / np.log(10)
    u80 = weather.either("u80", u10 + share * (u100 - u10))
    d100 = weather.either("d100", d10)
    d80 = weather.either("d80", d100)
    return np.stack([u10, u80, u100], axis=1), np.stack([d10, d80, d100], axis=1)


def _components(speed: Array, direction: Array) -> tuple[Array, Array]:
    angle = np.radians(direction)
    return -speed * np.sin(angle), -speed * np.cos(angle)


def _fields(scenario: Scenario, weather: _Weather) -> dict[str, tuple[Array, tuple[str, ...]]]:
    """Every field with its dimensions, in SI units."""
    at, over = weather.at, weather.over
    altitude = float(str(scenario.site.get("altitude", "100 m")).split()[0])
    kelvin, dew_point = at("t") + ZERO, at("td") + ZERO
    standard = 1013.25 * (1 - 0.0065 * altitude / 288.15) ** 5.2559
    pressure = weather.either("pressure", np.full(kelvin.shape, standard))
    speed, direction = _winds(weather)
    u, v = _components(speed, direction)
    above = GAS_CONSTANT * kelvin[:, None] / GRAVITY * np.log(pressure[:, None] / np.array(LEVELS))
    grown = speed[:, 2:] * np.maximum(np.maximum(above, 1.0) / 100.0, 1.0) ** 0.14
    told = np.array([scenario.aloft.get(level, np.nan) for level in LEVELS])
    u_aloft, v_aloft = _components(np.where(np.isnan(told), grown, told), direction[:, 2:])
    amount = over("precipitation")
    steady = np.minimum(amount, np.concatenate([amount[:1], amount[:-1]]))
    rate = weather.either("rate", steady)
    rain = weather.either("rain", (rate > 0).astype(float))
    snow = weather.either("snow", np.zeros_like(rate))
    dry = np.zeros_like(rate)
    t100 = weather.either("t100", at("t") - 0.9) + ZERO
    heights, levels, time = ("time", "height"), ("time", "air_pressure"), ("time",)
    fields = {
        "eastward_wind": (u, heights),
        "northward_wind": (v, heights),
        "eastward_wind_on_levels": (u_aloft, levels),
        "northward_wind_on_levels": (v_aloft, levels),
        "geopotential_height_on_levels": (altitude + above, levels),
        "air_temperature_on_levels": (kelvin[:, None] - 0.0065 * above, levels),
        "air_temperature_at_heights": (
            np.stack([np.full_like(t100, np.nan), kelvin + 0.8 * (t100 - kelvin), t100], axis=1),
            heights,
        ),
        "wind_speed_of_gust": (weather.either("gust", 1.5 * at("u10")), time),
        "air_temperature": (kelvin, time),
        "dew_point_temperature": (dew_point, time),
        "surface_air_pressure": (100 * pressure, time),
        "visibility_in_air": (1000 * at("visibility"), time),
        "ceiling_height": (at("ceiling"), time),
        "cloud_area_fraction": (at("cloud") / 100, time),
        "low_type_cloud_area_fraction": (at("low_cloud") / 100, time),
        "lwe_thickness_of_precipitation_amount": (amount, time),
        "lwe_thickness_of_convective_precipitation_amount": (over("convective"), time),
        "lwe_precipitation_rate": (rate, time),
        "precipitation_neighbourhood_fraction": (over("wet_neighbours"), time),
        "precipitation_neighbourhood_maximum": (np.maximum(over("most_nearby"), amount), time),
        "categorical_rain": (rain, time),
        "categorical_freezing_rain": (dry, time),
        "categorical_ice_pellets": (dry, time),
        "categorical_snow": (snow, time),
        "convective_available_potential_energy": (at("cape"), time),
        "convective_inhibition": (at("cin"), time),
        "atmosphere_boundary_layer_thickness": (at("depth"), time),
        "surface_upward_sensible_heat_flux": (at("flux"), time),
        "surface_roughness_length": (np.array(0.03), ()),
        "surface_altitude": (np.array(altitude), ()),
        "planetary_k_index": (over("kp"), time),
    }
    if "pm2p5" in weather.told:
        fields["pm2p5"] = (at("pm2p5"), time)
    return {name: found for name, found in fields.items() if name not in scenario.absent}


# ---------------------------------------------------------------------- the file

#: Unit and, where the value is not at an instant, what it is over the hour.
UNITS: dict[str, str] = {
    "eastward_wind": "m s-1", "northward_wind": "m s-1", "eastward_wind_on_levels": "m s-1",
    "northward_wind_on_levels": "m s-1", "geopotential_height_on_levels": "m",
    "air_temperature_on_levels": "K", "air_temperature_at_heights": "K",
    "wind_speed_of_gust": "m s-1", "air_temperature": "K", "dew_point_temperature": "K",
    "surface_air_pressure": "Pa", "visibility_in_air": "m", "ceiling_height": "m",
    "cloud_area_fraction": "1", "low_type_cloud_area_fraction": "1",
    "lwe_thickness_of_precipitation_amount": "mm",
    "lwe_thickness_of_convective_precipitation_amount": "mm", "lwe_precipitation_rate": "mm h-1",
    "precipitation_neighbourhood_fraction": "1", "precipitation_neighbourhood_maximum": "mm",
    "categorical_rain": "1", "categorical_freezing_rain": "1", "categorical_ice_pellets": "1",
    "categorical_snow": "1", "convective_available_potential_energy": "J kg-1",
    "convective_inhibition": "J kg-1", "atmosphere_boundary_layer_thickness": "m",
    "surface_upward_sensible_heat_flux": "W m-2", "surface_roughness_length": "m",
    "surface_altitude": "m", "planetary_k_index": "1", "pm2p5": "ug m-3",
}  # fmt: skip
OVER_THE_HOUR: dict[str, str] = {
    "lwe_thickness_of_precipitation_amount": "sum",
    "lwe_thickness_of_convective_precipitation_amount": "sum",
    "precipitation_neighbourhood_fraction": "sum",
    "precipitation_neighbourhood_maximum": "sum",
    "planetary_k_index": "maximum",
}
#: Other units for the same file, with the factor and the offset from SI.
OTHER_UNITS: dict[str, tuple[str, float, float]] = {
    "m s-1": ("kt", 3600 / 1852, 0.0),
    "K": ("degC", 1.0, -ZERO),
    "Pa": ("hPa", 0.01, 0.0),
    "m": ("km", 0.001, 0.0),
    "1": ("%", 100.0, 0.0),
}
#: Counts and flags are no shares; the K index and flags have one unit only.
_NO_SHARE = {"planetary_k_index", *(name for name in UNITS if name.startswith("categorical_"))}


def write_file(
    scenario: Scenario, path: Path, *, without: str | None = None, other_units: bool = False
) -> Path:
    """Write the weather of a scenario as a CF netCDF file that keeps the data contract."""
    dataset = dataset_of(scenario, other_units=other_units)
    if without is not None:
        dataset = dataset.drop_vars(without)
    dataset.to_netcdf(path, engine="netcdf4")
    return path


def dataset_of(scenario: Scenario, *, other_units: bool = False) -> xr.Dataset:
    """The weather of a scenario as an xarray Dataset."""
    weather = _Weather(scenario)
    start = np.datetime64(scenario.at(float(weather.hours[0])).replace(tzinfo=None), "ns")
    time = start + np.arange(weather.hours.size) * np.timedelta64(3600 * 10**9, "ns")
    run = scenario.at(scenario.hours[0]) - timedelta(hours=scenario.run_age)
    pressure = np.array(LEVELS) * (1.0 if other_units else 100.0)
    dataset = xr.Dataset(
        coords={
            "time": ("time", time, {"standard_name": "time", "bounds": "time_bnds"}),
            "height": ("height", np.array(HEIGHTS), {"units": "m", "positive": "up"}),
            "air_pressure": ("air_pressure", pressure, {"units": "hPa" if other_units else "Pa"}),
            "latitude": float(scenario.site["latitude"]),
            "longitude": float(scenario.site["longitude"]),
            "forecast_reference_time": ((), np.datetime64(run.replace(tzinfo=None), "ns")),
        },
        attrs={"Conventions": "CF-1.11", "title": f"invented weather of scenario {scenario.id}"},
    )
    for name in ("time", "forecast_reference_time"):
        dataset[name].encoding["units"] = "hours since 1970-01-01"
    dataset["time_bnds"] = (("time", "bnds"), np.stack([time, time + np.timedelta64(1, "h")], 1))
    dataset["time_bnds"].encoding["units"] = "hours since 1970-01-01"
    for name, (values, dims) in _fields(scenario, weather).items():
        dataset[name] = _variable(name, values, dims, other_units)
    return dataset


def _variable(name: str, values: Array, dims: tuple[str, ...], other_units: bool) -> xr.DataArray:
    units = UNITS[name]
    if other_units and units in OTHER_UNITS and name not in _NO_SHARE:
        units, factor, offset = OTHER_UNITS[units]
        values = values * factor + offset
    attrs = {"units": units, "source": "invented"}
    if dims:
        attrs["cell_methods"] = f"time: {OVER_THE_HOUR.get(name, 'point')}"
    return xr.DataArray(values, dims=dims, attrs=attrs)
