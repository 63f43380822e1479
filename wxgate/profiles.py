"""Site, aircraft and pilot: YAML files to frozen records in canonical units.

Each profile is one file with one head (``site:``, ``aircraft:`` or ``pilot:``). A figure that
grading depends on is never assumed: an aircraft without its wind limit is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import MISSING, dataclass, fields, replace
from enum import StrEnum
from pathlib import Path
from typing import Any, TypeVar

from wxgate.errors import ProfileError
from wxgate.strictyaml import Faults, Node, nearest
from wxgate.yamlkeys import (
    Figure,
    Reader,
    boolean_of,
    choice_of,
    figure_of,
    read_file,
    read_keys,
    record_of,
    text_of,
    word_of,
)


class Skill(StrEnum):
    """What a pilot can handle, from the least to the most."""

    FIRST_FLIGHT = "first-flight"
    NOVICE = "novice"
    INTERMEDIATE = "intermediate"
    EXPERIENCED = "experienced"


@dataclass(frozen=True, slots=True)
class Shelter:
    """A hedge, tree belt or wall upwind of the launch place."""

    height: float  #: m
    distance: float  #: m from the launch place
    porosity: float  #: share of open area, 0..1
    leaf: bool  #: in leaf


@dataclass(frozen=True, slots=True)
class Hill:
    """A hill that speeds the wind up."""

    shape: str  #: ridge, escarpment or round
    height: float  #: m
    half_length: float  #: m from the crest to half the height
    position: float  #: m from the crest, positive downwind


@dataclass(frozen=True, slots=True)
class Site:
    """A place to fly from."""

    id: str
    name: str
    latitude: float  #: degrees north
    longitude: float  #: degrees east, -180..180
    zone: str  #: IANA time zone
    altitude: float | None = None  #: m above sea level
    surface: str | None = None  #: what covers the ground upwind, such as short grass
    roughness_length: float | None = None  #: m
    coast: bool = False
    valley: bool = False
    shelter: Shelter | None = None
    hill: Hill | None = None
    flight_direction: float | None = None  #: degrees from true north, from the pilot to the box
    field_radius: float | None = None  #: m of clear ground around the launch place
    law: str | None = None  #: law pack, a file name in rules/law without .yaml
    notes: str = ""


@dataclass(frozen=True, slots=True)
class Aircraft:
    """The published figures of an aircraft; None where its maker publishes none."""

    id: str
    name: str
    mass: float  #: kg
    max_wind: float  #: m/s
    dimension: float  #: m, the largest
    min_temperature: float  #: K
    max_temperature: float  #: K
    airspeed: float  #: m/s, of the mode that automatic return uses
    slow_airspeed: float | None = None  #: m/s
    rain_rate: float = 0.0  #: mm/h that it is rated for; 0 is none at all
    max_takeoff_altitude: float | None = None  #: m
    endurance: float | None = None  #: s
    max_tilt: float | None = None  #: degree
    descent_speed: float | None = None  #: m/s
    notes: str = ""


@dataclass(frozen=True, slots=True)
class Pilot:
    """Who flies."""

    id: str
    name: str
    skill: Skill
    minima: str | None = None  #: rules file of the pilot's own minima; in YAML relative to it
    notes: str = ""


#: The aircraft's figures, which rules may name (``share-of: max_wind``).
AIRCRAFT_FIGURES: Mapping[str, Figure] = {
    "mass": Figure("kg", 0.001, 150),
    "max_wind": Figure("m s-1", 0.5, 40),
    "dimension": Figure("m", 0.02, 8),
    "min_temperature": Figure("K", 203.15, 293.15),
    "max_temperature": Figure("K", 283.15, 353.15),
    "airspeed": Figure("m s-1", 1, 80),
    "slow_airspeed": Figure("m s-1", 0.5, 80),
    "rain_rate": Figure("mm h-1", 0, 200),
    "max_takeoff_altitude": Figure("m", 0, 9000),
    "endurance": Figure("s", 60, 86400),
    "max_tilt": Figure("degree", 5, 80),
    "descent_speed": Figure("m s-1", 0.2, 20),
}


def _zone(node: Node, faults: Faults) -> str | None:
    text = text_of(node, faults)
    if text is None:
        return None
    from zoneinfo import ZoneInfo, available_timezones

    try:
        ZoneInfo(text)
    except (KeyError, ValueError, OSError):
        faults.add(
            node.place,
            f"the time zone {text!r} is not known",
            "an IANA name is needed, such as Europe/London",
            nearest(text, available_timezones()),
        )
        return None
    return text


def _skill(node: Node, faults: Faults) -> Skill | None:
    word = choice_of(*Skill)(node, faults)
    return None if word is None else Skill(word)


# ---------------------------------------------------------------------- the keys of each profile


def _required(make: Any) -> set[str]:
    return {f.name for f in fields(make) if f.default is MISSING}


_SHELTER_KEYS: Mapping[str, Reader] = {
    "height": figure_of(Figure("m", 0.5, 100)),
    "distance": figure_of(Figure("m", 0, 5000)),
    "porosity": figure_of(Figure("1", 0, 1)),
    "leaf": boolean_of,
}
_HILL_KEYS: Mapping[str, Reader] = {
    "shape": choice_of("ridge", "escarpment", "round"),
    "height": figure_of(Figure("m", 1, 2000)),
    "half_length": figure_of(Figure("m", 1, 20000)),
    "position": figure_of(Figure("m", -20000, 20000)),
}
SITE_KEYS: Mapping[str, Reader] = {
    "id": word_of,
    "name": text_of,
    "latitude": figure_of(Figure("degree", -90, 90), bare=True),
    "longitude": figure_of(Figure("degree", -180, 180), bare=True),
    "zone": _zone,
    "altitude": figure_of(Figure("m", -450, 6500)),
    "surface": text_of,
    "roughness_length": figure_of(Figure("m", 0.00001, 5)),
    "coast": boolean_of,
    "valley": boolean_of,
    "shelter": record_of(Shelter, _SHELTER_KEYS),
    "hill": record_of(Hill, _HILL_KEYS),
    "flight_direction": figure_of(Figure("degree", 0, 360)),
    "field_radius": figure_of(Figure("m", 1, 5000)),
    "law": word_of,
    "notes": text_of,
}
AIRCRAFT_KEYS: Mapping[str, Reader] = {
    "id": word_of,
    "name": text_of,
    **{name: figure_of(figure) for name, figure in AIRCRAFT_FIGURES.items()},
    "notes": text_of,
}
PILOT_KEYS: Mapping[str, Reader] = {
    "id": word_of,
    "name": text_of,
    "skill": _skill,
    "minima": text_of,
    "notes": text_of,
}


# ---------------------------------------------------------------------- files

P = TypeVar("P", Site, Aircraft, Pilot)


def load_site(path: Path) -> Site:
    """The site of a file; ProfileError with every fault and its place."""
    return _load(path, "site", Site, SITE_KEYS, set())


def load_aircraft(path: Path) -> Aircraft:
    """The aircraft of a file; ProfileError with every fault and its place."""
    # Rain rating has a cautious default in the record, but in a file it must be said.
    craft = _load(path, "aircraft", Aircraft, AIRCRAFT_KEYS, {"rain_rate"})
    if craft.min_temperature >= craft.max_temperature:
        raise ProfileError(
            "min_temperature is not below max_temperature",
            where=str(path),
            remedy="Check both figures.",
        )
    return craft


def load_pilot(path: Path) -> Pilot:
    """The pilot of a file; ProfileError with every fault and its place."""
    pilot = _load(path, "pilot", Pilot, PILOT_KEYS, set())
    if pilot.minima is None:
        return pilot
    return replace(pilot, minima=str(path.parent / pilot.minima))


def _load(
    path: Path, head: str, make: type[P], keys: Mapping[str, Reader], also_required: set[str]
) -> P:
    def body(root: Node, faults: Faults) -> dict[str, Any]:
        node = read_keys(root, {head: lambda node, _: node}, {head}, faults).get(head)
        required = _required(make) | also_required
        return {} if node is None else read_keys(node, keys, required, faults)

    return make(**read_file(path, head, body, ProfileError))


def find(name: str, kind: str, folders: Sequence[Path], load: Callable[[Path], P]) -> P:
    """A profile by the path of its file, or by its id in ``folders`` (earlier folders first).

    ``kind`` is the word for messages. ProfileError names the nearest known when there is none.
    """
    path = Path(name)
    if path.suffix in {".yaml", ".yml"} or "/" in name:
        return load(path)
    known: dict[str, Path] = {}
    for folder in folders:
        for file in sorted(folder.glob("*.yaml")):
            known.setdefault(file.stem, file)
    if name not in known:
        raise ProfileError(
            f"the {kind} {name!r} is not known",
            remedy=f"Known: {', '.join(known) or 'none'}. {nearest(name, known).capitalize()}"
            f" Or give the path of a file.".replace("  ", " "),
        )
    return load(known[name])


def known_aircraft(folders: Sequence[Path]) -> dict[str, Aircraft]:
    """Every aircraft in ``folders`` by its id; the earlier folder wins."""
    found: dict[str, Aircraft] = {}
    for folder in folders:
        for file in sorted(folder.glob("*.yaml")):
            craft = load_aircraft(file)
            found.setdefault(craft.id, craft)
    return found
