"""What the commands share: the profiles and rules in force, and the forecast that answers.

Paths, the clock and the network are chosen here and handed down.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wxgate import places, store
from wxgate.errors import CacheError, DataError, ProfileError, UsageError
from wxgate.forecast import Forecast, hours_axis
from wxgate.profiles import Aircraft, Pilot, Site, find, known_aircraft, load_aircraft

from wxgate.profiles import load_pilot, load_site  # isort: skip

if TYPE_CHECKING:
    from wxgate.rulebook import Rulebook
    from wxgate.sources.base import Request, Toolbox

DEMO_NOW = datetime(2026, 9, 15, 5, 0, tzinfo=UTC)  #: 06:00 at the invented field
DEMO_SITE, DEMO_AIRCRAFT, DEMO_PILOT = "demo-field", "light-249g", "novice"
#: Stored hours answer again without a fetch for this long; the sources change no faster.
FRESH = timedelta(minutes=30)
#: What is older than this, or beyond this size, is of no use to a later brief.
KEEP, KEEP_BYTES = timedelta(days=4), 4_000_000_000
#: Hours beyond those asked for, for rules that look at an hour and its neighbours.
BEFORE, AFTER = 3, 2
#: A file that says that it is for a place so far from the site is refused.
FAR_KM = 50.0
#: How the network waits between two requests; tests put something quicker here.
pause: Callable[[float], object] = time.sleep


@dataclass(frozen=True, slots=True)
class Cast:
    """Who flies what, and where."""

    site: Site
    aircraft: Aircraft
    pilot: Pilot


def folders(kind: str) -> list[Path]:
    """Where profiles of a kind lie: the user's own folder, then those that ship."""
    return [places.config_folder() / kind, places.shipped("rules") / kind]


def find_site(
    name: str | None, lat: float | None, lon: float | None, zone: str, *, demo: bool
) -> Site:
    """The site of the command line: a file, an id, or a latitude and longitude."""
    if name is not None:
        if lat is not None or lon is not None:
            raise UsageError("a site and --lat/--lon were both given", remedy="Give one of them.")
        return find(name, "site", folders("sites"), load_site)
    if lat is not None and lon is not None:
        if not (-90 <= lat <= 90 and -180 <= lon <= 360):
            raise UsageError(
                f"latitude {lat:g}, longitude {lon:g} is no place on the Earth",
                remedy="Give degrees: -90 to 90 north, -180 to 180 east.",
            )
        from wxgate.report.words import zone as known_zone

        known_zone(zone)
        east = (lon + 180) % 360 - 180
        return Site(id="place", name=f"{lat:g} N {east:g} E", latitude=lat, longitude=east,
                    zone=zone)  # fmt: skip
    if demo:
        return find(DEMO_SITE, "site", folders("sites"), load_site)
    raise UsageError(
        "no site was given",
        remedy="Give a site file, or --lat and --lon, or try --demo.",
    )


def find_cast(site: Site, aircraft: str | None, pilot: str | None, *, demo: bool) -> Cast:
    """Aircraft and pilot of the command line; neither is ever assumed outside the demonstration."""
    if demo:
        aircraft, pilot = aircraft or DEMO_AIRCRAFT, pilot or DEMO_PILOT
    if aircraft is None or pilot is None:
        lacking = "--aircraft" if aircraft is None else "--pilot"
        raise UsageError(
            f"{lacking} was not given, and limits are never assumed",
            remedy="Name one that ships (light-249g, novice) or give a file of your own.",
        )
    return Cast(
        site,
        find(aircraft, "aircraft", folders("aircraft"), load_aircraft),
        find(pilot, "pilot", folders("pilots"), load_pilot),
    )


def rulebook_for(site: Site, pilot: Pilot, more: Sequence[Path] | None) -> Rulebook:
    """The rules that ship, the law of the site, the pilot's own minima, and the files named."""
    from wxgate.rulebook import load_rulebook

    rules = places.shipped("rules")
    paths = sorted((rules / "practice").glob("*.yaml"))
    if site.law is not None:
        law = rules / "law" / f"{site.law}.yaml"
        if not law.is_file():
            known = ", ".join(sorted(p.stem for p in (rules / "law").glob("*.yaml")))
            raise ProfileError(
                f"the law pack {site.law!r} of site {site.id!r} is not known",
                remedy=f"Known: {known}.",
            )
        paths.append(law)
    if pilot.minima is not None:
        paths.append(Path(pilot.minima))
    return load_rulebook(
        [*paths, *(more or ())],
        aircraft=known_aircraft([places.shipped("rules") / "aircraft"]),
        own=known_aircraft([places.config_folder() / "aircraft"]),
    )


# ---------------------------------------------------------------------- the forecast


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


def derived(
    ask: Question, aircraft: Aircraft, height: float, *, progress: Callable[[int, int, str], None]
) -> Forecast:
    """The derived forecast that answers: stored hours while they are fresh, else a fetch.

    Without a network the last stored hours answer at whatever age they have; the note says so
    and the staleness rules cap the grade. DataError when nothing is stored either.
    """
    folder = places.cache_folder() / "hours"
    key = _key(ask, aircraft, height)
    stored = store.load(folder, key)
    if stored is not None and _covers(stored.forecast, ask) and _fresh(stored, ask):
        return stored.forecast
    from wxgate.derive.run import derive

    try:
        raw = raw_forecast(ask, progress=progress)
    except DataError as error:
        if stored is None or ask.file is not None:
            raise
        # First, so that a brief of few lines does not leave it out.
        notes = (f"stored hours used: {error.what}", *stored.forecast.notes)
        return replace(stored.forecast, notes=notes)
    whole = derive(raw, site=ask.site, aircraft=aircraft, height=height)
    try:
        store.save(folder, key, whole, at=ask.now)
    except OSError as error:
        whole = whole.with_notes(f"the hours could not be stored ({error.strerror})")
    return whole


def derived_by_source(
    ask: Question,
    aircraft: Aircraft,
    height: float,
    models: Sequence[str],
    *,
    progress: Callable[[int, int, str], None],
) -> list[Forecast]:
    """One derived forecast for each model named, or one of the usual models when none is.

    A model that does not answer is a note on the others; DataError when none does.
    """
    if not models:
        return [derived(ask, aircraft, height, progress=progress)]
    from wxgate.sources.registry import source

    for name in models:
        source(name)  # a slip of the pen is told before anything is fetched
    found: list[Forecast] = []
    faults: list[DataError] = []
    for name in dict.fromkeys(models):
        try:
            found.append(derived(replace(ask, model=name), aircraft, height, progress=progress))
        except DataError as error:
            faults.append(error)
    if not found:
        raise faults[0]
    return [found[0].with_notes(*(error.what for error in faults)), *found[1:]]


def _key(ask: Question, aircraft: Aircraft, height: float) -> str:
    stamp: object = None
    if ask.file is not None:
        stat = _stat(ask.file)
        stamp = (str(ask.file.resolve()), stat)
    elif ask.demo:
        root = places.shipped("cached_forecasts")
        stamp = [(p.name, _stat(p)) for p in sorted(root.rglob("*")) if p.is_file()]
    return store.question(
        site=asdict(ask.site), aircraft=asdict(aircraft), height=height, demo=ask.demo,
        file=stamp, model=ask.model,
    )  # fmt: skip


def _stat(path: Path) -> tuple[int, int]:
    try:
        found = path.stat()
    except OSError as error:
        raise DataError(
            f"cannot read the file ({error.strerror})", where=str(path), remedy="Check its path."
        ) from error
    return found.st_size, found.st_mtime_ns


def _covers(forecast: Forecast, ask: Question) -> bool:
    # With the hours that rules look at beside them, so that stored hours grade as fresh ones do.
    asked = hours_axis(ask.now - timedelta(hours=BEFORE), ask.hours + BEFORE + AFTER)
    return bool(forecast.time[0] <= asked[0] and forecast.time[-1] >= asked[-1])


def _fresh(stored: store.Stored, ask: Question) -> bool:
    return ask.offline or ask.file is not None or abs(ask.now - stored.at) < FRESH


def raw_forecast(ask: Question, *, progress: Callable[[int, int, str], None]) -> Forecast:
    """The forecast as fetched, before anything is derived: from a file, or from the sources."""
    if ask.file is not None:
        return _from_file(ask.file, ask)
    from wxgate.gather import gather
    from wxgate.sources.endpoints import Entry
    from wxgate.sources.registry import INDICES, source

    tools = toolbox(ask, progress)
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

    return forecast_from_grib([path], ask.request, _endpoints())


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


def toolbox(ask: Question, progress: Callable[[int, int, str], None]) -> Toolbox:
    """Endpoints, cache and network for the sources; the demonstration's stand in its folder."""
    from wxgate import __version__
    from wxgate.cache import Cache
    from wxgate.http import Client
    from wxgate.sources.base import Toolbox

    endpoints = _endpoints()
    contact = " ".join(str(endpoints.get("contact") or "no contact given").split())
    # A header holds plain letters only.
    agent = f"wxgate/{__version__} ({contact})".encode("ascii", "replace").decode("ascii")
    return Toolbox(
        endpoints=_demonstration(endpoints) if ask.demo else endpoints,
        cache=None if ask.demo else Cache(places.cache_folder() / "messages"),
        client=lambda service: Client(
            service,
            user_agent=agent,
            sleep=pause,
            jitter=random.Random(),  # noqa: S311
        ),
        progress=progress,
        offline=ask.offline,
    )


def _endpoints() -> dict[str, Any]:
    """The endpoints that ship, with the user's own laid over them."""
    from wxgate.sources.endpoints import load_endpoints

    return load_endpoints(places.config_folder() / "endpoints.yaml")


def _demonstration(endpoints: dict[str, Any]) -> dict[str, Any]:
    """The endpoints with the demonstration's folder as the only mirror and index service."""
    root = places.shipped("cached_forecasts")
    mirror = {"service": "bucket", "root": root.as_uri(), "costly": True}
    return {
        **endpoints,
        "gfs": {
            **endpoints["gfs"],
            "title": "invented forecast in the form of the GFS",
            "credit": "Invented by the wxgate developers.",
            "order": ["demonstration"],
            "mirrors": {"demonstration": mirror},
        },
        "swpc": {
            **endpoints["swpc"],
            "title": "invented K index",
            "credit": "Invented by the wxgate developers.",
            "root": (root / "swpc").as_uri(),
        },
    }
