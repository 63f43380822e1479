"""Ask the models, one after the other, until every hour has one, and lay the K index beside them.

Each hour is told by one run of one model with both its ends: where a second model takes over, the
two stay forecasts of their own, each with the hours that it speaks for, and nothing is joined or
interpolated from one to the other. So do two runs: where the newest begins behind the first hours
of the request (which are there for rules that look back), an earlier run stands beside it as
``Forecast.earlier``.

A source that fails is a sentence, never a stop, as long as something can still be told: without a
model the brief has nothing to grade and the error goes on; without the K index the hours are
graded and the index is named as missing.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from wxgate.choice import Candidate, shortened
from wxgate.errors import DataError
from wxgate.forecast import (
    FROM,
    UNTIL,
    Field,
    Forecast,
    hours_axis,
    to_datetime,
    to_datetime64,
)
from wxgate.quantities import Kind
from wxgate.sources.base import Request, Source, Toolbox
from wxgate.sources.kindex import higher_of_both

Times = np.ndarray[tuple[int], np.dtype[np.datetime64]]
#: Without a wind nothing is graded, so a model reaches as far as its wind does.
CORE = "eastward_wind"
MOST_TOLD = 220  #: letters that the faults of several models may take together


def gather(
    request: Request,
    tools: Toolbox,
    *,
    models: Sequence[Candidate],
    indices: Sequence[Source],
    second_opinion: bool = False,
    before: int = 0,
    after: int = 0,
) -> tuple[Forecast, ...]:
    """A forecast of each model that was needed, best first, each with the first K index there is.

    All on the request's axis: ``hours`` + 1 instants, so that each hour has both its ends. One
    model speaks for all hours where it reaches them; else the attributes ``from`` and ``until``
    (seconds since 1970) tell the hours of each. ``before`` and ``after``: hours beside its own that
    a model must have as well, for what looks at an hour's neighbours. With ``second_opinion`` the
    next index is asked too, and the higher of both counts. DataError with every model's reason when
    none answers.
    """
    faults: dict[str, DataError] = {}
    parts = _parts(request, tools, models, faults, before, after)
    if not parts:
        raise _none(faults, offline=tools.offline)
    index = _index(request, tools, indices, faults, second_opinion)
    parts[0] = parts[0].with_notes(*_told(faults))
    return tuple(parts if index is None else (beside(part, index) for part in parts))


def _parts(
    request: Request, tools: Toolbox, models: Sequence[Candidate],
    faults: dict[str, DataError], before: int, after: int,
) -> list[Forecast]:  # fmt: skip
    """What each model that was asked speaks for, in the order of the hours."""
    time = hours_axis(request.start, request.hours)
    last = time.size - 1
    begin = 0
    found: list[tuple[Forecast, int, int]] = []
    idle: list[tuple[Forecast, int, int]] = []
    for model in models:
        if begin >= last:
            break
        first = max(begin - before, 0)
        asked = replace(request, start=to_datetime(time[first]), hours=last - first)
        if model.until is not None:
            if model.until <= to_datetime(time[min(begin + after, last)]):
                continue  # it is not good for any hour that is left
            asked = shortened(asked, model.until)
        try:
            fetched = model.source.fetch(asked, model.tools or tools)
        except DataError as error:
            faults[model.source.name] = error
            continue
        forecast = on_axis(fetched, time)
        reach = _reach(forecast)
        end = last if reach >= last else reach - after
        if end > begin:
            forecast = _with_earlier(forecast, first, asked, model, model.tools or tools)
            forecast = forecast.with_notes(*filter(None, [model.note]))
            found.append((forecast, begin, end))
            begin = end
        else:
            # Better than nothing, where nothing else answers.
            idle.append((forecast, 0, last))
            faults[model.source.name] = DataError("it does not reach the hours that are left")
    if not found and idle:
        forecast = idle[0][0]
        faults.pop(forecast.provenance[0].source if forecast.provenance else "", None)
        return [forecast]
    if len(found) == 1:
        return [found[0][0]]
    return [
        _for_hours(part, time, start, end if n < len(found) - 1 else last + 1, found[n + 1 :])
        for n, (part, start, end) in enumerate(found)
    ]


def _with_earlier(
    forecast: Forecast, first: int, asked: Request, model: Candidate, tools: Toolbox
) -> Forecast:
    """The forecast from its run's begin on, with an earlier run for the hours before it.

    As it is where its run reaches back to instant ``first`` of the axis, as far as it is known.
    """
    run = forecast.provenance[0].run if forecast.provenance else None
    if asked.needed is None or run is None or to_datetime(forecast.time[first]) >= run:
        return forecast
    begins = np.flatnonzero(forecast.time == to_datetime64(run))
    if not begins.size:
        return forecast
    begin = int(begins[0])
    newer = forecast.between(forecast.time[begin], forecast.time[-1])
    name = model.source.name
    try:
        earlier = model.source.fetch(replace(asked, hours=begin - first, needed=None), tools)
    except DataError as error:
        return newer.with_notes(
            f"{name}: without the hours before {run:%d %b %H}Z, of an earlier run ({error.what})"
        )
    old = earlier.provenance[0].run if earlier.provenance else None
    told = "an earlier run" if old is None else f"the run of {old:%d %b %H}Z"
    note = f"{name}: rules that look back before {run:%d %b %H}Z look at {told}"
    return replace(newer, earlier=earlier).with_notes(note)


def _for_hours(
    part: Forecast, time: Times, begin: int, end: int, behind: Sequence[tuple[Forecast, int, int]]
) -> Forecast:
    seconds = time.astype("datetime64[s]").astype(np.int64)
    until = seconds[-1] + 3600 if end >= time.size else seconds[end]
    told = []
    if behind:
        own, other = (p.provenance[0].source for p in (part, behind[0][0]))
        told.append(f"{own} to {to_datetime(time[end]):%d %b %H}Z, then {other}")
    marks = {FROM: int(seconds[begin]), UNTIL: int(until)}
    marked = replace(part, attributes={**part.attributes, **marks})
    return replace(marked, notes=(*told, *marked.notes))


def _reach(forecast: Forecast) -> int:
    """The last instant of the axis that closes an hour which the forecast has; -1 for none."""
    core = forecast.get(CORE)
    fields = [core] if core is not None else [
        f for f in forecast.fields.values() if f.kind is not Kind.CONSTANT
    ]  # fmt: skip
    there = np.zeros(forecast.time.size, np.bool_)
    for found in fields:
        there |= (~np.isnan(found.values)).reshape(found.values.shape[0], -1).any(axis=1)
    whole = np.flatnonzero(there[1:] & there[:-1])
    return int(whole[-1]) + 1 if whole.size else -1


def _index(
    request: Request, tools: Toolbox, indices: Sequence[Source], faults: dict[str, DataError],
    second_opinion: bool,
) -> Forecast | None:  # fmt: skip
    """The first index that answers; with a second opinion the higher of the first two."""
    time = hours_axis(request.start, request.hours)
    found: list[Forecast] = []
    for source in indices:
        try:
            found.append(on_axis(source.fetch(request, tools), time))
        except DataError as error:
            faults[source.name] = error
        if len(found) == (2 if second_opinion else 1):
            break
    if not found:
        return None
    return found[0] if len(found) == 1 else higher_of_both(*found)


def _none(faults: Mapping[str, DataError], *, offline: bool) -> DataError:
    """The error of a forecast that nobody gave; short, however many were asked."""
    absent = [name for name, error in faults.items() if "not kept" in error.what]
    if offline and absent:
        return DataError(
            f"no forecast could be had offline (not kept: {', '.join(absent)})",
            remedy="Run once without --offline. Or give a file with --forecast.",
        )
    remedies = {error.remedy for error in faults.values() if error.remedy}
    remedy = remedies.pop() if len(remedies) == 1 else "Check the network, or try again later."
    told = _told(faults) or ["no model is there for this place and these hours"]
    if len(told) > 1:
        told = _told({name: DataError(_gist(error.what)) for name, error in faults.items()})
    if len(told) > 1 and sum(map(len, told)) > MOST_TOLD:
        share = MOST_TOLD // len(told)
        told = [
            one if len(one) <= share else one[: share - 4].rstrip(" ,;(") + " ..." for one in told
        ]
    return DataError(
        "no forecast could be had: " + "; ".join(told),
        remedy=f"{remedy} Or give a file with --forecast.".strip(),
    )


def _gist(what: str) -> str:
    """Why no run could be had, without which runs were tried."""
    found = re.fullmatch(r"no run from .* could be had \((?P<why>.*)\)", what.rstrip(". "), re.S)
    return what if found is None else found["why"]


def _told(faults: Mapping[str, DataError]) -> list[str]:
    """What went wrong, each fault once with all the sources that it befell."""
    by_fault: dict[str, list[str]] = {}
    for name, error in faults.items():
        by_fault.setdefault(error.what.rstrip(". "), []).append(name)
    return [f"{', '.join(names)}: {what}" for what, names in by_fault.items()]


def on_axis(forecast: Forecast, time: Times) -> Forecast:
    """The forecast on another hourly axis; hours that it does not have are NaN."""
    if np.array_equal(forecast.time, time):
        return forecast
    at = np.searchsorted(forecast.time, time)
    at = np.minimum(at, forecast.time.size - 1)
    there = forecast.time[at] == time
    fields = {name: _moved(f, at, there) for name, f in forecast.fields.items()}
    return replace(forecast, time=time, fields=fields)


def _moved(
    found: Field,
    at: np.ndarray[tuple[int], np.dtype[np.intp]],
    there: np.ndarray[tuple[int], np.dtype[np.bool_]],
) -> Field:
    if found.kind is Kind.CONSTANT:
        return found
    values = found.values[at].copy()
    values[~there] = np.nan
    return replace(found, values=values, origin=None if found.origin is None else found.origin[at])


def beside(forecast: Forecast, other: Forecast) -> Forecast:
    """``forecast`` with the fields of ``other`` that it lacks, laid on its axis (and its past)."""
    if forecast.earlier is not None:
        forecast = replace(forecast, earlier=beside(forecast.earlier, other))
    moved = on_axis(other, forecast.time)
    more = {name: f for name, f in moved.fields.items() if name not in forecast.fields}
    return replace(
        forecast.with_fields(more),
        provenance=(*forecast.provenance, *other.provenance),
        notes=tuple(dict.fromkeys((*forecast.notes, *other.notes))),
    )
