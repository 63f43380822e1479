"""Who flies what, where, and by which rules: from the words of the command line to records."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from wxgate import places
from wxgate.errors import ProfileError, UsageError
from wxgate.profiles import (
    Aircraft,
    Pilot,
    Site,
    find,
    known_aircraft,
    load_aircraft,
    load_pilot,
    load_site,
)

if TYPE_CHECKING:
    from wxgate.rulebook import Rulebook

DEMO_SITE, DEMO_AIRCRAFT, DEMO_PILOT = "demo-field", "light-249g", "novice"


@dataclass(frozen=True, slots=True)
class Cast:
    """Who flies what, and where."""

    site: Site
    aircraft: Aircraft
    pilot: Pilot


def folders(kind: str) -> list[Path]:
    """Where profiles of a kind lie: the user's own folder, then those that ship."""
    return [places.config_folder() / kind, places.shipped("rules") / kind]


def _place_name(lat: float, east: float) -> str:
    """Degrees without a sign: 52.05 N 1.48 W."""
    return f"{abs(lat):g} {'N' if lat >= 0 else 'S'} {abs(east):g} {'E' if east >= 0 else 'W'}"


def find_site(
    name: str | None, lat: float | None, lon: float | None, zone: str, *, demo: bool
) -> Site:
    """The site of the command line: a file, an id, or a latitude and longitude."""
    if name is not None:
        if lat is not None or lon is not None:
            raise UsageError("a site and --lat/--lon were both given", remedy="Give one of them.")
        return find(name, "site", folders("sites"), load_site)
    if (lat is None) != (lon is None):
        lacking = "--lat" if lat is None else "--lon"
        raise UsageError(f"{lacking} was not given", remedy="Give --lat and --lon together.")
    if lat is not None and lon is not None:
        if not (-90 <= lat <= 90 and -180 <= lon <= 360):
            raise UsageError(
                f"latitude {lat:g}, longitude {lon:g} is no place on the Earth",
                remedy="Give degrees: -90 to 90 north, -180 to 180 east.",
            )
        from wxgate.report.words import zone as known_zone

        known_zone(zone)
        east = (lon + 180) % 360 - 180
        return Site(id="place", name=_place_name(lat, east), latitude=lat, longitude=east,
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
