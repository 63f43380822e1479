"""What a plan of lessons is written to: lesson sheets and a calendar."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from wxgate import places

if TYPE_CHECKING:
    from wxgate.lessons.planning import School
    from wxgate.lessons.records import Lesson, Plan
    from wxgate.report.display import Display


def write_files(
    plan: Plan, school: School, display: Display, *, sheet: Path | None, calendar: Path | None
) -> list[str]:
    """Write the lesson sheets, one file a lesson, and the calendar; a line on each."""
    told = []
    if sheet is not None:
        for lesson in plan.lessons:
            single = len(plan.lessons) == 1
            out = sheet if single else sheet.with_stem(f"{sheet.stem}-{lesson.student.id}")
            _write_sheet(lesson, school, out, display)
            told.append(f"{out}: lesson sheet of {lesson.student.id}")
    if calendar is not None:
        told.append(f"{calendar}: {_write_calendar(plan, calendar, display)}")
    return told


def _write_sheet(lesson: Lesson, school: School, out: Path, display: Display) -> None:
    """The sheet of a lesson; of a group a page for each of its aircraft."""
    from wxgate.cli.sheet import write_sheet
    from wxgate.daylimits import day_limits
    from wxgate.report.lessonsheet import sheet_html, sheet_of, sheet_text

    pages = []
    for brief in school.grounds[lesson.ground].briefs:
        limits = day_limits(
            brief, lesson.flying_start, lesson.flying_end, no_better_than=lesson.grade
        )
        names = [lesson.student.name, lesson.instructor]
        names += [brief.aircraft.id] if lesson.student.flown else []
        pages.append(
            sheet_of(brief, limits, title=", ".join(names), display=display,
                     lesson_chance=lesson.chance)
        )  # fmt: skip
    html = out.suffix.lower() in {".html", ".htm"}
    write_sheet(sheet_html(*pages) if html else sheet_text(*pages), out)


def _write_calendar(plan: Plan, path: Path, display: Display) -> str:
    from wxgate.report.calendar import LONGEST_TEXT, Slot, update_calendar
    from wxgate.report.lessons import lesson_lines
    from wxgate.report.words import CAUTIONS

    slots = [
        Slot(
            key=x.student.id,
            title=f"{x.grade.word.upper()}: flying lesson {x.student.name}",
            start=x.start,
            end=x.end,
            grade=x.grade,
            text="\n".join([*lesson_lines(x, replace(display, width=LONGEST_TEXT)), *CAUTIONS]),
            place=x.site.name,
            latitude=x.site.latitude,
            longitude=x.site.longitude,
            recheck_at=x.recheck_at,
            decide_by=x.decide_by,
        )
        for x in plan.lessons
    ]
    record = places.state_folder() / "calendar.json"
    done = update_calendar(path, record, f"lessons/{plan.id}", slots, now=plan.made_at)
    parts = [f"{len(getattr(done, n))} {n}" for n in ("new", "changed", "cancelled", "same")
             if getattr(done, n)]  # fmt: skip
    return ", ".join(parts) or "nothing to hold"
