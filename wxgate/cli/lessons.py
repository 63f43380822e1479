"""``wxgate lessons``: the best slots for one student, or a plan for several."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wxgate import places
from wxgate.cli import complete, session
from wxgate.cli import options as o
from wxgate.cli.display import ClockOption, UnitsOption, display_of, on_screen
from wxgate.cli.outfiles import check_out, tell_after
from wxgate.errors import ProfileError, UsageError
from wxgate.wholefile import read_whole

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wxgate.cli.lessonschool import Asked
    from wxgate.lessons.changes import Change
    from wxgate.lessons.planning import Found, School
    from wxgate.lessons.records import Plan, Student
    from wxgate.profiles import Site
    from wxgate.report.display import Display

_HEAD = b"lesson-plan:"
SHOW = 3


@dataclass(frozen=True, slots=True)
class Told:
    """The options that say how the answer is told, and what is written."""

    display: Display
    sheet: Path | None
    calendar: Path | None
    as_json: bool


def lessons(
    plan: Annotated[
        str | None,
        typer.Argument(
            help="A plan file (YAML) or its id for several students; or a site file or id for one.",
            show_default=False,
            autocompletion=complete.plans,
        ),
    ] = None,
    lat: o.LatOption = None,
    lon: o.LonOption = None,
    zone: o.ZoneOption = "UTC",
    aircraft: o.AircraftOption = None,
    pilot: o.PilotOption = None,
    height: Annotated[
        str | None,
        typer.Option(
            "--height",
            metavar="HEIGHT",
            help="Planned height above ground, such as '200 ft' (60 m).",
        ),
    ] = None,
    minutes: Annotated[
        int | None,
        typer.Option(
            "--minutes", metavar="MINUTES", min=5, max=240, help="Minutes of flying (20)."
        ),
    ] = None,
    hours: Annotated[
        int | None,
        typer.Option(
            "--hours", metavar="HOURS", min=1, max=o.MOST_HOURS, help="Hours to look ahead (96)."
        ),
    ] = None,
    at: o.AtOption = None,
    rules: o.RulesOption = None,
    forecast: o.ForecastOption = None,
    sources: o.SourcesOption = None,
    demo: o.DemoOption = False,
    offline: o.OfflineOption = False,
    budget: o.BudgetOption = None,
    k_index: o.KIndexOption = None,
    grade_by: o.GradeByOption = "limits",
    chances: o.ChancesOption = None,
    bias: o.BiasOption = None,
    lagged: o.LaggedOption = 0,
    earlier: o.EarlierOption = None,
    units: UnitsOption = None,
    clock: ClockOption = None,
    sheet: Annotated[
        Path | None,
        typer.Option(
            "--sheet", metavar="FILE", help="Write the lesson sheet, .txt or .html; one a lesson."
        ),
    ] = None,
    calendar: Annotated[
        Path | None,
        typer.Option("--calendar", metavar="FILE", help="Put the lessons into this .ics file."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for programs.")] = False,
) -> None:
    """Find the best hours for a lesson, or plan the lessons of several students."""
    from wxgate.cli.lessonschool import Asked
    from wxgate.cli.question import DEMO_NOW
    from wxgate.cli.sureness import sureness

    now = DEMO_NOW if demo and at is None else o.moment(at)
    # The demonstration reaches no further than this.
    sure = sureness(grade_by=grade_by, chances=chances, bias=bias, lagged=lagged, earlier=earlier)
    asked = Asked(now, hours or (36 if demo else 96), rules, forecast, o.names(sources), demo,
                  offline, budget, sure, k_index)  # fmt: skip
    told = Told(on_screen(display_of(units, clock)), sheet, calendar, as_json)
    check_out(sheet, calendar)
    path = plan_path(plan)
    if path is None:
        who = _one_student(plan, lat, lon, zone, aircraft, pilot, height or "60 m", minutes or 20,
                           demo)  # fmt: skip
        _tell_slots(who, asked, told)
        return
    given = [n for n, v in (("--lat", lat), ("--lon", lon), ("--aircraft", aircraft),
                            ("--pilot", pilot), ("--height", height), ("--minutes", minutes))
             if v is not None]  # fmt: skip
    if given:
        raise UsageError(f"{', '.join(given)} and a plan file were both given",
                         remedy="Write it in the plan file.")  # fmt: skip
    _tell_plan(path, asked, told)


def plan_path(name: str | None) -> Path | None:
    """The plan file that a word means; None where it means a site, or nothing."""
    if name is None:
        return None
    path = Path(name)
    if path.suffix in {".yaml", ".yml"} or "/" in name:
        try:
            lines = read_whole(path).splitlines()
        except OSError as error:
            raise UsageError(f"the file cannot be read ({error.strerror})", where=name,
                             remedy="Check the path.") from error  # fmt: skip
        return path if any(line.startswith(_HEAD) for line in lines) else None
    found = (folder / f"{name}.yaml" for folder in session.folders("plans"))
    return next((f for f in found if f.is_file()), None)


# ---------------------------------------------------------------------- one student


def _one_student(
    site: str | None, lat: float | None, lon: float | None, zone: str, aircraft: str | None,
    pilot: str | None, height: str, minutes: int, demo: bool,
) -> tuple[session.Cast, Student]:  # fmt: skip
    from wxgate.lessons.records import Student

    place = _site(site, lat, lon, zone, demo)
    cast = session.find_cast(place, aircraft, pilot, demo=demo)
    who = cast.pilot
    return cast, Student(
        who.id, who.name, who.skill, cast.aircraft.id, minutes, height=o.height_m(height)
    )


def _site(site: str | None, lat: float | None, lon: float | None, zone: str, demo: bool) -> Site:
    """The site; of a name that nobody knows the plans are told too, for it may be meant for one."""
    try:
        return session.find_site(site, lat, lon, zone, demo=demo)
    except ProfileError as error:
        plans = {f.stem for d in session.folders("plans") for f in d.glob("*.yaml")}
        if site is None or "/" in site or not plans:
            raise
        told = f"{error.remedy} Plans: {', '.join(sorted(plans))}."
        raise ProfileError(error.what, where=error.where, remedy=told) from error


def _tell_slots(who: tuple[session.Cast, Student], asked: Asked, told: Told) -> None:
    from wxgate.cli.lessonschool import origins, school_of
    from wxgate.lessons.planning import deadlines, make_plan, other_day
    from wxgate.lessons.records import Instructor
    from wxgate.report.lessons import slots_json, slots_text
    from wxgate.report.words import zone

    cast, student = who
    teacher = Instructor("instructor", "instructor", student.skill)
    sites, crafts = {cast.site.id: cast.site}, {cast.aircraft.id: cast.aircraft}
    school = school_of((student,), (teacher,), sites, crafts, asked, minima=cast.pilot.minima)
    plan, (found,) = make_plan(school, f"{cast.site.id}-{student.id}", now=asked.now)
    best = found.best[:SHOW]
    tz = zone(cast.site.zone)
    when = [deadlines(s.start, tz, school.policy, asked.now) for s in best]
    other = other_day(found, best[0], tz) if best else None
    if told.as_json:
        whole = slots_json(found, best, other, when, plan.until, plan.notes, cast.site,
                           demonstration=asked.demo)  # fmt: skip
        text = json.dumps(whole, indent=1, allow_nan=False)
    else:
        text = slots_text(found, best, other, when, plan.until, plan.notes, cast.site,
                          origins(school, asked), display=told.display)  # fmt: skip
    _tell(text, plan, school, told)


# ---------------------------------------------------------------------- several students


def _tell_plan(path: Path, asked: Asked, told: Told) -> None:
    from wxgate.cli.lessonschool import origins, profiles_of, school_of
    from wxgate.lessonplan import load_plan
    from wxgate.lessons.planning import make_plan
    from wxgate.report.lessons import plan_json, plan_text

    file = load_plan(path)
    sites, crafts = profiles_of(file, path)
    school = replace(
        school_of(file.lessons(), file.instructors, sites, crafts, asked),
        batteries=file.batteries, capacity=file.capacity(),
    )  # fmt: skip
    plan, found = make_plan(school, file.id, now=asked.now)
    plan, news = _since_the_last(plan, found, asked)
    site = sites[min(sites)]
    if told.as_json:
        whole = plan_json(plan, found, news, site, demonstration=asked.demo)
        text = json.dumps(whole, indent=1, allow_nan=False)
    else:
        text = plan_text(plan, found, news, site, origins(school, asked), display=told.display)
    _tell(text, plan, school, told)


def _tell(text: str, plan: Plan, school: School, told: Told) -> None:
    """The plan on screen, after its files; these are told unless it is JSON."""
    from wxgate.cli.lessonfiles import write_files

    def write() -> list[str]:
        lines = write_files(plan, school, told.display, sheet=told.sheet, calendar=told.calendar)
        return [] if told.as_json else lines

    tell_after(write, text)


def _since_the_last(
    plan: Plan, found: Sequence[Found], asked: Asked
) -> tuple[Plan, tuple[Change, ...] | None]:
    """What has changed since the plan before, whose place this one takes; None without one.

    A plan that cannot be kept is told all the same, with a note.
    """
    from wxgate.lessons.changes import changes, keep, kept_path, load_kept
    from wxgate.report.calendarrecord import locked

    # A plan of the demonstration must not be taken for the change of a real one.
    folder = places.state_folder() / ("demonstration" if asked.demo else "")
    path = kept_path(folder, plan.id)
    before = None
    try:
        # Of two runs at once the later one tells what has changed since the earlier.
        with locked(path):
            before = load_kept(path)
            keep(path, plan)
    except OSError as error:
        note = f"the plan could not be kept ({error.strerror}): {error.filename or path}"
        plan = replace(plan, notes=(*plan.notes, note))
    return plan, None if before is None else changes(before, plan, found)
