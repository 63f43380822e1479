"""CF netCDF files that keep the data contract: written from a forecast, and read in its place."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

from wxgate.contract import cycle_of, from_dataset, run_of, to_dataset
from wxgate.errors import DataError
from wxgate.forecast import Forecast, Provenance, digest
from wxgate.wholefile import MOST_BYTES, read_whole, written_aside


def write_netcdf(
    forecast: Forecast, path: Path, *, place: tuple[float, float] | None = None
) -> None:
    """Write the forecast as a CF netCDF file; nothing half-written is left behind.

    ``place`` is the latitude and longitude (degrees) of the site that it was fetched for. Each
    variable bears a checksum, so that a damaged file is not read as weather. DataError when the
    folder cannot be written.
    """
    try:
        dataset = to_dataset(forecast)
        if place is not None:
            dataset = dataset.assign_coords(
                latitude=((), place[0], {"units": "degrees_north", "standard_name": "latitude"}),
                longitude=((), place[1], {"units": "degrees_east", "standard_name": "longitude"}),
            )
        for variable in dataset.variables.values():
            if variable.ndim:
                variable.encoding["fletcher32"] = True
        dataset["time"].encoding |= {"units": "hours since 1970-01-01", "dtype": "int64"}
        dataset["time_bnds"].encoding |= {"units": "hours since 1970-01-01", "dtype": "int64"}
        with written_aside(path) as partial:
            try:
                dataset.to_netcdf(partial, engine="netcdf4")
            except (OSError, RuntimeError):
                # The library tells of a full disk as "HDF error" or "Permission denied": a plain
                # write to the same file, of more bytes than it needs, tells what is the matter.
                partial.write_bytes(bytes(2 * dataset.nbytes + 100_000))
                raise
    except (OSError, RuntimeError) as error:
        raise DataError(
            f"cannot write the file ({getattr(error, 'strerror', None) or error})",
            where=str(path),
            remedy="Choose a folder that exists, that you may write to, on a disk with room.",
        ) from error


def read_netcdf(path: Path, *, now: datetime) -> Forecast:
    """Read a CF netCDF file that keeps the contract, and says for which place it is.

    DataError when it is not netCDF; ContractError with every fault when it breaks the contract.
    """
    import xarray as xr

    where = str(path)
    try:
        content = read_whole(path)
    except OSError as error:
        raise DataError(
            f"cannot read the file ({error.strerror})", where=where, remedy="Check its path."
        ) from error
    try:
        with xr.open_dataset(path, engine="netcdf4", decode_timedelta=False) as opened:
            # A few kilobytes can announce, and compress, more than any memory holds.
            if (size := opened.nbytes) > MOST_BYTES:
                raise ValueError(f"its values take {size / 1e9:.3g} GB")
            dataset = opened.load()
    except Exception as error:  # the netCDF library raises OSError, ValueError, RuntimeError ...
        raise DataError(
            f"not a readable netCDF file ({str(error).splitlines()[0] if str(error) else error!r})",
            where=where,
            remedy="Give a complete CF netCDF file, such as `wxgate fetch --out` writes.",
        ) from error
    forecast = from_dataset(dataset, where=where, must_name_place=True)
    if forecast.provenance:
        return forecast
    provenance = Provenance(
        source="file",
        title=" ".join(str(dataset.attrs.get("title", path.name)).split()),
        run=run_of(dataset),
        fetched=now,
        sha256=digest([content]),
        credit=str(dataset.attrs.get("institution", "")),
        cycle_h=cycle_of(dataset),
        place=path.name,
    )
    return replace(forecast, provenance=(provenance,))
