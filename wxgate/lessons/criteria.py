"""What ranks slots of equal room: steadiness, comfort and glare, from derived quantities by name.

Each criterion is a number of bins, small is good. One that cannot be told counts as the worst,
and is named.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from wxgate.brief import Brief
from wxgate.lessons.policy import Policy
from wxgate.lessons.records import WORST, Criteria
from wxgate.lessons.series import Ends, series, swing

WIND = "wind_speed_at_flight_height"
DIRECTION = "wind_from_direction_at_flight_height"
SPREAD = "gust_spread"
CHILL, HEAT, PARTICLES = "wind_chill", "heat_index", "pm2p5"
GLARE, CLOUD = "glare_angle", "cloud_area_fraction"
#: Below this a wind has no direction to speak of, m/s.
_CALM = 1.0
#: Behind so much cloud the sun does not dazzle, as the rule for glare has it.
_OVERCAST = 0.75
_DEGREES, _KELVIN, _BINS = 5.0, 2.0, WORST - 1


@dataclass(frozen=True, slots=True)
class Weather:
    """Quantities by hour; and the share of the limit that the gust spread takes."""

    values: dict[str, dict[int, Ends]]
    spread_share: dict[int, float]

    @classmethod
    def of(cls, brief: Brief) -> Weather:
        """What a brief tells."""
        names = (WIND, DIRECTION, CHILL, HEAT, PARTICLES, GLARE, CLOUD)
        shares = {}
        for verdict in brief.hours:
            margins = [r.margin for r in verdict.reasons if r.quantity == SPREAD]
            told = [m for m in margins if m is not None]
            if told and len(told) == len(margins):
                shares[int(verdict.start.timestamp())] = 1.0 - min(told)
        return cls({name: series(brief, name) for name in names}, shares)

    def over(self, name: str, hours: Iterable[int]) -> list[float]:
        """The values at the ends of these hours in order; NaN for an hour without one."""
        had = self.values[name]
        return [v for h in hours for v in had.get(h, (math.nan, math.nan))]


def criteria_of(weather: Weather, hours: range, policy: Policy) -> tuple[Criteria, tuple[str, ...]]:
    """The criteria of a flying part that overlaps these hours, and what is missing.

    The preference is the student's, and left at 0 here.
    """
    missing: list[str] = []

    def known(name: str, bins: float | None) -> int:
        if bins is None or math.isnan(bins):
            missing.append(name)
            return WORST
        return min(max(math.floor(bins + 1e-6), 0), _BINS)

    steady = _unsteadiness(weather, hours, policy)
    found = Criteria(
        steadiness=known("steadiness", None if steady is None else steady / policy.bin),
        comfort=known("comfort", _discomfort(weather, hours, policy)),
        glare=known("glare", _glare(weather, hours, policy)),
        preference=0,
    )
    return found, tuple(missing)


def _unsteadiness(weather: Weather, hours: range, policy: Policy) -> float | None:
    """Spread as a share of its limit, trend of the mean wind, swing of its direction; summed."""
    shares = [weather.spread_share.get(h, math.nan) for h in hours]
    pairs = [weather.values[WIND].get(h, (math.nan, math.nan)) for h in hours]
    trend = max((abs(b - a) for a, b in pairs), default=math.nan)
    speeds, towards = weather.over(WIND, hours), weather.over(DIRECTION, hours)
    if np.isnan([*shares, *speeds, trend]).any():
        return None
    blowing = [d for d, s in zip(towards, speeds, strict=True) if s >= _CALM]
    if np.isnan(blowing).any():
        return None
    return max(shares) + trend / policy.trend + swing(blowing) / 180.0


def _discomfort(weather: Weather, hours: range, policy: Policy) -> float:
    """Steps beyond what a class bears well: of 2 K of cold or heat, or of 10 ug of dust.

    Dust counts where the forecast tells it at all.
    """
    cold = policy.cold - np.min(weather.over(CHILL, hours))
    heat = np.max(weather.over(HEAT, hours)) - policy.heat
    steps = [0.0, math.ceil(cold / _KELVIN) if not np.isnan(cold) else math.nan,
             math.ceil(heat / _KELVIN) if not np.isnan(heat) else math.nan]  # fmt: skip
    if weather.values[PARTICLES]:
        steps.append((np.max(weather.over(PARTICLES, hours)) - policy.particles) / 10.0)
    return float(np.max(steps))


def _glare(weather: Weather, hours: range, policy: Policy) -> float:
    """Steps of 5 degrees that the sun comes nearer than it may; 0 behind cloud."""
    if all(c >= _OVERCAST for c in weather.over(CLOUD, hours)):
        return 0.0
    nearer = policy.glare - np.min(weather.over(GLARE, hours))
    return math.nan if np.isnan(nearer) else math.ceil(max(nearer, 0.0) / _DEGREES)
