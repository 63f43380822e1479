"""The facts of a brief, put together once; every report is a rendering of them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from wxgate.errors import ContractError
from wxgate.forecast import Forecast
from wxgate.grade import grade, with_age
from wxgate.profiles import Aircraft, Pilot, Site
from wxgate.rulebook import Rulebook
from wxgate.verdict import Grade, Verdict, Window
from wxgate.windows import best_window, verdicts


@dataclass(frozen=True, slots=True)
class Brief:
    """Verdicts for one site, aircraft, pilot and height, and the window to fly in."""

    site: Site
    aircraft: Aircraft
    pilot: Pilot
    height: float  #: m above ground
    now: datetime
    rulebook: Rulebook
    forecast: Forecast
    hours: tuple[Verdict, ...]
    window: Window | None  #: the window to fly in; of go hours if there is one
    minimum_h: float
    demonstration: bool = False

    @property
    def grade(self) -> Grade:
        """The brief's grade: that of the window; without one unknown if any hour is, else no-go."""
        if self.window is not None:
            return self.window.grade
        unknown = any(v.grade is Grade.UNKNOWN for v in self.hours)
        return Grade.UNKNOWN if unknown or not self.hours else Grade.NO_GO


def make_brief(
    forecast: Forecast,
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

    ``forecast`` is derived for the same site, aircraft and height; ``now`` is aware.
    ContractError for a forecast of a map or of members.
    """
    aged = with_age(forecast, now)
    graded = grade(
        aged,
        rulebook,
        aircraft=aircraft,
        skill=pilot.skill,
        height=height,
        latitude=site.latitude,
    )
    if graded.codes.ndim != 1:
        grid = ", ".join(forecast.attributes.get("grid", {}).get("dims", ())) or "more than time"
        raise ContractError(
            f"the forecast has {grid}, but a brief is for one place and one forecast",
            remedy="Give a file for one place, without members, such as `wxgate fetch` writes.",
        )
    found = verdicts(graded, now, hours)
    # What is left of the hour under way is no full hour to plan with, but it is graded and shown.
    ahead = [v for v in found if v.start >= now] if len(found) > 1 else list(found)
    return Brief(
        site=site,
        aircraft=aircraft,
        pilot=pilot,
        height=height,
        now=now,
        rulebook=rulebook,
        forecast=aged,
        hours=found,
        window=best_window(ahead, minimum_h=minimum_h),
        minimum_h=minimum_h,
        demonstration=demonstration,
    )
