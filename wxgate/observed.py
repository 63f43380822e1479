"""What the airports around a site say now, beside the forecast: a look out of another window.

They are no forecast of the site, and nothing here grades: an airport is an open place, often with
fewer gusts than a field between trees, and fog is local.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from wxgate.errors import DataError
from wxgate.forecast import Provenance
from wxgate.profiles import Site
from wxgate.sources.aviation import nearest_forecasts, nearest_reports
from wxgate.sources.aviation_formats import AirportForecast, Report
from wxgate.sources.base import Request, Toolbox


@dataclass(frozen=True, slots=True)
class Reports:
    """Reports (METAR) and airport forecasts (TAF), nearest first; notes on what is not there."""

    reports: tuple[Report, ...] = ()
    forecasts: tuple[AirportForecast, ...] = ()
    provenance: tuple[Provenance, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def nearest(self) -> Report | None:
        """The report of the nearest airport; None where none says anything."""
        return self.reports[0] if self.reports else None


def observed(site: Site, now: datetime, tools: Toolbox) -> Reports:
    """What the nearest airports report and forecast at ``now`` (aware).

    Never raises for what cannot be had: that is a note.
    """
    request = Request(
        site.latitude, site.longitude, start=now, hours=1, now=now, altitude=site.altitude
    )
    notes: list[str] = []
    reports: tuple[Report, ...] = ()
    forecasts: tuple[AirportForecast, ...] = ()
    provenance: list[Provenance] = []
    try:
        found = nearest_reports(request, tools)
        reports, provenance = found.found, [found.provenance]
        notes += found.notes
    except DataError as error:
        notes.append(f"airport reports: {error.what}")
    try:
        tafs = nearest_forecasts(request, tools)
        forecasts = tafs.found
        provenance.append(tafs.provenance)
        notes += tafs.notes
    except DataError as error:
        notes.append(f"airport forecasts: {error.what}")
    if not reports and not notes:
        notes.append("no airport within reach reports")
    return Reports(reports, forecasts, tuple(provenance), tuple(dict.fromkeys(notes)))
