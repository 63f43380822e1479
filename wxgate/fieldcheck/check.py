"""Grade this hour and the next anew with what was measured and seen; never better than before.

Nothing is taken from the clock: a reading is held against the hour in which it was made.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from wxgate.brief import Brief, make_brief
from wxgate.daylimits.figures import Figures, figures_of
from wxgate.daylimits.meter import SURFACES, StopNumbers, roughness_of, stop_numbers
from wxgate.derive.figures import derivation
from wxgate.derive.handheld import forecast_scale, height_factor
from wxgate.derive.needs import fetched_for
from wxgate.derive.run import derive
from wxgate.errors import UsageError
from wxgate.fieldcheck.meter import stopped
from wxgate.fieldcheck.overlay import certain, overlaid, raised
from wxgate.fieldcheck.seen import STANDARD_HEIGHT, Seen, seen_from_reading, seen_from_report
from wxgate.forecast import HOUR, Forecast, to_datetime64
from wxgate.journal.records import IssuedHour, Reading
from wxgate.quantities import quantity
from wxgate.sources.aviation_formats import Report
from wxgate.verdict import Grade, Reason, Verdict

#: The hour under way and the next one are graded anew.
HOURS = 2


@dataclass(frozen=True, slots=True)
class Station:
    """A station's report with what it makes of the hour under way."""

    report: Report
    verdict: Verdict | None  #: the hour as the report alone makes it; None: outside the brief


@dataclass(frozen=True, slots=True)
class FieldCheck:
    """What the field says. ``hours`` are this hour and the next, never better than ``before``."""

    brief: Brief
    reading: Reading
    seen: Seen
    before: tuple[Verdict, ...]
    hours: tuple[Verdict, ...]
    scale: float | None  #: what all later winds are multiplied by; None: no wind was measured
    expected: float | None  #: m/s, what the meter would show if the forecast were right
    stops: StopNumbers | None
    stations: tuple[Station, ...] = ()

    @property
    def grade(self) -> Grade:
        """The grade of the hour under way; unknown where the brief does not reach it."""
        return self.hours[0].grade if self.hours else Grade.UNKNOWN


def check_field(
    brief: Brief, reading: Reading, *, reports: Sequence[Report] = (),
    said: Sequence[IssuedHour] = (),
) -> FieldCheck:  # fmt: skip
    """Hold a reading, and what stations report, against the brief's hour in which it was made.

    A wind that is stronger than forecast raises this hour and all later ones (at most twofold);
    what is seen holds for this hour and the next; a report of a station caps the hour under way
    alone. ``said``: what was last told of these hours, which no reading betters either. UsageError
    for a reading that no field shows, or of another site than the brief's.
    """
    if reading.site != brief.site.id:
        raise UsageError(
            f"the reading is of {reading.site!r}, the brief of {brief.site.id!r}",
            remedy="Name the site with --site.",
        )
    now, figures = reading.made, figures_of(brief.rulebook)
    meter = figures.value("meter-height", "m")
    reading = reading if reading.height is not None else replace(reading, height=meter)
    roughness = _roughness(brief, reading, figures)
    seen = seen_from_reading(reading, roughness, meter)
    start = now.replace(minute=0, second=0, microsecond=0)
    before = tuple(
        _no_better(v, said)
        for v in brief.hours
        if start <= v.start < start + timedelta(hours=HOURS)
    )
    if not before or before[0].start > now:
        return FieldCheck(brief, reading, seen, (), (), None, None, None)
    scale, expected = _scale(brief, seen, reading, roughness)
    hours = seen_verdicts(brief, seen, now, scale=scale, hours=len(before), figures=figures)
    stations = tuple(
        Station(report, reported(brief, report, now, before=before[0], figures=figures))
        for report in reports
    )
    caps = [s.verdict for s in stations if s.verdict is not None]
    after = tuple(worst_of(pair) for pair in zip(before, hours, strict=True))
    after = (worst_of((after[0], *caps)), *after[1:])
    there = replace(brief.site, roughness_length=roughness)
    stops = stop_numbers(replace(brief, site=there), start, before[-1].end, figures)
    after = tuple(stopped(verdict, reading, stops, roughness) for verdict in after)
    return FieldCheck(brief, reading, seen, before, after, scale, expected, stops, stations)


def reported(
    brief: Brief, report: Report, now: datetime, *, before: Verdict, figures: Figures
) -> Verdict:
    """The hour of ``now`` as a station's report makes it; ``before``: as it is without.

    The weather of a station farther away than the figure ``airport-near`` is a reason to look, and
    no more: it makes the hour marginal at worst. A distance that is not known counts as near.
    """
    seen = seen_from_report(report)
    told = seen_verdicts(brief, seen, now, scale=None, hours=1, figures=figures)[0]
    near, why = figures.of("airport-near"), told.limiting_reason
    far = report.distance_km > figures.value("airport-near", "km")
    if not far or told.grade <= Grade.MARGINAL or why is None:
        return told
    reason = replace(
        why, rule="far airport", grade=Grade.MARGINAL, value=None, limit=None, limit_grade=None,
        limit_word="", margin=None, because=near.because, source=near.source, layer="field",
        note=f"{report.station}, {report.distance_km:.0f} km away, reports what is"
        f" {told.grade.word} there: {quantity(why.quantity).label}",
    )  # fmt: skip
    if before.grade >= Grade.MARGINAL:
        return replace(before, reasons=(*before.reasons, reason))
    return replace(
        before, grade=Grade.MARGINAL, reasons=(*before.reasons, reason), limiting=reason.rule,
        margin=None,
    )  # fmt: skip


def worst_of(verdicts_of_hour: Sequence[Verdict]) -> Verdict:
    """The strictest of several verdicts on one hour; among equals the one with the least room."""
    return max(
        verdicts_of_hour, key=lambda v: (v.grade, -np.inf if v.margin is None else -v.margin)
    )


def seen_verdicts(
    brief: Brief, seen: Seen, now: datetime, *, scale: float | None, hours: int, figures: Figures
) -> tuple[Verdict, ...]:
    """The verdicts on the hours from that of ``now`` with what was seen laid over each forecast.

    The worse of what comes with the forecast's gaps filled by it, and with the gaps left.
    """
    told = []
    for filling in (True, False):
        changed = [
            _with_seen(forecast, brief, seen, now, scale=scale, hours=hours, figures=figures,
                       filling=filling)
            for forecast in brief.forecasts
        ]  # fmt: skip
        told.append(
            make_brief(
                changed, brief.rulebook, site=brief.site, aircraft=brief.aircraft,
                pilot=brief.pilot, height=brief.height, now=now, hours=hours,
            ).hours
        )  # fmt: skip
    return tuple(worst_of(pair) for pair in zip(*told, strict=True))


def _no_better(verdict: Verdict, said: Sequence[IssuedHour]) -> Verdict:
    """The verdict, no better than what was last said of its hour."""
    last = max((one for one in said if one.start == verdict.start), key=lambda one: one.made,
               default=None)  # fmt: skip
    if last is None or last.grade <= verdict.grade:
        return verdict
    why = f" ({last.limiting})" if last.limiting else ""
    reason = Reason(
        rule="last brief", quantity="forecast_age", grade=last.grade, value=None, limit=None,
        limit_grade=None, limit_word="", unit="h", margin=None,
        because="ask for a new brief if you think that it has become better",
        source="the journal", layer="field", note=f"the last brief said {last.grade.word}{why}",
    )  # fmt: skip
    return replace(
        verdict, grade=last.grade, reasons=(*verdict.reasons, reason), limiting=reason.rule,
        margin=None,
    )  # fmt: skip


def _with_seen(
    forecast: Forecast, brief: Brief, seen: Seen, now: datetime, *, scale: float | None,
    hours: int, figures: Figures, filling: bool,
) -> Forecast:  # fmt: skip
    changed = forecast if scale is None else raised(forecast, scale, now)
    roughness = roughness_of(brief.site, figures)
    changed = overlaid(changed, seen, now, hours=hours, roughness=roughness, filling=filling)
    targets = forecast.attributes.get("targets")
    whole = derive(
        changed, site=brief.site, aircraft=brief.aircraft, height=brief.height,
        # As it was derived before, else a substitute would stand where nothing is amiss.
        wanted=None if targets is None else fetched_for(targets),
    )  # fmt: skip
    return certain(whole, seen, now, hours=hours, filling=filling)


def _roughness(brief: Brief, reading: Reading, figures: Figures) -> float:
    """The roughness (m) around the meter: of the site, or as seen there; the rougher of both.

    The rougher ground gives the stronger wind aloft for the same reading.
    """
    known = roughness_of(brief.site, figures)
    if not SURFACES.keys() & set((reading.surface or "").lower().split()):
        return known
    as_seen = replace(brief.site, roughness_length=None, surface=reading.surface)
    return max(known, roughness_of(as_seen, figures))


def _scale(
    brief: Brief, seen: Seen, reading: Reading, roughness: float
) -> tuple[float | None, float | None]:
    """The factor for all later winds, and what the meter would show were the forecast right.

    Against the strongest 10 m wind that the forecasts have at either end of the hour, so that a
    wind which rises within the hour is no surprise.
    """
    now = reading.made
    u10 = _at_hour(brief.forecasts, "wind_speed", now)
    if u10 is None:
        return None, None
    height = STANDARD_HEIGHT if reading.height is None else reading.height
    expected = u10 / float(height_factor(STANDARD_HEIGHT, height, roughness))
    scales, raising = [], derivation().meter
    if seen.wind is not None:
        scale = forecast_scale(seen.wind, u10, STANDARD_HEIGHT, roughness, figures=raising)
        scales.append(float(scale))
    if seen.aloft is not None and seen.aloft_height is not None:
        aloft = _at_hour(brief.forecasts, "wind_speed_at_flight_height", now)
        if aloft is not None:
            carried = seen.aloft * float(height_factor(brief.height, seen.aloft_height, roughness))
            # Both are winds at one height, whichever it is.
            scale = forecast_scale(carried, aloft, STANDARD_HEIGHT, roughness, figures=raising)
            scales.append(float(scale))
    known = [s for s in scales if np.isfinite(s)]
    return (max(known) if known else None), (expected if np.isfinite(expected) else None)


def _at_hour(forecasts: Sequence[Forecast], name: str, now: datetime) -> float | None:
    """The largest value at either end of the hour of ``now``, of those that speak for it."""
    hour = to_datetime64(now).astype("datetime64[h]").astype("datetime64[s]")
    found = []
    for forecast in forecasts:
        field = forecast.get(name)
        since, until = forecast.speaks_for
        if field is not None and (len(forecasts) == 1 or since <= hour < until):
            inside = (forecast.time >= hour) & (forecast.time <= hour + HOUR)
            found += field.values[inside].tolist()
    known = [value for value in found if np.isfinite(value)]
    return max(known) if known else None
