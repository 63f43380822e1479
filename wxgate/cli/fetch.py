"""``wxgate fetch``: the forecast of a place as a CF netCDF file in the data contract."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wxgate.cli import complete
from wxgate.cli import options as o
from wxgate.cli.outfiles import check_out
from wxgate.cli.terminal import say
from wxgate.errors import UsageError

if TYPE_CHECKING:
    from wxgate.forecast import Forecast


def fetch(
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="The netCDF file to write.", show_default=False),
    ] = None,
    site: o.SiteOption = None,
    lat: o.LatOption = None,
    lon: o.LonOption = None,
    zone: o.ZoneOption = "UTC",
    hours: o.HoursOption = 48,
    at: o.AtOption = None,
    forecast: o.ForecastOption = None,
    model: Annotated[
        str | None,
        typer.Option(
            "--source",
            metavar="NAME",
            help="The model to fetch; see `wxgate sources`.",
            autocompletion=complete.source,
        ),
    ] = None,
    demo: o.DemoOption = False,
    offline: o.OfflineOption = False,
    budget: o.BudgetOption = None,
    dry_run: o.DryRunOption = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="With --dry-run: print JSON for programs.")
    ] = False,
) -> None:
    """Fetch the forecast and write it to a file that plain xarray opens."""
    from wxgate.cli import session
    from wxgate.cli.progress import progress_bar
    from wxgate.cli.question import DEMO_NOW, Question, raw_forecasts
    from wxgate.netcdf import write_netcdf

    now = DEMO_NOW if demo and at is None else o.moment(at)
    place = session.find_site(site, lat, lon, zone, demo=demo)
    question = Question(
        place, now, hours, demo=demo, offline=offline, file=forecast, model=model,
        budget_mb=budget, one_run=True,
    )  # fmt: skip
    if dry_run:
        from wxgate.cli.plans import tell_plans

        tell_plans([question], as_json=as_json)
        return
    if out is None:
        raise UsageError("no file to write was given", remedy="Give one with --out FILE.nc.")
    check_out(out)
    with progress_bar() as progress:
        found, *others = raw_forecasts(question, progress=progress)
    write_netcdf(found, out, place=(place.latitude, place.longitude))
    _tell(out, found, now)
    if others:
        _, until = found.speaks_for
        say(f"Note: the file holds one model, good to {until} UTC; name another with --source for"
            " the hours behind.")  # fmt: skip


def _tell(out: Path, found: Forecast, now: datetime) -> None:
    """What was written, where it came from, and whom to credit."""
    from wxgate.report.credits import full_credits
    from wxgate.report.words import provenance_text

    say(f"{out}: {len(found.fields)} quantities, {found.time.size} hours from"
               f" {found.time[0]} UTC.")  # fmt: skip
    for p in found.provenance:
        say(provenance_text(p, now))
    for note in found.notes:
        say(f"Note: {note}")
    for credit in full_credits(found.provenance):
        say(f"Credit: {credit}")
