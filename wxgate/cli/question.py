"""What is asked of the forecast, and how it is had: from a file, or from the sources."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from wxgate import places, store
from wxgate.cli.tools import endpoints, toolbox
from wxgate.errors import CacheError, DataError
from wxgate.forecast import Forecast
from wxgate.profiles import Site

if TYPE_CHECKING:
    from wxgate.choice import Choice
    from wxgate.sources.base import Request, Source, Toolbox

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
    model: str | None = None  #: one model by name; None: the best ones of the place
    #: The quantities that are to be told, fetched or derived; None: all that there are.
    targets: frozenset[str] | None = None
    budget_mb: float | None = None  #: in place of the endpoints' own
    #: Each model by one run, which then may be an older one: for files, which hold one run.
    one_run: bool = False
    #: The runs that were out at this moment, for an earlier one than the newest; None: at ``now``.
    as_of: datetime | None = None

    @property
    def wanted(self) -> frozenset[str] | None:
        """The fetched quantities that the targets need; None: all. A file has what it has."""
        if self.targets is None or self.file is not None:
            return None
        from wxgate.derive.needs import fetched_for

        return fetched_for(self.targets)

    def answered_by(self, other: Question) -> bool:
        """Whether what was fetched for another question answers this one as well."""
        if replace(self, targets=None) != replace(other, targets=None):
            return False
        return covers(other.targets, self.targets)

    @property
    def request(self) -> Request:
        """What to ask the sources for: the hours, and those that rules look at beside them."""
        from wxgate.sources.base import Request

        return Request(
            latitude=self.site.latitude,
            longitude=self.site.longitude,
            start=self.now - timedelta(hours=BEFORE),
            hours=self.hours + BEFORE + AFTER,
            now=self.now if self.as_of is None else self.as_of,
            wanted=self.wanted,
            altitude=self.site.altitude,
            needed=None if self.one_run else self.now,
        )


def covers(had: frozenset[str] | None, asked: frozenset[str] | None) -> bool:
    """Whether the targets asked for are among those that were had; None stands for all."""
    return had is None or (asked is not None and asked <= had)


def raw_forecasts(
    ask: Question, *, progress: Callable[[int, int, str], None]
) -> tuple[Forecast, ...]:
    """The forecasts as fetched, before anything is derived: from a file, or from the sources.

    One as a rule; where one model does not reach all hours, one for each that was needed.
    """
    if ask.file is not None:
        from wxgate.cli.clocks import remembered
        from wxgate.sources.clock import with_clock

        # A clock that is known to be behind makes a file look younger too.
        return (with_clock(_from_file(ask.file, ask), remembered()),)
    from wxgate.cli.clocks import clocks
    from wxgate.gather import gather
    from wxgate.sources.clock import blame_clock, with_clock

    tools = toolbox(progress, demo=ask.demo, offline=ask.offline)
    request = ask.request
    chosen = models_for(ask, request, tools)
    try:
        found = gather(
            request,
            tools,
            models=chosen.candidates,
            indices=indices_for(ask, tools),
            second_opinion=wants_second_opinion(ask, tools),
            before=BEFORE,
            after=AFTER,
        )
    except DataError as error:
        more = chosen.remedy()
        told = DataError(error.what, remedy=f"{error.remedy} {more}") if more else error
        raise blame_clock(told, clocks(tools)) from error
    ahead = clocks(tools)
    first, *others = (with_clock(part, ahead) for part in found)
    used = {p.source for part in found for p in part.provenance}
    first = first.with_notes(*chosen.notes(used))
    if not (ask.offline or ask.demo):
        first = first.with_notes(*_prune(tools, ask.now))
    return (first, *others)


def models_for(ask: Question, request: Request, tools: Toolbox) -> Choice:
    """The models to ask: the one named, the user's own list, or the best ones of the place."""
    from wxgate.choice import Candidate, Choice, choose
    from wxgate.sources.endpoints import Entry
    from wxgate.sources.registry import source

    usual = Entry(tools.endpoints, "").entry("usual")
    if ask.model or ask.demo:
        names: tuple[str, ...] = (ask.model or "gfs",)
    elif usual.content.get("models") is None:
        return choose(request, tools, budget_mb=ask.budget_mb)
    else:
        names = usual.texts("models")
    return Choice(tuple(Candidate(source(name)) for name in names), (), float("inf"))


def indices_for(ask: Question, tools: Toolbox) -> list[Source]:
    """The K indices to ask; the demonstration has but one."""
    from wxgate.sources.endpoints import Entry
    from wxgate.sources.registry import INDICES, source

    names = Entry(tools.endpoints, "").entry("usual").texts("indices")
    return [source(name, INDICES) for name in (names[:1] if ask.demo else names)]


def wants_second_opinion(ask: Question, tools: Toolbox) -> bool:
    """Whether two K indices are held against each other."""
    from wxgate.sources.endpoints import Entry

    return not ask.demo and Entry(tools.endpoints, "").entry("usual").flag("second_opinion")


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
    if is_netcdf(path):
        from wxgate.netcdf import read_netcdf

        return _for_this_place(read_netcdf(path, now=ask.now), ask.site, path)
    from wxgate.sources.gribfile import forecast_from_grib

    return forecast_from_grib([path], ask.request, endpoints())


def is_netcdf(path: Path) -> bool:
    """Whether a file is netCDF, by its name or its first bytes."""
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
