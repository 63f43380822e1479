"""DWD ICON on its own triangles: ICON-EU (6.5 km, Europe) and ICON-D2 (2.1 km, Germany).

The gust is the largest since the step before; precipitation is summed up from the run's start;
winds aloft stand on model levels, whose heights above ground are computed from the half levels.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np

from wxgate.errors import DataError
from wxgate.forecast import Forecast, make_field
from wxgate.grid import PointsGrid, UnlocatedGrid
from wxgate.http import Client, NotThere
from wxgate.quantities import Kind
from wxgate.sources.base import Plan, Request, Source, Toolbox
from wxgate.sources.endpoints import Entry
from wxgate.sources.gridmodel import GridModel, Member
from wxgate.sources.iconfiles import MODEL_LEVEL, IconFiles
from wxgate.sources.iconmesh import GROUND, Mesh, Meshes
from wxgate.sources.place import Place
from wxgate.sources.plan import plan_model
from wxgate.sources.sampler import Sampler
from wxgate.sources.sitefields import (
    CEILING,
    MOST_NEARBY,
    SHARE_NEARBY,
    TERRAIN,
    notes_on,
    site_fields,
)
from wxgate.sources.sizes import Outstanding, Sizes
from wxgate.sources.wanted import Wanted, read_wanted
from wxgate.units import convert_array

CLOUD = "cloud_area_fraction"
#: Less than half of the sky under cloud is no ceiling, whatever its height.
MOST_COVER_WITHOUT_CEILING = 0.5


def fetch_eu(request: Request, tools: Toolbox) -> Forecast:
    """ICON-EU: see :func:`fetch_icon`."""
    return fetch_icon(EU, request, tools)


def fetch_d2(request: Request, tools: Toolbox) -> Forecast:
    """ICON-D2: see :func:`fetch_icon`."""
    return fetch_icon(D2, request, tools)


def fetch_icon(source: Source, request: Request, tools: Toolbox) -> Forecast:
    """The newest run that reaches to the request's end, at the cell whose centre is nearest.

    DataError when no run can be had, or the site lies outside.
    """
    with IconModel(source, request, tools) as model:
        try:
            found = model.fetch_newest()
        except DataError:
            if model.outside is not None:
                raise model.outside from None
            raise
        mesh, sampler = model.mesh(found.run), found.sampler
        _tell_no_ceiling(sampler, model.rules.no_ceiling_from)
        fields = site_fields(sampler, found.steps, model.time, model.rules, source.name)
        fields[TERRAIN] = make_field(
            TERRAIN, np.asarray(mesh.ground), kind=Kind.CONSTANT, source=source.name
        )
        notes = [*found.notes, *notes_on(sampler, found.steps, request.wanted)]
        if not mesh.heights and any(on_model_levels(w) for w in model.wanted()):
            notes.append("model levels are left out: their height above ground could not be told")
        return model.forecast(found.run, fields, (sampler,), notes)


def plan_eu(request: Request, tools: Toolbox) -> Plan:
    """See :func:`wxgate.sources.plan.plan_model`."""
    return plan_model(EU, request, tools, IconModel)


def plan_d2(request: Request, tools: Toolbox) -> Plan:
    """See :func:`wxgate.sources.plan.plan_model`."""
    return plan_model(D2, request, tools, IconModel)


def _tell_no_ceiling(sampler: Sampler, none_from: float) -> None:
    """Say "none" where the model leaves the ceiling out under a sky that is surely half clear.

    Left out under more cloud, or where the cloud is not known, it stays missing.
    """
    units = {w.quantity: w.units for w in sampler.wanted}
    ceilings = sampler.samples.get((CEILING, None), {})
    for step, (start, cover) in sampler.samples.get((CLOUD, None), {}).items():
        if step in ceilings:
            height = ceilings[step][1]
            clear = convert_array(cover, units[CLOUD], "1") < MOST_COVER_WITHOUT_CEILING
            none = np.isnan(height) & clear
            ceilings[step] = start, np.where(none, np.float32(none_from), height)


class IconModel(GridModel):
    """A model of DWD's tree put to work for one request."""

    def __init__(self, source: Source, request: Request, tools: Toolbox) -> None:
        super().__init__(source, request, tools)
        self._grids: dict[UnlocatedGrid, PointsGrid] = {}
        self._meshes: dict[str, tuple[IconFiles, Meshes]] = {}
        self._meshes_kept: dict[datetime, Mesh | None] = {}

    @property
    def outside(self) -> DataError | None:
        """The error that tells that the site lies outside; None when it does not."""
        return next((m.outside for _, m in self._meshes.values() if m.outside), None)

    def wanted(self, product: str = "", member: Member | None = None) -> tuple[Wanted, ...]:
        """As for every model; a ceiling takes the total cloud as well."""
        rows = super().wanted(product, member)
        if not any(w.quantity == CEILING for w in rows):
            return rows
        return rows + tuple(w for w in read_wanted(self.entry, frozenset({CLOUD})) if w not in rows)

    def outstanding(
        self, place: Place, product: str, run: datetime, step: int, wanted: Sequence[Wanted]
    ) -> Outstanding:
        """As for every model; levels near the ground are counted as expected until known."""
        if not isinstance(place, IconFiles):
            return super().outstanding(place, product, run, step, wanted)
        mesh = self._mesh_kept(run)
        rows = _with_levels(wanted, mesh) if mesh is not None else self._expected_levels(wanted)
        return place.outstanding(run, step, list(rows), Sizes.of(self.entry))

    def outstanding_once(self, place: Place, run: datetime) -> list[Outstanding]:
        """The coordinates, the terrain and the half levels, unless they are kept."""
        if self._mesh_kept(run) is not None or not isinstance(place, IconFiles) or place.is_local:
            return []
        sizes = Sizes.of(self.entry)
        halves = self.entry.entry("model_levels").whole("count") + 1
        names = (GROUND, "CLAT", "CLON", *("HHL",) * halves)
        return [Outstanding(len(names), sum(map(sizes.named, names)), exact=False)]

    def _mesh_kept(self, run: datetime) -> Mesh | None:
        """The mesh where the cache holds it whole; for plans, which ask nobody."""
        if run not in self._meshes_kept:
            try:
                mesh = self.mesh(run)
                self._meshes_kept[run] = mesh if mesh.heights else None
            except DataError:
                self._meshes_kept[run] = None
        return self._meshes_kept[run]

    def _expected_levels(self, wanted: Sequence[Wanted]) -> Iterator[Wanted]:
        levels = self.entry.entry("model_levels")
        lowest, expected = levels.whole("lowest"), levels.whole("expected", 3)
        for w in wanted:
            if not on_model_levels(w):
                yield w
                continue
            for k in range(expected):
                yield replace(w, level=f"level {lowest - k}", surface_value=float(lowest - k))

    def mesh(self, run: datetime) -> Mesh:
        """The mesh of a run, from the first place that has it; DataError when none has."""
        fault: DataError = NotThere("no place is left to be asked", self.source.name)
        for files, meshes in self._meshes.values():
            listed = files.runs(self.entry.text("listed"))
            try:
                if listed is not None and run not in listed:
                    raise NotThere("the run is not listed", files.host)
                return meshes.of_run(run)
            except DataError as error:
                fault = error
        raise fault

    def sampler(self, run: datetime, wanted: Sequence[Wanted]) -> Sampler:
        """As for every model; rows of model levels become those of the levels near the ground."""
        mesh = self.mesh(run)
        sampler = super().sampler(run, list(_with_levels(wanted, mesh)))
        if not np.isnan(mesh.ground):
            sampler.samples[TERRAIN, None] = {0: (0, np.asarray([mesh.ground], dtype=np.float32))}
        return sampler

    def _mirror(self, name: str, own: Entry, entry: Entry, client: Client) -> Place:
        if name not in self._meshes:
            files = IconFiles(
                name, own, entry, client, self.kept, now=self.request.now,
                offline=self.tools.offline, grids=self._grids,
            )  # fmt: skip
            site = self.request.latitude, self.request.longitude
            self._meshes[name] = files, Meshes(files, entry, site, self._grids)
        return self._meshes[name][0]


def _with_levels(wanted: Sequence[Wanted], mesh: Mesh) -> Iterator[Wanted]:
    for w in wanted:
        if not on_model_levels(w):
            yield w
            continue
        for level, height in mesh.heights.items():
            yield replace(w, level=f"level {level}", surface_value=float(level), height=height)


def on_model_levels(wanted: Wanted) -> bool:
    """Whether it stands on the model's own levels."""
    return MODEL_LEVEL in wanted.surface_types


_GIVES = (
    "eastward_wind", "northward_wind", "air_temperature_at_heights", "wind_speed_of_gust",
    "air_temperature", "dew_point_temperature", "surface_air_pressure", "visibility_in_air",
    "ceiling_height", "cloud_area_fraction", "low_type_cloud_area_fraction",
    "lwe_thickness_of_precipitation_amount", "categorical_rain", "categorical_freezing_rain",
    "categorical_ice_pellets", "categorical_snow", "lightning",
    "convective_available_potential_energy", "surface_roughness_length", "surface_altitude",
    SHARE_NEARBY, MOST_NEARBY,
)  # fmt: skip
_LICENCE = "CC BY 4.0"
_CREDIT = "Source: Deutscher Wetterdienst (https://www.dwd.de), data modified by wxgate. CC BY 4.0."

EU = Source(
    name="icon-eu",
    title="DWD ICON-EU",
    gives=_GIVES,
    resolution="6.5 km, Europe, hourly to 78 h, then every 3 h to 120 h",
    runs="00, 06, 12 and 18 UTC, out about 4 h later; 03, 09, 15 and 21 reach to 30 h",
    licence=_LICENCE,
    credit=_CREDIT,
    fetch=fetch_eu,
    plan=plan_eu,
)

D2 = Source(
    name="icon-d2",
    title="DWD ICON-D2",
    gives=_GIVES,
    resolution="2.1 km, Germany and its neighbours, hourly to 48 h",
    runs="every 3 h, out about 1 h 30 later",
    licence=_LICENCE,
    credit=_CREDIT,
    fetch=fetch_d2,
    plan=plan_d2,
)
