"""Briefs of invented weather for the tests of the day's limits, lesson sheet and calendar."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from scenarios import Cast, Scenario, Series, dataset_of

from wxgate import places
from wxgate.brief import Brief, make_brief
from wxgate.contract import from_dataset
from wxgate.daylimits import DayLimits, day_limits
from wxgate.derive.run import derive
from wxgate.forecast import Forecast, Provenance
from wxgate.profiles import Aircraft, Pilot, Site, Skill, known_aircraft
from wxgate.rulebook import Rulebook, load_rulebook

RULES = places.shipped("rules")
AIRCRAFT = known_aircraft([RULES / "aircraft"])
FIELD = Site("field", "An invented field", 52.0, -1.5, "Europe/London", altitude=100.0,
             roughness_length=0.03, field_radius=60.0)  # fmt: skip
FIRST, AFTER = 11, 14  #: local hours of the lesson


@cache
def rulebook(*more: Path) -> Rulebook:
    return load_rulebook([RULES / "practice", *more], aircraft=AIRCRAFT)


def scenario_of(weather: Mapping[str, Series], day: str = "2026-05-05") -> Scenario:
    hours = dict.fromkeys((FIRST, AFTER - 1), "")
    site = {"latitude": 52.0, "longitude": -1.5, "zone": "Europe/London", "altitude": "100 m"}
    # Fair-weather sun would make it rough for learners: little heat, some cloud.
    return Scenario("case", day, site, {"flux": 20.0, **weather}, (Cast("", "", 0, hours),))


def brief_of(
    weather: Mapping[str, Series] | None = None, *, site: Site = FIELD,
    aircraft: Aircraft | str = "light-249g", skill: str = "novice", height: float = 60.0,
    book: Rulebook | None = None, lost: str = "", day: str = "2026-05-05", **more: Any,
) -> Brief:  # fmt: skip
    """A brief of three hours from 11:00 local time; ``lost``: a field whose values are missing."""
    scenario = scenario_of(weather or {}, day)
    run = scenario.at(FIRST - scenario.run_age)
    origin = Provenance("invented", "invented weather", run, run, "0" * 64, cycle_h=6.0)
    raw = replace(from_dataset(dataset_of(scenario)), provenance=(origin,))
    if lost:
        found = raw.fields[lost]
        raw = raw.with_fields({lost: found.with_values(np.full_like(found.values, np.nan))})
    return brief_from(
        raw, scenario.at(FIRST), site=site, aircraft=aircraft, skill=skill, height=height,
        book=book, **more,
    )  # fmt: skip


def brief_from(
    raw: Forecast, now: datetime, *, site: Site = FIELD, aircraft: Aircraft | str = "light-249g",
    skill: str = "novice", height: float = 60.0, book: Rulebook | None = None, name: str = "",
) -> Brief:  # fmt: skip
    craft = AIRCRAFT[aircraft] if isinstance(aircraft, str) else aircraft
    return make_brief(
        [derive(raw, site=site, aircraft=craft, height=height)], book or rulebook(), site=site,
        aircraft=craft, pilot=Pilot(skill, name or skill, Skill(skill)), height=height, now=now,
        hours=AFTER - FIRST,
    )  # fmt: skip


def limits_of(brief: Brief, **more: Any) -> DayLimits:
    """The limits of all hours of a brief."""
    return day_limits(brief, brief.hours[0].start, brief.hours[-1].end, **more)


def named(site_name: str) -> Site:
    return replace(FIELD, name=site_name)
