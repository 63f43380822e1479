"""Hours made by hand for tests of lesson slots: what they say is what the test writes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from hours import MID, SITE, forecast_of
from scenarios import Scenario, dataset_of

from wxgate import places
from wxgate.brief import Brief, make_brief
from wxgate.chancepolicy import read_policy
from wxgate.contract import from_dataset
from wxgate.derive.run import derive
from wxgate.forecast import Provenance
from wxgate.lessons import Policy, policy_of
from wxgate.lessons.ground import Ground
from wxgate.lessons.planning import School
from wxgate.lessons.records import Batteries, Instructor, Student
from wxgate.profiles import Aircraft, Pilot, Site, Skill, known_aircraft, load_site
from wxgate.rulebook import Rulebook, load_rulebook
from wxgate.verdict import Grade, Reason, Verdict

RULES = places.shipped("rules")
AIRCRAFT = known_aircraft([RULES / "aircraft"])
BEGIN = datetime(2026, 6, 1, 6, tzinfo=UTC)  #: the sun is up at 50 N, 8 E until 19:30 UTC
HOUR = timedelta(hours=1)


@cache
def policy() -> Policy:
    return policy_of(load_rulebook([RULES / "lessons.yaml"], aircraft={}))


@cache
def rulebook(*more: Path) -> Rulebook:
    return load_rulebook([RULES / "practice", *more], aircraft=AIRCRAFT)


def reason(rule: str, quantity: str, grade: Grade, value: float | None = None) -> Reason:
    return Reason(rule, quantity, grade, value, None, None, "above", "1", 0.5, "because", "", "")


def hours_of(grades: Sequence[Grade], begin: datetime = BEGIN, margin: float = 0.5) -> tuple:
    """One verdict an hour."""
    return tuple(
        Verdict(begin + n * HOUR, begin + (n + 1) * HOUR, g,
                (reason("gust", "gust_at_flight_height", g, 3.0),), margin, "gust")
        for n, g in enumerate(grades)
    )  # fmt: skip


def brief_by_hand(
    grades: Sequence[Grade] = (Grade.GO,) * 12, *, begin: datetime = BEGIN, site: Site = SITE,
    aircraft: Aircraft = MID, skill: Skill = Skill.NOVICE, margin: float = 0.5,
    book: Rulebook | None = None, beside: int = 0, **series: Any,
) -> Brief:  # fmt: skip
    """A brief of these grades; ``series`` by quantity, one value or one for each instant.

    ``beside``: hours that the forecast has before and after those of the brief.
    """
    length = len(grades) + 2 * beside + 1
    told = {"fog_points": 0.0, "thunder_probability": 0.0, "usable_flight_time": 1500.0,
            "wind_speed_at_flight_height": 2.0, "wind_from_direction_at_flight_height": 90.0,
            "glare_angle": 90.0, "cloud_area_fraction": 0.2, "wind_chill": 288.0,
            "heat_index": 288.0, **series}  # fmt: skip
    fields = {name: np.broadcast_to(np.asarray(v, float), length) for name, v in told.items()}
    forecast = forecast_of(fields, start=begin - beside * HOUR, run=begin)
    return Brief(
        site=site, aircraft=aircraft, pilot=Pilot(str(skill), str(skill), skill), height=30.0,
        now=begin, rulebook=book or rulebook(), forecasts=(forecast,),
        hours=hours_of(grades, begin, margin), window=None, minimum_h=1.0,
    )  # fmt: skip


def ground(*briefs: Brief, **figures: Any) -> Ground:
    return Ground(briefs or (brief_by_hand(),), replace(policy(), **figures))


def student(name: str = "a", **more: Any) -> Student:
    told: dict[str, Any] = {"skill": Skill.NOVICE, "aircraft": MID.id, "minutes": 20, **more}
    return Student(name, name, **told)


def school(
    students: Sequence[Student], grounds: Mapping[Any, Ground],
    instructors: Sequence[Instructor] = (Instructor("t", "t", Skill.EXPERIENCED),),
    *, batteries: Sequence[Batteries] = (), capacity: Mapping[str, int] | None = None,
    **figures: Any,
) -> School:  # fmt: skip
    """A school at the one field of the grounds."""
    sites = {g.brief.site.id: g.brief.site for g in grounds.values()}
    crafts = {b.aircraft.id: b.aircraft for g in grounds.values() for b in g.briefs}
    return School(
        tuple(students), tuple(instructors), sites, crafts, grounds, replace(policy(), **figures),
        tuple(batteries), capacity or {},
    )  # fmt: skip


def graded(
    scenario: Scenario, first: float, hours: int, *, aircraft: str, skill: str, height: float,
    chances: bool = False, book: Rulebook | None = None,
) -> Brief:  # fmt: skip
    """The brief of a scenario's file from an hour of its local day on, by the shipped rules."""
    folder = places.state_folder()
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "field.yaml"
    path.write_text(scenario.site_text())
    site, craft = load_site(path), AIRCRAFT[aircraft]
    run = scenario.at(scenario.hours[0] - scenario.run_age)
    origin = Provenance("invented", "invented weather", run, run, "0" * 64, cycle_h=6.0)
    raw = replace(from_dataset(dataset_of(scenario)), provenance=(origin,))
    told = read_policy(RULES / "chances.yaml") if chances else None
    return make_brief(
        [derive(raw, site=site, aircraft=craft, height=height)], book or rulebook(), site=site,
        aircraft=craft, pilot=Pilot(skill, skill, Skill(skill)), height=height,
        now=scenario.at(first), hours=hours, policy=told,
    )  # fmt: skip
