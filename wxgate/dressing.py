"""Many possible weathers out of one forecast: its quantities with errors of the stated size.

The draw is seeded by the site and the run, and laid on hours counted from the day of the run:
asking again later gives the same weathers. What happens or does not (rain, thunder) is drawn by a
hidden standard normal value with the same tie from hour to hour: a weather has rain where its
value is among the wettest share that the forecast's probability tells, so that a wet hour is
mostly followed by another, and a dry session is no product of dry hours. Icing, fog and the line of
sight are made anew by their own recipes, from each weather's temperature, dew point and visibility.

The file is long because all quantities of one weather are made in one pass, each of those before.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from wxgate.chancepolicy import Policy
from wxgate.errormodel import (
    FLIGHT_WIND,
    Channel,
    Errors,
    draw,
    run_of,
    seed_of,
    share_below,
    truncated,
    unit_at,
    wind_error,
)
from wxgate.forecast import Array, Field, Forecast
from wxgate.members import has_members
from wxgate.profiles import Aircraft, Site
from wxgate.quantities import NO_CEILING, Kind

WIND = ("wind_speed", FLIGHT_WIND, "wind_speed_layer_maximum", "launch_wind_speed")
_GUST, _LAYER_GUST = "gust_at_flight_height", "gust_layer_maximum"
#: Each gust with the wind that it is never below.
GUSTS: Mapping[str, str] = {
    "gust": "wind_speed", _GUST: FLIGHT_WIND, _LAYER_GUST: "wind_speed_layer_maximum",
}  # fmt: skip
#: What is made anew of the dressed quantities, in the order of their needs.
REMADE = ("fog_points", "icing", "visual_range", "visual_radius")
#: No run reaches further; an older one must not make a draw without end.
LONGEST_DRAW = np.timedelta64(16 * 24 * 3600, "s")
_WET = 0.1  # mm in the hour
_FASTEST_RATIO, _LEAST_MARGIN = 1000, -150  # of airspeed to gust; m/s of airspeed left


@dataclass(frozen=True, slots=True)
class Case:
    """What a forecast was derived for; the flight height in m above ground."""

    site: Site
    aircraft: Aircraft
    height: float


def dress(
    forecast: Forecast,
    case: Case,
    policy: Policy,
    *,
    members: int,
    names: frozenset[str] | None = None,
    seed: str = "",
    since: np.datetime64 | None = None,
    representative_only: bool = False,
) -> Forecast:
    """A derived forecast with ``members`` weathers as the last dimension of what rules read.

    ``names``: the quantities that are read; None: all. ``seed`` tells several forecasts of one
    place apart; ``since`` is the oldest run among those that share a draw. The errors are the same
    whatever their size, so that a larger one never turns a weather's side.

    ``representative_only``: the forecast has members already (as many), which differ by what the
    atmosphere may do; their winds get what one field differs from a grid cell.
    """
    run = run_of(forecast) if since is None else since
    origin = _first_drawn(run, forecast.time[0])
    site = case.site
    number = seed_of(site.id, site.latitude, site.longitude, str(origin if run is None else run),
                     seed)  # fmt: skip
    rho = policy.number("members", "hourly_correlation")
    errors = draw(forecast.time, origin, number, members, rho)
    if representative_only:
        s = np.full(forecast.time.shape, policy.number("wind", "representativeness"), np.float32)
    else:
        s = wind_error(forecast, site, policy, case.height)
    made = _winds(forecast, s[:, None], errors, policy)
    made |= _made_of_wind(forecast, made, case)
    if not representative_only:
        made |= _air(forecast, errors, policy)
        made |= _happening(forecast, errors, policy)
        made |= _remade(forecast, made, case, names)
    kept = {n: f for n, f in made.items() if names is None or n in names}
    grid = {"dims": ("member",), "coords": {"member": ("member", np.arange(members))}}
    wide = forecast.with_fields(kept)
    return replace(wide, attributes={**wide.attributes, "grid": grid})


def _first_drawn(run: np.datetime64 | None, start: np.datetime64) -> np.datetime64:
    """The day from which errors are drawn: the run's, or that of ``start`` far behind the run."""
    old = run is None or start - run > LONGEST_DRAW
    first = start if run is None or old else min(run, start)
    day: np.datetime64 = first.astype("datetime64[D]").astype("datetime64[s]")
    return day


def _wide(field: Field) -> Array:
    """Values with a member dimension, of one where there is none."""
    return field.values if has_members(field) else field.values[..., None]


def _made(field: Field, values: Array) -> Field:
    origin = field.origin
    if origin is not None and origin.ndim == 1:
        origin = origin[:, None]
    return replace(field, values=np.asarray(values, np.float32), origin=origin)


def _varies(forecast: Forecast, name: str) -> Field | None:
    found = forecast.get(name)
    return None if found is None or found.kind is Kind.CONSTANT else found


# ---------------------------------------------------------------------- wind


def _winds(forecast: Forecast, s: Array, errors: Errors, policy: Policy) -> dict[str, Field]:
    made = {}
    for name in WIND:
        found = _varies(forecast, name)
        if found is not None:
            made[name] = _made(found, truncated(_wide(found), s, errors.of(Channel.WIND)))
    rho = policy.number("wind", "gust_correlation")
    unit = rho * errors.of(Channel.WIND) + math.sqrt(1 - rho**2) * errors.of(Channel.GUST)
    gust_s = s * np.float32(policy.number("wind", "gust_factor"))
    for name, wind in GUSTS.items():
        found = _varies(forecast, name)
        if found is not None:
            values = truncated(_wide(found), gust_s, unit)
            if wind in made:
                values = np.maximum(values, made[wind].values)  # a missing wind tells of no gust
            if name == _LAYER_GUST and _GUST in made:
                values = np.where(np.isnan(values), values, np.fmax(values, made[_GUST].values))
            made[name] = _made(found, values)
    return made


def _made_of_wind(
    forecast: Forecast, made: Mapping[str, Field], case: Case
) -> dict[str, Field]:  # fmt: skip
    """What is made of wind and gust alone, from the dressed ones; missing where it was before."""
    wind, gust, airspeed = made.get(FLIGHT_WIND), made.get(_GUST), case.aircraft.airspeed
    surface, step = made.get("wind_speed"), _varies(forecast, "wind_step")
    after: dict[str, Array] = {}
    if wind is not None:
        after["airspeed_margin"] = airspeed - wind.values
        if gust is not None:
            after["gust_spread"] = gust.values - wind.values
        if surface is not None and step is not None:
            below = _beside_the_step(case.site)
            along = wind.values - below * surface.values
            before = [_wide(forecast.fields[n]) for n in (FLIGHT_WIND, "wind_speed")]
            # The turn of the wind is in the step that was derived; what its errors change is added.
            changed = _wide(step) + along - (before[0] - below * before[1])
            after["wind_step"] = np.maximum(np.abs(along), changed)
    if gust is not None:
        with np.errstate(divide="ignore", invalid="ignore"):
            after["airspeed_to_gust_ratio"] = np.minimum(airspeed / gust.values, _FASTEST_RATIO)
    return {
        name: _made(found, np.where(np.isnan(_wide(found)), np.float32(np.nan),
                                    np.maximum(values, _LEAST_MARGIN)))
        for name, values in after.items() if (found := _varies(forecast, name)) is not None
    }  # fmt: skip


def _beside_the_step(site: Site) -> np.float32:
    """The share of the 10 m wind that is left at launch where the recipe of the step looks at it.

    Behind a wall too: nobody may count on that calm, but the step is there.
    """
    from wxgate.derive.figures import derivation
    from wxgate.derive.terrain import hill_speedup, shelter_factor
    from wxgate.derive.wind import LAUNCH_HEIGHT, REFERENCE_HEIGHT

    left = shelter_factor(LAUNCH_HEIGHT, site.shelter, figures=derivation().terrain)
    return np.float32(hill_speedup(REFERENCE_HEIGHT, site.hill) * left)


# ---------------------------------------------------------------------- air


def _air(forecast: Forecast, errors: Errors, policy: Policy) -> dict[str, Field]:
    """Temperature, moisture, visibility, ceiling and K index with their errors."""

    def p(key: str) -> float:
        return policy.number("other", key)

    warm = p("temperature") * errors.of(Channel.TEMPERATURE)
    rho = p("dew_point_correlation")
    apart = math.sqrt(1 - rho**2) * errors.of(Channel.DEW_POINT)
    moist = p("dew_point") * (rho * errors.of(Channel.TEMPERATURE) + apart)
    factor = np.exp(math.log(p("visibility_factor")) * errors.of(Channel.SIGHT))
    storm = p("k_index") * errors.of(Channel.K_INDEX)
    changed: Mapping[str, Callable[[Array], Array]] = {
        "air_temperature": lambda v: v + warm,
        "wind_chill": lambda v: v + warm,
        "heat_index": lambda v: v + warm,
        "dew_point_temperature": lambda v: v + moist,
        "dew_point_spread": lambda v: np.maximum(v + warm - moist, 0),
        # Between the two: a drop is cooled half by the air and half by its dryness.
        "wet_bulb_temperature": lambda v: v + (warm + moist) / 2,
        "visibility": lambda v: np.minimum(v * factor, 300_000),
        "visibility_in_air": lambda v: np.minimum(v * factor, 300_000),
        "ceiling_clearance": lambda v: _ceiling(v, p("ceiling") * errors.of(Channel.SIGHT)),
        "planetary_k_index": lambda v: np.clip(v + storm, 0, 9),
    }
    return {
        name: _made(found, change(_wide(found)))
        for name, change in changed.items() if (found := _varies(forecast, name)) is not None
    }  # fmt: skip


def _ceiling(values: Array, error: Array) -> Array:
    """Clearances (m) with an error; no ceiling is no height that could be wrong."""
    moved = np.maximum(values + error, -1000)
    return np.where(values > NO_CEILING - 1500, values, moved)


def _remade(
    forecast: Forecast, made: Mapping[str, Field], case: Case, names: frozenset[str] | None
) -> dict[str, Field]:
    """Icing, fog and line of sight by their recipes, where they were there before."""
    wanted = [n for n in REMADE if _varies(forecast, n) is not None]
    if names is not None:
        wanted = [n for n in wanted if n in names or n == "visual_range"]
    if not wanted:
        return {}
    from wxgate.derive import fog, icing, visibility
    from wxgate.derive.recipe import Inputs

    recipes = {r.name: r for r in (*fog.RECIPES, *icing.RECIPES, *visibility.RECIPES)}
    fields = {n: f if has_members(f) or f.kind is Kind.CONSTANT or f.levels is not None
              else _made(f, _wide(f)) for n, f in {**forecast.fields, **made}.items()}  # fmt: skip
    after: dict[str, Field] = {}
    for name in wanted:
        recipe = recipes[name]
        if all(need in fields for need in recipe.needs):
            found = recipe.make(
                Inputs(forecast.time, fields, case.site, case.aircraft, case.height)
            )
            if found is not None:
                before = _wide(forecast.fields[name])
                after[name] = found.with_values(np.where(np.isnan(before), before, found.values))
                fields[name] = after[name]
    return after


# ---------------------------------------------------------------------- what happens or does not


def _happening(forecast: Forecast, errors: Errors, policy: Policy) -> dict[str, Field]:
    """Rain and thunder, each there or not in a weather, by the probability that was derived.

    A probability is 1 in the weathers in which it comes true and 0 in the others.
    """
    made: dict[str, Field] = {}
    rain, thunder = (1 - share_below(errors.of(c)) for c in (Channel.RAIN, Channel.THUNDER))
    floor = policy.number("other", "rain_floor")
    for name, rank, rest in (
        ("precipitation_probability", rain, floor),
        ("precipitation_nearby_probability", rain, floor),
        ("thunder_probability", thunder, 0.0),
    ):
        found = _varies(forecast, name)
        if found is not None:
            share = _above_floor(_wide(found), rest)
            made[name] = _made(found, np.where(np.isnan(share), share, rank < share))
    amount = _varies(forecast, "precipitation")
    if amount is not None:
        chance = _varies(forecast, "precipitation_probability")
        factor = policy.number("other", "rain_factor")
        told = None if chance is None else _above_floor(_wide(chance), floor)
        made["precipitation"] = _made(amount, _amounts(forecast, amount, told, rain, factor))
    return made


def _above_floor(share: Array, floor: float) -> Array:
    """What signs alone tell, of a probability that is never below ``floor``: 0 there."""
    signs: Array = np.maximum(1 - (1 - share) / (1 - floor), 0)
    return signs


def _amounts(
    forecast: Forecast, here: Field, share: Array | None, rank: Array, factor: float
) -> Array:
    """Precipitation (mm) of each weather: none, or about what falls here, at least a wet hour's.

    Of the weathers that are wet the wettest (the least ``rank``) have most. Without a probability
    all weathers have what falls here, times or divided by the factor.
    """
    amount = _wide(here)
    if share is None:
        every: Array = amount * np.exp(-math.log(factor) * unit_at(rank))
        return every
    most = _varies(forecast, "precipitation_neighbourhood_maximum")
    around = amount if most is None else np.fmax(amount, _wide(most) / 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        among = np.clip(rank / share, 1e-6, 1 - 1e-6)
    falls = np.fmax(around, _WET) * np.exp(-math.log(factor) * unit_at(among))
    wet = np.where(rank < share, np.fmax(falls, _WET), np.float32(0))
    # Where the chance is missing a rule says so; the amount is then left as it is.
    return np.where(np.isnan(share) | np.isnan(amount), amount, wet)
