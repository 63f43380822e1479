"""Stop numbers: the readings of a hand-held meter that end the flying.

Every limit that the wind can pass is brought down from flight height to the meter by the neutral
profile over the field's surface. It works one way only: a reading above a stop number ends the
flying; a reading below allows nothing where trees, a lee or stable air part the meter from the
air above (see ``silent``).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

import numpy as np

from wxgate.brief import Brief
from wxgate.daylimits.figures import Figures
from wxgate.daylimits.span import Part, parts_of, worst
from wxgate.derive.figures import derivation
from wxgate.derive.handheld import height_factor, stop_number
from wxgate.derive.surface_layer import maybe_stable
from wxgate.derive.terrain import in_lee
from wxgate.grade import Outcome, grade
from wxgate.profiles import Aircraft, Shelter, Site
from wxgate.rulebook import Rule
from wxgate.verdict import Grade

REFERENCE_HEIGHT = 10.0  #: m, where the forecast's wind "at the ground" holds
#: Belts and walls slow the wind down to so many of their heights behind them
#: (Univ. of Nebraska EC1763, read 2026-11).
SHELTER_REACH = 30.0
#: Roughness (m) of what may cover a field, by words of ``surface`` in a site file (the table of
#: factors in the tests; the classes are those of WMO-No. 8 chapter 5 annex, from memory).
SURFACES = {
    "water": 0.0002, "sand": 0.0002, "beach": 0.0002, "mown": 0.01, "grass": 0.03,
    "meadow": 0.03, "crops": 0.1, "hedges": 0.1, "suburb": 0.3, "bushes": 0.3, "bushy": 0.3,
}  # fmt: skip


class Silent(StrEnum):
    """Why a reading below the stop number allows nothing."""

    SHELTER = "trees or walls shelter the meter"
    LEE = "the meter stands in the lee of a hill"
    STABLE = "the air may be stable: calm below, wind above"


@dataclass(frozen=True, slots=True)
class StopNumbers:
    """Readings at the meter, m/s; None where they cannot be told."""

    meter_height: float  #: m above ground
    flight_height: float  #: m above ground, whose limits these are
    roughness: float  #: m
    mean: float | None  #: a mean above this ends the flying (no-go)
    maximum: float | None  #: so does a maximum above this
    spread: float | None  #: and so does a maximum so far above the mean
    careful_mean: float | None  #: above this the hour is marginal
    careful_maximum: float | None
    expected_mean: float | None  #: what the forecast lets the meter show at most
    stronger_from: float | None  #: above this mean it blows harder than forecast, all day
    silent: tuple[Silent, ...]


def roughness_of(site: Site, figures: Figures) -> float:
    """The roughness (m) of the field: stated, or by the words of its surface, or a figure.

    Of several words that fit the roughest counts: it gives the lower stop number.
    """
    if site.roughness_length is not None:
        return site.roughness_length
    words = set(re.findall(r"[a-z]+", (site.surface or "").lower()))
    if "mown" in words:
        words.discard("grass")
    known = [SURFACES[word] for word in words if word in SURFACES]
    return max(known) if known else figures.value("meter-roughness", "m")


def stop_numbers(brief: Brief, start: datetime, end: datetime, figures: Figures) -> StopNumbers:
    """The stop numbers for the hours of [start, end) at the brief's flight height.

    Without a wind and a gust for every hour there are none: nothing is guessed.
    """
    meter = figures.value("meter-height", "m")
    roughness = roughness_of(brief.site, figures)
    limits = _Lowest()
    heights = {"aloft": max(brief.height, REFERENCE_HEIGHT), "at 10 m": REFERENCE_HEIGHT}
    for outcome in _outcomes(brief, start, end):
        for beyond, limit in outcome.limits.items():
            found = wind_limit(outcome.rule.quantity, float(np.min(limit)), brief.aircraft)
            if found is not None:
                what, where, speed = found
                if where in heights:
                    speed = float(stop_number(speed, heights[where], meter, roughness))
                limits.take(beyond, what, speed)
    known = all(
        worst(brief.forecasts, name, start, end, np.max) is not None
        for name in ("wind_speed", "wind_speed_at_flight_height", "gust_at_flight_height")
    )
    expected = worst(brief.forecasts, "wind_speed", start, end, np.max)
    if expected is not None:
        expected = expected / float(height_factor(REFERENCE_HEIGHT, meter, roughness))
        expected = expected if math.isfinite(expected) else None
    raising = derivation().meter
    return StopNumbers(
        meter_height=meter,
        flight_height=brief.height,
        roughness=roughness,
        mean=limits.get(Grade.NO_GO, "mean") if known else None,
        maximum=limits.get(Grade.NO_GO, "maximum") if known else None,
        spread=limits.get(Grade.NO_GO, "spread") if known else None,
        careful_mean=limits.get(Grade.MARGINAL, "mean") if known else None,
        careful_maximum=limits.get(Grade.MARGINAL, "maximum") if known else None,
        expected_mean=expected,
        stronger_from=None
        if expected is None
        else max(raising.raise_from_ratio * expected, raising.raise_from_speed),
        silent=tuple(_silent(brief, start, end)),
    )


# Quantities of the wind: which reading they limit, and where they hold. The spread of the gusts
# hardly changes with height.
_WINDS = {
    "wind_speed": ("mean", "at 10 m"),
    "wind_speed_maximum": ("mean", "at 10 m"),
    "launch_wind_speed": ("mean", "at 10 m"),
    "wind_speed_at_flight_height": ("mean", "aloft"),
    "wind_speed_layer_maximum": ("mean", "aloft"),
    "gust": ("maximum", "at 10 m"),
    "wind_speed_of_gust": ("maximum", "at 10 m"),
    "gust_at_flight_height": ("maximum", "aloft"),
    "gust_layer_maximum": ("maximum", "aloft"),
    "gust_spread": ("spread", "anywhere"),
}


def wind_limit(quantity: str, limit: float, aircraft: Aircraft) -> tuple[str, str, float] | None:
    """A rule's limit as one of the wind: the reading, where it holds, m/s; None for other rules.

    What asks for airspeed in hand is a limit of the wind too.
    """
    if quantity in _WINDS:
        return (*_WINDS[quantity], limit)
    if quantity == "airspeed_margin":
        return "mean", "aloft", max(aircraft.airspeed - limit, 0.0)
    if quantity == "airspeed_to_gust_ratio" and limit > 0:
        return "maximum", "aloft", aircraft.airspeed / limit
    return None


class _Lowest:
    """The lowest number by grade and reading; a limit of a worse grade counts for all below it."""

    def __init__(self) -> None:
        self.found: dict[tuple[Grade, str], float] = {}

    def take(self, beyond: Grade, what: str, number: float) -> None:
        """Note one limit; one that is NaN stays, so that nothing is told."""
        known = self.found.get((beyond, what), math.inf)
        # min() would drop a NaN, depending on its place.
        lowest = math.nan if math.isnan(number) or math.isnan(known) else min(known, number)
        self.found[(beyond, what)] = lowest

    def get(self, at_least: Grade, what: str) -> float | None:
        """The lowest number beyond which an hour has this grade or a worse one."""
        numbers = [n for (g, w), n in self.found.items() if g >= at_least and w == what]
        lowest = min(numbers) if numbers and not any(map(math.isnan, numbers)) else math.nan
        return lowest if math.isfinite(lowest) else None


def _outcomes(brief: Brief, start: datetime, end: datetime) -> Iterator[Outcome]:
    """The rules that apply to any hour of [start, end), with their limits."""
    for part in parts_of(brief.forecasts, start, end):
        graded = grade(
            part.forecast, brief.rulebook, aircraft=brief.aircraft, skill=brief.pilot.skill,
            height=brief.height, latitude=brief.site.latitude,
        )  # fmt: skip
        inside = part.inside(graded.time)
        for outcome in graded.outcomes:
            if isinstance(outcome.rule, Rule) and bool(np.any(outcome.applies[inside])):
                yield outcome


def shelters(shelter: Shelter | None) -> bool:
    """Whether a meter at the launch place may stand in the shelter that a site states."""
    return shelter is not None and shelter.distance <= SHELTER_REACH * shelter.height


def _silent(brief: Brief, start: datetime, end: datetime) -> Iterator[Silent]:
    if shelters(brief.site.shelter):
        yield Silent.SHELTER
    if in_lee(brief.site.hill, reach=derivation().terrain.lee_reach):
        yield Silent.LEE
    parts = parts_of(brief.forecasts, start, end)
    if not parts or any(_maybe_stable(part) for part in parts):
        yield Silent.STABLE


def _maybe_stable(part: Part) -> bool:
    names = ("solar_elevation_angle", "cloud_area_fraction", "wind_speed")
    values = [part.values(name) for name in names]
    length = max(v.size for v in values)
    # What cannot be laid beside the rest rules nothing out.
    aligned = [v if v.size == length else np.full(length, np.nan) for v in values]
    return bool(np.any(maybe_stable(*aligned)))
