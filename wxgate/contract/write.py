"""From a Forecast to the Dataset of the contract."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from wxgate.forecast import HOUR, Array, Field, Forecast
from wxgate.quantities import LEVELS, QUANTITIES, Kind, Quantity

if TYPE_CHECKING:
    import xarray as xr

CONVENTIONS = "CF-1.11"


def to_dataset(forecast: Forecast) -> xr.Dataset:
    """The forecast as the Dataset of the contract, every variable with its attributes.

    Levels of columns become ``height`` (m) or ``air_pressure`` (Pa). A column with levels other
    than those of the first column on that dimension is laid on the union of both, NaN between.
    """
    import xarray as xr

    dims, coords = _grid(forecast)
    dataset = xr.Dataset(coords={"time": forecast.time.astype("datetime64[ns]"), **coords})
    bounds = np.stack([forecast.time, forecast.time + HOUR], axis=1)
    dataset["time_bnds"] = (("time", "bnds"), bounds.astype("datetime64[ns]"))
    dataset["time"].attrs = {"standard_name": "time", "bounds": "time_bnds", "axis": "T"}
    for dimension in LEVELS:
        levels = _level_union(forecast, dimension)
        if levels.size:
            dataset = dataset.assign_coords({dimension: levels})
    for name, row in QUANTITIES.items():
        found = forecast.get(name)
        if found is not None:
            _add_variable(dataset, row, found, dims)
    for dimension, (unit, standard_name) in LEVELS.items():
        if dimension in dataset.coords:
            dataset[dimension].attrs = {"units": unit, "standard_name": standard_name}
    dataset.attrs = _global_attributes(forecast)
    return dataset


def _grid(forecast: Forecast) -> tuple[tuple[str, ...], dict[str, Any]]:
    grid = forecast.attributes.get("grid", {})
    return tuple(grid.get("dims", ())), dict(grid.get("coords", {}))


def _level_union(forecast: Forecast, dimension: str) -> Array:
    found = [
        f.levels
        for name, row in QUANTITIES.items()
        if row.column == dimension
        and (f := forecast.get(name)) is not None
        and f.levels is not None
    ]
    return np.unique(np.concatenate(found)) if found else np.empty(0)


def _add_variable(dataset: xr.Dataset, row: Quantity, found: Field, dims: tuple[str, ...]) -> None:
    import xarray as xr

    lead: tuple[str, ...] = () if found.kind is Kind.CONSTANT else ("time",)
    trail = dims[: max(found.values.ndim - len(lead) - (found.levels is not None), 0)]
    method = "time: point" if found.kind is Kind.CONSTANT else f"time: {found.kind.value}"
    if found.kind not in (Kind.POINT, Kind.CONSTANT):
        method += " (interval: 1 hour)"
    attrs = {
        "units": row.cf_units,
        "long_name": row.label,
        "cell_methods": method,
        "source": found.source or "unknown",
    }
    if row.standard_name:
        attrs["standard_name"] = row.standard_name
    if found.levels is None:
        array = xr.DataArray(found.values, dims=(*lead, *trail), attrs=attrs)
    else:
        dimension = row.column
        assert dimension is not None  # noqa: S101 - what has levels is a column
        array = xr.DataArray(
            found.values,
            dims=(*lead, dimension, *trail),
            coords={dimension: found.levels},
            attrs=attrs,
        ).reindex({dimension: dataset[dimension].values})
    if found.origin is not None and len(found.origins) > 1:
        companion = f"{row.name}_origin"
        array.attrs["ancillary_variables"] = companion
        dataset[companion] = (
            (*lead, *trail),
            found.origin,
            {
                "long_name": f"how the {row.label} was had",
                "flag_values": np.arange(len(found.origins), dtype=np.uint8),
                "flag_meanings": " ".join(o.replace(" ", "_") for o in found.origins),
            },
        )
    dataset[row.name] = array


def _global_attributes(forecast: Forecast) -> dict[str, Any]:
    from wxgate import __version__

    origin = [
        {**asdict(p), "run": _text(p.run), "fetched": _text(p.fetched)} for p in forecast.provenance
    ]
    return {
        "Conventions": CONVENTIONS,
        "title": "forecast for wxgate",
        "history": f"written by wxgate {__version__}",
        "wxgate_provenance": json.dumps(origin),
        "wxgate_notes": json.dumps(list(forecast.notes)),
    }


def _text(when: datetime | None) -> str:
    return "" if when is None else when.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
