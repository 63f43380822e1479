"""The options that several commands share, and how their texts are read."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from wxgate.cli import complete
from wxgate.errors import UsageError
from wxgate.units import parse_amount

MOST_HOURS = 240
EARLIEST, LATEST = 1900, 2200  #: years that --at may name

SiteOption = Annotated[
    str | None,
    typer.Argument(
        help="A site file (YAML), or the id of a site that ships or lies in your configuration"
        " folder. Or give --lat and --lon.",
        show_default=False,
        autocompletion=complete.sites,
    ),
]
LatOption = Annotated[
    float | None,
    typer.Option("--lat", metavar="DEGREES", help="Latitude in degrees north, in place of a site."),
]
LonOption = Annotated[
    float | None,
    typer.Option("--lon", metavar="DEGREES", help="Longitude in degrees east, in place of a site."),
]
ZoneOption = Annotated[
    str,
    typer.Option("--zone", metavar="ZONE", help="Time zone of --lat/--lon, such as Europe/London."),
]
AircraftOption = Annotated[
    str | None,
    typer.Option(
        "--aircraft",
        metavar="AIRCRAFT",
        help="Aircraft file or id, such as light-249g.",
        autocompletion=complete.aircraft,
    ),
]
PilotOption = Annotated[
    str | None,
    typer.Option(
        "--pilot",
        metavar="PILOT",
        help="Pilot file or id: first-flight, novice, intermediate, ...",
        autocompletion=complete.pilots,
    ),
]
HeightOption = Annotated[
    str,
    typer.Option(
        "--height",
        metavar="HEIGHT",
        help="Planned height above ground, such as '60 m' or '200 ft'.",
    ),
]
HoursOption = Annotated[
    int,
    typer.Option(
        "--hours", metavar="HOURS", min=1, max=MOST_HOURS, help="Hours to grade, from now on."
    ),
]
AtOption = Annotated[
    str | None,
    typer.Option(
        "--at", metavar="TIME", help="Take this as now: ISO time with zone, 2026-09-15T05:00Z."
    ),
]
RulesOption = Annotated[
    list[Path] | None,
    typer.Option(
        "--rules", metavar="FILE", help="A rules file to add to those that ship; may be repeated."
    ),
]
ForecastOption = Annotated[
    Path | None,
    typer.Option(
        "--forecast", metavar="FILE", help="Use this CF netCDF or GRIB2 file in place of a fetch."
    ),
]
SourcesOption = Annotated[
    str | None,
    typer.Option(
        "--sources",
        metavar="NAMES",
        help="Models to ask, such as gfs,ecmwf; of several the stricter grade counts. See"
        " `wxgate sources`.",
        autocompletion=complete.sources,
    ),
]
BudgetOption = Annotated[
    float | None,
    typer.Option(
        "--budget",
        min=0,
        max=1e6,
        metavar="MB",
        help="The most to fetch from one model where none is named, in millions of bytes (60).",
    ),
]
DryRunOption = Annotated[
    bool,
    typer.Option("--dry-run", help="Tell what would be fetched, and fetch nothing."),
]
ReportsOption = Annotated[
    bool, typer.Option("--reports", help="Tell what the airports around report as well.")
]
KIndexOption = Annotated[
    float | None,
    typer.Option(
        "--k-index",
        metavar="KP",
        min=0,
        max=9,
        help="The planetary K index as you looked it up (0 to 9), for the coming 24 h; a higher one"
        " that was fetched stays.",
    ),
]
GradeByOption = Annotated[
    str,
    typer.Option(
        "--grade-by",
        metavar="limits|chance",
        help="chance: an hour needs to be sure enough, too. An ensemble is always graded so.",
        autocompletion=complete.one_of("limits", "chance"),
    ),
]
ChancesOption = Annotated[
    Path | None,
    typer.Option(
        "--chances",
        metavar="FILE",
        help="A file in the form of rules/chances.yaml: costs or shares that make an hour go.",
    ),
]
BiasOption = Annotated[
    Path | None,
    typer.Option(
        "--bias",
        metavar="FILE",
        help="What `wxgate verify --offer` learned, for the chances; never for the limits.",
    ),
]
LaggedOption = Annotated[
    int,
    typer.Option(
        "--lagged",
        metavar="RUNS",
        min=0,
        max=4,
        help="So many earlier runs of the same models as more weathers for the chances.",
    ),
]
EarlierOption = Annotated[
    list[Path] | None,
    typer.Option(
        "--earlier",
        metavar="FILE",
        help="A file of an earlier run, as more weathers for the chances; may be repeated.",
    ),
]
DemoOption = Annotated[
    bool, typer.Option("--demo", help="Use the built-in, invented demonstration forecast.")
]
OfflineOption = Annotated[
    bool, typer.Option("--offline", help="Use what is stored; do not touch the network.")
]


def moment(text: str | None) -> datetime:
    """The time of ``--at``, or the clock; UsageError for text that is no time or has no zone."""
    if text is None:
        return datetime.now(UTC)
    try:
        when = datetime.fromisoformat(text)
    except ValueError as error:
        raise UsageError(
            f"{text!r} is not a time", remedy="Write it as 2026-09-15T05:00Z."
        ) from error
    if when.tzinfo is None:
        raise UsageError(
            f"the time {text!r} has no zone",
            remedy="Write it with its zone: 2026-09-15T05:00Z for UTC, or 2026-09-15T06:00+01:00.",
        )
    if not EARLIEST < when.year < LATEST:
        raise UsageError(
            f"the year of {text!r} is not between {EARLIEST} and {LATEST}",
            remedy="Write a time such as 2026-09-15T05:00Z.",
        )
    return when.astimezone(UTC)


def height_m(text: str) -> float:
    """The height of ``--height`` in metres above ground; a bare number is refused."""
    from wxgate.derive.run import check_height

    try:
        height = parse_amount(text, "m")
    except UsageError as error:
        raise UsageError(
            f"height: {error.what}", remedy="Write for example --height '60 m' or '200 ft'."
        ) from error
    check_height(height)
    return height


def names(text: str | None) -> list[str]:
    """The names in a list such as ``gfs,ecmwf``; none for no text."""
    return [name.strip() for name in (text or "").split(",") if name.strip()]


def by_chance(text: str) -> bool:
    """Whether ``--grade-by`` asks for chances; UsageError for another word."""
    if text not in ("limits", "chance"):
        raise UsageError(
            f"--grade-by {text!r} is not known", remedy="Write --grade-by limits or chance."
        )
    return text == "chance"
