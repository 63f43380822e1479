"""The policy figures of derived quantities, as records that recipes hand to their functions.

The numbers with their reasons stand in ``rules/derivation.yaml``; here are their names and units.
A field ``widest_spread`` of the group ``fog`` is the figure ``derive-fog-widest-spread``.

The file is long because it is a table: each figure has its line, and nearly nothing is computed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, fields
from functools import cache
from typing import Annotated, Any, get_args, get_type_hints

from wxgate.errors import RulebookError
from wxgate.figures import DERIVATION, Figures, shipped

_NAMED = re.compile(r"{([a-z0-9-]+)}")


@dataclass(frozen=True, slots=True)
class As:
    """The unit in which a figure is held; its name, where the group does not make it."""

    units: str
    difference: bool = False
    name: str = ""


Share = Annotated[float, As("1")]
Points = Annotated[float, As("points")]
Kelvins = Annotated[float, As("K", difference=True)]
Temperature = Annotated[float, As("K")]
Heights = Annotated[float, As("heights")]
Metres = Annotated[float, As("m")]
Speed = Annotated[float, As("m s-1")]
Degrees = Annotated[float, As("degree")]
Hours = Annotated[float, As("h")]
Millimetres = Annotated[float, As("mm")]


@dataclass(frozen=True, slots=True)
class Fog:
    """Ingredients of radiation fog."""

    likely: Points
    widest_spread: Kelvins
    moderate_spread: Kelvins
    narrow_spread: Kelvins
    model_shows: Metres
    model_clear: Metres
    nearly_saturated: Kelvins
    clear_sky: Share
    clear_for: Hours
    lightest_wind: Speed
    strongest_wind: Speed
    fall_of_spread: Kelvins
    evening_sun: Degrees
    crossover: Kelvins
    after_sunrise: Hours
    night: Hours
    day: Hours
    noon_sun: Annotated[tuple[float, ...], As("degree")]
    clearing: Annotated[tuple[float, ...], As("h")]


@dataclass(frozen=True, slots=True)
class Rain:
    """Signs of a wet hour, and what falls."""

    wet_hour: Millimetres
    heavy_hour: Millimetres
    snow_wet_bulb: Temperature
    here_now: Share
    here_heavy: Share
    here_beside: Share
    around_now: Share
    around_beside: Share
    nearby_now: Share
    nearby_beside: Share
    looks_here: Points
    looks_around: Points


@dataclass(frozen=True, slots=True)
class Thunder:
    """Triggers and steps of CAPE."""

    convective_hour: Millimetres
    cape_bounds: Annotated[tuple[float, ...], As("J kg-1")]
    chances: Annotated[tuple[float, ...], As("1")]
    lightning_chance: Share


@dataclass(frozen=True, slots=True)
class Icing:
    """Temperatures and moisture at which ice forms on a small multirotor."""

    warmest_drop: Temperature
    warmest_fog: Temperature
    coldest: Temperature
    dry_snow: Temperature
    fog_visibility: Metres
    fog_humidity: Share
    cloud_margin: Metres
    trace: Millimetres


@dataclass(frozen=True, slots=True)
class Gust:
    """What gusts are counted with where the model tells too little."""

    roughness: Metres
    sunny_excess: Speed
    thermal_sun: Degrees
    thermal_cloud: Share
    least_stable: Share
    least_neutral: Share
    least_unstable: Share
    fading: Share


@dataclass(frozen=True, slots=True)
class Thermals:
    """What stands for a heat flux that the model does not give."""

    heat_share: Share
    depth: Metres
    lowest_top: Metres
    highest_top: Metres


@dataclass(frozen=True, slots=True)
class Terrain:
    """How far the lee of a hill reaches, and of a belt of trees or a wall; in their heights."""

    lee_reach: Heights
    shelter_nearest: Heights
    shelter_farthest: Heights
    shelter_top: Heights
    wake_top: Heights
    wake_reach: Heights


@dataclass(frozen=True, slots=True)
class Levels:
    """Which levels of a model count, and how far they reach."""

    lowest_pressure: Metres
    clearance: Metres
    reach: Share
    layer_above: Metres


@dataclass(frozen=True, slots=True)
class Jet:
    """Signs of a low-level jet at night."""

    sun: Degrees
    cloud: Share
    surface_wind: Speed
    step: Speed
    step_top: Metres
    speed: Speed
    top: Metres
    witness: Metres


@dataclass(frozen=True, slots=True)
class Breeze:
    """Signs of a sea breeze that sets in; a wind weaker than ``calm`` has no direction."""

    calm: Speed
    sun: Degrees
    turn: Degrees
    rise: Speed


@dataclass(frozen=True, slots=True)
class Cloud:
    """The sky of fair-weather cumulus."""

    cumulus_sun: Degrees
    cumulus_least: Share
    cumulus_most: Share
    cumulus_spread: Kelvins
    middle_base: Metres


@dataclass(frozen=True, slots=True)
class Dew:
    """What dew needs."""

    spread: Kelvins
    sun: Degrees
    wind: Speed
    cloud: Share


@dataclass(frozen=True, slots=True)
class Mist:
    """An aircraft that comes from indoors."""

    indoors: Temperature
    margin: Kelvins


@dataclass(frozen=True, slots=True)
class Power:
    """What cold and wind take from a battery."""

    battery_temperatures: Annotated[tuple[float, ...], As("K")]
    battery_shares: Annotated[tuple[float, ...], As("1")]
    calm: Speed
    of_wind: Share
    gusty_spread: Speed
    gusty_factor: Share


@dataclass(frozen=True, slots=True)
class Drift:
    """How far the drift swings about downwind."""

    half_width: Annotated[float, As("degree", name="drift-half-width")]


@dataclass(frozen=True, slots=True)
class Sight:
    """What hides in snow and moist air."""

    warmest_snow: Temperature
    snow_fall: Speed
    humid: Share


@dataclass(frozen=True, slots=True)
class Glare:
    """How near to the sun an aircraft is lost."""

    dazzle: Degrees


@dataclass(frozen=True, slots=True)
class Meter:
    """When a hand-held meter raises the forecast, and by how much."""

    largest_raise: Share
    raise_from_ratio: Share
    raise_from_speed: Speed


@dataclass(frozen=True, slots=True)
class SiteHeight:
    """When the air of the model's terrain is moved to the site's height."""

    least_difference: Metres
    warm: Temperature


@dataclass(frozen=True, slots=True)
class Derivation:
    """All figures of derived quantities."""

    fog: Fog
    rain: Rain
    thunder: Thunder
    icing: Icing
    gust: Gust
    thermals: Thermals
    levels: Levels
    terrain: Terrain
    jet: Jet
    breeze: Breeze
    cloud: Cloud
    dew: Dew
    mist: Mist
    power: Power
    drift: Drift
    sight: Sight
    glare: Glare
    meter: Meter
    site: SiteHeight


@cache
def derivation() -> Derivation:
    """The figures that ship, read once; RulebookError for one that lacks, or is one too many."""
    return read_derivation(_shipped())


def with_figures(text: str) -> str:
    """A recipe's words with the figures that they name in braces, as the rules file writes them."""
    figures = _shipped()

    def one(found: re.Match[str]) -> str:
        name = found[1]
        return figures.text(name if name in figures.practice else f"derive-{name}")

    return _NAMED.sub(one, text)


def _shipped() -> Figures:
    return Figures({n: figure for file in DERIVATION for n, figure in shipped(file).items()})


def read_derivation(figures: Figures) -> Derivation:
    """The records of these figures; RulebookError as :func:`derivation`."""
    read: set[str] = set()
    groups = {
        group: _group(group, record, figures, read)
        for group, record in get_type_hints(Derivation).items()
    }
    over = sorted(n for n in figures.practice if n.startswith("derive-") and n not in read)
    if over:
        raise RulebookError(
            f"nothing is made with the figure {over[0]!r}",
            remedy=f"Correct its name, or delete it from rules/{DERIVATION[0]}.",
        )
    return Derivation(**groups)


def _group(group: str, record: Any, figures: Figures, read: set[str]) -> Any:
    hints = get_type_hints(record, include_extras=True)
    values: dict[str, Any] = {}
    for field in fields(record):
        kind, how = get_args(hints[field.name])
        name = how.name or f"derive-{group}-{field.name.replace('_', '-')}"
        row = figures.row(name, how.units, difference=how.difference)
        if kind is float and len(row) != 1:
            raise RulebookError(
                f"the figure {name!r} is a row of {len(row)}", remedy="Write one figure."
            )
        values[field.name] = row[0] if kind is float else row
        read.add(name)
    return record(**values)
