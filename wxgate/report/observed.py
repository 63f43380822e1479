"""The nearest airports in words: what is reported now, beside the hour that the forecast tells."""

from __future__ import annotations

import textwrap
from datetime import datetime
from typing import TYPE_CHECKING

from wxgate.brief import Brief
from wxgate.quantities import NO_CEILING
from wxgate.report.display import METRIC, Display
from wxgate.report.words import age, shown

if TYPE_CHECKING:
    from wxgate.observed import Reports
    from wxgate.sources.aviation_formats import Report


def observed_lines(brief: Brief, *, most: int = 2, display: Display = METRIC) -> list[str]:
    """The nearest report in at most so many lines; none where it was not asked for."""
    if brief.reports is None:
        return []
    return textwrap.wrap(
        "METAR: " + nearest_text(brief.reports, brief.now, display=display), display.width,
        subsequent_indent="  ", max_lines=display.lines(most), placeholder=" ...",
        break_on_hyphens=False,
    )  # fmt: skip


def nearest_text(reports: Reports, now: datetime, *, display: Display = METRIC) -> str:
    """The nearest report with how far and how old it is, or why there is none."""
    if reports.nearest is None:
        return f"{'; '.join(reports.notes)}."
    return f"{report_text(reports.nearest, now, display=display)}."


def report_text(report: Report, now: datetime, *, display: Display = METRIC) -> str:
    """One report in words; what it does not tell is left out."""
    says = report.says
    minutes = (now - report.time).total_seconds() / 60
    parts = [f"{report.station}, {report.distance_km:.0f} km away, {_age(minutes)}"]
    if says.wind is not None:
        parts.append(f"wind {shown('wind_speed', says.wind, display=display)}")
    if says.gust is not None:
        parts.append(f"gust {shown('wind_speed_of_gust', says.gust, display=display)}")
    if says.visibility is not None:
        bound = "" if says.visibility_bound == "exact" else f"{says.visibility_bound} "
        told = shown("visibility", says.visibility, display=display)
        parts.append(f"visibility {bound}{told}")
    if says.ceiling is not None:
        told = shown("ceiling_height", says.ceiling, display=display)
        parts.append("no ceiling" if says.ceiling >= NO_CEILING else f"ceiling {told}")
    if says.weather:
        parts.append(" ".join(says.weather))
    return ", ".join(parts)


def _age(minutes: float) -> str:
    return f"{age(minutes / 60)} old" if minutes >= 0 else "just now"


def reports_text(brief: Brief, *, display: Display = METRIC) -> str:
    """All reports and airport forecasts for an explanation; empty where none were asked for."""
    if brief.reports is None:
        return ""
    lines = ["Airports around (they grade nothing):"]
    for report in brief.reports.reports:
        lines += _wrapped(f"  {report_text(report, brief.now, display=display)}", display)
        lines += _wrapped(f"      {report.raw}", display)
    for taf in brief.reports.forecasts:
        lines += _wrapped(f"  {taf.station}, {taf.distance_km:.0f} km away: {taf.raw}", display)
    lines += [line for note in brief.reports.notes for line in _wrapped(f"  Note: {note}", display)]
    return "\n".join(lines) + "\n"


def _wrapped(line: str, display: Display) -> list[str]:
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.wrap(line, display.width, subsequent_indent=indent, break_on_hyphens=False)
