"""The hours that the sources asked grade differently, where several were."""

from __future__ import annotations

from datetime import timedelta
from zoneinfo import ZoneInfo

from wxgate.brief import Brief
from wxgate.report.display import METRIC, Display
from wxgate.report.words import clock, day
from wxgate.verdict import Verdict

HOUR = timedelta(hours=1)


def disputed_text(brief: Brief, tz: ZoneInfo, *, display: Display = METRIC) -> str:
    """Which sources disagree in which hours (local); empty where none do."""
    hours = [verdict for verdict in brief.hours if verdict.disputed]
    if not hours:
        return ""
    names = dict.fromkeys(name for verdict in hours for name, _ in verdict.by_source)
    told: list[str] = []
    last_day = ""
    for first, last in _runs(hours):
        today = day(first.start, tz)
        begin, end = (clock(when, tz, display=display) for when in (first.start, last.end))
        text = f"{begin}-{end}"
        told.append(text if today == last_day else f"{today} {text}")
        last_day = today
    return f"{', '.join(names)} disagree in {len(hours)} h, the stricter counts: {', '.join(told)}."


def _runs(hours: list[Verdict]) -> list[tuple[Verdict, Verdict]]:
    """First and last of the hours that follow each other."""
    runs: list[tuple[Verdict, Verdict]] = []
    for verdict in hours:
        if runs and runs[-1][1].start + HOUR == verdict.start:
            runs[-1] = (runs[-1][0], verdict)
        else:
            runs.append((verdict, verdict))
    return runs
