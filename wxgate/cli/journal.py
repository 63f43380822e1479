"""``wxgate journal``: what was said, measured and done; write it down, show it, hand it on."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wxgate import places
from wxgate.cli import complete
from wxgate.cli.display import ClockOption, UnitsOption, display_of
from wxgate.cli.journaldays import local, midnight, selection, site_and_zone
from wxgate.cli.outfiles import check_out
from wxgate.cli.terminal import say
from wxgate.errors import UsageError
from wxgate.units import counted

if TYPE_CHECKING:
    from wxgate.journal import Journal

app = typer.Typer(no_args_is_help=False, help="What was said, measured and then done.")

SiteName = Annotated[
    str | None, typer.Option("--site", metavar="SITE", help="The id of the site, as in its file.")
]
Since = Annotated[
    str | None, typer.Option("--since", metavar="DAY", help="From this local day on, 2026-09-15.")
]
Until = Annotated[
    str | None, typer.Option("--until", metavar="DAY", help="Up to and with this local day.")
]
Zone = Annotated[
    str | None,
    typer.Option("--zone", metavar="ZONE", help="Time zone of the days; else that of the site."),
]
Invented = Annotated[bool, typer.Option("--demo", help="Invented demonstrations too.")]


def journal_file() -> Path:
    """Where the journal lies."""
    return places.state_folder() / "journal.sqlite"


def open_journal() -> Journal:
    """The user's journal, open; what must be known about it is told at once."""
    from wxgate.journal import Journal

    journal = Journal(journal_file(), at=datetime.now(UTC))
    for note in journal.notes:
        say(f"Note: {note}.")
    return journal


@app.callback(invoke_without_command=True)
def show(context: typer.Context) -> None:
    """Show where the journal lies and how much it holds."""
    if context.invoked_subcommand is not None:
        return
    with open_journal() as journal:
        counts = journal.counts()
    say(f"journal: {journal_file()}")
    for table, label in (
        ("brief", "briefs"), ("verdict", "verdicts on hours"), ("reading", "readings on the field"),
        ("deed", "flown, cut short or cancelled"), ("observation", "station reports"),
    ):  # fmt: skip
        say(f"{counts[table]:8d} {label}")


@app.command("list")
def list_briefs(
    site: SiteName = None, since: Since = None, until: Until = None, zone: Zone = None,
    demo: Invented = False, on_clock: ClockOption = None,
) -> None:  # fmt: skip
    """List the briefs that were issued, one a line."""
    from wxgate.report.words import clock, day, span
    from wxgate.report.words import zone as known_zone

    display = display_of(clock=on_clock)
    with open_journal() as journal:
        which = selection(journal, site, since, until, zone, demo=demo)
        for brief in journal.briefs(which):
            tz = known_zone(brief.zone)
            window = "no window"
            if brief.window is not None:
                window = span(*brief.window, tz, display=display)
            made = f"{day(brief.made, tz)} {clock(brief.made, tz, display=display)}"
            say(f"{made} {brief.site} {brief.aircraft} {brief.pilot}: {brief.grade.word}, {window}")


@app.command("note")
def note(
    done: Annotated[
        str,
        typer.Argument(
            help="flown, cut-short or cancelled.",
            autocompletion=complete.one_of("flown", "cut-short", "cancelled"),
        ),
    ],
    start: Annotated[str, typer.Argument(help="Local start: 10:00, or 2026-09-15T10:00.")],
    end: Annotated[str | None, typer.Argument(help="Local end.")] = None,
    site: SiteName = None,
    zone: Zone = None,
    aircraft: Annotated[
        str,
        typer.Option(
            "--aircraft",
            metavar="AIRCRAFT",
            help="Which aircraft.",
            autocompletion=complete.aircraft,
        ),
    ] = "",
    pilot: Annotated[
        str,
        typer.Option(
            "--pilot", metavar="PILOT", help="Which pilot.", autocompletion=complete.pilots
        ),
    ] = "",
    reason: Annotated[
        str, typer.Option("--reason", metavar="TEXT", help="Why it was cut short.")
    ] = "",
    notes: Annotated[str, typer.Option("--notes", metavar="TEXT", help="Anything else.")] = "",
) -> None:
    """Write down what was done: flown, cut short, cancelled."""
    from wxgate.journal import Deed, Done

    if done not in set(Done):
        raise UsageError(f"{done!r} is nothing to note",
                         remedy=f"Write one of {', '.join(Done)}.")  # fmt: skip
    now = datetime.now(UTC)
    with open_journal() as journal:
        place, tz = site_and_zone(journal, site, zone)
        begin = local(start, tz, now)
        finish = None if end is None else local(end, tz, now)
        if finish is not None and finish <= begin:
            raise UsageError("the end is not after the start", remedy="Write the end's day too.")
        deed = Deed(now, place, begin, finish, Done(done), aircraft, pilot, reason, notes)
        number = journal.add_deed(deed)
    say(f"noted as entry {number}: {done} at {place} from {begin.astimezone(tz):%Y-%m-%d %H:%M %Z}")


@app.command("day")
def day_of(
    which_day: Annotated[str, typer.Argument(help="The local day, 2026-09-15, or today.")],
    site: SiteName = None,
    zone: Zone = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Write it to this file.")
    ] = None,
    demo: Invented = False,
    units: UnitsOption = None,
    clock: ClockOption = None,
) -> None:
    """Print the record of a day on one page, for an operator's file."""
    from wxgate.journal import Selection
    from wxgate.report.dayrecord import DayFacts, day_record

    display = display_of(units, clock)
    check_out(out)
    with open_journal() as journal:
        place, tz = site_and_zone(journal, site, zone, demo=demo)
        begin = midnight(which_day, tz)
        end = midnight((begin.astimezone(tz) + timedelta(hours=36)).date().isoformat(), tz)
        at = Selection(place, begin, end, demonstration=demo)
        hours = tuple(journal.hours(at))
        told_of = {hour.brief for hour in hours}
        # Those that spoke of the day: made on it, or the evening before.
        since = Selection(place, begin - timedelta(hours=12), end, demonstration=demo)
        facts = DayFacts(
            place, begin, end, tz,
            briefs=[b for b in journal.briefs(since) if b.id in told_of],
            hours=hours, readings=tuple(journal.readings(at)), deeds=tuple(journal.deeds(at)),
            reports=tuple(journal.observations(at)),
        )  # fmt: skip
    text = day_record(facts, display=display)
    if out is None:
        say(text, end="")
        return
    write_text(out, text)
    say(f"{out}: the record of {which_day} at {place}")


@app.command("export")
def export_table(
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="The file: .csv, .parquet or .nc.")
    ],
    table: Annotated[
        str,
        typer.Option(
            "--table", metavar="TABLE", help="hours, briefs, readings, deeds or observations."
        ),
    ] = "hours",
    site: SiteName = None,
    since: Since = None,
    until: Until = None,
    zone: Zone = None,
    demo: Invented = False,
) -> None:
    """Write a table of the journal to a file for other programs."""
    from wxgate.journal.export import export

    check_out(out)
    with open_journal() as journal:
        which = selection(journal, site, since, until, zone, demo=demo)
        rows = export(journal, out, table=table, which=which)
    say(f"{out}: {counted(rows, 'row')} of {table}")


@app.command("check")
def check(
    mend: Annotated[
        bool, typer.Option("--mend", help="Save what can be read of a damaged journal.")
    ] = False,
) -> None:
    """Read the whole file and tell whether it is sound."""
    from wxgate.errors import JournalError

    with open_journal() as journal:
        faults = journal.faults()
        if faults and mend:
            journal.mend(at=datetime.now(UTC))
            say(f"{journal.notes[0]}.")
            return
    if faults:
        raise JournalError(
            "the journal is damaged: " + "; ".join(faults)[:300],
            where=str(journal_file()),
            remedy="Save what can be read of it: `wxgate journal check --mend`.",
        )
    say("the journal is sound")


def write_text(out: Path, text: str) -> None:
    """Write a text aside and move it into place; JournalError when it cannot be written."""
    from wxgate.errors import JournalError
    from wxgate.wholefile import write_whole

    try:
        write_whole(out, text)
    except OSError as error:
        raise JournalError(f"the file cannot be written ({error.strerror or error})",
                           where=str(out), remedy="Check its folder.") from error  # fmt: skip
