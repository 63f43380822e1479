"""Ask the sources and lay what they give side by side on one time axis.

A source that fails is a sentence, never a stop, as long as something can still be told: without a
model the brief has nothing to grade and the error goes on; without the K index the hours are
graded and the index is named as missing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from wxgate.errors import DataError
from wxgate.forecast import Field, Forecast, hours_axis
from wxgate.quantities import Kind
from wxgate.sources.base import Request, Source, Toolbox


def gather(
    request: Request, tools: Toolbox, *, models: Sequence[Source], indices: Sequence[Source]
) -> Forecast:
    """The forecast of the first model that answers, with the first index that does.

    On the request's axis: ``hours`` + 1 instants, so that each hour has both its ends. DataError
    with every model's reason when none answers.
    """
    faults: dict[str, DataError] = {}
    found = _first(request, tools, models, faults)
    if found is None:
        remedies = {error.remedy for error in faults.values() if error.remedy}
        remedy = remedies.pop() if len(remedies) == 1 else "Check the network, or try again later."
        raise DataError(
            "no forecast could be had: " + "; ".join(_told(faults)),
            remedy=f"{remedy} Or give a file with --forecast.".strip(),
        )
    index = _first(request, tools, indices, faults)
    forecast = found.with_notes(*_told(faults))
    return forecast if index is None else beside(forecast, index)


def _first(
    request: Request, tools: Toolbox, sources: Sequence[Source], faults: dict[str, DataError]
) -> Forecast | None:
    for source in sources:
        try:
            forecast = source.fetch(request, tools)
        except DataError as error:
            faults[source.name] = error
        else:
            return on_axis(forecast, hours_axis(request.start, request.hours))
    return None


def _told(faults: Mapping[str, DataError]) -> list[str]:
    return [f"{name}: {error.what.rstrip('. ')}" for name, error in faults.items()]


def on_axis(forecast: Forecast, time: np.ndarray[tuple[int], np.dtype[np.datetime64]]) -> Forecast:
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
    """``forecast`` with the fields of ``other`` that it lacks, laid on its axis."""
    moved = on_axis(other, forecast.time)
    more = {name: f for name, f in moved.fields.items() if name not in forecast.fields}
    return replace(
        forecast.with_fields(more),
        provenance=(*forecast.provenance, *other.provenance),
        notes=tuple(dict.fromkeys((*forecast.notes, *other.notes))),
    )
