"""``wxgate field``: what the meter shows, held against the last brief; no network needed."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wxgate.cli import complete
from wxgate.cli import options as o
from wxgate.cli.brief import style
from wxgate.cli.display import ClockOption, UnitsOption, display_of, on_screen
from wxgate.cli.recalled import brief_for, said_before
from wxgate.cli.terminal import say
from wxgate.errors import UsageError

if TYPE_CHECKING:
    from datetime import datetime

    from wxgate.brief import Brief
    from wxgate.fieldcheck import FieldCheck
    from wxgate.journal import Reading
    from wxgate.observed import Reports
    from wxgate.report.display import Display

#: Units that a meter shows, with those in which the answer to it is told.
_UNITS = {"m/s": "metric", "kt": "knots", "mph": "mph", "km/h": "kmh"}


def field(
    reading: Annotated[
        list[str] | None,
        typer.Argument(
            help="Up to three numbers: mean wind, strongest wind, height of the meter in m;"
            " or with their units, such as 8kt 12kt 6ft. - for what was not measured.",
            show_default=False,
        ),
    ] = None,
    unit: Annotated[
        str | None,
        typer.Option(
            "--unit", metavar="UNIT",
            help="Of bare winds, and of the answer: m/s (usual), kt, mph, km/h.",
            show_default=False,
        ),
    ] = None,
    minutes: Annotated[
        float | None, typer.Option(
            "--minutes", metavar="MINUTES", min=0,
            help="How long it was measured.",
        )
    ] = None,
    sheltered: Annotated[
        bool | None,
        typer.Option("--sheltered/--open", help="Whether trees or walls shelter the meter."),
    ] = None,
    surface: Annotated[
        str | None, typer.Option(
            "--surface", metavar="WORDS",
            help="What covers the ground, such as mown field.",
        )
    ] = None,
    beaufort: Annotated[
        int | None,
        typer.Option(
            "--beaufort", metavar="FORCE", min=0, max=12,
            help="Force by what trees and flags do.",
        ),
    ] = None,
    hover: Annotated[
        str | None, typer.Option(
            "--hover", metavar="SPEED",
            help="Wind that a hover aloft told, such as '6 m/s'.",
        )
    ] = None,
    hover_height: Annotated[
        str | None, typer.Option(
            "--hover-height", metavar="HEIGHT",
            help="Of the hover, such as '40 m'.",
        )
    ] = None,
    rain: Annotated[bool | None, typer.Option("--rain/--dry", help="Drops are falling.")] = None,
    thunder: Annotated[
        bool | None, typer.Option("--thunder/--no-thunder", help="Thunder was heard.")
    ] = None,
    visibility: Annotated[
        str | None, typer.Option(
            "--visibility", metavar="DISTANCE",
            help="As far as you see, such as '3 km'.",
        )
    ] = None,
    cloud: Annotated[
        float | None, typer.Option(
            "--cloud", metavar="EIGHTHS", min=0, max=8,
            help="Eighths of the sky.",
        )
    ] = None,
    cloud_base: Annotated[
        str | None,
        typer.Option(
            "--cloud-base", metavar="HEIGHT",
            help="Its height above ground, such as '150 m'.",
        ),
    ] = None,
    temperature: Annotated[
        str | None, typer.Option("--temperature", metavar="TEMPERATURE", help="Such as '-3 degC'.")
    ] = None,
    notes: Annotated[str, typer.Option(
        "--notes", metavar="TEXT",
        help="Anything else, for the journal.",
    )] = "",
    site: Annotated[
        str | None, typer.Option(
            "--site", metavar="SITE",
            help="Another site than that of the last brief.",
            autocompletion=complete.sites,
        )
    ] = None,
    aircraft: o.AircraftOption = None,
    pilot: o.PilotOption = None,
    height: Annotated[
        str | None, typer.Option(
            "--height", metavar="HEIGHT",
            help="Another flight height, such as '30 m'.",
        )
    ] = None,
    rules: o.RulesOption = None,
    k_index: o.KIndexOption = None,
    at: o.AtOption = None,
    demo: o.DemoOption = False,
    online: Annotated[
        bool, typer.Option("--online", help="Fetch a new forecast, and reports of stations.")
    ] = False,
    units: UnitsOption = None,
    clock: ClockOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for programs.")] = False,
) -> None:  # fmt: skip
    """Hold what you measure and see on the field against the forecast of this hour.

    Three numbers suffice: wxgate field 3.5 5.2 2
    """
    from dataclasses import replace

    from wxgate.daylimits import figures_of
    from wxgate.fieldcheck import check_field
    from wxgate.fieldcheck.seen import refuse_feet
    from wxgate.report.field import field_json, field_text

    now = _now(at, demo)
    told = _reading(
        now, reading or [], unit="m/s" if unit is None else unit, minutes=minutes,
        sheltered=sheltered,
        surface=surface, beaufort=beaufort, hover=hover, hover_height=hover_height, rain=rain,
        thunder=thunder, visibility=visibility, cloud=cloud, cloud_base=cloud_base,
        temperature=temperature, notes=notes,
    )  # fmt: skip
    display = on_screen(display_of(units or (None if unit is None else _UNITS[unit]), clock))
    made = brief_for(
        {"site": site, "aircraft": aircraft, "pilot": pilot, "height": height, "rules": rules,
         "k_index": k_index},
        now, demo=demo, online=online,
    )  # fmt: skip
    highest = figures_of(made.rulebook).value("highest-hand", "m")
    refuse_feet(reading or [], unit or "m/s", highest)
    airports = _airports(made, now, online=online)
    check = check_field(
        made, replace(told, site=made.site.id),
        reports=() if airports is None else airports.reports,
        said=said_before(made, now),
    )  # fmt: skip
    if as_json:
        text = json.dumps(field_json(check), indent=1, allow_nan=False) + "\n"
    else:
        text = field_text(check, airports=airports, style=style(), display=display)
    try:
        say(text, end="")
    finally:  # also where whoever read it has gone
        _write_down(check, airports, display)


def _now(at: str | None, demo: bool) -> datetime:
    if at is None and demo:
        from datetime import timedelta

        from wxgate.cli.question import DEMO_NOW

        # The demonstration's window opens four hours after its brief.
        return DEMO_NOW + timedelta(hours=4, minutes=20)
    return o.moment(at)


def _airports(made: Brief, now: datetime, *, online: bool) -> Reports | None:
    """What the airports around say: fetched, or offline what is kept and not yet too old."""
    from wxgate.cli.progress import progress_bar
    from wxgate.cli.tools import toolbox
    from wxgate.observed import observed

    if made.demonstration:
        return None
    with progress_bar() as progress:
        found = observed(made.site, now, toolbox(progress, offline=not online))
    return found if online or found.reports or found.forecasts else None


def _reading(
    now: datetime, texts: list[str], *, unit: str, hover: str | None, hover_height: str | None,
    visibility: str | None, cloud: float | None, cloud_base: str | None, temperature: str | None,
    **others: Any,
) -> Reading:  # fmt: skip
    """What was typed as a reading in SI units; UsageError for what cannot be read."""
    from wxgate.fieldcheck.seen import numbers
    from wxgate.journal import Reading

    if unit not in _UNITS:
        raise UsageError(f"the unit {unit!r} is not known", remedy=f"Known: {', '.join(_UNITS)}.")
    mean, maximum, meter = numbers(texts, unit)
    return Reading(
        made=now, site="", mean=mean, maximum=maximum, height=meter,
        hover=_amount("--hover", hover, "m s-1"),
        hover_height=_amount("--hover-height", hover_height, "m"),
        visibility=_amount("--visibility", visibility, "m"),
        cloud=None if cloud is None else cloud / 8,
        cloud_base=_amount("--cloud-base", cloud_base, "m"),
        temperature=_amount("--temperature", temperature, "K"),
        **others,
    )  # fmt: skip


def _amount(option: str, text: str | None, unit: str) -> float | None:
    from wxgate.units import parse_amount

    if text is None:
        return None
    try:
        return parse_amount(text.replace(",", "."), unit)
    except UsageError as error:
        raise UsageError(f"{option}: {error.what}", remedy=error.remedy) from error


def _write_down(check: FieldCheck, airports: Reports | None, display: Display) -> None:
    """Into the journal, after the answer: a journal that is busy must not keep a pilot waiting."""
    from dataclasses import replace

    from wxgate.cli.journal import journal_file
    from wxgate.cli.terminal import complain
    from wxgate.errors import JournalError
    from wxgate.journal import Journal, Observation
    from wxgate.report.field import answer_text

    if check.brief.demonstration:
        return
    told = replace(check.reading, grade=check.grade, answer=answer_text(check, display=display))
    reports = () if airports is None else airports.reports
    try:
        with Journal(journal_file(), at=check.reading.made) as journal:
            journal.add_reading(told)
            journal.add_observations(
                [Observation(r.station, r.time, r.raw, r.distance_km) for r in reports]
            )
        for note in journal.notes:
            complain(note)
    except JournalError as error:
        complain(f"not written down: {error}")
