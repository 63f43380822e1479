"""``wxgate fetch``: the forecast of a place as a CF netCDF file in the data contract."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from wxgate.cli import options as o
from wxgate.cli.terminal import say


def fetch(
    out: Annotated[Path, typer.Option("--out", help="The netCDF file to write.")],
    site: o.SiteOption = None,
    lat: o.LatOption = None,
    lon: o.LonOption = None,
    zone: o.ZoneOption = "UTC",
    hours: o.HoursOption = 48,
    at: o.AtOption = None,
    forecast: o.ForecastOption = None,
    model: Annotated[
        str | None, typer.Option("--source", help="The model to fetch; see `wxgate sources`.")
    ] = None,
    demo: o.DemoOption = False,
    offline: o.OfflineOption = False,
) -> None:
    """Fetch the forecast and write it to a file that plain xarray opens."""
    from wxgate.cli import session
    from wxgate.cli.progress import progress_bar
    from wxgate.cli.question import DEMO_NOW, Question, raw_forecast
    from wxgate.netcdf import write_netcdf
    from wxgate.report.words import provenance_text

    now = DEMO_NOW if demo and at is None else o.moment(at)
    place = session.find_site(site, lat, lon, zone, demo=demo)
    question = Question(place, now, hours, demo=demo, offline=offline, file=forecast, model=model)
    with progress_bar() as progress:
        found = raw_forecast(question, progress=progress)
    write_netcdf(found, out, place=(place.latitude, place.longitude))
    say(f"{out}: {len(found.fields)} quantities, {found.time.size} hours from"
               f" {found.time[0]} UTC.")  # fmt: skip
    for p in found.provenance:
        say(provenance_text(p, now))
    for note in found.notes:
        say(f"Note: {note}")
