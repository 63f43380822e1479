"""From a Dataset to a Forecast: the checker of the contract, every fault at once."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from wxgate.contract.provenance import line_of, read_provenance
from wxgate.errors import ContractError, UsageError
from wxgate.forecast import (
    HOUR,
    Array,
    Field,
    Forecast,
    check_axis,
    make_field,
)
from wxgate.quantities import LEVELS, QUANTITIES, Kind, Quantity
from wxgate.units import convert_array

if TYPE_CHECKING:
    import xarray as xr

#: What besides its own kind a quantity may be over the hour. Never what flatters: no mean of gusts,
#: no least of winds, no best of visibilities.
_ALSO: Mapping[str, frozenset[Kind]] = {
    "wind_speed_of_gust": frozenset({Kind.MAXIMUM}),
    "visibility_in_air": frozenset({Kind.MINIMUM}),
    "ceiling_height": frozenset({Kind.MINIMUM}),
    "lwe_precipitation_rate": frozenset({Kind.MEAN, Kind.MAXIMUM}),
    "convective_available_potential_energy": frozenset({Kind.MEAN, Kind.MAXIMUM}),
    "pm2p5": frozenset({Kind.MEAN, Kind.MAXIMUM}),
    "planetary_k_index": frozenset({Kind.POINT, Kind.MEAN}),
    "lightning": frozenset({Kind.SUM}),
    "precipitation_neighbourhood_fraction": frozenset({Kind.MAXIMUM}),
    "precipitation_neighbourhood_maximum": frozenset({Kind.MAXIMUM}),
    **{
        f"categorical_{kind}": frozenset({Kind.MEAN, Kind.MAXIMUM})
        for kind in ("rain", "freezing_rain", "ice_pellets", "snow")
    },
}
_METHOD = re.compile(r"\btime:\s*(point|maximum|minimum|mean|sum)\b")


def from_dataset(
    dataset: xr.Dataset, *, where: str = "dataset", must_name_place: bool = False
) -> Forecast:
    """The forecast in a Dataset, checked against the contract and in the units used inside.

    ``must_name_place``: as a file must, which outlives what its reader knows of it. ContractError
    with every fault at once. Variables that the vocabulary does not have are left
    out and named in the notes; derived quantities are left out, as they are derived anew.
    """
    faults: list[str] = []
    time = _read_time(dataset, faults)
    fields: dict[str, Field] = {}
    unused: list[str] = []
    for name, variable in dataset.data_vars.items():
        row = QUANTITIES.get(str(name))
        if row is None or row.derived:
            if not _is_companion(str(name)) and row is None:
                unused.append(str(name))
            continue
        found = _read_variable(variable, row, faults)
        if found is not None:
            fields[row.name] = found
    if not fields and not faults:
        faults.append("holds no variable of the vocabulary (see `wxgate rules quantities`)")
    provenance = read_provenance(dataset, faults)
    if must_name_place:
        _check_place(dataset, faults)
    if faults:
        raise ContractError(
            "the forecast breaks the data contract:\n  " + "\n  ".join(faults),
            where=where,
            remedy="The contract is in DEVELOPERS.md; `wxgate fetch --out` writes a file that"
            " keeps it.",
        )
    check_axis(time, where)
    notes = _read_notes(dataset)
    if unused:
        notes = (*notes, f"left out, not in the vocabulary: {', '.join(sorted(unused))}")
    return Forecast(time, fields, provenance, notes, {"grid": _read_grid(dataset)})


def _read_notes(dataset: xr.Dataset) -> tuple[str, ...]:
    """The notes of whoever wrote the file, as one line each; what is no list of texts is none."""
    try:
        told = json.loads(dataset.attrs.get("wxgate_notes", "[]"))
    except (ValueError, TypeError, RecursionError):
        return ()
    return tuple(line_of(n) for n in told if isinstance(n, str)) if isinstance(told, list) else ()


def _is_companion(name: str) -> bool:
    return name.endswith(("_bnds", "_origin")) or name == "forecast_reference_time"


def _read_time(dataset: xr.Dataset, faults: list[str]) -> np.ndarray[Any, Any]:
    empty = np.empty(0, dtype="datetime64[s]")
    if "time" not in dataset.coords or not np.issubdtype(dataset["time"].dtype, np.datetime64):
        faults.append("time: needs a coordinate `time` with CF units such as 'hours since ...'")
        return empty
    time = dataset["time"].values.astype("datetime64[s]")
    if time.ndim != 1:
        faults.append("time: must be one-dimensional")
        return empty
    bounds = dataset.get("time_bnds")
    if bounds is None:
        faults.append("time: needs `time_bnds` of shape (time, 2): each hour's start and end")
        return time
    edges = bounds.values.astype("datetime64[s]")
    if edges.shape != (time.size, 2):
        faults.append(f"time_bnds: shape {edges.shape}, but must be ({time.size}, 2)")
    elif (time != time.astype("datetime64[h]")).any():
        faults.append("time: must be at full hours UTC")
    elif not (np.array_equal(edges[:, 0], time) and np.array_equal(edges[:, 1], time + HOUR)):
        faults.append("time_bnds: must be [time, time + 1 h): label each hour by its start")
    return time


def _read_variable(variable: xr.DataArray, row: Quantity, faults: list[str]) -> Field | None:
    before = len(faults)
    units = variable.attrs.get("units")
    if not isinstance(units, str) or not units:
        faults.append(f"{row.name}: has no `units`; write for example '{row.cf_units}'")
    kind = _kind_of(variable, row, faults)
    dimension = row.column
    order = [d for d in ("time", dimension) if d is not None and d in variable.dims]
    if "time" not in variable.dims and row.kind is not Kind.CONSTANT:
        faults.append(f"{row.name}: has no dimension `time`")
    if dimension is not None and dimension not in variable.dims:
        faults.append(f"{row.name}: has no dimension `{dimension}`")
    if len(faults) > before:
        return None
    array = variable.transpose(*order, ...)
    levels = None
    try:
        values = _in_units(array.values.astype(np.float64), str(units), row)
        if dimension is not None:
            levels = _levels_of(variable[dimension], dimension)
    except (UsageError, ValueError, TypeError) as error:
        faults.append(f"{row.name}: {error}")
        return None
    source = str(variable.attrs.get("source", "file"))
    return make_field(row.name, values, kind=kind, source=source, levels=levels)


def _levels_of(coordinate: xr.DataArray, dimension: str) -> Array:
    """The levels in m above ground or Pa; ValueError for such as no value can be laid on."""
    unit, standard_name = LEVELS[dimension]
    named = coordinate.attrs.get("standard_name", standard_name)
    if named != standard_name:
        raise ValueError(f"its `{dimension}` is {str(named)[:40]!r}, but must be {standard_name!r}")
    units = str(coordinate.attrs.get("units", ""))
    levels = convert_array(coordinate.values.astype(np.float64), units, unit)
    if not (np.isfinite(levels).all() and (levels > 0).all()):
        raise ValueError(f"its `{dimension}` must be finite and above 0")
    if np.unique(levels.round(2)).size < levels.size:
        raise ValueError(f"its `{dimension}` has the same level twice")
    return levels


def _in_units(values: Array, units: str, row: Quantity) -> Array:
    if row.cf_units == "1" and row.units != "1":
        return convert_array(values, units, "1")
    return convert_array(values, units, row.units, difference=row.difference)


def _kind_of(variable: xr.DataArray, row: Quantity, faults: list[str]) -> Kind:
    if row.kind is Kind.CONSTANT or "time" not in variable.dims:
        return Kind.CONSTANT
    told = set(_METHOD.findall(str(variable.attrs.get("cell_methods", ""))))
    if len(told) > 1:  # a mean of maxima flatters
        faults.append(f"{row.name}: `cell_methods` must say one thing of time")
        return row.kind
    if not told:
        faults.append(
            f"{row.name}: needs `cell_methods` with 'time: point', 'time: maximum',"
            " 'time: mean' or 'time: sum'"
        )
        return row.kind
    kind = Kind(told.pop())
    if row.units == "mm" and row.kind is Kind.SUM and kind is not Kind.SUM:
        if kind not in _ALSO.get(row.name, ()):
            faults.append(f"{row.name}: is an amount, so its `cell_methods` must say 'time: sum'")
    elif kind not in (allowed := {row.kind} | _may_also_be(row)):
        words = " or ".join(sorted(f"'time: {k}'" for k in allowed))
        faults.append(f"{row.name}: `cell_methods` says 'time: {kind}', but must say {words}")
    return kind


def _may_also_be(row: Quantity) -> frozenset[Kind]:
    plain = frozenset({Kind.MEAN} if row.kind is Kind.POINT else ())
    return _ALSO.get(row.name, plain)


def _check_place(dataset: xr.Dataset, faults: list[str]) -> None:
    """Latitude and longitude must be there, and be places on the Earth."""
    for name, low, high in (("latitude", -90.0, 90.0), ("longitude", -180.0, 360.0)):
        if name not in dataset.coords:
            faults.append(
                f"{name}: is not there, so that the file could be of anywhere; write it in degrees"
                " as a coordinate, a scalar for one place"
            )
            continue
        try:
            values = dataset[name].values.astype(np.float64)
        except (TypeError, ValueError):
            values = np.array(np.nan)
        if not (values.size and ((values >= low) & (values <= high)).all()):
            faults.append(f"{name}: must be degrees from {low:g} to {high:g}, with none missing")


def place_of(forecast: Forecast) -> tuple[float, float] | None:
    """Latitude and longitude (degrees) of the one place that a forecast is for, where it says so.

    They stand as scalar coordinates of its Dataset.
    """
    coords = forecast.attributes.get("grid", {}).get("coords", {})
    try:
        found = [float(coords[name][1]) for name in ("latitude", "longitude")]
    except (KeyError, TypeError, ValueError):
        return None
    return (found[0], found[1]) if np.isfinite(found).all() else None


def _read_grid(dataset: xr.Dataset) -> dict[str, Any]:
    known = {"time", "bnds", *LEVELS}
    dims = tuple(str(d) for d in dataset.sizes if d not in known)
    coords = {
        str(n): (c.dims, c.values, c.attrs)
        for n, c in dataset.coords.items()
        if n not in known and "time" not in c.dims and n != "forecast_reference_time"
    }
    return {"dims": dims, "coords": coords}
