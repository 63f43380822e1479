"""From the words of the command line to a brief, for ``brief`` and ``explain`` alike."""

from __future__ import annotations

from pathlib import Path

from wxgate.brief import Brief, make_brief
from wxgate.cli import options, session
from wxgate.cli.answer import derived_by_source
from wxgate.cli.progress import progress_bar
from wxgate.cli.question import DEMO_NOW, Question


def prepare(
    *,
    site: str | None,
    lat: float | None,
    lon: float | None,
    zone: str,
    aircraft: str | None,
    pilot: str | None,
    height: str,
    hours: int,
    minimum: int,
    at: str | None,
    rules: list[Path] | None,
    forecast: Path | None,
    sources: str | None,
    demo: bool,
    offline: bool,
) -> Brief:
    """The brief that the options ask for; every fault is a WxgateError."""
    now = DEMO_NOW if demo and at is None else options.moment(at)
    place = session.find_site(site, lat, lon, zone, demo=demo)
    cast = session.find_cast(place, aircraft, pilot, demo=demo)
    rulebook = session.rulebook_for(place, cast.pilot, rules)
    metres = options.height_m(height)
    question = Question(place, now, hours, demo=demo, offline=offline, file=forecast)
    with progress_bar() as progress:
        found = derived_by_source(
            question, cast.aircraft, metres, options.names(sources), progress=progress
        )
    return make_brief(
        found,
        rulebook,
        site=place,
        aircraft=cast.aircraft,
        pilot=cast.pilot,
        height=metres,
        now=now,
        hours=hours,
        minimum_h=minimum,
        demonstration=demo,
    )
