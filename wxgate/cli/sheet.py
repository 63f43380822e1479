"""``wxgate sheet``: the page for the field, for the best window or for given hours."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wxgate.cli import options as o
from wxgate.cli.display import ClockOption, UnitsOption, display_of
from wxgate.cli.outfiles import check_out, tell_after
from wxgate.errors import UsageError

if TYPE_CHECKING:
    from wxgate.brief import Brief
    from wxgate.daylimits import DayLimits
    from wxgate.report.calendar import Changes
    from wxgate.report.display import Display


def sheet(
    site: o.SiteOption = None,
    lat: o.LatOption = None,
    lon: o.LonOption = None,
    zone: o.ZoneOption = "UTC",
    aircraft: o.AircraftOption = None,
    pilot: o.PilotOption = None,
    height: o.HeightOption = "60 m",
    hours: o.HoursOption = 36,
    minimum: Annotated[
        int,
        typer.Option(
            "--minimum", metavar="HOURS", min=1, max=24, help="Shortest window, in hours."
        ),
    ] = 1,
    start: Annotated[
        str | None,
        typer.Option(
            "--from", metavar="TIME", help="Start of the lesson in local time, such as 10:00."
        ),
    ] = None,
    end: Annotated[
        str | None,
        typer.Option("--to", metavar="TIME", help="Its end; without it an hour after the start."),
    ] = None,
    radius: Annotated[
        str | None,
        typer.Option("--radius", metavar="LENGTH", help="Planned flight radius, such as '20 m'."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Write to this file, .txt or .html."),
    ] = None,
    calendar: Annotated[
        Path | None,
        typer.Option(
            "--calendar",
            metavar="FILE",
            help="Put the window into this .ics file; the same event each time.",
        ),
    ] = None,
    at: o.AtOption = None,
    rules: o.RulesOption = None,
    forecast: o.ForecastOption = None,
    sources: o.SourcesOption = None,
    demo: o.DemoOption = False,
    offline: o.OfflineOption = False,
    budget: o.BudgetOption = None,
    reports: o.ReportsOption = False,
    k_index: o.KIndexOption = None,
    grade_by: o.GradeByOption = "limits",
    chances: o.ChancesOption = None,
    bias: o.BiasOption = None,
    lagged: o.LaggedOption = 0,
    earlier: o.EarlierOption = None,
    units: UnitsOption = None,
    clock: ClockOption = None,
) -> None:
    """Write the lesson sheet: limits of the day, stop numbers, where to stand, way home."""
    from wxgate.cli.prepare import prepare
    from wxgate.daylimits import day_limits
    from wxgate.report.lessonsheet import sheet_html, sheet_of, sheet_text
    from wxgate.units import parse_amount

    kind = _kind(out)
    check_out(out, calendar)
    display = display_of(units, clock)
    if calendar is not None and start is not None:
        raise UsageError(
            "--calendar and --from were both given",
            remedy="The calendar holds the best window; leave --from out.",
        )
    planned = None if radius is None else parse_amount(radius, "m")
    made = prepare(
        site=site, lat=lat, lon=lon, zone=zone, aircraft=aircraft, pilot=pilot, height=height,
        hours=hours, minimum=minimum, at=at, rules=rules, forecast=forecast, sources=sources,
        demo=demo, offline=offline, budget=budget, reports=reports, grade_by=grade_by,
        chances=chances, bias=bias, lagged=lagged, earlier=earlier, k_index=k_index,
    )  # fmt: skip
    when = _span(made, start, end)
    limits = None if when is None else day_limits(made, *when, radius=planned)
    page = sheet_of(made, limits, display=display)
    text = sheet_html(page) if kind == "html" else sheet_text(page)

    def write() -> list[str]:
        told = []
        if out is not None:
            write_sheet(text, out)
            told.append(f"{out}: {page.banner}, {page.when}")
        if calendar is not None:
            changes = put_into_calendar(made, limits, calendar, display)
            told.append(f"{calendar}: {_told(changes)}")
        return told

    tell_after(write, text if out is None else "")


def _kind(out: Path | None) -> str:
    if out is None or out.suffix.lower() == ".txt":
        return "text"
    if out.suffix.lower() in {".html", ".htm"}:
        return "html"
    raise UsageError(
        f"a sheet cannot be written as {out.suffix or 'a file without ending'}",
        where=str(out),
        remedy="Name a file that ends in .txt or .html.",
    )


def write_sheet(text: str, out: Path) -> None:
    """Write a sheet aside and move it into place; UsageError when it cannot be written."""
    from wxgate.wholefile import write_whole

    try:
        write_whole(out, text)
    except OSError as error:
        raise UsageError(
            f"the sheet cannot be written ({error.strerror or error})",
            where=str(out),
            remedy="Check the folder.",
        ) from error


def _span(made: Brief, start: str | None, end: str | None) -> tuple[datetime, datetime] | None:
    """The hours that were asked for, else the best window; None where there is none."""
    if start is None:
        if end is not None:
            raise UsageError("--to was given without --from", remedy="Give both, or neither.")
        return None if made.window is None else (made.window.start, made.window.end)
    first = _moment(start, made, after=made.now - timedelta(hours=1))
    last = first + timedelta(hours=1) if end is None else _moment(end, made, after=first)
    if not (made.hours and made.hours[0].start <= first and last <= made.hours[-1].end):
        from wxgate.report.words import span, zone

        whole = span(made.hours[0].start, made.hours[-1].end, zone(made.site.zone))
        raise UsageError(
            f"the lesson is not among the hours asked for ({whole})",
            remedy="Name hours of that span, or ask for more with --hours.",
        )
    return first, last


def _moment(text: str, made: Brief, *, after: datetime) -> datetime:
    """A local time of day, the next after a moment, or an ISO time."""
    from wxgate.report.words import zone

    tz = zone(made.site.zone)
    try:
        if "-" in text:
            told = datetime.fromisoformat(text)
            return (told if told.tzinfo else told.replace(tzinfo=tz)).astimezone(UTC)
        hour, _, minute = text.partition(":")
        local = after.astimezone(tz).replace(second=0, microsecond=0, fold=0)
        when = local.replace(hour=int(hour), minute=int(minute or 0))
        if when.astimezone(UTC) <= after:
            when = (local + timedelta(days=1)).replace(hour=int(hour), minute=int(minute or 0))
        return when.astimezone(UTC)
    except ValueError as error:
        raise UsageError(
            f"{text!r} is not a time", remedy="Write 14:00 or 2026-09-15T14:00."
        ) from error


def put_into_calendar(
    made: Brief, limits: DayLimits | None, path: Path, display: Display
) -> Changes:
    """The best window as one event; the same event each time, cancelled when there is none."""
    from wxgate import places
    from wxgate.report.calendar import Slot, update_calendar
    from wxgate.report.lessonsheet import sheet_note, sheet_of

    plan = f"{made.site.id}/{made.aircraft.id}/{made.pilot.id}/{made.height:g} m"
    slots = []
    if limits is not None and limits.flyable:
        word = limits.grade.word.upper()
        before = timedelta(seconds=limits.figures.value("decide-before", "s"))
        slots = [
            Slot(
                key="best window",
                title=f"{word}: {made.site.name} ({made.aircraft.id}, {made.pilot.id})",
                start=limits.start,
                end=limits.end,
                grade=limits.grade,
                text=sheet_note(sheet_of(made, limits, display=display)),
                place=made.site.name,
                latitude=made.site.latitude,
                longitude=made.site.longitude,
                decide_by=limits.start - before,
            )
        ]
    record = places.state_folder() / "calendar.json"
    return update_calendar(path, record, plan, slots, now=made.now)


def _told(changes: Changes) -> str:
    for word in ("new", "changed", "cancelled"):
        if getattr(changes, word):
            return f"event {word}"
    return "nothing has changed"
