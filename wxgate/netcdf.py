"""CF netCDF files that keep the data contract: written from a forecast, and read in its place."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from wxgate.contract import from_dataset, run_of, to_dataset
from wxgate.errors import DataError
from wxgate.forecast import Forecast, Provenance, digest

if TYPE_CHECKING:
    import xarray as xr


def write_netcdf(forecast: Forecast, path: Path) -> None:
    """Write the forecast as a CF netCDF file; nothing half-written is left behind.

    DataError when the folder cannot be written.
    """
    partial = path.with_name(f".{path.name}.partial")
    try:
        dataset = to_dataset(forecast)
        dataset["time"].encoding = {"units": "hours since 1970-01-01", "dtype": "int64"}
        dataset["time_bnds"].encoding = {"units": "hours since 1970-01-01", "dtype": "int64"}
        dataset.to_netcdf(partial, engine="netcdf4")
        partial.replace(path)
    except OSError as error:
        raise DataError(
            f"cannot write the file ({error.strerror or error})",
            where=str(path),
            remedy="Choose a folder that exists and that you may write to.",
        ) from error
    finally:
        partial.unlink(missing_ok=True)


def read_netcdf(path: Path, *, now: datetime) -> Forecast:
    """Read a CF netCDF file that keeps the contract.

    DataError when it is not netCDF; ContractError with every fault when it breaks the contract.
    """
    import xarray as xr

    where = str(path)
    try:
        content = path.read_bytes()
    except OSError as error:
        raise DataError(
            f"cannot read the file ({error.strerror})", where=where, remedy="Check its path."
        ) from error
    try:
        with xr.open_dataset(path, engine="netcdf4", decode_timedelta=False) as opened:
            dataset = opened.load()
    except Exception as error:  # the netCDF library raises OSError, ValueError, RuntimeError ...
        raise DataError(
            f"not a readable netCDF file ({str(error).splitlines()[0] if str(error) else error!r})",
            where=where,
            remedy="Give a complete CF netCDF file, such as `wxgate fetch --out` writes.",
        ) from error
    forecast = from_dataset(dataset, where=where)
    if forecast.provenance:
        return forecast
    provenance = Provenance(
        source="file",
        title=str(dataset.attrs.get("title", path.name)),
        run=run_of(dataset),
        fetched=now,
        sha256=digest([content]),
        credit=str(dataset.attrs.get("institution", "")),
        cycle_h=_cycle_of(dataset),
        place=path.name,
    )
    return replace(forecast, provenance=(provenance,))


def _cycle_of(dataset: xr.Dataset) -> float:
    """Hours between runs as the file states them; six, as most models run, where it does not."""
    return float(dataset["forecast_reference_time"].attrs.get("cycle_h", 6.0))
