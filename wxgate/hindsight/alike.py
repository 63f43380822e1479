"""The category of an hour by the rules that a station's report can answer.

Forecast and observation go the same way: wind and gust at 10 m stand in for those at flight
height on both sides, and rules about what no station reports (the K index, chances, thermals) are
left out on both sides. So the category is no verdict on flying; it tells how well verdicts of this
kind come true.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from wxgate.forecast import HOUR, Field, Forecast, make_field
from wxgate.grade import grade
from wxgate.profiles import Aircraft, Skill
from wxgate.quantities import NO_CEILING, Kind
from wxgate.rulebook import Rulebook
from wxgate.verdict import Grade
from wxgate.verify.cases import Array

#: Quantities that the 10 m wind, and the 10 m gust, stand in for.
WINDS = ("wind_speed", "wind_speed_at_flight_height", "wind_speed_layer_maximum",
         "launch_wind_speed")  # fmt: skip
GUSTS = ("gust", "gust_at_flight_height", "gust_layer_maximum")
OTHERS = ("gust_spread", "air_temperature", "dew_point_spread", "visibility", "ceiling_clearance",
          "precipitation")  # fmt: skip
#: An amount of an hour that is rain at all, as reports know it (common practice, no source).
RAIN_FROM_MM = 0.1


def answerable(rulebook: Rulebook) -> tuple[Rulebook, tuple[str, ...]]:
    """The rulebook with the rules that a report can answer, and the ids of those left out."""
    known = {*WINDS, *GUSTS, *OTHERS, "precipitation_probability"}
    kept = tuple(r for r in rulebook.rules if r.quantity in known)
    out = tuple(r.id for r in rulebook.rules if r.quantity not in known)
    return replace(rulebook, rules=kept, substitutes=()), out


def categories(
    values: Mapping[str, Array], *, instants: bool, rulebook: Rulebook, aircraft: Aircraft,
    skill: Skill, height: float, latitude: float, start: np.datetime64,
) -> Array:  # fmt: skip
    """The grade (hour, ...) as numbers, by an answerable rulebook; 2 (unknown) where some lack.

    ``values``: wind_speed, gust, visibility, ceiling_height, air_temperature,
    dew_point_temperature, precipitation, each (hour, ...) from ``start`` on, in their own units.
    ``instants``: they hold at the start of each hour, so that its end is the next one's start and
    the last hour is unknown; else they are the worst of the hour.
    """
    hours = len(values["wind_speed"])
    time = start.astype("datetime64[s]") + np.arange(hours) * HOUR
    forecast = Forecast(time, _fields(values, height, instants=instants))
    graded = grade(
        forecast, rulebook, aircraft=aircraft, skill=skill, height=height, latitude=latitude,
        keep_outcomes=False,
    )  # fmt: skip
    found = graded.codes.astype(np.int64)
    # Without a wind there is nothing to be said, whatever the rules forgive.
    blind = ~np.isfinite(values["wind_speed"]) & (found < Grade.UNKNOWN)
    return np.where(blind, int(Grade.UNKNOWN), found)


def _fields(values: Mapping[str, Array], height: float, *, instants: bool) -> dict[str, Field]:
    upward = Kind.POINT if instants else Kind.MAXIMUM
    downward = Kind.POINT if instants else Kind.MINIMUM
    wind, gust = values["wind_speed"], np.fmax(values["gust"], values["wind_speed"])
    gust = np.where(np.isfinite(values["gust"]), gust, np.nan)
    ceiling = values["ceiling_height"]
    clearance = np.where(ceiling >= NO_CEILING, NO_CEILING, ceiling - height)
    rain = values["precipitation"]
    wet = np.where(np.isfinite(rain), (rain >= RAIN_FROM_MM).astype(float), np.nan)
    spread = np.maximum(values["air_temperature"] - values["dew_point_temperature"], 0.0)
    made = {
        **dict.fromkeys(WINDS, (wind, upward)),
        **dict.fromkeys(GUSTS, (gust, upward)),
        "gust_spread": (gust - wind, upward),
        "air_temperature": (values["air_temperature"], upward),
        "dew_point_spread": (spread, downward),
        "visibility": (values["visibility"], downward),
        "ceiling_clearance": (clearance, downward),
        "precipitation": (rain, Kind.SUM),
        "precipitation_probability": (wet, Kind.SUM),
    }
    return {name: make_field(name, array, kind=kind) for name, (array, kind) in made.items()}
