"""The facts of a brief, put together once; every report is a rendering of them."""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass
from datetime import datetime

from wxgate.errors import ContractError
from wxgate.forecast import Forecast, Provenance
from wxgate.grade import grade, with_age
from wxgate.profiles import Aircraft, Pilot, Site
from wxgate.rulebook import Rulebook
from wxgate.verdict import Grade, Verdict, Window
from wxgate.windows import best_window, strictest, verdicts


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

    @property
    def forecast(self) -> Forecast:
        """The forecast of the first source, which an explanation lays open."""
        return self.forecasts[0]

    @property
    def provenance(self) -> tuple[Provenance, ...]:
        """Where the numbers of all sources came from, each told once."""
        return tuple(dict.fromkeys(p for f in self.forecasts for p in f.provenance))

    @property
    def notes(self) -> tuple[str, ...]:
        """The notes of all sources, each once."""
        return tuple(dict.fromkeys(n for f in self.forecasts for n in f.notes))

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
) -> Brief:
    """Grade derived hours from the full hour at or before ``now`` and pick the window to fly in.

    ``forecasts`` are derived for the same site, aircraft and height, one for each source; where
    they disagree the strictest grade of the hour counts. ``now`` is aware. ContractError for a
    forecast of a map or of members.
    """
    aged = tuple(with_age(forecast, now) for forecast in forecasts)
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
    found = strictest(told) if len(told) > 1 else next(iter(told.values()))
    # What is left of the hour under way is no full hour to plan with, but it is graded and shown.
    ahead = [v for v in found if v.start >= now] if len(found) > 1 else list(found)
    return Brief(
        site=site,
        aircraft=aircraft,
        pilot=pilot,
        height=height,
        now=now,
        rulebook=rulebook,
        forecasts=aged,
        hours=found,
        window=best_window(ahead, minimum_h=minimum_h),
        minimum_h=minimum_h,
        demonstration=demonstration,
    )


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
        remedy="Give a file for one place, without members, such as `wxgate fetch` writes.",
    )
