"""Random worlds, in which holes can be dug (``hole_digging``). Not a test.

A world is a place with its weather. Most have a calm and sunny day, so that go is common: in a
stormy world no hole could be found out. Hundreds lie on one grid dimension, as on a map, each at a
place of its own, with one moment, aircraft, skill, height and law for all.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import scenarios

from wxgate.forecast import Forecast, Provenance, hours_axis, make_field
from wxgate.profiles import Site, Skill
from wxgate.quantities import Kind

if TYPE_CHECKING:
    import xarray as xr

Array = np.ndarray[Any, np.dtype[np.float64]]
Flags = np.ndarray[Any, np.dtype[np.bool_]]

#: Few by night, in which most pilots may not fly at all.
INSTANTS = 20
#: The hours that a brief has before those asked for.
BEFORE = 3
HEIGHT_LEVELS = np.array([10.0, 80.0, 100.0])
PRESSURE_LEVELS = np.array([1e5, 97500.0, 95000.0, 92500.0])
#: Above the ground of the model, m.
PRESSURE_HEIGHTS = np.array([110.0, 270.0, 490.0, 720.0])
TERRAIN = 100.0

U, V, GUST, T, TD = ("eastward_wind", "northward_wind", "wind_speed_of_gust", "air_temperature",
                     "dew_point_temperature")  # fmt: skip
RH, P, VIS, CEILING = ("relative_humidity", "surface_air_pressure", "visibility_in_air",
                       "ceiling_height")  # fmt: skip
CLOUD, LOW = "cloud_area_fraction", "low_type_cloud_area_fraction"
RAIN, RATE = "lwe_thickness_of_precipitation_amount", "lwe_precipitation_rate"
CONVECTIVE = "lwe_thickness_of_convective_precipitation_amount"
SHARE, MOST = "precipitation_neighbourhood_fraction", "precipitation_neighbourhood_maximum"
CAPE, KP, PM = "convective_available_potential_energy", "planetary_k_index", "pm2p5"
DEPTH, FLUX = "atmosphere_boundary_layer_thickness", "surface_upward_sensible_heat_flux"
UP, VP, ZP = (f"{name}_on_levels" for name in (U, V, "geopotential_height"))
GROUND, ROUGHNESS = "surface_altitude", "surface_roughness_length"
LARGEST, WARM = "wind_speed_maximum", "air_temperature_at_heights"
RAINS, FREEZES, PELLETS, SNOWS = (
    f"categorical_{kind}" for kind in ("rain", "freezing_rain", "ice_pellets", "snow")
)

#: Quantities on levels, and the levels.
LEVELS: Mapping[str, Array] = {
    U: HEIGHT_LEVELS, V: HEIGHT_LEVELS, WARM: HEIGHT_LEVELS,
    UP: PRESSURE_LEVELS, VP: PRESSURE_LEVELS, ZP: PRESSURE_LEVELS,
}  # fmt: skip
#: What besides its usual kind a source may give.
OTHER_KINDS: Mapping[str, Kind] = {
    GUST: Kind.MAXIMUM, VIS: Kind.MINIMUM, CEILING: Kind.MINIMUM, RATE: Kind.MEAN, CAPE: Kind.MEAN,
    KP: Kind.POINT, SHARE: Kind.MAXIMUM, MOST: Kind.MAXIMUM, SNOWS: Kind.MAXIMUM,
    **dict.fromkeys((FLUX, CLOUD, T, TD, U, V, P, DEPTH), Kind.MEAN),
}  # fmt: skip
USUAL_KINDS: Mapping[str, Kind] = {
    RAIN: Kind.SUM, CONVECTIVE: Kind.SUM, SHARE: Kind.SUM, MOST: Kind.SUM, KP: Kind.MAXIMUM,
    LARGEST: Kind.MAXIMUM, GROUND: Kind.CONSTANT, ROUGHNESS: Kind.CONSTANT,
}  # fmt: skip

#: Of the site, m; not stated, as its model has it, and so far from it that the air is moved.
ALTITUDES = (None, TERRAIN, None, TERRAIN + 250.0, TERRAIN - 250.0)
SKILLS = tuple(Skill)
AIRCRAFT_IDS = ("light-249g", "mid-900g", "heavy-4kg")
HEIGHTS = (10.0, 30.0, 60.0, 80.0, 100.0, 120.0, 310.0)
LAWS = ("", "us-part-107", "eu-open", "uk", "canada", "air-quality")


@dataclass(frozen=True)
class Worlds:
    """Worlds side by side. ``raw``: (time, level, world) in the units of the vocabulary."""

    time: np.ndarray[Any, np.dtype[np.datetime64]]
    now: datetime
    run: datetime | None
    latitude: Array
    longitude: Array
    skill: Skill
    aircraft: str
    height: float
    law: str
    raw: Mapping[str, Array]
    kinds: Mapping[str, Kind]
    #: Where a value is there, by what was written; of the shape of ``raw``.
    there: Mapping[str, Flags]
    #: Names of what is spoilt in each world, for all of them together and one by one.
    spoilt: tuple[frozenset[str], ...] = ()
    #: Where the dew point contradicts the temperature.
    contradiction: Flags | None = None
    holes: int = 0
    altitude: float | None = None

    @property
    def count(self) -> int:
        """How many worlds there are."""
        return len(self.latitude)

    @property
    def site(self) -> Any:
        """The places of all worlds as a site of many, as on a map; its height is not stated."""
        lat: Any = self.latitude
        lon: Any = self.longitude
        return Site("map", "Anywhere (invented)", lat, lon, "UTC")

    def site_of(self, world: int) -> Site:
        """The place of one world."""
        lat, lon = float(self.latitude[world]), float(self.longitude[world])
        return Site("here", "Anywhere (invented)", lat, lon, "UTC", altitude=self.altitude)

    @property
    def provenance(self) -> tuple[Provenance, ...]:
        """Of one source with a run each six hours."""
        return (Provenance("invented", "invented", self.run, self.now, "0" * 64, cycle_h=6.0),)

    def forecast(self) -> Forecast:
        """All worlds as a source hands them over."""
        fields = {
            name: make_field(name, values, kind=self.kinds[name], levels=LEVELS.get(name))
            for name, values in self.raw.items()
        }
        return Forecast(self.time, fields, self.provenance)

    def one(self, world: int) -> Worlds:
        """One world by itself, still with its grid dimension."""
        here = slice(world, world + 1)
        wrong = None if self.contradiction is None else self.contradiction[..., here]
        return replace(
            self, latitude=self.latitude[here], longitude=self.longitude[here],
            raw={n: v[..., here] for n, v in self.raw.items()},
            there={n: v[..., here] for n, v in self.there.items()},
            spoilt=self.spoilt[here], contradiction=wrong,
        )  # fmt: skip


def dataset_of(worlds: Worlds, world: int) -> xr.Dataset:
    """One world as its user brings it: by plain xarray, so that the contract checks it."""
    import xarray as xr

    time = worlds.time.astype("datetime64[ns]")
    found = xr.Dataset(
        coords={
            "time": ("time", time, {"standard_name": "time", "bounds": "time_bnds"}),
            "height": ("height", HEIGHT_LEVELS, {"units": "m", "positive": "up"}),
            "air_pressure": ("air_pressure", PRESSURE_LEVELS, {"units": "Pa"}),
            "latitude": float(worlds.latitude[world]), "longitude": float(worlds.longitude[world]),
        },
        attrs={"Conventions": "CF-1.11", "title": "invented weather with holes"},
    )  # fmt: skip
    if worlds.run is not None:
        run = np.datetime64(worlds.run.replace(tzinfo=None, microsecond=0), "ns")
        found["forecast_reference_time"] = ((), run)
        found["forecast_reference_time"].encoding["units"] = "seconds since 1970-01-01"
    bounds = np.stack([time, time + np.timedelta64(1, "h")], 1)
    found["time_bnds"] = (("time", "bnds"), bounds)
    for name in ("time", "time_bnds"):
        found[name].encoding["units"] = "hours since 1970-01-01"
    for name, values in worlds.raw.items():
        column = {HEIGHT_LEVELS.tobytes(): "height", PRESSURE_LEVELS.tobytes(): "air_pressure"}
        dims = ("time", column[LEVELS[name].tobytes()]) if name in LEVELS else ("time",)
        kind = worlds.kinds[name]
        attrs = {"units": UNITS[name], "cell_methods": f"time: {kind.value}"}
        if kind is Kind.CONSTANT:
            dims, attrs = (), {"units": UNITS[name]}
        found[name] = (dims, values[..., world], attrs)
    return found


UNITS = {**scenarios.UNITS, RH: "1", LARGEST: "m s-1"}


# ---------------------------------------------------------------------- whole worlds


def worlds(rng: np.random.Generator, count: int) -> Worlds:
    """Worlds without a hole; a fifth of the maps are of any weather, near limits and beyond."""
    calm = 0.3 if rng.random() < 0.2 else 0.95
    start = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(hours=int(rng.integers(0, 8760)))
    ahead = 30 if rng.random() < 0.25 else -BEFORE
    # At times within the hour under way.
    now = start - timedelta(hours=ahead, minutes=-int(rng.choice([0, 0, 0, 25])))
    latitude, longitude = _places(rng, count, start)
    raw = _weather(rng, count, rng.random(count) < calm)
    for name in (RH, PM, LARGEST, WARM):  # that few sources give
        if rng.random() < 0.5:
            del raw[name]
    kinds = {name: USUAL_KINDS.get(name, Kind.POINT) for name in raw}
    for name, kind in OTHER_KINDS.items():
        if name in raw and rng.random() < 0.15:
            kinds[name] = kind
    law = str(rng.choice(LAWS, p=[0.5, 0.1, 0.1, 0.1, 0.1, 0.1]))
    if law == "air-quality" and PM not in raw:
        law = ""
    height = float(rng.choice(HEIGHTS, p=[0.1, 0.2, 0.25, 0.15, 0.12, 0.12, 0.06]))
    return Worlds(
        time=hours_axis(start, INSTANTS - 1), now=now,
        run=now - timedelta(hours=float(rng.uniform(0.5, 11.5))),
        latitude=latitude, longitude=longitude,
        skill=SKILLS[int(rng.integers(len(SKILLS)))],
        aircraft=str(rng.choice(AIRCRAFT_IDS)), height=height, law=law, raw=raw, kinds=kinds,
        there={name: np.isfinite(values) for name, values in raw.items()},
        spoilt=(frozenset(),) * count, altitude=ALTITUDES[int(rng.integers(len(ALTITUDES)))],
    )  # fmt: skip


def fair_day(count: int = 1) -> Worlds:
    """The same fair day in June in every world: from the third hour on all but the last are go."""
    start = datetime(2026, 6, 15, 6, tzinfo=UTC)
    one = _weather(np.random.default_rng(0), 1, np.ones(1, np.bool_))
    raw = {name: np.repeat(values[..., :1], count, axis=-1) for name, values in one.items()}
    for name in (RH, PM, LARGEST, WARM):
        del raw[name]
    steady = {U: 1.0, V: 0.2, UP: 1.5, VP: 0.3, GUST: 1.5, T: 291.0, TD: 281.0, VIS: 24135.0,
              CEILING: 20000.0, CLOUD: 0.2, LOW: 0.05, CAPE: 10.0, KP: 2.0, FLUX: 30.0,
              DEPTH: 400.0, P: 100000.0}  # fmt: skip
    for name, value in steady.items():
        raw[name] = np.full(raw[name].shape, value)
    return Worlds(
        time=hours_axis(start, INSTANTS - 1), now=start + timedelta(hours=BEFORE),
        run=start, latitude=np.full(count, 48.0), longitude=np.full(count, -30.0),
        skill=Skill.INTERMEDIATE, aircraft="mid-900g", height=60.0, law="", raw=raw,
        kinds={name: USUAL_KINDS.get(name, Kind.POINT) for name in raw},
        there={name: np.isfinite(values) for name, values in raw.items()},
        spoilt=(frozenset(),) * count,
    )  # fmt: skip


def _places(rng: np.random.Generator, count: int, start: datetime) -> tuple[Array, Array]:
    """Places of one hemisphere; at most of them the sun is high in the middle of the axis."""
    size = np.where(rng.random(count) < 0.8, rng.uniform(20, 60, count), rng.uniform(0, 89, count))
    middle = start.hour + INSTANTS / 2
    noon = rng.uniform(-3, 3, count)
    east = np.where(rng.random(count) < 0.85, 15 * (12 + noon - middle), rng.uniform(0, 360, count))
    north = 1.0 if rng.random() < 0.65 else -1.0
    return north * size, (east + 180) % 360 - 180


def _weather(rng: np.random.Generator, count: int, calm: Flags) -> dict[str, Array]:
    shape = (INSTANTS, count)

    def walk(quiet: tuple[float, float], wild: tuple[float, float], step: float) -> Array:
        low, high = (np.where(calm, q, w) for q, w in zip(quiet, wild, strict=True))
        begin = rng.uniform(low, high)
        steps = rng.normal(0, 1, shape) * np.where(calm, 0.3, 1.0) * step
        found: Array = np.clip(begin + np.cumsum(steps, axis=0), low, high)
        return found

    ones = np.ones(shape)
    speed = walk((0.2, 2.4), (0, 12), 0.5)
    angle = rng.uniform(0, 6.28, count) + np.cumsum(rng.normal(0, 0.05, shape), axis=0)
    east, north = speed * np.cos(angle), speed * np.sin(angle)
    more = rng.uniform(0, np.where(calm, 0.25, 0.8), shape)
    higher = np.stack([ones, 1 + 0.9 * more, 1 + more], axis=1)
    aloft = np.linspace(1.2, 1.5, len(PRESSURE_LEVELS))[:, None] * (1 + more[:, None])
    temperature = walk((284, 299), (262, 308), 0.6)
    dew_point = temperature - walk((6, 13), (0, 15), 0.5)
    wet = ~calm & (rng.random(count) < 0.5)
    amount = np.where(wet, rng.exponential(0.4, shape), 0.0) * (rng.random(shape) < 0.6)
    cloud = walk((0.0, 0.4), (0, 1), 0.1)
    none = rng.random(count) < 0.6
    celsius = dew_point - 273.15, temperature - 273.15
    vapour, saturated = (np.exp(17.67 * c / (c + 243.5)) for c in celsius)
    return {
        U: east[:, None] * higher, V: north[:, None] * higher,
        UP: east[:, None] * aloft, VP: north[:, None] * aloft,
        ZP: TERRAIN + PRESSURE_HEIGHTS[:, None] + np.zeros((INSTANTS, 4, count)),
        WARM: np.stack([temperature, temperature - 0.6, temperature - 0.8], axis=1),
        GUST: speed * rng.uniform(1.1, np.where(calm, 1.35, 1.9), shape),
        LARGEST: speed * rng.uniform(1.0, 1.2, shape),
        T: temperature, TD: dew_point, RH: np.minimum(vapour / saturated, 1.0),
        P: walk((99000, 103000), (97000, 104000), 40),
        VIS: np.exp(walk((9.3, 10.8), (6, 10.8), 0.2)),
        CEILING: np.where(none, 20000.0, walk((900, 6000), (50, 6000), 150)),
        CLOUD: cloud, LOW: cloud * rng.uniform(0, 1, (1, count)),
        RAIN: amount, CONVECTIVE: amount * rng.random(shape),
        RATE: amount * rng.uniform(0.5, 2, shape),
        SHARE: np.clip((amount > 0.1) * 0.5 + np.where(calm, 0.0, rng.choice([0, 0, 0.2], shape)),
                       0, 1),
        MOST: amount * 2,
        RAINS: (amount > 0) * 1.0, **dict.fromkeys((FREEZES, PELLETS, SNOWS), 0 * ones),
        CAPE: np.where(calm, walk((0, 60), (0, 60), 10), walk((0, 60), (0, 1500), 100)),
        DEPTH: walk((200, 500), (100, 2000), 60), FLUX: walk((0, 40), (-50, 300), 10),
        KP: np.repeat(rng.uniform(0.3, 3.3, (INSTANTS // 3 + 1, count)), 3, axis=0)[:INSTANTS],
        PM: walk((2, 30), (2, 200), 4),
        GROUND: np.full(count, TERRAIN), ROUGHNESS: np.full(count, 0.05),
    }  # fmt: skip
