"""The facts of a brief, put together once; every report is a rendering of them."""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from wxgate.chancegrade import with_chances
from wxgate.chancepolicy import Policy
from wxgate.chances import Chances
from wxgate.derive.needs import named_by
from wxgate.errors import ContractError
from wxgate.forecast import Forecast, Provenance, to_datetime64
from wxgate.grade import grade, with_age
from wxgate.learnedbias import Bias
from wxgate.members import members_of, middle_of
from wxgate.profiles import Aircraft, Pilot, Site
from wxgate.rulebook import Rulebook
from wxgate.verdict import Grade, Verdict, Window
from wxgate.weathers import make_chances
from wxgate.windows import best_window, strictest, verdicts

if TYPE_CHECKING:
    from wxgate.changes import Changes
    from wxgate.observed import Reports

#: Quantities that reports tell though no rule may ask for them.
SHOWN = frozenset({
    "wind_speed", "wind_from_direction", "wind_speed_at_flight_height",
    "wind_from_direction_at_flight_height", "gust_at_flight_height", "gust_layer_maximum",
    "air_temperature", "dew_point_spread", "visibility", "precipitation",
    "precipitation_nearby_probability", "planetary_k_index", "cloud_base_height", "low_level_jet",
    "launch_wind_speed", "reach", "reach_slow", "battery_factor", "usable_flight_time",
    "drift_distance", "drift_sector_start", "drift_sector_end", "solar_azimuth_angle",
    "glare_half_width", "beaufort",
})  # fmt: skip


def targets_of(rulebook: Rulebook) -> frozenset[str]:
    """The quantities that a brief by this rulebook has to tell; no other needs to be fetched."""
    return named_by(rulebook) | SHOWN


@dataclass(frozen=True, slots=True)
class Brief:
    """Verdicts for one site, aircraft, pilot and height, and the window to fly in."""

    site: Site
    aircraft: Aircraft
    pilot: Pilot
    height: float  #: m above ground
    now: datetime
    rulebook: Rulebook
    forecasts: tuple[Forecast, ...]  #: one for each source asked; the first is the best
    hours: tuple[Verdict, ...]
    window: Window | None  #: the window to fly in; of go hours if there is one
    minimum_h: float
    demonstration: bool = False
    reports: Reports | None = None  #: of the airports around, where they were asked for
    chances: Chances | None = None  #: how sure each hour is, where it was worked out
    since: Changes | None = None  #: what moved since the last brief, where one was kept
    by_chance: bool = False  #: whether hours are graded by their chance as well as by limits

    @property
    def forecast(self) -> Forecast:
        """The forecast of the first source, which an explanation lays open."""
        return self.forecasts[0]

    def forecast_of(self, hour: Verdict) -> Forecast:
        """The forecast that an hour was graded by: the first that speaks for it."""
        start = to_datetime64(hour.start)
        spans = ((one, *one.speaks_for) for one in self.forecasts)
        return next((f for f, since, until in spans if since <= start < until), self.forecasts[0])

    @property
    def provenance(self) -> tuple[Provenance, ...]:
        """Where the numbers of all sources came from, each told once."""
        return tuple(dict.fromkeys(p for f in self.forecasts for p in f.provenance))

    @property
    def notes(self) -> tuple[str, ...]:
        """What was done to the chances, then the notes of all sources, each once."""
        told = () if self.chances is None else self.chances.notes
        return tuple(dict.fromkeys((*told, *(n for f in self.forecasts for n in f.notes))))

    @property
    def grade(self) -> Grade:
        """The brief's grade: that of the window; without one unknown if any hour is, else no-go."""
        if self.window is not None:
            return self.window.grade
        unknown = any(v.grade is Grade.UNKNOWN for v in self.hours)
        return Grade.UNKNOWN if unknown or not self.hours else Grade.NO_GO


def make_brief(
    forecasts: Sequence[Forecast],
    rulebook: Rulebook,
    *,
    site: Site,
    aircraft: Aircraft,
    pilot: Pilot,
    height: float,
    now: datetime,
    hours: int,
    minimum_h: float = 1.0,
    demonstration: bool = False,
    policy: Policy | None = None,
    by_chance: bool = False,
    lagged: Sequence[Forecast] = (),
    bias: Bias | None = None,
) -> Brief:
    """Grade derived hours from the full hour at or before ``now`` and pick the window to fly in.

    ``forecasts`` are derived for the same site, aircraft and height, one for each source. An hour
    is graded by those that speak for it; where they disagree the strictest grade counts, and an
    hour for which none speaks is unknown. ``now`` is aware. ContractError for a forecast of a map.

    With a ``policy`` each hour is told how sure it is, and ``by_chance`` grades it by that too. A
    forecast of members is graded by its middle weather and always by chance; the brief holds the
    middle weather. ``lagged`` are derived forecasts of earlier runs, and ``bias`` was learned: only
    the chances see them, never the grade by limits.
    """
    members = any(members_of(forecast) is not None for forecast in forecasts)
    aged = tuple(with_age(middle_of(forecast), now) for forecast in forecasts)
    told: dict[str, tuple[Verdict, ...]] = {}
    for forecast in aged:
        graded = grade(
            forecast,
            rulebook,
            aircraft=aircraft,
            skill=pilot.skill,
            height=height,
            latitude=site.latitude,
        )
        _refuse_grid(graded.codes.ndim, forecast)
        told[_name(forecast, told)] = verdicts(graded, now, hours)
    found = _by_hour(told, aged) if len(told) > 1 else next(iter(told.values()))
    chances = None
    if policy is not None or by_chance or members:
        by_chance = by_chance or members
        chances = make_chances(
            [_around(f, now, hours) for f in (*forecasts, *lagged)], rulebook, site=site,
            aircraft=aircraft, skill=pilot.skill, height=height, now=now, policy=policy, bias=bias,
        )  # fmt: skip
        found = with_chances(found, chances, rulebook, by_chance=by_chance)
    return Brief(
        site=site,
        aircraft=aircraft,
        pilot=pilot,
        height=height,
        now=now,
        rulebook=rulebook,
        forecasts=aged,
        hours=found,
        window=window_ahead(found, now, minimum_h=minimum_h),
        minimum_h=minimum_h,
        demonstration=demonstration,
        chances=chances,
        by_chance=by_chance,
    )


def window_ahead(hours: Sequence[Verdict], now: datetime, *, minimum_h: float) -> Window | None:
    """The window to fly in among the full hours to come; a single hour is looked at as it is."""
    # What is left of the hour under way is no full hour to plan with, but it is graded and shown.
    ahead = [v for v in hours if v.start >= now] if len(hours) > 1 else hours
    return best_window(ahead, minimum_h=minimum_h)


#: Hours beside those asked for that rules may look at.
_BESIDE = np.timedelta64(24 * 3600, "s")


def _around(forecast: Forecast, now: datetime, hours: int) -> Forecast:
    """The hours that a brief is about and those beside them; all where there are none of them."""
    start = to_datetime64(now)
    end = start + np.timedelta64(3600 * hours, "s") + _BESIDE
    cut = forecast.between(start - _BESIDE, end)
    return cut if cut.time.size else forecast


def _by_hour(
    told: Mapping[str, tuple[Verdict, ...]], forecasts: Sequence[Forecast]
) -> tuple[Verdict, ...]:
    """Each hour by the forecasts that speak for it; ``told`` and ``forecasts`` in one order."""
    spans = {name: f.speaks_for for name, f in zip(told, forecasts, strict=True)}
    found = []
    for n, hour in enumerate(next(iter(told.values()))):
        start = to_datetime64(hour.start)
        heard = {
            name: (verdicts_[n],) for name, verdicts_ in told.items()
            if spans[name][0] <= start < spans[name][1]
        }  # fmt: skip
        if not heard:
            found.append(Verdict(hour.start, hour.end, Grade.UNKNOWN, (), None, None))
        elif len(heard) == 1:
            [(name, (only,))] = heard.items()
            found.append(replace(only, by_source=((name, only.grade),)))
        else:
            found += strictest(heard)
    return tuple(found)


def _name(forecast: Forecast, taken: Container[str]) -> str:
    """The source's name, told apart where one source comes twice."""
    name = forecast.provenance[0].source if forecast.provenance else "unknown source"
    return name if name not in taken else f"{name} again"


def _refuse_grid(dimensions: int, forecast: Forecast) -> None:
    if dimensions == 1:
        return
    grid = ", ".join(forecast.attributes.get("grid", {}).get("dims", ())) or "more than time"
    raise ContractError(
        f"the forecast has {grid}, but a brief is for one place and one forecast",
        remedy="Give a file for one place, such as `wxgate fetch` writes.",
    )
