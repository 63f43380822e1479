"""``wxgate page``: the brief as one page of HTML, for a phone, a screen, or a sheet of paper."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from wxgate.cli import options as o
from wxgate.cli.display import ClockOption, UnitsOption, display_of
from wxgate.cli.outfiles import check_out
from wxgate.cli.terminal import say
from wxgate.errors import UsageError
from wxgate.wholefile import write_whole


def page(
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The HTML file to write.")],
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
    """Write the brief as one HTML file, whole in itself: verdict, hours, plots, every reason."""
    from wxgate.cli.issued import issued
    from wxgate.cli.prepare import prepare
    from wxgate.report.page import page_html
    from wxgate.report.text import headline_text

    display = display_of(units, clock)
    check_out(out)
    made = prepare(
        site=site, lat=lat, lon=lon, zone=zone, aircraft=aircraft, pilot=pilot, height=height,
        hours=hours, minimum=minimum, at=at, rules=rules, forecast=forecast, sources=sources,
        demo=demo, offline=offline, budget=budget, reports=reports, grade_by=grade_by,
        chances=chances, bias=bias, lagged=lagged, earlier=earlier, k_index=k_index,
    )  # fmt: skip
    write(page_html(made, display=display), out)
    issued(made)
    say(f"{out}: {made.grade.word.upper()}: {headline_text(made, display=display)}")


def write(text: str, path: Path) -> None:
    """Write a file whole or not at all; UsageError when it cannot be written."""
    try:
        write_whole(path, text)
    except OSError as error:
        raise UsageError(
            f"the page cannot be written ({error.strerror or error})",
            where=str(path),
            remedy="Choose a folder that exists, that you may write to, on a disk with room.",
        ) from error
