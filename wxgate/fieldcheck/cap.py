"""The hour under way is no better than the airports around see it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from wxgate.brief import Brief, window_ahead
from wxgate.daylimits.figures import figures_of
from wxgate.fieldcheck.check import reported, worst_of
from wxgate.sources.aviation_formats import Report


def capped(brief: Brief, reports: Sequence[Report]) -> Brief:
    """The brief with its first hour no better than any of the reports makes it.

    Observed no-go is no-go, for the hour under way and no other: an airport is another place, and
    what it reports is soon old. From far away it makes the hour marginal (see
    :func:`wxgate.fieldcheck.check.reported`). A better report betters nothing.
    """
    if not brief.hours or not brief.hours[0].start <= brief.now < brief.hours[0].end:
        return brief
    before, figures = brief.hours[0], figures_of(brief.rulebook)
    after, notes = before, []
    for report in reports:
        told = reported(brief, report, brief.now, before=before, figures=figures)
        if told.grade > after.grade:
            notes.append(
                f"{report.station}, {report.distance_km:.0f} km away, reports what makes this hour"
                f" {told.grade.word}"
            )
        after = worst_of((after, told))
    if after.grade is before.grade:
        return brief
    hours = (replace(after, by_source=before.by_source), *brief.hours[1:])
    first, *others = brief.forecasts
    return replace(
        brief,
        hours=hours,
        window=window_ahead(hours, brief.now, minimum_h=brief.minimum_h),
        forecasts=(first.with_notes(*notes), *others),
    )
