"""Every recipe over a map against the raw numpy formula: ``python tests/benchmarks/recipes.py``.

49 hours on 300 x 300 cells, or a small map with ``--small``; ``--each`` tells every recipe. The raw
formula is what one would write down if nothing were ever missing and nobody asked where a number is
from: the same operations in the same precision (float64 for wind, gust and wet bulb, else float32),
without the care for NaN, for ends of hours without a value, for origins and for plausible ranges.
What several recipes share, the wind column and the wind read from it, is timed on its own.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.measure import Row, in_turn, tell
from recipe_inputs import CRAFT, HEIGHTS, SITE, forecast, weather

from wxgate.derive import column, gust, sun, thermals, wind, wind_signs
from wxgate.derive.recipe import Inputs
from wxgate.derive.run import recipes
from wxgate.forecast import Field

HEIGHT = 60.0
#: More than this is told with a star; the wet bulb and what is made like it are iterations.
TARGET = 3.0
ITERATIONS = {"wet_bulb_temperature", "cloud_base_height"}

IN_DOUBLE = {r.name for m in (wind, wind_signs, gust, thermals) for r in m.RECIPES} | ITERATIONS

Values = Any


@dataclass(frozen=True)
class Recipe:
    """Seconds of a recipe and of its raw formula."""

    name: str
    recipe: float
    raw: float

    @property
    def ratio(self) -> float:
        return self.recipe / self.raw

    def __str__(self) -> str:
        mark = " *" if self.ratio > TARGET and self.name not in ITERATIONS else ""
        times = f"{self.recipe * 1e3:9.1f} {self.raw * 1e3:9.1f}"
        return f"{self.name:40} {times} {self.ratio:7.2f}{mark}"


# ---------------------------------------------------------------------- raw formulas


def later(a: Values) -> Values:
    """The other end of each hour; the last hour keeps its own."""
    return np.concatenate([a[1:], a[-1:]])


def vapour(td: Values) -> Values:
    c = td - 273.15
    return 611.2 * np.exp(17.67 * c / (c + 243.5))


def log_weight(height: float, low: float, high: float) -> float:
    return float(np.log(height / low) / np.log(high / low))


def direction(u: Values, v: Values) -> Values:
    found = 90.0 - np.degrees(np.arctan2(-v, -u))
    return np.where(found <= 0, found + 360.0, found)


def raw_column(v: Values) -> Values:
    """Heights above ground and components, height levels before pressure levels."""
    z = v.geopotential_height_on_levels - v.surface_altitude
    heights = np.broadcast_to(np.array(HEIGHTS, z.dtype)[:, None, None], v.eastward_wind.shape)
    pairs = [(heights, z), (v.eastward_wind, v.eastward_wind_on_levels),
             (v.northward_wind, v.northward_wind_on_levels)]  # fmt: skip
    return [np.concatenate(pair, axis=1) for pair in pairs]


def raw_read(v: Values) -> Values:
    """The wind at ``HEIGHT``, level by level."""
    z, u, w = raw_column(v)
    found = np.zeros((3, *u[:, 0].shape), u.dtype)
    for k in range(z.shape[1] - 1):
        inside = (z[:, k] <= HEIGHT) & (z[:, k + 1] > HEIGHT)
        share = np.log(HEIGHT / z[:, k]) / np.log(z[:, k + 1] / z[:, k])
        ends = [(p[:, k], p[:, k + 1]) for p in (u, w, np.hypot(u, w))]
        for i, (low, high) in enumerate(ends):
            found[i] = np.where(inside, (1 - share) * low + share * high, found[i])
    return found


def angle(a: Values, b: Values) -> Values:
    return np.abs((a - b + 180.0) % 360.0 - 180.0)


def swing(v: Values) -> Values:
    d = v.wind_from_direction
    at = [np.concatenate([d[:1], d[:-1]]), d, later(d), later(later(d))]
    pairs = [angle(at[i], at[j]) for i in range(4) for j in range(i + 1, 4)]
    return np.maximum.reduce(pairs)


def jet(v: Values, z: Values, speed: Values) -> Values:
    near = np.where(z <= 120.0, speed, 0).max(axis=1)
    far = np.where(z < 400.0, speed, 0).max(axis=1)
    aloft = (near - v.wind_speed > 4.0) | (far > 8.0)
    clear = (v.solar_elevation_angle < 5.0) & (v.cloud_area_fraction < 0.5)
    return aloft & clear & (v.wind_speed < 3.0)


def thermals(v: Values) -> Values:
    t = v.air_temperature
    density = v.surface_air_pressure / (287.05 * t)
    up = np.maximum(v.surface_upward_sensible_heat_flux, 0) / (density * 1004.7)
    return np.cbrt(9.81 / t * v.atmosphere_boundary_layer_thickness * up)


def gust_carried(v: Values, wind_name: str) -> Values:
    """At both ends of the hour, as the gust is that of the hour."""
    u, surface, gust = getattr(v, wind_name), v.wind_speed, v.gust
    unstable = (v.solar_elevation_angle > 10) & (v.cloud_area_fraction < 0.6) & (surface < 6)
    stable = (v.solar_elevation_angle < 0) & (v.cloud_area_fraction < 0.5) & (surface < 5)
    intensity = np.where(stable, 0.05, np.where(unstable, 0.15, 0.10)).astype(np.float32)
    weaker = np.minimum(surface, later(surface))
    ends = [
        np.maximum(np.maximum(w + gust - weaker, gust), w * (1 + 3 * i))
        for w, i in ((u, intensity), (later(u), later(intensity)))
    ]
    return np.maximum(*ends)


def wet_bulb(v: Values) -> Values:
    t, p = v.air_temperature, v.surface_air_pressure
    e = vapour(t - v.dew_point_spread)
    ratio = 0.622 * e / (p - e)
    wet = t
    for _ in range(4):
        at = vapour(wet)
        saturated = 0.622 * at / (p - at)
        latent = 2.501e6 - 2370.0 * (wet - 273.15)
        slope = 4302.6 / (wet - 29.65) ** 2 * saturated
        wet = wet + (1005 * (t - wet) - latent * (saturated - ratio)) / (1005 + latent * slope)
    return wet


def cloud_base(v: Values) -> Values:
    td = v.air_temperature - v.dew_point_spread
    level = 1 / (1 / (td - 56) + np.log(v.air_temperature / td) / 800) + 56
    return np.where(np.isnan(v.ceiling_height), 102.5 * (v.air_temperature - level),
                    v.ceiling_height)  # fmt: skip


def before(a: Values, hours: int, find: Callable[..., Values]) -> Values:
    found = a
    for back in range(1, hours + 1):
        found = find(found, np.concatenate([np.repeat(a[:1], back, axis=0), a])[: len(a)])
    return found


def fog(v: Values) -> Values:
    night = before(v.solar_elevation_angle <= -0.83, 3, np.logical_or)
    clear = ~before(v.low_type_cloud_area_fraction >= 0.3, 6, np.logical_or)
    light = (v.wind_speed >= 0.3) & (v.wind_speed <= 2.5)
    spread, td = v.dew_point_spread, v.air_temperature - v.dew_point_spread
    fell = before(np.concatenate([spread[:1], spread[:-1]]) - spread > 1, 16, np.logical_or)
    crossed = before(v.air_temperature, 16, np.minimum) <= before(td, 24, np.minimum) - 1.7
    rain = before(v.precipitation >= 0.1, 24, np.logical_or)
    points = night.astype(np.float32) + clear + light + (fell | crossed) + rain
    points = points + (spread <= 1) + (spread <= 2) + 1
    return np.where(spread > 3, 0, points)


def sight(v: Values, at: Callable[[Values], Values]) -> Values:
    t, spread = at(v.air_temperature), at(v.dew_point_spread)
    humid = vapour(t - spread) / vapour(t) > 0.8
    smoke = (0.012 + 0.0045 * at(v.pm2p5)) * np.where(humid, 2, 1)
    rate = v.precipitation
    rain = 2.24 * (0.072 * rate**0.88) ** 0.75
    snow = (10 - 4 * np.clip(t - 271.15, 0, 1)) * rate / 3.6
    fallen = np.where(at(v.categorical_snow) > 0, snow, rain)
    return np.minimum(at(v.visibility_in_air), 3000 / (fallen + smoke))


def ice(v: Values, at: Callable[[Values], Values]) -> Values:
    t, wet = at(v.air_temperature), at(v.wet_bulb_temperature)
    humidity = vapour(t - at(v.dew_point_spread)) / vapour(t)
    moist = (v.visibility < 1500) & (humidity >= 0.97) | (at(v.cloud_base_height) <= HEIGHT + 60)
    wet_fall = (v.precipitation >= 0.05) & ((t >= 270.15) | (at(v.categorical_rain) > 0))
    frozen = wet_fall & (wet - 0.39 <= 273.65) | moist & (t - 0.39 <= 275.15)
    return frozen & (t >= 253.15) | (at(v.categorical_freezing_rain) > 0)


def chance(*signs: Values) -> Values:
    none = np.float32(1)
    for sign in signs:
        none = none * (1 - sign)
    return 1 - none


def wetness(a: Values, wet: float = 0.1) -> Values:
    return np.clip(a / wet, 0, 1)


def beside(a: Values) -> Values:
    return np.maximum(np.concatenate([a[:1], a[:-1]]), later(a))


def rain_chance(v: Values) -> Values:
    rate, share = v.lwe_precipitation_rate, v.precipitation_neighbourhood_fraction
    a = np.maximum(v.precipitation, np.maximum(rate, later(rate)))
    return chance(0.03, 0.6 * wetness(a), 0.5 * wetness(a, 1.0), 0.2 * wetness(beside(a)),
                  0.8 * share, 0.25 * beside(share))  # fmt: skip


def near_chance(here: Values, around: Values, wet: float) -> Values:
    most = np.maximum(here, around)
    return chance(0.03, 0.75 * wetness(most, wet), 0.35 * wetness(beside(most), wet))


def thunder(v: Values) -> Values:
    cape = v.convective_available_potential_energy
    steps = np.array([0.02, 0.1, 0.25, 0.4, 0.5], np.float32)
    found = steps[np.searchsorted([50, 150, 400, 800], np.maximum(cape, later(cape)), "right")]
    trigger = near_chance(v.lwe_thickness_of_convective_precipitation_amount,
                          v.precipitation_neighbourhood_maximum, 0.5)  # fmt: skip
    return np.where(v.lightning > 0, np.maximum(trigger * found, 0.5), trigger * found)


def heat(v: Values) -> Values:
    t, spread = v.air_temperature, v.dew_point_spread
    r = 100 * vapour(t - spread) / vapour(t)
    f = (t - 273.15) * 1.8 + 32
    simple = 0.5 * (f + 61 + 1.2 * (f - 68) + 0.094 * r)
    full = (-42.379 + 2.049 * f + 10.143 * r - 0.2248 * f * r - 6.838e-3 * f * f - 0.05482 * r * r
            + 1.229e-3 * f * f * r + 8.528e-4 * f * r * r - 1.99e-6 * f * f * r * r)  # fmt: skip
    dry = -(13 - r) / 4 * np.sqrt(np.maximum(17 - np.abs(f - 95), 0) / 17)
    humid = (r - 85) / 10 * (87 - f) / 5
    full = full + np.where(r < 13, dry, np.where(r > 85, humid, 0))
    return np.where(f < 80, t, (np.where(simple < 80, simple, full) - 32) / 1.8 + 273.15)


def chill(v: Values) -> Values:
    c, p = v.air_temperature - 273.15, (3.6 * v.wind_speed) ** 0.16
    index = 286.27 + 0.6215 * c - 11.37 * p + 0.3965 * c * p
    return np.where((c > 10) | (v.wind_speed <= 1.34), v.air_temperature, index)


def quarters(v: Values, count: int) -> Values:
    """The sine of the sun's elevation each quarter, which both twilights look at."""
    return [np.sin(np.radians(v.solar_elevation_angle)) + 0.01 * k for k in range(count)]


def raws(v: Values, shared: Mapping[str, Any]) -> dict[str, Callable[[], Values]]:
    """The raw formula of each recipe on a map; recipes without an array have none."""
    z, uz, wz = raw_column(v)
    u, w = v.eastward_wind[:, 0], v.northward_wind[:, 0]
    read = shared["wind at flight height"][0]
    kind = v.wind_speed.dtype
    ut, vt, st = (a.astype(kind) for a in (read.eastward, read.northward, read.speed))
    time_axis = v.time[:, None, None]
    lat, lon = v.latitude, v.longitude
    flown = v.wind_speed_at_flight_height
    temperature, spread = v.air_temperature, v.dew_point_spread
    factor = 1.3

    def glare(elevation: Values, aside: Values) -> Values:
        es, a = np.radians(elevation), np.radians(aside)
        ed = np.clip(np.arctan2(np.sin(es), np.cos(es) * np.cos(a)), 0, np.pi / 4)
        cosine = np.sin(es) * np.sin(ed) + np.cos(es) * np.cos(ed) * np.cos(a)
        return np.where(elevation < -0.83, 180, np.degrees(np.arccos(np.clip(cosine, -1, 1))))

    def glare_width(elevation: Values) -> Values:
        es = np.radians(elevation)
        ed = np.arcsin(np.clip(np.sin(es) / 0.9063, 0, 0.7071))
        cosine = (0.9063 - np.sin(es) * np.sin(ed)) / (np.cos(es) * np.cos(ed))
        return np.where(elevation < -0.83, 0, np.degrees(np.arccos(np.clip(cosine, -1, 1))))

    def richardson() -> Values:
        warm = v.air_temperature_at_heights[:, 2]
        du = np.hypot(v.eastward_wind[:, 2] - u, v.northward_wind[:, 2] - w)
        lapse = (warm - temperature) / 98 + 0.0098
        return np.clip(9.81 * 2 / (warm + temperature) * lapse / (du / 90) ** 2, -1e6, 1e6)

    def density() -> Values:
        p = v.surface_air_pressure * np.exp(-9.81 * 20 / (287.05 * temperature))
        return (p - 0.378 * vapour(temperature - spread)) / (287.05 * temperature)

    def model_gust() -> Values:
        g = v.wind_speed_of_gust
        estimate = v.wind_speed * (1 + 3 / np.log(10 / v.surface_roughness_length))
        g = np.where(np.isnan(g), estimate, g)
        return np.maximum(np.maximum(np.maximum(g, later(g)), v.wind_speed_maximum),
                          np.maximum(v.wind_speed, later(v.wind_speed)))  # fmt: skip

    def spread_raw() -> Values:
        return gust_carried(v, "wind_speed_at_flight_height") - flown

    def breeze() -> Values:
        d, s = v.wind_from_direction, v.wind_speed
        turns = (angle(d, later(d)) >= 30) | (s < 1)
        return turns & (later(s) - s >= 1) & (later(v.solar_elevation_angle) > 10)

    def dew() -> Values:
        clear = (v.wind_speed < 2) & (v.cloud_area_fraction < 0.4)
        return (spread < 3) & (v.solar_elevation_angle < 10) & clear

    def spread_of() -> Values:
        humidity = np.log(v.relative_humidity * vapour(temperature) / 611.2)
        other = 243.5 * humidity / (17.67 - humidity) + 273.15
        td = np.where(np.isnan(v.dew_point_temperature), other, v.dew_point_temperature)
        return np.maximum(temperature - td, 0)

    def step() -> Values:
        a = np.hypot(ut - factor * u, vt - factor * w)
        b = np.hypot(ut - 0.3 * u, vt - 0.3 * w)
        return np.maximum(np.maximum(a, b), st - 0.3 * np.hypot(u, w))

    def scintillation() -> Values:
        evening = (v.hour[:, None, None] + lon / 15) % 24 >= 19
        return evening & (np.abs(v.geomagnetic_latitude) < 20)

    def storm() -> Values:
        found = np.where(v.planetary_k_index >= 4.5, 0.47, 0.076)
        return np.where(np.isnan(v.planetary_k_index), 0.11, found)

    return {
        "solar_elevation_angle": lambda: sun.solar_elevation(time_axis, lat, lon),
        "solar_azimuth_angle": lambda: sun.solar_position(time_axis, lat, lon)[1],
        "civil_twilight": lambda: np.minimum.reduce(quarters(v, 5)) >= -0.1,
        "fixed_twilight": lambda: np.minimum.reduce(quarters(v, 9)) >= -0.1,
        "glare_angle": lambda: glare(v.solar_elevation_angle, v.solar_azimuth_angle - 120),
        "glare_half_width": lambda: glare_width(v.solar_elevation_angle),
        "equatorial_scintillation": scintillation,
        "geomagnetic_storm_probability": storm,
        "terrain_difference": lambda: np.abs(150 - v.surface_altitude),
        "wind_speed": lambda: np.sqrt(u * u + w * w),
        "wind_from_direction": lambda: direction(u, w),
        "wind_speed_at_flight_height": lambda: st * factor,
        "wind_from_direction_at_flight_height": lambda: direction(ut, vt),
        "wind_speed_layer_maximum": lambda: np.maximum(
            np.where(z < HEIGHT + 50, np.hypot(uz, wz) * (1 + np.exp(-z / 80)), 0).max(axis=1),
            flown),
        "launch_wind_speed": lambda: v.wind_speed * factor,
        "wind_step": step,
        "low_level_jet": lambda: jet(v, z, np.hypot(uz, wz)),
        "wind_direction_swing": lambda: swing(v),
        "sea_breeze_onset": breeze,
        "beaufort": lambda: np.searchsorted(
            np.array([0.3, 1.6, 3.4, 5.5, 8, 10.8, 13.9, 17.2, 20.8, 24.5, 28.5, 32.7], np.float32),
            v.wind_speed, "right").astype(np.float32),
        "gust": model_gust,
        "gust_at_flight_height": lambda: gust_carried(v, "wind_speed_at_flight_height"),
        "gust_layer_maximum": lambda: gust_carried(v, "wind_speed_layer_maximum"),
        "gust_spread": spread_raw,
        "convective_velocity_scale": lambda: thermals(v),
        "bulk_richardson_number": richardson,
        "dew_point_spread": spread_of,
        "wet_bulb_temperature": lambda: wet_bulb(v),
        "cloud_base_height": lambda: cloud_base(v),
        "ceiling_clearance": lambda: v.cloud_base_height - HEIGHT,
        "dew_on_surfaces": dew,
        "condensation_on_aircraft": lambda: temperature - spread > 292.15,
        "fog_points": lambda: fog(v),
        "visibility": lambda: np.minimum(sight(v, lambda a: a), sight(v, later)),
        "detection_line_of_sight": lambda: 0.3 * v.visibility,
        "visual_range": lambda: np.minimum(164, 0.3 * v.visibility),
        "visual_radius": lambda: np.sqrt(np.maximum(v.visual_range**2 - HEIGHT**2, 0)),
        "icing": lambda: ice(v, lambda a: a) | ice(v, later),
        "precipitation": lambda: np.where(
            np.isnan(v.lwe_thickness_of_precipitation_amount),
            np.maximum(v.lwe_precipitation_rate, later(v.lwe_precipitation_rate)),
            v.lwe_thickness_of_precipitation_amount),
        "precipitation_probability": lambda: rain_chance(v),
        "precipitation_nearby_probability": lambda: np.maximum(near_chance(
            v.precipitation, v.precipitation_neighbourhood_maximum, 0.1),
            v.precipitation_probability),
        "thunder_probability": lambda: thunder(v),
        "air_density": density,
        "density_altitude": lambda: 44330.8 * (1 - (v.air_density / 1.225) ** 0.234969),
        "hover_power_factor": lambda: (1.225 / v.air_density) ** 0.5,
        "battery_factor": lambda: np.interp(
            temperature, [233.15, 253.15, 263.15, 273.15, 283.15, 298.15],
            [0.05, 0.5, 0.7, 0.85, 0.95, 1]),
        "airspeed_margin": lambda: 13 - flown,
        "airspeed_to_gust_ratio": lambda: np.minimum(13 / v.gust_at_flight_height, 1000),
        "wind_power_factor": lambda: (1 + 0.01 * np.maximum(flown - 4, 0) ** 2) * np.where(
            v.gust_spread > 4, 1.05, 1),
        "usable_flight_time": lambda: 2100 * v.battery_factor / (
            v.hover_power_factor * v.wind_power_factor),
        "return_ground_speed": lambda: np.maximum(13 - flown, 0),
        "return_ground_speed_slow": lambda: np.maximum(8 - flown, 0),
        "reach": lambda: np.maximum(v.usable_flight_time * (169 - flown**2) / 26, 0),
        "reach_slow": lambda: np.maximum(v.usable_flight_time * (64 - flown**2) / 16, 0),
        "drift_distance": lambda: flown * (HEIGHT / 3),
        "drift_sector_start": lambda: (v.wind_from_direction_at_flight_height + 150) % 360,
        "drift_sector_end": lambda: (v.wind_from_direction_at_flight_height + 210) % 360,
        "wind_chill": lambda: chill(v),
        "heat_index": lambda: heat(v),
    }  # fmt: skip


# ---------------------------------------------------------------------- the run


@np.errstate(all="ignore")
def timed(*, small: bool = False) -> list[Recipe]:
    """Time every recipe against its raw formula; the slowest ratio last."""
    hours, cells, times = (6, 12, 1) if small else (49, 300, 3)
    site = replace(
        SITE,
        latitude=np.linspace(45.0, 60.0, cells)[:, None],
        longitude=np.linspace(-10.0, 10.0, cells)[None, :],
    )
    asked = forecast(weather(hours, (cells, cells)), hours)
    fields: dict[str, Field] = dict(asked.fields)
    shared: dict[str, Any] = {}
    inputs = Inputs(asked.time, fields, site, CRAFT, HEIGHT, shared)
    made = []
    for recipe in recipes():
        field = recipe.make(inputs)
        assert field is not None, recipe.name
        fields[recipe.name] = field
        made.append(recipe)
    v = SimpleNamespace(
        **{name: field.values for name, field in fields.items()}, time=asked.time,
        latitude=site.latitude, longitude=site.longitude,
        hour=(asked.time - asked.time.astype("datetime64[D]")) / np.timedelta64(3600, "s"),
    )  # fmt: skip
    wide = SimpleNamespace(**{
        name: a.astype(float) if getattr(a, "dtype", None) == np.float32 else a
        for name, a in vars(v).items()
    })  # fmt: skip
    against, in_double = raws(v, shared), raws(wide, shared)
    against.update({name: in_double[name] for name in IN_DOUBLE})
    constant = {r.name for r in made if fields[r.name].values.ndim == 0}
    lacking = {r.name for r in made} - set(against) - constant - {"geomagnetic_latitude"}
    assert not lacking, f"no raw formula for {sorted(lacking)}"

    def whole_column() -> object:
        return column.column_of(replace(inputs, shared={}))

    def read() -> object:
        stacked = {"wind column": shared["wind column"]}
        return wind._at_flight_height(replace(inputs, shared=stacked))

    both = {
        "(wind column, made once)": (whole_column, lambda: raw_column(wide)),
        "(wind at flight height, made once)": (read, lambda: raw_read(wide)),
        **{
            recipe.name: (lambda recipe=recipe: recipe.make(inputs), against[recipe.name])
            for recipe in made if recipe.name in against
        },
    }  # fmt: skip
    found = [Recipe(name, *in_turn(times, *acts)) for name, acts in both.items()]
    return sorted(found, key=lambda recipe: recipe.ratio)


def rows(*, small: bool = False) -> Iterator[Row]:
    """All recipes together, and the three that are the furthest from their formula."""
    found = timed(small=small)
    recipe, raw = sum(r.recipe for r in found), sum(r.raw for r in found)
    worst = ", ".join(f"{r.name} {r.ratio:.1f}" for r in found[-3:])
    yield Row(f"all {len(found)} recipes on {'6 x 12 x 12' if small else '49 x 300 x 300'}",
              recipe / raw, "the raw formulas in the same precision", recipe, worst)  # fmt: skip


if __name__ == "__main__":
    if "--each" in sys.argv:
        print(f"{'recipe':40} {'recipe':>9} {'raw':>9} {'ratio':>7}; ms; * more than {TARGET:g}")
        print(*timed(small="--small" in sys.argv), sep="\n")
    else:
        tell(rows(small="--small" in sys.argv))
