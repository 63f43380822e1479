"""Truth: the producers' real files against the list that came with them.

Source: ``PROVENANCE.tsv`` (columns: packing, bytes, sha256, check), made apart from this code
(independent), tells of each file its least and greatest values and how many are missing. What else
the real files prove stands elsewhere: every field against eccodes, packings against wgrib2's text,
submessages, sentinels and constants in ``test_grib``; ICON-D2's mask in ``test_icon``; winds of NAM
and the whole GFS file in ``test_gfs``; two totals in ``test_hrrr``; indices in ``test_sidecar``
and ``test_ecmwf``; grids in ``test_nearest_cell``.
"""

from __future__ import annotations

import bz2
import csv
import hashlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyproj
import pytest

from wxgate.forecast import make_field
from wxgate.grib import Message, read_messages
from wxgate.grid import ProjectedGrid, turn_to_earth

pytestmark = pytest.mark.truth

PACKINGS = {
    "grid_simple", "grid_complex", "grid_complex_spatial_differencing", "grid_jpeg", "grid_ccsds",
}  # fmt: skip


def listed(shared_data: Path) -> list[dict[str, str]]:
    with (shared_data / "forecast" / "PROVENANCE.tsv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file, delimiter="\t", quoting=csv.QUOTE_NONE))


def content_of(shared_data: Path, name: str) -> bytes:
    content = (shared_data / "forecast" / name).read_bytes()
    return bz2.decompress(content) if name.endswith(".bz2") else content


def read(shared_data: Path, name: str) -> list[Message]:
    return read_messages(content_of(shared_data, name), skip_strays=True)


def checks(row: dict[str, str]) -> Iterator[tuple[float, float, int]]:
    """Least, greatest and number missing, for each field that the list tells of."""
    for part in (row["check"] or "").split(";"):
        words = part.split()
        if len(words) == 3 and words[2].startswith("miss"):
            low, high = (float(number) for number in words[1].split(".."))
            yield low, high, int(words[2][4:])


def test_the_files_are_those_that_the_list_tells_of(shared_data: Path) -> None:
    rows = listed(shared_data)
    assert len(rows) > 50
    for row in rows:
        content = (shared_data / "forecast" / row["file"]).read_bytes()
        assert len(content) == int(row["bytes"]), row["file"]
        assert hashlib.sha256(content).hexdigest() == row["sha256"], row["file"]


def test_every_packing_of_the_real_files_is_unpacked(shared_data: Path) -> None:
    seen: set[str] = set()
    for row in listed(shared_data):
        ranges = list(checks(row))
        messages = read(shared_data, row["file"]) if ranges else []
        if len(messages) != len(ranges):
            continue  # of whole files the list tells of some fields, without saying which
        # A sentinel is told there as a value.
        for message, (low, high, missing) in zip(messages, ranges, strict=True):
            values, told = message.values, row["file"]
            sentinels = np.count_nonzero(np.isnan(values)) - missing
            assert sentinels >= 0, told
            assert np.nanmin(values) == pytest.approx(low, rel=1e-4, abs=1e-5), told
            if high == 9999.0:
                assert sentinels > 0
                assert np.nanmax(values) < 400.0, told
            else:
                assert sentinels == 0, told
                assert np.nanmax(values) == pytest.approx(high, rel=1e-4, abs=1e-5), told
            seen.add(row["packing"])
    assert seen == PACKINGS


CMC = "cmc/CMC_glb_{}_ps30km_2020012500_P{}.grib2"
WIND, RAIN = CMC.format("WIND_TGL_10", "{}"), CMC.format("APCP_SFC_0", "{}")


@pytest.mark.law
def test_the_polar_grid_of_the_canadian_model(shared_data: Path) -> None:
    """There and back: its corners by PROJ from what the message says of its projection.

    That its points are where they belong, eccodes shows in ``test_grib``.
    """
    u, v = read(shared_data, WIND.format("000"))
    assert (u.parameter, v.parameter) == ((0, 2, 2), (0, 2, 3))
    grid = u.grid
    assert isinstance(grid, ProjectedGrid)
    assert "+proj=stere" in grid.projection
    assert grid.shape == (200, 247)
    plane = pyproj.Proj(grid.projection)
    x, y = plane(grid.first_longitude, grid.first_latitude)
    for j, i in ((0, 0), (0, 246), (199, 0), (199, 246), (100, 100)):
        longitude, latitude = plane(x + i * grid.x_step, y + j * grid.y_step, inverse=True)
        index, away = grid.nearest(latitude, longitude)
        assert tuple(int(n) for n in index) == (j, i)
        assert away < 0.01


def test_north_on_the_polar_grid(shared_data: Path) -> None:
    """A wind along the meridian, told along the grid's axes, comes out as one to the north.

    Where north lies on the plane is taken from PROJ: a step of a ten thousandth of a degree.
    """
    grid = read(shared_data, WIND.format("003"))[0].grid
    assert isinstance(grid, ProjectedGrid)
    plane = pyproj.Proj(grid.projection)
    for latitude, longitude in ((45.0, -75.0), (60.0, -110.0), (70.0, -40.0), (55.0, -160.0)):
        x0, y0 = plane(longitude, latitude)
        x1, y1 = plane(longitude, latitude + 1e-4)
        length = np.hypot(x1 - x0, y1 - y0)
        u, v = (x1 - x0) / length, (y1 - y0) / length
        east, north = turn_to_earth(u, v, grid.north_angle(latitude, longitude))
        assert (float(east), float(north)) == pytest.approx((0.0, 1.0), abs=1e-3)


def test_totals_of_the_canadian_model_rise(shared_data: Path) -> None:
    """Accumulation since the run began: 6 h hold what 3 h held, but for what packing rounds off."""
    (three,), (six,) = (read(shared_data, RAIN.format(step)) for step in ("003", "006"))
    assert (three.start_min, three.end_min, three.statistic) == (0, 180, 1)
    assert (six.start_min, six.end_min, six.statistic) == (0, 360, 1)
    assert float((six.values - three.values).min()) > -0.05
    assert float(six.values.max()) == pytest.approx(52.593, abs=1e-3)


def test_a_real_file_in_the_wrong_unit_is_missing(shared_data: Path) -> None:
    """A file of 2 m temperatures whose values are in degrees Celsius where K is the unit."""
    messages = read(shared_data, "other/step_60m.grib")
    assert len(messages) == 73
    assert [m.end_min for m in messages] == [60 * hour for hour in range(73)]
    assert all(m.parameter == (0, 0, 0) for m in messages)
    values = np.stack([m.values for m in messages])
    assert np.nanmax(np.abs(values)) < 60.0
    assert np.isnan(make_field("air_temperature", values).values).all()


def test_a_file_as_it_was_served_in_bz2(shared_data: Path) -> None:
    name = "dwd/icon-eu_europe_regular-lat-lon_single-level_2020062300_000_T_2M.grib2.bz2"
    (message,) = read(shared_data, name)
    assert message.parameter == (0, 0, 0)
    field = make_field("air_temperature", message.values)
    assert not np.isnan(field.values).any()
