"""``wxgate brief``: the verdict, the window, the reason, and every hour in a strip."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from typing import Annotated

import typer

from wxgate.cli import options as o
from wxgate.cli.display import ClockOption, UnitsOption, display_of, on_screen
from wxgate.cli.terminal import coloured, say, wants_colour
from wxgate.verdict import Grade

#: What ``--exit-verdict`` ends with; the codes of faults are smaller, so that none is mistaken.
EXIT_CODES = {Grade.GO: 0, Grade.MARGINAL: 10, Grade.NO_GO: 11, Grade.UNKNOWN: 12}


def _print_schema(asked: bool) -> None:
    if asked:
        from wxgate.report.json import schema_text

        say(schema_text(), end="")
        raise typer.Exit


def brief(
    site: o.SiteOption = None,
    lat: o.LatOption = None,
    lon: o.LonOption = None,
    zone: o.ZoneOption = "UTC",
    aircraft: o.AircraftOption = None,
    pilot: o.PilotOption = None,
    height: o.HeightOption = "60 m",
    hours: o.HoursOption = 36,
    minimum: Annotated[
        int, typer.Option(
            "--minimum", metavar="HOURS", min=1, max=24,
            help="Shortest window, in hours.",
        )
    ] = 1,
    at: o.AtOption = None,
    rules: o.RulesOption = None,
    forecast: o.ForecastOption = None,
    sources: o.SourcesOption = None,
    demo: o.DemoOption = False,
    offline: o.OfflineOption = False,
    budget: o.BudgetOption = None,
    dry_run: o.DryRunOption = False,
    reports: o.ReportsOption = False,
    k_index: o.KIndexOption = None,
    grade_by: o.GradeByOption = "limits",
    chances: o.ChancesOption = None,
    bias: o.BiasOption = None,
    lagged: o.LaggedOption = 0,
    earlier: o.EarlierOption = None,
    units: UnitsOption = None,
    clock: ClockOption = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print JSON for programs (its form: --schema).")
    ] = False,
    exit_verdict: Annotated[
        bool,
        typer.Option(
            "--exit-verdict",
            help="End with the verdict's exit code, for scripts: 0 go, 10 marginal, 11 no-go,"
            " 12 unknown. Faults keep their own codes, all below 10.",
        ),
    ] = False,
    schema: Annotated[
        bool,
        typer.Option(
            "--schema", callback=_print_schema, is_eager=True,
            help="Print the JSON Schema of --json, and end.",
        ),
    ] = False,
) -> None:  # fmt: skip
    """Grade the coming hours and name the window to fly in."""
    from wxgate.cli.prepare import prepare, understand

    if dry_run:
        from wxgate.cli.plans import tell_plans

        asked = understand(
            site=site, lat=lat, lon=lon, zone=zone, aircraft=aircraft, pilot=pilot, height=height,
            hours=hours, at=at, rules=rules, forecast=forecast, sources=sources, demo=demo,
            offline=offline, budget=budget,
        )  # fmt: skip
        tell_plans(asked.questions, as_json=as_json)
        return
    display = on_screen(display_of(units, clock))
    made = prepare(
        site=site, lat=lat, lon=lon, zone=zone, aircraft=aircraft, pilot=pilot, height=height,
        hours=hours, minimum=minimum, at=at, rules=rules, forecast=forecast, sources=sources,
        demo=demo, offline=offline, budget=budget, reports=reports, grade_by=grade_by,
        chances=chances, bias=bias, lagged=lagged, earlier=earlier, k_index=k_index,
    )  # fmt: skip
    if as_json:
        from wxgate.report.json import brief_json

        text = json.dumps(brief_json(made), indent=1, allow_nan=False) + "\n"
    else:
        from wxgate.report.text import brief_text

        text = brief_text(made, style=style(), display=display)
    from wxgate.cli.issued import issued

    try:
        say(text, end="")
    finally:  # also where whoever read it has gone
        issued(made, {
            "site": site, "lat": lat, "lon": lon, "zone": zone, "aircraft": aircraft,
            "pilot": pilot, "height": height, "hours": hours, "rules": rules, "sources": sources,
            "forecast": forecast, "chances": chances, "grade_by": grade_by, "bias": bias,
            "lagged": lagged, "earlier": earlier,
        })  # fmt: skip
    if exit_verdict and made.grade is not Grade.GO:
        raise typer.Exit(EXIT_CODES[made.grade])


def style() -> Callable[[str, Grade], str]:
    """How words are coloured: not at all where NO_COLOR is set or nobody watches."""
    from wxgate.report.strip import plain

    return coloured if wants_colour(sys.stdout) else plain
