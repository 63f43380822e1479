"""``wxgate explain HOUR``: every number behind one hour, and where it came from."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Annotated

import typer

from wxgate.cli import options as o
from wxgate.cli.display import ClockOption, UnitsOption, display_of, on_screen
from wxgate.cli.terminal import say
from wxgate.errors import UsageError

if TYPE_CHECKING:
    from wxgate.brief import Brief
    from wxgate.report.display import Display
    from wxgate.verdict import Verdict


def explain(
    hour: Annotated[
        str,
        typer.Argument(help="The hour, in local time of the site (14:00, 2026-09-15T14:00)."),
    ],
    site: o.SiteOption = None,
    lat: o.LatOption = None,
    lon: o.LonOption = None,
    zone: o.ZoneOption = "UTC",
    aircraft: o.AircraftOption = None,
    pilot: o.PilotOption = None,
    height: o.HeightOption = "60 m",
    hours: o.HoursOption = 36,
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
    """Show inputs, recipe, citation and value of every quantity of one hour, and every rule."""
    from wxgate.cli.prepare import prepare
    from wxgate.report.explain import explain_text

    display = on_screen(display_of(units, clock))
    made = prepare(
        site=site, lat=lat, lon=lon, zone=zone, aircraft=aircraft, pilot=pilot, height=height,
        hours=hours, minimum=1, at=at, rules=rules, forecast=forecast, sources=sources,
        demo=demo, offline=offline, budget=budget, reports=reports, k_index=k_index,
        grade_by=grade_by, chances=chances, bias=bias, lagged=lagged, earlier=earlier,
    )  # fmt: skip
    say(explain_text(made, _verdict_of(hour, made, display), display=display), end="")


def _verdict_of(text: str, made: Brief, display: Display) -> Verdict:
    """The verdict of the hour that the text names; UsageError when it lies outside the brief."""
    when = _start(text, made)
    for verdict in made.hours:
        if verdict.start <= when < verdict.end:
            return verdict
    from wxgate.report.words import span, zone

    whole = span(made.hours[0].start, made.hours[-1].end, zone(made.site.zone), display=display)
    raise UsageError(
        f"the hour {text!r} is not among those asked for ({whole})",
        remedy="Name an hour of that span, or ask for more with --hours.",
    )


def _start(text: str, made: Brief) -> datetime:
    from wxgate.report.words import zone

    tz = zone(made.site.zone)
    today = made.now.astimezone(tz)
    try:
        if "-" in text:
            when = datetime.fromisoformat(text)
            return when if when.tzinfo else when.replace(tzinfo=tz)
        clock, _, minute = text.partition(":")
        when = today.replace(hour=int(clock), minute=int(minute or 0), second=0, microsecond=0)
    except (ValueError, OverflowError) as error:
        raise UsageError(
            f"{text!r} is not an hour", remedy="Write 14:00 or 2026-09-15T14:00."
        ) from error
    return when if when > made.now - timedelta(hours=1) else when + timedelta(days=1)
