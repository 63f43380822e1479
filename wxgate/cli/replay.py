"""``wxgate replay``: what the engine would have said, on forecasts of the past."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wxgate.cli import options as o
from wxgate.cli.outfiles import check_out
from wxgate.cli.terminal import say
from wxgate.errors import DataError, UsageError
from wxgate.units import counted
from wxgate.wholefile import read_whole

if TYPE_CHECKING:
    from wxgate.brief import Brief
    from wxgate.cli.sureness import Sureness

MOST = 4000  #: moments of one replay

Files = Annotated[
    list[Path] | None,
    typer.Option("--forecast", metavar="FILE", help="A CF netCDF or GRIB2 file; may be repeated."),
]


def replay(
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
    since: Annotated[
        str | None, typer.Option("--since", metavar="TIME", help="First moment, 2026-09-01T05:00Z.")
    ] = None,
    until: Annotated[
        str | None, typer.Option("--until", metavar="TIME", help="Last moment.")
    ] = None,
    every: Annotated[
        float,
        typer.Option("--every", metavar="HOURS", min=1, max=240, help="Hours between two moments."),
    ] = 24,
    forecast: Files = None,
    delay: Annotated[
        float,
        typer.Option(
            "--delay",
            metavar="HOURS",
            min=0,
            max=48,
            help="A file is read so many hours after its run.",
        ),
    ] = 4,
    rules: o.RulesOption = None,
    sources: o.SourcesOption = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FILE",
            help="A journal file of its own, for `wxgate verify --journal`.",
        ),
    ] = None,
    demo: o.DemoOption = False,
    offline: o.OfflineOption = False,
    grade_by: o.GradeByOption = "limits",
    chances: o.ChancesOption = None,
    bias: o.BiasOption = None,
    lagged: o.LaggedOption = 0,
    k_index: Annotated[
        float | None,
        typer.Option(
            "--k-index", metavar="KP", min=0, max=9,
            help="The K index to take where its forecast of then is no longer to be had.",
        ),
    ] = None,
) -> None:  # fmt: skip
    """Run the engine on past forecasts: a line for each moment, and a journal to verify.

    Moments lie from --since to --until; mirrors that keep old runs answer for them as they would
    have then. Or each file of --forecast is read once, some hours after its run; --lagged then
    takes the files of the runs before. Nothing that is stored for today's briefs is touched. A
    bias that was learned from these same days flatters. Services keep no old forecasts of the K
    index: without --k-index the coming two days are marginal at best.
    """
    from wxgate.cli.sureness import sureness

    asked = {
        "site": site, "lat": lat, "lon": lon, "zone": zone, "aircraft": aircraft, "pilot": pilot,
        "height": height, "hours": hours, "rules": rules, "sources": sources, "demo": demo,
        "offline": offline,
    }  # fmt: skip
    if out is not None and out.exists():
        raise UsageError(
            "the journal to write is there already", where=str(out), remedy="Name a new file."
        )
    check_out(out)
    counts: dict[str, int] = {}
    moments = _moments(since, until, every, forecast, delay)
    sure = sureness(grade_by=grade_by, chances=chances, bias=bias, lagged=lagged)
    for moment, made in _briefs(asked, moments, minimum, sure, k_index):
        if isinstance(made, DataError):
            say(f"{moment:%Y-%m-%d %H:%MZ} no forecast: {made.what}")
            counts["no forecast"] = counts.get("no forecast", 0) + 1
            continue
        counts[made.grade.word] = counts.get(made.grade.word, 0) + 1
        _write_down(made, out)
        say(_line(made, moment))
    told = ", ".join(f"{count} {word}" for word, count in counts.items())
    say(f"{counted(sum(counts.values()), 'moment')}: {told}.")
    if not counts or set(counts) == {"no forecast"}:
        raise DataError(
            "no forecast was had for any moment",
            remedy="Choose a source whose mirror keeps old runs, or give files with --forecast.",
        )


def _moments(
    since: str | None, until: str | None, every: float, files: list[Path] | None, delay: float
) -> list[tuple[datetime, Path | None]]:
    """The moments with the file that each reads; UsageError when they cannot be told."""
    if files:
        if since is not None or until is not None:
            raise UsageError("files and a span of time were both given", remedy="Give one of them.")
        return sorted((_run_of(file) + timedelta(hours=delay), file) for file in files)
    if since is None or until is None:
        raise UsageError(
            "no span of time was given", remedy="Give --since and --until, or files by --forecast."
        )
    first, last = o.moment(since), o.moment(until)
    if last < first:
        raise UsageError("--until lies before --since", remedy="Swap them.")
    count = int((last - first) / timedelta(hours=every)) + 1
    if count > MOST:
        raise UsageError(
            f"{count} moments are too many", remedy=f"At most {MOST}: take a longer --every."
        )
    return [(first + n * timedelta(hours=every), None) for n in range(count)]


def _run_of(file: Path) -> datetime:
    """The model run of a file; DataError when it tells none."""
    from wxgate.cli.question import is_netcdf

    if is_netcdf(file):
        from wxgate.netcdf import read_netcdf

        runs = [p.run for p in read_netcdf(file, now=datetime.now(UTC)).provenance]
    else:
        from wxgate.grib import read_messages

        try:
            runs = [message.run for message in read_messages(read_whole(file))]
        except OSError as error:
            raise DataError(
                f"cannot read the file ({error.strerror})", where=str(file),
                remedy="Check its path.",
            ) from error  # fmt: skip
    known = [run for run in runs if run is not None]
    if not known:
        raise DataError("the file tells no model run", where=str(file), remedy="Give another.")
    return max(known)


def _briefs(
    asked: dict[str, Any], moments: list[tuple[datetime, Path | None]], minimum: int,
    sure: Sureness, k_index: float | None,
) -> Iterator[tuple[datetime, Brief | DataError]]:  # fmt: skip
    from wxgate.brief import make_brief
    from wxgate.cli.lagged import earlier_runs
    from wxgate.cli.prepare import understand
    from wxgate.cli.progress import progress_bar
    from wxgate.cli.question import raw_forecasts
    from wxgate.derive.run import derive
    from wxgate.lookedup import with_k_index

    for moment, file in moments:
        words = understand(**asked, at=moment.isoformat(), forecast=file)
        cast, found = words.cast, []
        try:
            with progress_bar() as progress:
                for ask in words.questions:
                    found += [
                        derive(part, site=cast.site, aircraft=cast.aircraft, height=words.height,
                               wanted=ask.wanted)
                        for part in raw_forecasts(ask, progress=progress)
                    ]  # fmt: skip
                mine = _with_files(sure, moments, moment) if file is not None else sure
                runs, notes = earlier_runs(words, found, mine, progress=progress)
        except DataError as error:
            yield moment, error
            continue
        if k_index is not None:
            span = timedelta(hours=asked["hours"])
            found, runs = (
                [with_k_index(one, k_index, moment, valid=span) for one in some]
                for some in (found, runs)
            )
        yield moment, make_brief(
            [found[0].with_notes(*notes), *found[1:]], words.rulebook, site=cast.site,
            aircraft=cast.aircraft, pilot=cast.pilot,
            height=words.height, now=moment, hours=asked["hours"], minimum_h=minimum,
            demonstration=asked["demo"], policy=sure.policy, by_chance=sure.by_chance,
            lagged=runs, bias=sure.bias,
        )  # fmt: skip


def _with_files(
    sure: Sureness, moments: list[tuple[datetime, Path | None]], moment: datetime
) -> Sureness:
    """Where files stand for the services, the runs before are those of the files before."""
    oldest = moment - timedelta(hours=sure.policy.number("earlier", "run_hours"))
    before = [file for when, file in moments if oldest <= when < moment and file is not None]
    return replace(sure, lagged=0, earlier=tuple(before[::-1][: sure.lagged]))


def _line(made: Brief, moment: datetime) -> str:
    from wxgate.report.words import span, zone

    tz = zone(made.site.zone)
    window = "no window" if made.window is None else span(made.window.start, made.window.end, tz)
    runs = [f"{p.source} {p.run:%d %HZ}" for p in made.provenance if p.run is not None]
    return f"{moment:%Y-%m-%d %H:%MZ} {made.grade.word}: {window} ({', '.join(runs) or 'no run'})"


def _write_down(made: Brief, out: Path | None) -> None:
    if out is None:
        return
    from wxgate.journal import Journal

    with Journal(out, at=made.now) as journal:
        journal.add_brief(made)
