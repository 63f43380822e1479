"""NOAA GEFS, 0.25 degree, global: an ensemble of the GFS, 31 members, every 3 h to 240 h."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from contextlib import suppress
from datetime import datetime, timedelta

from wxgate.errors import DataError
from wxgate.forecast import Field, Forecast
from wxgate.sources.base import Request, Source, Toolbox
from wxgate.sources.endpoints import Entry
from wxgate.sources.gridmodel import GridModel, Member, Progress
from wxgate.sources.members import member_grid, stack_members
from wxgate.sources.modelrun import Fetched
from wxgate.sources.sampler import Sampler
from wxgate.sources.sitefields import MOST_NEARBY, SHARE_NEARBY, TERRAIN, notes_on, site_fields
from wxgate.sources.wholemembers import Chosen, choose_members, whole_layers

NAME = "gefs"
GROUND, ALOFT = "ground", "aloft"
#: When as many members in turn are not there, the run is not.
_PATIENCE = 4


def fetch(request: Request, tools: Toolbox) -> Forecast:
    """The newest run that enough members of are whole, at the nearest grid point.

    Fields have a last dimension ``member``; the notes tell how many members there are. DataError
    when no run of the last day has enough.
    """
    with GridModel(SOURCE, request, tools) as model:
        members, least = read_members(model.entry), model.entry.whole("least_members")
        timetable, faults = model.timetable(), []
        for run in timetable.runs(request.now, model.first, model.last):
            steps = timetable.steps(run, model.first, model.last)
            try:
                if steps:
                    return _fetch_run(model, members, least, run, steps)
            except DataError as error:
                faults.append(f"{run:%Y-%m-%d %H} UTC: {error.what}")
        told = "; ".join(faults) or "none holds these hours"
        raise DataError(
            f"no run of the ensemble could be had ({told})",
            remedy="Check the network, or try again later.",
        )


def read_members(entry: Entry) -> tuple[Member, ...]:
    """The members that the endpoints list, such as c00 and p07."""
    members = []
    for name in entry.texts("members"):
        match = re.fullmatch(r"(c00)|p(\d\d)", name, re.ASCII)
        if match is None:
            raise entry.fault("members", f"names {name!r}, which is neither c00 nor like p07")
        number = 0 if match[1] else int(match[2])
        behind = "ENS=low-res ctl" if match[1] else f"ENS=+{number}"
        members.append(Member(name, number, (behind,)))
    return tuple(members)


def _fetch_run(
    model: GridModel, members: Sequence[Member], least: int, run: datetime, steps: list[int]
) -> Forecast:
    """One run; DataError when too few of its members are whole."""
    found, faults = _fetch_members(model, members, least, run, steps)
    try:
        chosen = choose_members(
            {name: whole_layers(parts) for name, parts in found.items()},
            [member.name for member in members],
            least,
        )
    except DataError as error:
        raise DataError("; ".join((error.what, *faults)), remedy=error.remedy) from error
    kept = [member for member in members if member.name in chosen.members]
    ground = _fetch_ground(model, kept, run)
    samplers = [part.sampler for member in kept for part in found[member.name]]
    if ground is not None:
        samplers.append(ground)
    fields = {member.number: _fields(model, found[member.name], chosen, ground) for member in kept}
    notes = [*chosen.notes, *_what_is_missing(model, samplers[0], steps, chosen)]
    if run + timedelta(hours=steps[-1]) < model.last:
        notes.append(f"the run reaches only to its hour {steps[-1]}")
    return model.forecast(run, stack_members(fields), samplers, notes, member_grid(fields))


def _fetch_members(
    model: GridModel, members: Sequence[Member], least: int, run: datetime, steps: list[int]
) -> tuple[dict[str, list[Fetched]], Iterable[str]]:
    """What was had of the members, and why others were not; no more once it cannot be enough."""
    found: dict[str, list[Fetched]] = {}
    faults: dict[str, None] = {}

    def progress(done: int, total: int, what: str) -> None:
        model.tools.progress(len(found) * total + done, len(members) * total, what)

    for n, member in enumerate(members):
        if len(found) + len(members) - n < least or (not found and n >= _PATIENCE):
            break
        try:
            found[member.name] = _fetch_member(model, member, run, steps, progress)
        except DataError as error:
            faults[error.what] = None
    return found, faults


def _fetch_member(
    model: GridModel, member: Member, run: datetime, steps: list[int], progress: Progress
) -> list[Fetched]:
    """A member's files; without the coarser ones where those are not to be had."""
    parts = [model.fetcher(member=member, progress=progress).fetch_run(run, steps)]
    if parts[0].missing:
        raise DataError("steps are missing")
    if model.has_product(ALOFT):
        # Without it layers are missing, which choose_members weighs.
        with suppress(DataError):
            parts.append(model.fetcher(ALOFT, member, progress).fetch_run(run, steps))
    return parts


def _fetch_ground(model: GridModel, members: Sequence[Member], run: datetime) -> Sampler | None:
    """The terrain out of step 0 of the first member that has it; None when it cannot be had."""
    if model.has_product(GROUND):
        for member in members[:_PATIENCE]:
            try:
                return model.fetcher(GROUND, member).fetch_run(run, [0]).sampler
            except DataError:
                continue
    return None


def _fields(
    model: GridModel, parts: Sequence[Fetched], chosen: Chosen, ground: Sampler | None
) -> dict[str, Field]:
    """A member's fields of the layers that all chosen members have, terrain included."""
    own = parts[0].sampler
    for part in parts[1:]:
        own.join(part.sampler)
    own.samples = {layer: s for layer, s in own.samples.items() if layer in chosen.layers}
    if ground is not None:
        own.join(ground)
    return site_fields(own, parts[0].steps, model.time, model.rules, NAME)


def _what_is_missing(
    model: GridModel, sampler: Sampler, steps: Sequence[int], chosen: Chosen
) -> list[str]:
    """What too few members had, and what steps of three hours mean."""
    products = [name for name in ("", ALOFT) if not name or model.has_product(name)]
    lacking = [
        f"{wanted.element} ({wanted.level})"
        for name in products for wanted in model.wanted(name)
        if wanted.layer not in chosen.layers
    ]  # fmt: skip
    notes = [f"had of too few members and left out: {', '.join(lacking)}"] if lacking else []
    if model.has_product(GROUND) and not sampler.samples.get((TERRAIN, None)):
        notes.append("the height of the model's terrain could not be had")
    return notes + notes_on(sampler, steps, frozenset(name for name, _ in chosen.layers))


SOURCE = Source(
    name=NAME,
    title="NOAA GEFS",
    gives=(
        "eastward_wind", "northward_wind", "wind_speed_of_gust", "air_temperature",
        "dew_point_temperature", "surface_air_pressure", "visibility_in_air", "ceiling_height",
        "cloud_area_fraction", "lwe_thickness_of_precipitation_amount", "categorical_rain",
        "categorical_freezing_rain", "categorical_ice_pellets", "categorical_snow",
        "convective_available_potential_energy", "convective_inhibition",
        "surface_upward_sensible_heat_flux", "surface_altitude", SHARE_NEARBY, MOST_NEARBY,
    ),
    resolution="28 km (0.25 degree; 55 km for winds above 10 m), 31 members, every 3 h to 240 h",
    runs="00, 06, 12 and 18 UTC, out about 7 h later",
    licence="US government work, open through NOAA Open Data Dissemination",
    credit=(
        "Contains data of the US National Oceanic and Atmospheric Administration (NOAA), "
        "modified by wxgate. NOAA does not endorse this tool."
    ),
    fetch=fetch,
)  # fmt: skip
