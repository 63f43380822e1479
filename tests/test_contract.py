"""Contract: the Dataset and the CF netCDF file that stand in for a fetch, and their checker."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from hours import START, forecast_of

from wxgate.contract import from_dataset, place_of, to_dataset
from wxgate.errors import ContractError, DataError
from wxgate.forecast import make_field
from wxgate.netcdf import read_netcdf, write_netcdf
from wxgate.quantities import QUANTITIES, Kind

pytestmark = pytest.mark.contract

NOW = datetime(2026, 6, 1, 7, tzinfo=UTC)


def full_forecast():
    hours = 5
    wind = np.arange(hours * 2, dtype=float).reshape(hours, 2)
    return forecast_of(
        {
            "air_temperature": [280.0, 281.0, np.nan, 283.0, 284.0],
            "lwe_thickness_of_precipitation_amount": [0.0, 0.2, 0.0, 1.5, 0.0],
            "eastward_wind": make_field(
                "eastward_wind", wind, levels=np.array([10.0, 100.0])
            ),
            "surface_altitude": make_field(
                "surface_altitude", np.array(120.0), kind=Kind.CONSTANT
            ),
            "planetary_k_index": [0.0, 0.0, 4.67, 4.67, 4.67],
        }
    )  # fmt: skip


def test_a_file_gives_back_what_went_in(tmp_path: Path) -> None:
    before = full_forecast()
    write_netcdf(before, tmp_path / "f.nc", place=(52.0, -1.5))
    after = read_netcdf(tmp_path / "f.nc", now=NOW)
    np.testing.assert_array_equal(after.time, before.time)
    for name, field in before.fields.items():
        np.testing.assert_array_equal(after.fields[name].values, field.values)
        assert after.fields[name].kind is field.kind
    np.testing.assert_array_equal(after.fields["eastward_wind"].levels, [10.0, 100.0])
    assert after.provenance == before.provenance


def test_plain_xarray_opens_it_with_cf_names(tmp_path: Path) -> None:
    write_netcdf(full_forecast(), tmp_path / "f.nc", place=(52.0, -1.5))
    with xr.open_dataset(tmp_path / "f.nc", engine="netcdf4") as opened:
        assert opened.attrs["Conventions"].startswith("CF-")
        assert opened["air_temperature"].attrs["standard_name"] == "air_temperature"
        assert opened["air_temperature"].attrs["units"] == "K"
        assert "sum" in opened["lwe_thickness_of_precipitation_amount"].attrs["cell_methods"]
        # CF-1.11 section 7.1: bounds have the shape of their coordinate and one more dimension.
        assert opened["time_bnds"].shape == (5, 2)


def test_nothing_half_written_is_left_behind(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="cannot write"):
        write_netcdf(full_forecast(), tmp_path / "no" / "such" / "f.nc")
    assert list(tmp_path.rglob("*")) == []


def given() -> xr.Dataset:
    """A small file such as a user would write."""
    time = np.arange("2026-06-01T06", "2026-06-01T09", dtype="datetime64[h]")
    time = time.astype("datetime64[ns]")
    hour = np.timedelta64(1, "h")
    point = {"cell_methods": "time: point"}
    return xr.Dataset(
        {
            "air_temperature": ("time", [8.0, 9.0, 10.0], {"units": "degC", **point}),
            "wind_speed_of_gust": (
                "time",
                [20.0, 30.0, 40.0],
                {"units": "km h-1", "cell_methods": "time: maximum (interval: 1 hour)"},
            ),
            "cloud_area_fraction": ("time", [0.0, 50.0, 100.0], {"units": "%", **point}),
            "time_bnds": (("time", "bnds"), np.stack([time, time + hour], axis=1)),
            "forecast_reference_time": ((), np.datetime64("2026-06-01T00", "ns")),
        },
        coords={"time": time},
    )


def test_units_are_turned_and_kinds_kept() -> None:
    read = from_dataset(given())
    np.testing.assert_allclose(read.fields["air_temperature"].values, [281.15, 282.15, 283.15])
    np.testing.assert_allclose(
        read.fields["wind_speed_of_gust"].values, np.array([20, 30, 40]) / 3.6, rtol=1e-6
    )
    assert read.fields["wind_speed_of_gust"].kind is Kind.MAXIMUM
    np.testing.assert_allclose(read.fields["cloud_area_fraction"].values, [0, 0.5, 1])


def test_all_faults_are_told_at_once() -> None:
    broken = given().drop_vars(["time_bnds", "forecast_reference_time"])
    broken["air_temperature"].attrs.pop("units")
    broken["wind_speed_of_gust"].attrs["units"] = "kg"
    broken["cloud_area_fraction"].attrs.pop("cell_methods")
    with pytest.raises(ContractError) as caught:
        from_dataset(broken, where="mine.nc")
    message = str(caught.value)
    for word in ("mine.nc", "time_bnds", "forecast_reference_time", "air_temperature: has no",
                 "wind_speed_of_gust", "cloud_area_fraction: needs", "DEVELOPERS.md"):  # fmt: skip
        assert word in message


def test_hours_labelled_by_their_end_are_refused() -> None:
    shifted = given()
    shifted["time_bnds"] = shifted["time_bnds"] - np.timedelta64(1, "h")
    with pytest.raises(ContractError, match="label each hour by its start"):
        from_dataset(shifted)


def test_a_gap_in_the_hours_is_refused() -> None:
    with pytest.raises(ContractError, match="not one hour apart"):
        from_dataset(given().isel(time=[0, 2]))


def test_an_amount_must_be_a_sum() -> None:
    wrong = given()
    wrong["lwe_thickness_of_precipitation_amount"] = (
        "time", [0.0, 0.1, 0.2], {"units": "mm", "cell_methods": "time: point"},
    )  # fmt: skip
    with pytest.raises(ContractError, match="time: sum"):
        from_dataset(wrong)


def test_implausible_values_are_missing_not_numbers() -> None:
    odd = given()
    odd["air_temperature"].values[:] = [9999.0, -300.0, 10.0]
    values = from_dataset(odd).fields["air_temperature"].values
    np.testing.assert_array_equal(np.isnan(values), [True, True, False])


def test_unknown_variables_are_named_not_used() -> None:
    more = given()
    more["moon_phase"] = ("time", [0.1, 0.2, 0.3], {"units": "1"})
    read = from_dataset(more)
    assert "moon_phase" not in read.fields
    assert any("moon_phase" in note for note in read.notes)


#: What may stand for a place and is none; None: nothing at all.
NO_PLACE = [None, float("nan"), float("inf"), 90.5, -1e300]


@pytest.mark.parametrize("name", ["latitude", "longitude"])
@pytest.mark.parametrize("value", NO_PLACE)
def test_a_file_that_names_no_place_is_refused(
    tmp_path: Path, name: str, value: float | None
) -> None:
    wrong = value if value is None or name == "latitude" else value * 5
    named = {"latitude": 52.0, "longitude": -1.5, name: wrong}
    told = {n: v for n, v in named.items() if v is not None}
    write_netcdf(full_forecast(), tmp_path / "whole.nc", place=(52.0, -1.5))
    with xr.open_dataset(tmp_path / "whole.nc") as opened:
        opened.drop_vars(["latitude", "longitude"]).assign_coords(told).to_netcdf(tmp_path / "f.nc")
    with pytest.raises(ContractError, match=f"{name}: ") as caught:
        read_netcdf(tmp_path / "f.nc", now=NOW)
    assert caught.value.where == str(tmp_path / "f.nc")
    assert caught.value.remedy
    assert caught.value.exit_code == 3
    whole = to_dataset(full_forecast()).assign_coords(latitude=52.0, longitude=-1.5)
    assert place_of(from_dataset(whole, must_name_place=True)) == (52.0, -1.5)


@pytest.mark.parametrize("content", [b"", b"not netcdf", b"\x89HDF\r\n\x1a\n" + b"\0" * 100])
def test_files_that_are_not_netcdf_give_a_sentence(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "bad.nc"
    path.write_bytes(content)
    with pytest.raises(DataError, match="not a readable netCDF file"):
        read_netcdf(path, now=NOW)


def test_half_a_file_gives_a_sentence(tmp_path: Path) -> None:
    write_netcdf(full_forecast(), tmp_path / "f.nc", place=(52.0, -1.5))
    whole = (tmp_path / "f.nc").read_bytes()
    (tmp_path / "half.nc").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(DataError, match="not a readable netCDF file"):
        read_netcdf(tmp_path / "half.nc", now=NOW)


def test_a_map_keeps_its_dimensions() -> None:
    flat = given()
    grid = flat["air_temperature"].expand_dims(latitude=[50.0, 51.0], longitude=[7.0, 8.0, 9.0])
    grid.attrs = flat["air_temperature"].attrs
    dataset = flat.drop_vars("air_temperature").assign(air_temperature=grid)
    read = from_dataset(dataset)
    assert read.fields["air_temperature"].values.shape == (3, 2, 3)
    again = to_dataset(read)
    assert again["air_temperature"].dims == ("time", "latitude", "longitude")


def test_every_fetched_quantity_can_be_written_and_read_back() -> None:
    for name, row in QUANTITIES.items():
        if row.derived:
            continue
        middle = (row.low + min(row.high, 1e5)) / 2
        values = np.full(3, middle)
        column = name.endswith("_on_levels") or name in {
            "eastward_wind", "northward_wind", "air_temperature_at_heights",
        }  # fmt: skip
        field = make_field(
            name,
            np.array(middle)
            if row.kind is Kind.CONSTANT
            else values[:, None]
            if column
            else values,
            levels=np.array([100.0]) if column else None,
        )
        forecast = forecast_of({"air_temperature": [280.0] * 3, name: field}, start=START)
        back = from_dataset(to_dataset(forecast))
        np.testing.assert_array_equal(back.fields[name].values, field.values, err_msg=name)
        assert back.fields[name].kind is field.kind, name


def test_a_mean_of_maxima_is_refused() -> None:
    """CF 1.11, 7.3: several methods are told in the order in which they were applied."""
    twice = given()
    twice["wind_speed_of_gust"].attrs["cell_methods"] = "time: maximum time: mean"
    with pytest.raises(ContractError, match="one thing of time"):
        from_dataset(twice)
