"""``wxgate verify``: how good the verdicts were, by what was then observed."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wxgate.cli import options as o
from wxgate.cli.journal import (
    Invented,
    Since,
    SiteName,
    Until,
    Zone,
    journal_file,
    write_text,
)
from wxgate.cli.journaldays import selection
from wxgate.cli.outfiles import check_out
from wxgate.cli.terminal import say
from wxgate.errors import DataError, UsageError

if TYPE_CHECKING:
    from wxgate.cli.session import Cast
    from wxgate.hindsight import Observed
    from wxgate.journal import Journal, Selection
    from wxgate.profiles import Site
    from wxgate.rulebook import Rulebook


def verify(
    journal: Annotated[
        Path | None,
        typer.Option(
            "--journal", metavar="FILE", help="Another journal, such as one of `wxgate replay`."
        ),
    ] = None,
    observations: Annotated[
        Path | None,
        typer.Option(
            "--observations",
            metavar="FILE",
            help="A CSV table. Its first line: time, and of wind_speed (kt), gust (kt), visibility"
            " (km), ceiling_height (ft), air_temperature (degC), dew_point_temperature (degC),"
            " precipitation (mm) what there is.",
        ),
    ] = None,
    reports: Annotated[
        Path | None,
        typer.Option("--reports", metavar="FILE", help="A text file of station reports (METAR)."),
    ] = None,
    station: Annotated[
        str | None,
        typer.Option("--station", metavar="NAME", help="The station, where there are several."),
    ] = None,
    aircraft: o.AircraftOption = None,
    pilot: o.PilotOption = None,
    rules: o.RulesOption = None,
    law: Annotated[
        str | None, typer.Option("--law", metavar="LAW", help="The law pack of the site.")
    ] = None,
    site: SiteName = None,
    since: Since = None,
    until: Until = None,
    zone: Zone = None,
    demo: Invented = False,
    plots: Annotated[
        Path | None,
        typer.Option("--plots", metavar="FOLDER", help="Write plots (PNG) into this folder."),
    ] = None,
    offer: Annotated[
        Path | None,
        typer.Option(
            "--offer",
            metavar="FILE",
            help="Write the bias that was learned to this file, to look at.",
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for programs.")] = False,
) -> None:
    """Hold the verdicts of the journal against what was observed, by the same rules.

    Observations come from a table, from a file of reports, or from the reports in the journal.
    """
    from wxgate.hindsight import costs_of, findings, pair_up
    from wxgate.journal import Journal
    from wxgate.report.hindsight import hindsight_json, hindsight_text, offered_bias
    from wxgate.report.hindsightplots import hindsight_plots

    check_out(offer)
    file = journal_file() if journal is None else journal
    if not file.exists():
        raise UsageError(
            "there is no journal yet",
            where=str(file),
            remedy="It begins with the first brief; or name one with --journal.",
        )
    with Journal(file, at=datetime.now(UTC), to_read=True) as opened:
        which = selection(opened, site, since, until, zone, demo=demo)
        observed = _observed(opened, which, observations, reports, station)
        cast, rulebook = _by_whose_rules(opened, which, aircraft, pilot, rules, law)
        pairs = pair_up(opened, observed, rulebook, which=which,
                        aircraft=cast.aircraft, skill=cast.pilot.skill)  # fmt: skip
    found = findings(pairs, costs_of(rulebook))
    told = []
    if offer is not None:
        write_text(offer, offered_bias(found))
        told.append(f"{offer}: the bias that was learned; nothing applies it by itself")
    if plots is not None:
        told += [f"written: {path}" for path in hindsight_plots(found, plots)]
    for line in told:  # files come first, for whoever reads may go at any line
        say(line)
    if as_json:
        say(json.dumps(hindsight_json(found), indent=1, allow_nan=False))
        return
    say(hindsight_text(found), end="")


def _observed(
    journal: Journal, which: Selection, table: Path | None, texts: Path | None, station: str | None
) -> Observed:
    """The observations; UsageError unless they come from one place."""
    from wxgate.hindsight import observed_from_csv, observed_from_reports
    from wxgate.hindsight.archive import reports_in_file, reports_in_journal

    if table is not None and texts is not None:
        raise UsageError("two kinds of observations were given",
                         remedy="Give --observations or --reports.")  # fmt: skip
    if table is not None:
        return observed_from_csv(table)
    if texts is not None:
        near = max((b.made for b in journal.briefs(which)), default=datetime.now(UTC))
        found = reports_in_file(texts, near=near)
    else:
        found = reports_in_journal(journal, which)
    if station is not None:
        found = [one for one in found if one.station == station]
    stations = sorted({one.station for one in found})
    if len(stations) > 1:
        raise UsageError(f"there are reports of {', '.join(stations)[:120]}",
                         remedy="Choose one with --station.")  # fmt: skip
    if not found:
        raise DataError(
            "there are no observations to hold the verdicts against",
            remedy="Give a table with --observations or reports with --reports; or let"
            " `wxgate brief --reports` gather some.",
        )
    return observed_from_reports(found)


def _by_whose_rules(
    journal: Journal, which: Selection, aircraft: str | None, pilot: str | None,
    rules: list[Path] | None, law: str | None,
) -> tuple[Cast, Rulebook]:  # fmt: skip
    """Aircraft, pilot and rules: those named, else those of the last brief."""
    from wxgate.cli import session
    from wxgate.profiles import Site

    last = max(journal.briefs(which), key=lambda brief: brief.made, default=None)
    if last is None:
        raise UsageError("the journal holds no brief of these days",
                         remedy="Check --site, --since and --until, or add --demo.")  # fmt: skip
    place = Site(last.site, last.site_name, last.latitude, last.longitude, last.zone, law=law)
    if law is None:
        place = _known(last.site) or place
    cast = session.find_cast(place, aircraft or last.aircraft, pilot or last.pilot, demo=False)
    return cast, session.rulebook_for(place, cast.pilot, rules)


def _known(site: str) -> Site | None:
    from wxgate.cli import session
    from wxgate.errors import ProfileError

    try:
        return session.find_site(site, None, None, "UTC", demo=False)
    except ProfileError:
        return None
