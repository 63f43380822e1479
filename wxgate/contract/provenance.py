"""Where the numbers of a Dataset came from: its run, its cycle, and what wxgate wrote of both."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from wxgate.forecast import Provenance, to_datetime

if TYPE_CHECKING:
    import xarray as xr

#: Hours between runs that a source may state; it is the measure of staleness.
_SHORTEST_CYCLE_H, _LONGEST_CYCLE_H = 0.25, 24.0


def read_provenance(dataset: xr.Dataset, faults: list[str]) -> tuple[Provenance, ...]:
    """What wxgate wrote of the origins; none, and a fault, where no age could be told either."""
    text = dataset.attrs.get("wxgate_provenance")
    if text is not None:
        try:
            entries = json.loads(text)
            if not isinstance(entries, list):
                raise ValueError("it is not a list")
            found = tuple(_provenance(entry) for entry in entries)
        except (ValueError, TypeError, KeyError, OverflowError, RecursionError) as error:
            faults.append(f"attribute wxgate_provenance: not readable ({error})")
            return ()
        if found:
            return found
    if run_of(dataset) is None:
        faults.append(
            "forecast_reference_time: needs a scalar variable or coordinate of this name"
            " (the model run), so that its age can be told"
        )
    else:
        try:
            cycle_of(dataset)
        except ValueError as error:
            faults.append(f"forecast_reference_time: {error}")
    return ()


def _provenance(entry: dict[str, Any]) -> Provenance:
    run = _moment(entry["run"]) if entry["run"] else None
    lists = {key: tuple(map(line_of, entry.get(key, ()))) for key in ("notes", "quantities")}
    texts = {
        key: line_of(value)
        for key, value in entry.items()
        if key in ("source", "title", "sha256", "credit", "licence", "place")
    }
    cycle = entry.get("cycle_h")
    cycle_h = None if cycle is None else _cycle(cycle)
    known = {**entry, **texts, **lists, "run": run, "fetched": _moment(entry["fetched"])}
    return Provenance(**{**known, "cycle_h": cycle_h})


def _cycle(value: object) -> float:
    """Hours between runs; ValueError for what would make stale data look fresh."""
    hours = float(value) if isinstance(value, int | float | np.number) else math.nan
    if not _SHORTEST_CYCLE_H <= hours <= _LONGEST_CYCLE_H:
        raise ValueError(
            f"cycle_h is {str(value)[:40]}, but must be hours between runs from"
            f" {_SHORTEST_CYCLE_H:g} to {_LONGEST_CYCLE_H:g}"
        )
    return hours


def _moment(text: str) -> datetime:
    when = datetime.fromisoformat(text)
    if when.tzinfo is None:
        raise ValueError(f"the time {text!r} has no zone")
    return when.astimezone(UTC)


def cycle_of(dataset: xr.Dataset) -> float:
    """Hours between runs as the file states them; six, as most models run, where it does not.

    ValueError where it states what cannot be.
    """
    return _cycle(dataset["forecast_reference_time"].attrs.get("cycle_h", 6.0))


def run_of(dataset: xr.Dataset) -> datetime | None:
    """The model run of a dataset that states one, UTC."""
    if "forecast_reference_time" not in dataset.variables:
        return None
    values = np.atleast_1d(dataset["forecast_reference_time"].values)
    if values.size != 1 or not np.issubdtype(values.dtype, np.datetime64) or np.isnat(values[0]):
        return None
    return to_datetime(values[0])


def line_of(text: object) -> str:
    """A text of a file as one line."""
    return " ".join(str(text).split())
