"""A model's runs in GRIB, from a crop service or from mirrors: what such sources share.

A model's entry in the endpoints tells its timetable, its places and what is read. It may have
``products``: further files of the same run (finer in time, or coarser in space), each with keys
that are laid over the model's own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import datetime
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from wxgate.forecast import Field, Forecast, Provenance, digest, hours_axis, to_datetime
from wxgate.grid import KM_PER_DEGREE, NEIGHBOUR_CELLS
from wxgate.sources.base import Request, Source, Toolbox
from wxgate.sources.crop import Crop, box_around
from wxgate.sources.dialect import WGRIB2, Dialect
from wxgate.sources.endpoints import Entry
from wxgate.sources.hourly import run_at_or_before
from wxgate.sources.kept import Kept
from wxgate.sources.mirror import Mirror
from wxgate.sources.modelrun import Fetched, RunFetcher, Timetable
from wxgate.sources.place import Place, read_service
from wxgate.sources.sampler import Sampler
from wxgate.sources.sitefields import (
    RAIN,
    needed,
    notes_on,
    place_text,
    read_site_rules,
    site_fields,
)
from wxgate.sources.sizes import Outstanding, Sizes, cropped
from wxgate.sources.wanted import Wanted, read_wanted

if TYPE_CHECKING:
    from wxgate.http import Client

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, slots=True)
class Member:
    """A member of an ensemble: as file names call it, its number, and the sidecar's words."""

    name: str
    number: int
    behind: tuple[str, ...]


def fetch_model(source: Source, request: Request, tools: Toolbox) -> Forecast:
    """The newest run that reaches to the request's end, at the grid point nearest to the site.

    By crop or from a mirror, as the endpoints say. DataError when no run can be had, or the site
    lies outside.
    """
    with GridModel(source, request, tools) as model:
        found = model.fetch_newest()
        fields = site_fields(found.sampler, found.steps, model.time, model.rules, source.name)
        notes = (*found.notes, *notes_on(found.sampler, found.steps, request.wanted))
        return model.forecast(found.run, fields, (found.sampler,), notes)


class GridModel:
    """One model put to work for one request; a context that closes its connections."""

    def __init__(
        self, source: Source, request: Request, tools: Toolbox, dialect: Dialect = WGRIB2
    ) -> None:
        self.source, self.request, self.tools, self.dialect = source, request, tools, dialect
        self._endpoints = Entry(tools.endpoints, "")
        self.entry = self._endpoints.entry(source.name)
        self.rules = read_site_rules(self.entry)
        self.time = hours_axis(request.start, request.hours)
        self.kept = Kept(tools.cache, source.name, request.now)
        self._stack, self._clients = ExitStack(), dict[str, "Client"]()
        self._gone: set[str] = set()
        self._mirrors: dict[tuple[str, ...], Mirror] = {}
        self._lists: dict[str, tuple[Entry, tuple[Wanted, ...], tuple[Wanted, ...]]] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:  # fmt: skip
        self._stack.__exit__(kind, error, trace)

    @property
    def first(self) -> datetime:
        """The first instant of the request."""
        return to_datetime(self.time[0])

    @property
    def last(self) -> datetime:
        """Its last instant."""
        return to_datetime(self.time[-1])

    @property
    def needed(self) -> datetime:
        """The first instant that a run must have; it has those before as far as it reaches back."""
        needed = self.request.needed
        return self.first if needed is None else max(self.first, run_at_or_before(needed, 1))

    def has_product(self, name: str) -> bool:
        """Whether the endpoints list a product of this name, and something of it is asked for."""
        listed = self.entry.content.get("products") or {}
        return bool(listed.get(name)) and bool(self.wanted(name))

    def part(self, product: str = "", member: Member | None = None) -> Entry:
        """The model's entry as it holds for a product and a member."""
        entry = self.entry
        if product:
            own = entry.entry("products").entry(product)
            crop = {**entry.content.get("crop", {}), **own.content.get("crop", {})}
            entry = Entry({**entry.content, **own.content, "crop": crop}, own.path)
        return entry if member is None else Entry(_named(entry.content, member.name), entry.path)

    def wanted(self, product: str = "", member: Member | None = None) -> tuple[Wanted, ...]:
        """The messages that are read of a product for this request."""
        wanted = read_wanted(self.part(product), needed(self.request.wanted))
        if member is None:
            return wanted
        return tuple(replace(w, member=member.number, behind=member.behind) for w in wanted)

    def timetable(self, product: str = "") -> Timetable:
        """The timetable of a product."""
        return read_timetable(self.part(product))

    def fetcher(
        self, product: str = "", member: Member | None = None, progress: Progress | None = None
    ) -> RunFetcher:
        """What fetches runs of a product; a host that refused once is not asked by the next."""
        entry, wanted = self.part(product, member), self.wanted(product, member)
        places = [p for p in self._places(entry, wanted) if any(p.takes(w) for w in wanted)]
        return RunFetcher(
            places, read_timetable(entry), lambda run: self.sampler(run, wanted),
            progress or self.tools.progress, self._gone,
        )  # fmt: skip

    def fetch_newest(self) -> Fetched:
        """The newest run that holds what is needed; DataError when none can be had."""
        return self.fetcher().fetch(self.request.now, self.first, self.last, self.needed)

    def sampler(self, run: datetime, wanted: Sequence[Wanted]) -> Sampler:
        """What takes the values of a run at the site; DataError when the run cannot be had."""
        return Sampler(
            self.request.latitude, self.request.longitude, run, wanted,
            nearby=frozenset({RAIN}), radius_km=self.rules.radius_km,
        )  # fmt: skip

    def forecast(
        self, run: datetime, fields: dict[str, Field], samplers: Sequence[Sampler],
        notes: Sequence[str], attributes: dict[str, Any] | None = None,
    ) -> Forecast:  # fmt: skip
        """The forecast of what was asked for, with where it came from."""
        name, entry, source = self.source.name, self.entry, self.source
        fields = {n: f for n, f in fields.items() if self.request.wants(n)}
        notes = tuple(dict.fromkeys((*notes, *self.kept.faults)))
        sums = [sampler.sha256 for sampler in samplers]
        runs = entry.entry("runs")
        provenance = Provenance(
            source=name,
            title=entry.text("title", source.title),
            run=run,
            fetched=self.request.now,
            sha256=sums[0] if len(sums) == 1 else digest(s.encode() for s in sums),
            credit=entry.text("credit", source.credit).replace("{year}", str(run.year)),
            licence=entry.text("licence", source.licence),
            cycle_h=runs.number("cycle_h", runs.number("every_h")),
            place=place_text(samplers[0].spot),
            notes=notes,
            quantities=tuple(fields),
        )
        told = tuple(f"{name}: {note}" for note in notes)
        return Forecast(self.time, fields, (provenance,), told, attributes or {})

    # ----- plans

    def places(self, product: str = "", member: Member | None = None) -> list[Place]:
        """The places of a product, in the order in which they are asked."""
        return self._places(self.part(product, member), self.wanted(product, member))

    def outstanding(
        self, place: Place, product: str, run: datetime, step: int, wanted: Sequence[Wanted]
    ) -> Outstanding:
        """What a step would still take from a place, told without asking it."""
        if isinstance(place, Mirror):
            return place.outstanding(run, step, wanted, Sizes.of(self.entry))
        if isinstance(place, Crop):
            kept = place.kept(run, step)
            if kept is not None:
                return Outstanding(kept=len(kept.content))
            own, chosen, listed = self._listed(product)
            every = [w for w in listed if w.exists_at(step)]
            size = cropped(own, chosen, every, place.box, first=step == 0)
            return Outstanding(1, size, exact=False)
        raise TypeError(f"{place!r} tells nothing of its costs")

    def _listed(self, product: str) -> tuple[Entry, tuple[Wanted, ...], tuple[Wanted, ...]]:
        """A product's crop, what is wanted of it, and all that is listed for it."""
        if product not in self._lists:
            entry = self.part(product)
            self._lists[product] = entry.entry("crop"), self.wanted(product), read_wanted(entry)
        return self._lists[product]

    def outstanding_once(self, place: Place, run: datetime) -> list[Outstanding]:
        """What a place would be asked beside the steps; nothing as a rule."""
        return []

    # ----- places

    def _places(self, entry: Entry, wanted: Sequence[Wanted]) -> list[Place]:
        """The places in the order in which they are to be asked, one client a service."""
        mirrors = dict(entry.entries("mirrors"))
        places: list[Place] = []
        for name in entry.texts("order"):
            if name != "crop" and name not in mirrors:
                raise entry.fault("order", f"names {name!r}, which is neither crop nor a mirror")
            own = entry.entry("crop") if name == "crop" else mirrors[name]
            client = self._client(own.text("service"))
            places.append(
                self._crop(entry, own, client, wanted) if name == "crop"
                else self._mirror(name, own, entry, client)
            )  # fmt: skip
        return places

    def _crop(self, entry: Entry, own: Entry, client: Client, wanted: Sequence[Wanted]) -> Crop:
        cell = own.number("cell_deg")
        # All cells that Grid.neighbours can ask for must be inside.
        radius = entry.entry("neighbourhood").number("radius_km")
        around = max(radius, NEIGHBOUR_CELLS * cell * KM_PER_DEGREE)
        margin = max(own.number("margin_km"), around)
        box = box_around(self.request.latitude, self.request.longitude, margin, cell)
        return Crop(own, client, self.kept, box, wanted, offline=self.tools.offline)

    def _mirror(self, name: str, own: Entry, entry: Entry, client: Client) -> Place:
        """One for the same files, which then reads each sidecar once for all members."""
        key = (name, *entry.texts("files"))
        if key not in self._mirrors:
            self._mirrors[key] = Mirror(
                name, own, entry, client, self.kept, now=self.request.now,
                offline=self.tools.offline, dialect=self.dialect,
            )  # fmt: skip
        return self._mirrors[key]

    def _client(self, service: str) -> Client:
        if service not in self._clients:
            manners = read_service(self._endpoints, service)
            self._clients[service] = self._stack.enter_context(self.tools.client(manners))
        return self._clients[service]


def service_of(entry: Entry, place: str) -> str:
    """The name of the service that a place of a model's order belongs to."""
    own = entry.entry("crop") if place == "crop" else entry.entry("mirrors").entry(place)
    return own.text("service")


def read_timetable(entry: Entry) -> Timetable:
    """A model's timetable from its entry; a row of steps may hold for the runs of some hours."""
    runs = entry.entry("runs")
    rows = [
        (row.whole("until_h"), row.whole("every_h"), _hours(row)) for row in entry.rows("steps")
    ]
    some = {hour for _, _, hours in rows for hour in hours}
    return Timetable(
        runs.whole("every_h"),
        runs.number("first_step_after_h"),
        runs.number("give_up_after_h"),
        tuple((until, every) for until, every, hours in rows if not hours),
        {
            hour: tuple((u, e) for u, e, hours in rows if not hours or hour in hours)
            for hour in some
        },
    )


def _hours(row: Entry) -> tuple[int, ...]:
    hours = row.content.get("runs", [])
    if not isinstance(hours, list) or not all(isinstance(h, int) and 0 <= h < 24 for h in hours):
        raise row.fault("runs", "must be a list of hours of the day")
    return tuple(hours)


def _named(content: Any, member: str) -> Any:
    """The content with {member} filled in everywhere."""
    if isinstance(content, str):
        return content.replace("{member}", member)
    if isinstance(content, list):
        return [_named(part, member) for part in content]
    if isinstance(content, dict):
        return {key: _named(part, member) for key, part in content.items()}
    return content
