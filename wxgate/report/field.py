"""The check on the field in plain text: short, for cold fingers and a small screen."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from wxgate.daylimits import figures_of
from wxgate.fieldcheck import FieldCheck, Station
from wxgate.report.display import METRIC, Display
from wxgate.report.text import Style, plain
from wxgate.report.words import (
    CAUTIONS,
    age,
    limit_shown,
    provenance_text,
    reason_text,
    shown,
    span,
    zone,
)
from wxgate.verdict import Grade, Verdict

if TYPE_CHECKING:
    from wxgate.observed import Reports


def field_text(
    check: FieldCheck, *, airports: Reports | None = None, style: Style = plain,
    display: Display = METRIC,
) -> str:  # fmt: skip
    """The check in plain text, ending in a newline; ``airports`` add a forecast and notes."""
    tz = zone(check.brief.site.zone)
    lines = [
        *_verdicts(check, tz, style, display),
        *_for_whom(check, display),
        *_compared(check, display),
        *_stops(check, display),
        *(line for station in check.stations for line in _station(station, check, display)),
        *_airports(airports, display),
        *_forecast(check, display),
    ]
    cautions = [line for told in CAUTIONS for line in _wrapped(told, "", display)]
    return "\n".join([*lines, *cautions]) + "\n"


def answer_text(check: FieldCheck, *, display: Display = METRIC) -> str:
    """What the check said of this hour, in one line for the journal."""
    if not check.hours:
        return f"{check.grade.word}: {_BEYOND}"
    return f"{check.grade.word}: {_reason(check.hours[0], display)}"


_BEYOND = "the last brief does not reach this hour"


def _verdicts(check: FieldCheck, tz: ZoneInfo, style: Style, display: Display) -> Iterator[str]:
    if not check.hours:
        yield f"{style('UNKNOWN', Grade.UNKNOWN)}: {_BEYOND}."
        yield "Ask for a new brief; without one a calm meter is no go."
        return
    for number, (before, verdict) in enumerate(zip(check.before, check.hours, strict=True)):
        head = "Now" if number == 0 else "Next"
        when = span(verdict.start, verdict.end, tz, display=display)
        word = style(verdict.grade.word.upper(), verdict.grade)
        was = "" if verdict.grade is before.grade else f" (forecast alone: {before.grade.word})"
        same = number > 0 and _reason(verdict, display) == _reason(check.hours[0], display)
        why = "for the same reason" if same else _reason(verdict, display)
        yield from _wrapped(f"{head} {when}: {word}{was}", why, display)


def _reason(verdict: Verdict, display: Display) -> str:
    reason = verdict.limiting_reason
    if reason is None:
        return "the forecast does not reach this hour: ask for a new brief"
    told = reason_text(reason, display=display)
    return told if reason.grade is Grade.GO else f"{told}: {reason.because}"


def _compared(check: FieldCheck, display: Display) -> Iterator[str]:
    """What was read against what the forecast lets the meter show."""
    reading, parts = check.reading, []
    if reading.mean is not None and check.expected is not None and reading.height is not None:
        parts.append(
            f"the meter shows {shown('wind_speed', reading.mean, display=display)} at"
            f" {display.length(reading.height)}, the forecast lets it show"
            f" {shown('wind_speed', check.expected, display=display)}"
        )
    if check.scale is not None and check.scale > 1:
        parts.append(f"all later winds are taken {check.scale:.1f} times as strong")
    elif check.scale is not None:
        parts.append("a weaker wind here changes nothing aloft, the forecast stands")
    if not check.seen.anything:
        parts.append("nothing was measured: this is the forecast alone")
    if parts:
        yield from _wrapped("Measured", "; ".join(parts) + ".", display)


def _stops(check: FieldCheck, display: Display) -> Iterator[str]:
    stops = check.stops
    if stops is None:
        return
    numbers = [
        f"{label} above {limit_shown('wind_speed', value, 'above', display=display)}"
        for label, value in (("mean", stops.mean), ("strongest", stops.maximum))
        if value is not None
    ]
    if stops.spread is not None:
        spread = limit_shown("gust_spread", stops.spread, "above", display=display)
        numbers.append(f"gusts more than {spread} above the mean")
    if numbers:
        at = display.length(stops.meter_height)
        told = f"at {at}: {' or '.join(numbers)} end the flying."
    else:
        told = "no stop numbers: the wind of these hours is not known."
    why = [*map(str, stops.silent), *_own_doubts(check)]
    if why:
        told += f" A lower reading allows nothing: {'; '.join(why)}."
    yield from _wrapped("Stop", told, display)


def _own_doubts(check: FieldCheck) -> Iterator[str]:
    reading, shortest = check.reading, figures_of(check.brief.rulebook).value("measure-for", "min")
    if reading.sheltered:
        yield "you said that it is sheltered"
    if reading.minutes is not None and reading.minutes < shortest:
        yield f"{reading.minutes:g} min are too short to catch the gusts"


def _station(station: Station, check: FieldCheck, display: Display) -> Iterator[str]:
    report = station.report
    minutes = (check.reading.made - report.time).total_seconds() / 60
    told = f"{report.distance_km:.0f} km away, {age(max(minutes, 0) / 60)} old: {report.raw}"
    if station.verdict is not None:
        told += f"; as reported this hour would be {station.verdict.grade.word}"
        if station.verdict.grade > Grade.GO and station.verdict.limiting_reason is not None:
            told += f" ({reason_text(station.verdict.limiting_reason, display=display)})"
    if report.gust_below is not None:
        below = shown("gust", report.gust_below, display=display)
        told += f"; no gust told means below {below}, not none"
    yield from _wrapped(report.station, told + ".", display)


def _airports(airports: Reports | None, display: Display) -> Iterator[str]:
    """The nearest airport's forecast, which grades nothing, and why there is no report."""
    if airports is None:
        return
    if airports.forecasts:
        taf = airports.forecasts[0]
        yield from _wrapped(f"TAF {taf.distance_km:.0f} km away", taf.raw, display, most=4)
    if not airports.reports:
        yield from _wrapped("Airports", "; ".join(airports.notes) or "no report", display, most=2)


def _for_whom(check: FieldCheck, display: Display) -> Iterator[str]:
    """Where this is and for whom: nobody typed it, it is what was asked last."""
    brief = check.brief
    yield from _wrapped(
        "For",
        f"{brief.site.name} ({brief.site.id}), {brief.aircraft.id}, {brief.pilot.id}, up to"
        f" {display.length(brief.height)}.",
        display,
    )


def _forecast(check: FieldCheck, display: Display) -> Iterator[str]:
    """Which forecast this is from, how old it is, and what went wrong with it."""
    told = [provenance_text(p, check.reading.made) for p in check.brief.provenance]
    yield from _wrapped("Forecast", "; ".join(told) + ".", display)
    if check.brief.notes:
        yield from _wrapped("Note", "; ".join(check.brief.notes), display, most=3)


def _wrapped(label: str, text: str, display: Display, *, most: int | None = None) -> list[str]:
    return textwrap.wrap(
        f"{label}: {text}" if text else label, display.width, subsequent_indent="  ",
        break_on_hyphens=False, max_lines=most and display.lines(most), placeholder=" ...",
    )  # fmt: skip


def field_json(check: FieldCheck) -> dict[str, Any]:
    """The check as plain dicts and lists; SI units, times in UTC, no NaN."""
    from wxgate.report.json import utc, verdict_json

    stops = check.stops
    return {
        "schema": 1,
        "now": utc(check.reading.made),
        "site": check.brief.site.id,
        "grade": check.grade.word,
        "hours": [verdict_json(v) for v in check.hours],
        "forecast_alone": [v.grade.word for v in check.before],
        "scale": check.scale,
        "expected_mean": check.expected,
        "stop": None
        if stops is None
        else {"height_m": stops.meter_height, "mean": stops.mean, "maximum": stops.maximum,
              "spread": stops.spread,
              "silent": [str(why) for why in stops.silent]},
        "stations": [
            {"station": s.report.station, "time": utc(s.report.time), "raw": s.report.raw,
             "distance_km": round(s.report.distance_km, 1),
             "grade": None if s.verdict is None else s.verdict.grade.word}
            for s in check.stations
        ],
        "cautions": " ".join(CAUTIONS),
    }  # fmt: skip
