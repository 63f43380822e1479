"""``wxgate page``: the brief as one page of HTML, for a phone, a screen, or a sheet of paper."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from typing import Annotated

import typer

from wxgate.cli import options as o
from wxgate.cli.display import ClockOption, UnitsOption, display_of
from wxgate.cli.terminal import say
from wxgate.errors import UsageError


def page(
    out: Annotated[Path, typer.Option("--out", help="The HTML file to write.")],
    site: o.SiteOption = None,
    lat: o.LatOption = None,
    lon: o.LonOption = None,
    zone: o.ZoneOption = "UTC",
    aircraft: o.AircraftOption = None,
    pilot: o.PilotOption = None,
    height: o.HeightOption = "60 m",
    hours: o.HoursOption = 36,
    minimum: Annotated[
        int, typer.Option("--minimum", min=1, max=24, help="Shortest window, in hours.")
    ] = 1,
    at: o.AtOption = None,
    rules: o.RulesOption = None,
    forecast: o.ForecastOption = None,
    sources: o.SourcesOption = None,
    demo: o.DemoOption = False,
    offline: o.OfflineOption = False,
    budget: o.BudgetOption = None,
    reports: o.ReportsOption = False,
    grade_by: o.GradeByOption = "limits",
    chances: o.ChancesOption = None,
    units: UnitsOption = None,
    clock: ClockOption = None,
) -> None:
    """Write the brief as one HTML file, whole in itself: verdict, hours, plots, every reason."""
    from wxgate.cli.issued import issued
    from wxgate.cli.prepare import prepare
    from wxgate.report.page import page_html
    from wxgate.report.text import headline_text

    display = display_of(units, clock)
    refuse(out)  # before the fetch, which may take minutes
    made = prepare(
        site=site, lat=lat, lon=lon, zone=zone, aircraft=aircraft, pilot=pilot, height=height,
        hours=hours, minimum=minimum, at=at, rules=rules, forecast=forecast, sources=sources,
        demo=demo, offline=offline, budget=budget, reports=reports, grade_by=grade_by,
        chances=chances,
    )  # fmt: skip
    write(page_html(made, display=display), out)
    issued(made)
    say(f"{out}: {made.grade.word.upper()}: {headline_text(made, display=display)}")


def refuse(path: Path) -> None:
    """UsageError for a path that no file can be written to: a folder, or in none."""
    try:
        path.exists()
    except OSError as error:  # a name that is too long
        raise UsageError(
            f"the page cannot be written ({error.strerror or error})",
            where=str(path),
            remedy="Name another file.",
        ) from error
    if path.is_dir():
        raise UsageError(
            "the page cannot be written, for this is a folder",
            where=str(path),
            remedy=f"Name a file in it, such as {path / 'brief.html'}.",
        )
    if path.exists() and not path.is_file():
        raise UsageError(
            "the page cannot be written, for this is a device or the like",
            where=str(path),
            remedy="Name a file.",
        )
    if not path.parent.is_dir():
        raise UsageError(
            "the page cannot be written, for its folder is not there",
            where=str(path),
            remedy="Make the folder first, or name another.",
        )


def write(text: str, path: Path) -> None:
    """Write a file whole or not at all; UsageError when it cannot be written."""
    partial = path.with_name(f".{path.name}.{os.getpid()}.partial")
    try:
        partial.write_text(text, encoding="utf-8")
        partial.replace(path)
    except OSError as error:
        raise UsageError(
            f"the page cannot be written ({error.strerror or error})",
            where=str(path),
            remedy="Choose a folder that exists and that you may write to.",
        ) from error
    finally:
        with contextlib.suppress(OSError):  # it was never there, or nobody may tidy up
            partial.unlink(missing_ok=True)
