"""What a fetch would cost, told from the endpoints and the cache alone: no request is made."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from wxgate.cache import Entry as Kept
from wxgate.errors import CacheError, DataError
from wxgate.sources.base import Errand, Plan, Request, Source, Toolbox
from wxgate.sources.endpoints import Entry
from wxgate.sources.gridmodel import GridModel, service_of
from wxgate.sources.place import Place, read_service
from wxgate.sources.polled import key_of
from wxgate.sources.sizes import Outstanding
from wxgate.sources.wanted import Wanted

Make = Callable[[Source, Request, Toolbox], GridModel]


def plan_model(
    source: Source, request: Request, tools: Toolbox, make: Make = GridModel,
    check: Callable[[GridModel], None] = lambda model: None,
) -> Plan:  # fmt: skip
    """The plan of a model on a grid: the newest run that can be out, and what it would take.

    ``make`` puts the model to work; ``check`` raises DataError where it does not cover the site.
    """
    with make(source, request, replace(tools, offline=True)) as model:
        check(model)
        run, steps = run_expected(model)
        errands = list(_errands(model, run, steps, tools))
        notes = [] if errands else ["no place that is listed serves it"]
        reach = run + timedelta(hours=steps[-1])
        if reach < model.last:
            notes.append(f"the run reaches only to {reach:%Y-%m-%d %H} UTC")
        return Plan(
            source.name, run, tuple(steps), tuple(errands[:1]), tuple(errands[1:]), tuple(notes)
        )


def run_expected(model: GridModel) -> tuple[datetime, list[int]]:
    """The newest run that can be out, and its steps; DataError when none holds the hours."""
    timetable = model.timetable()
    for run in timetable.runs(model.request.now, model.needed, model.last):
        steps = timetable.steps(run, model.first, model.last)
        if steps:
            return run, steps
    raise DataError(
        "no run of it holds the hours asked for", where=model.source.name,
        remedy="Ask for hours nearer to now, or use another source.",
    )  # fmt: skip


def _errands(
    model: GridModel, run: datetime, steps: Sequence[int], tools: Toolbox
) -> Iterable[Errand]:
    """One errand for each place, in the order in which they are asked, products included."""
    parts = [("", list(steps)), *_products(model, run, steps)]
    for name in model.entry.texts("order"):
        found: list[Outstanding] = []
        for product, its_steps in parts:
            wanted = model.wanted(product)
            place = next((p for p in model.places(product) if p.name == name), None)
            if place is not None and any(place.takes(w) for w in wanted):
                found += _of_steps(model, place, product, run, its_steps, wanted)
        if found:
            yield _errand(tools, name, service_of(model.entry, name), found)


def _of_steps(
    model: GridModel, place: Place, product: str, run: datetime, steps: Sequence[int],
    wanted: Sequence[Wanted],
) -> list[Outstanding]:  # fmt: skip
    """What each step would take; what does not change with time is asked for but once."""
    changing = [w for w in wanted if not w.once]
    return [
        model.outstanding(place, product, run, step, wanted if step == steps[-1] else changing)
        for step in steps
    ] + model.outstanding_once(place, run)  # fmt: skip


def _products(model: GridModel, run: datetime, steps: Sequence[int]) -> list[tuple[str, list[int]]]:
    """Further files and their steps; of those that give the same only the first is counted."""
    found: list[tuple[str, list[int]]] = []
    given: set[str] = set()
    for name in model.entry.content.get("products") or {}:
        if not model.has_product(name):
            continue
        wanted = model.wanted(name)
        names = {w.quantity for w in wanted if w.once}
        if all(w.once for w in wanted):
            if not names <= given:
                found.append((name, [0]))
            given |= names
            continue
        reach = model.timetable(name).steps(run, model.first, model.last)
        found.append((name, [step for step in reach[1:] if step <= steps[-1]]))
    return [(name, its) for name, its in found if its]


def plan_polled(
    source: Source, request: Request, tools: Toolbox, files: Sequence[tuple[str, float]],
    *, fresh_for: timedelta = timedelta(0),
) -> Plan:  # fmt: skip
    """The plan of a service whose files change under one address: (address, about how many kB).

    A copy that is still fresh (for ``fresh_for`` at least, where the service said so) costs
    nothing; one that is not tells how large the next will be.
    """
    endpoints = Entry(tools.endpoints, "")
    entry = endpoints.entry(source.name)
    poll = max(timedelta(seconds=entry.number("poll_s")), fresh_for)
    found = [_polled(source.name, url, kb, request.now, poll, tools) for url, kb in files]
    errand = _errand(tools, source.title, entry.text("service"), found)
    return Plan(source.name, None, (), (errand,))


def kept_copy(name: str, url: str, tools: Toolbox) -> Kept | None:
    """The copy of a file that :class:`wxgate.sources.polled.Polled` keeps; None without one."""
    if tools.cache is None or not url:
        return None
    try:
        return tools.cache.get(key_of(name, url))
    except CacheError:
        return None


def _polled(
    name: str, url: str, kb: float, now: datetime, poll: timedelta, tools: Toolbox
) -> Outstanding:
    if url.startswith("file:"):
        return Outstanding()
    held = kept_copy(name, url, tools)
    if held is None:
        return Outstanding(1, round(kb * 1000), 0, exact=False)
    size = len(held.content)
    if timedelta(0) <= now - held.fetched < poll:
        return Outstanding(0, 0, size)
    return Outstanding(1, size, 0, exact=False)


def _errand(tools: Toolbox, what: str, service: str, found: Sequence[Outstanding]) -> Errand:
    requests, size = sum(o.requests for o in found), sum(o.size for o in found)
    manners = read_service(Entry(tools.endpoints, ""), service)
    line = Entry(tools.endpoints, "").entry("choice").entry("line")
    by_manners = requests * manners.min_interval_s
    by_turns = requests / manners.connections * line.number("round_trip_s")
    by_line = size / (line.number("mb_per_s") * 1e6)
    return Errand(
        what=what,
        service=service,
        requests=requests,
        size=size,
        kept=sum(o.kept for o in found),
        exact=all(o.exact for o in found),
        seconds=max(by_manners, by_turns + by_line),
    )
