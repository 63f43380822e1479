"""The school of a plan: its fields, aircraft and graded hours, each forecast fetched once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from wxgate import places
from wxgate.cli import session
from wxgate.cli.answer import Raws, derived_by_source
from wxgate.cli.progress import progress_bar
from wxgate.cli.question import Question
from wxgate.profiles import Aircraft, Pilot, Site, find, load_aircraft, load_site

if TYPE_CHECKING:
    from wxgate.brief import Brief
    from wxgate.cli.sureness import Sureness
    from wxgate.lessonplan import PlanFile
    from wxgate.lessons.planning import School
    from wxgate.lessons.records import Instructor, Student
    from wxgate.rulebook import Rulebook


@dataclass(frozen=True, slots=True)
class Asked:
    """The options that say which forecast is asked and when."""

    now: datetime
    hours: int
    rules: list[Path] | None
    forecast: Path | None
    models: list[str]
    demo: bool
    offline: bool
    budget: float | None
    sure: Sureness
    k_index: float | None = None  #: as it was looked up


def profiles_of(file: PlanFile, path: Path) -> tuple[dict[str, Site], dict[str, Aircraft]]:
    """Sites and aircraft of a plan by the names that it uses; ``path`` is where it lies."""

    def place(name: str) -> Site:
        beside = path.parent / name
        at = str(beside) if beside.suffix in {".yaml", ".yml"} else name
        return replace(find(at, "site", session.folders("sites"), load_site), id=name)

    sites = {field.id: place(field.id) for field in file.fields}
    named = {a for s in file.lessons() for a in s.all_aircraft}
    named |= {b.aircraft for b in file.batteries} | {a.id for a in file.aircraft}
    folders = [path.parent / "aircraft", *session.folders("aircraft")]
    crafts = {name: find(name, "aircraft", folders, load_aircraft) for name in sorted(named)}
    return sites, crafts


def school_of(
    students: Sequence[Student], instructors: Sequence[Instructor], sites: Mapping[str, Site],
    crafts: Mapping[str, Aircraft], asked: Asked, *, minima: str | None = None,
) -> School:  # fmt: skip
    """The school with the graded hours of every lesson; ``minima`` is a pilot's own rules."""
    from wxgate.lessons.ground import Ground
    from wxgate.lessons.planning import School, needed_grounds
    from wxgate.lessons.policy import policy_of
    from wxgate.rulebook import load_rulebook

    shipped = load_rulebook([places.shipped("rules") / "lessons.yaml"], aircraft={})
    raws: Raws = {}
    grounds = {}
    policy = policy_of(shipped)
    books: dict[str, Rulebook] = {}
    for key in needed_grounds(students, instructors, sites):
        site_id, aircraft_ids, skill, height = key
        pilot = Pilot(str(skill), str(skill), skill, minima)
        if site_id not in books:
            books[site_id] = session.rulebook_for(sites[site_id], pilot, asked.rules)
        policy = policy_of(shipped, books[site_id])
        briefs = tuple(
            _brief(sites[site_id], crafts[a], pilot, height, books[site_id], asked, raws)
            for a in aircraft_ids
        )
        grounds[key] = Ground(briefs, policy)
    return School(tuple(students), tuple(instructors), sites, crafts, grounds, policy)


def _brief(
    site: Site, craft: Aircraft, pilot: Pilot, height: float, rulebook: Rulebook, asked: Asked,
    raws: Raws,
) -> Brief:  # fmt: skip
    from wxgate.brief import make_brief, targets_of
    from wxgate.cli import prepare
    from wxgate.lessons.slots import NEEDS

    sure = asked.sure

    question = Question(
        site, asked.now, asked.hours, demo=asked.demo, offline=asked.offline, file=asked.forecast,
        targets=targets_of(rulebook) | NEEDS, budget_mb=asked.budget,
    )  # fmt: skip
    with progress_bar() as progress:
        found = derived_by_source(
            question, craft, height, asked.models, progress=progress, raws=raws
        )
        cast = session.Cast(site, craft, pilot)
        one = prepare.Asked(cast, rulebook, question, height, asked.models, asked.now)
        found, runs = prepare.completed(one, found, sure, asked.k_index, progress=progress)
    return make_brief(
        found, rulebook, site=site, aircraft=craft, pilot=pilot, height=height, now=asked.now,
        hours=asked.hours, demonstration=asked.demo, policy=sure.policy, by_chance=sure.by_chance,
        lagged=runs, bias=sure.bias,
    )  # fmt: skip


def origins(school: School, asked: Asked) -> list[str]:
    """Where the numbers came from, each once."""
    from wxgate.report.words import provenance_text

    briefs = [b for g in school.grounds.values() for b in g.briefs]
    told = [provenance_text(p, asked.now) for b in briefs for p in b.provenance]
    notes = [n for b in briefs for n in b.notes]
    head = ["INVENTED DEMONSTRATION FORECAST"] if asked.demo else []
    return list(dict.fromkeys([*head, *told, *notes]))
