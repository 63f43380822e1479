"""``wxgate brief``: the verdict, the window, the reason, and every hour in a strip."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from typing import Annotated

import typer

from wxgate.cli import options as o
from wxgate.cli.terminal import coloured, say, wants_colour
from wxgate.verdict import Grade


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
        int, typer.Option("--minimum", min=1, max=24, help="Shortest window, in hours.")
    ] = 1,
    at: o.AtOption = None,
    rules: o.RulesOption = None,
    forecast: o.ForecastOption = None,
    sources: o.SourcesOption = None,
    demo: o.DemoOption = False,
    offline: o.OfflineOption = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for programs.")] = False,
) -> None:
    """Grade the coming hours and name the window to fly in."""
    from wxgate.cli.prepare import prepare

    made = prepare(
        site=site, lat=lat, lon=lon, zone=zone, aircraft=aircraft, pilot=pilot, height=height,
        hours=hours, minimum=minimum, at=at, rules=rules, forecast=forecast, sources=sources,
        demo=demo, offline=offline,
    )  # fmt: skip
    if as_json:
        from wxgate.report.json import brief_json

        say(json.dumps(brief_json(made), indent=1, allow_nan=False))
        return
    from wxgate.report.text import brief_text

    say(brief_text(made, style=style()), end="")


def style() -> Callable[[str, Grade], str]:
    """How words are coloured: not at all where NO_COLOR is set or nobody watches."""
    from wxgate.report.text import plain

    return coloured if wants_colour(sys.stdout) else plain
