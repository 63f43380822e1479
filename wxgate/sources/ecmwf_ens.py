"""ECMWF's ensemble, 0.25 degree, global: 50 members in one file a step, and their control.

The control is the high-resolution run, which has files of its own (:mod:`wxgate.sources.ecmwf`).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from functools import partial

from wxgate.errors import DataError
from wxgate.forecast import Field, Forecast
from wxgate.sources import ecmwf
from wxgate.sources.base import Request, Source, Toolbox
from wxgate.sources.gridmodel import GridModel, Member
from wxgate.sources.members import member_grid, stack_members
from wxgate.sources.modelrun import Fetched
from wxgate.sources.sitefields import notes_on, site_fields
from wxgate.sources.wholemembers import Chosen, choose_members, whole_layers

NAME = "ecmwf-ens"
CONTROL = 0


def fetch(request: Request, tools: Toolbox) -> Forecast:
    """The whole members of the ensemble's newest run, the control among them as number 0.

    Fields have a last dimension ``member``; a note tells how many there are. DataError when fewer
    are whole than the endpoints say suffice.
    """
    # The high-resolution run gives more than the members do.
    given = frozenset(SOURCE.gives)
    request = replace(request, wanted=given if request.wanted is None else given & request.wanted)
    with (
        ecmwf.open_model(SOURCE, request, tools) as model,
        ecmwf.open_model(ecmwf.SOURCE, request, tools) as control,
    ):
        numbers = [*range(1, model.entry.whole("members") + 1), CONTROL]
        least = model.entry.whole("least_members")
        had, faults = _fetch_members(model, control, numbers, least)
        try:
            chosen = choose_members(
                {_name(number): whole_layers([found]) for number, found in had.items()},
                [_name(number) for number in numbers],
                least,
            )
        except DataError as error:
            raise DataError("; ".join((error.what, *faults)), remedy=error.remedy) from error
        kept = {n: found for n, found in sorted(had.items()) if _name(n) in chosen.members}
        fields = {number: _fields(model, found, chosen) for number, found in kept.items()}
        first, *_ = kept.values()
        given_up = sorted({w.element for w in first.sampler.wanted if w.layer not in chosen.layers})
        notes = [*chosen.notes, *notes_on(first.sampler, first.steps, frozenset(fields[min(kept)]))]
        if first.run + timedelta(hours=first.steps[-1]) < model.last:
            notes.append(f"the run reaches only to its hour {first.steps[-1]}")
        if given_up:
            notes.append(f"had of too few members and left out: {', '.join(given_up)}")
        samplers = [found.sampler for found in kept.values()]
        grid = member_grid(kept)
        return model.forecast(first.run, stack_members(fields), samplers, notes, grid)


def _fetch_members(
    model: GridModel, control: GridModel, numbers: list[int], least: int
) -> tuple[dict[int, Fetched], list[str]]:
    """What was had of each member, all of one run, and why others were not had.

    The run is the newest that the first member has. No more is asked once it cannot be enough.
    """
    had: dict[int, Fetched] = {}
    faults: dict[str, None] = {}

    def progress(place: int, done: int, total: int, text: str) -> None:
        model.tools.progress(place * total + done, len(numbers) * total, text)

    for place, number in enumerate(numbers):
        if len(had) + len(numbers) - place < least:
            break
        told = partial(progress, place)
        if number == CONTROL:
            fetcher = control.fetcher(progress=told)
        else:
            fetcher = model.fetcher(member=Member("", number, ()), progress=told)
        if not had:
            had[number] = fetcher.fetch(model.request.now, model.first, model.last)
            run, steps = had[number].run, had[number].steps
            continue
        try:
            had[number] = fetcher.fetch_run(run, steps)
        except DataError as error:
            faults[error.what] = None
    return had, list(faults)


def _fields(model: GridModel, found: Fetched, chosen: Chosen) -> dict[str, Field]:
    """A member's fields of what all chosen members have."""
    sampler = found.sampler
    sampler.samples = {layer: s for layer, s in sampler.samples.items() if layer in chosen.layers}
    return site_fields(sampler, found.steps, model.time, model.rules, NAME)


def _name(number: int) -> str:
    return "control" if number == CONTROL else str(number)


SOURCE = Source(
    name=NAME,
    title="ECMWF IFS ensemble open data 0.25 degree",
    gives=tuple(
        name for name in ecmwf.SOURCE.gives
        if name != "surface_altitude" and not name.endswith("_on_levels")
    ),
    resolution="28 km (0.25 degree), 51 members, every 3 h to 144 h, then every 6 h to 360 h",
    runs="00, 06, 12 and 18 UTC, out about 7 h later; 06 and 18 reach to 144 h",
    licence=ecmwf.SOURCE.licence,
    credit=ecmwf.SOURCE.credit,
    fetch=fetch,
)  # fmt: skip
