"""What is asked of the forecast, and how it is had: from a file, or from the sources."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from wxgate import places, store
from wxgate.cli.tools import endpoints, toolbox
from wxgate.errors import CacheError, DataError
from wxgate.forecast import Forecast
from wxgate.profiles import Site

if TYPE_CHECKING:
    from wxgate.sources.base import Request, Toolbox

DEMO_NOW = datetime(2026, 9, 15, 5, 0, tzinfo=UTC)  #: 06:00 at the invented field
#: What is older than this, or beyond this size, is of no use to a later brief.
KEEP, KEEP_BYTES = timedelta(days=4), 4_000_000_000
#: Hours beyond those asked for, for rules that look at an hour and its neighbours.
BEFORE, AFTER = 3, 2
#: A file that says that it is for a place so far from the site is refused.
FAR_KM = 50.0


@dataclass(frozen=True, slots=True)
class Question:
    """One question to the sources: where, from when, how long, and by which way."""

    site: Site
    now: datetime
    hours: int
    demo: bool = False
    offline: bool = False
    file: Path | None = None
    model: str | None = None  #: one model by name; None: the first of the usual ones that answers

    @property
    def request(self) -> Request:
        """What to ask the sources for: the hours, and those that rules look at beside them."""
        from wxgate.sources.base import Request

        return Request(
            latitude=self.site.latitude,
            longitude=self.site.longitude,
            start=self.now - timedelta(hours=BEFORE),
            hours=self.hours + BEFORE + AFTER,
            now=self.now,
            altitude=self.site.altitude,
        )


def raw_forecast(ask: Question, *, progress: Callable[[int, int, str], None]) -> Forecast:
    """The forecast as fetched, before anything is derived: from a file, or from the sources."""
    if ask.file is not None:
        return _from_file(ask.file, ask)
    from wxgate.gather import gather
    from wxgate.sources.endpoints import Entry
    from wxgate.sources.registry import INDICES, source

    tools = toolbox(progress, demo=ask.demo, offline=ask.offline)
    usual = Entry(tools.endpoints, "").entry("usual")
    models = (ask.model,) if ask.model else ("gfs",) if ask.demo else usual.texts("models")
    found = gather(
        ask.request,
        tools,
        models=[source(name) for name in models],
        indices=[source(name, INDICES) for name in usual.texts("indices")],
    )
    return found if ask.offline or ask.demo else found.with_notes(*_prune(tools, ask.now))


def _prune(tools: Toolbox, now: datetime) -> list[str]:
    """Keep the user's cache from growing without end; what goes wrong there is only a note."""
    try:
        if tools.cache is not None:
            tools.cache.prune(older_than=KEEP, keep_bytes=KEEP_BYTES, now=now)
        store.prune(places.cache_folder() / "hours", now - KEEP)
    except CacheError as error:
        return [f"the cache could not be pruned ({error.what})"]
    return []


def _from_file(path: Path, ask: Question) -> Forecast:
    if _is_netcdf(path):
        from wxgate.netcdf import read_netcdf

        return _for_this_place(read_netcdf(path, now=ask.now), ask.site, path)
    from wxgate.sources.gribfile import forecast_from_grib

    return forecast_from_grib([path], ask.request, endpoints())


def _is_netcdf(path: Path) -> bool:
    if path.suffix in {".nc", ".nc4", ".cdf"}:
        return True
    try:
        with path.open("rb") as file:
            return file.read(4).startswith((b"CDF", b"\x89HDF"))
    except OSError:  # told by whoever reads it
        return False


def _for_this_place(found: Forecast, site: Site, path: Path) -> Forecast:
    """The forecast, unless it says that it is for another place: then DataError."""
    from wxgate.contract import place_of
    from wxgate.grid import distance_km

    place = place_of(found)
    away = 0.0 if place is None else float(distance_km(site.latitude, site.longitude, *place))
    if place is not None and not away <= FAR_KM:
        raise DataError(
            f"the forecast is for {place[0]:g} N {place[1]:g} E, {away:.0f} km from the site",
            where=str(path),
            remedy="Give a file that was fetched for this site.",
        )
    return found
