"""Truth: GRIB2 messages and grids against real files, whole-message eccodes, wgrib2 and PROJ."""

from __future__ import annotations

import random
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from gfs_service import encode
from pyproj import Geod, Proj

import eccodes  # isort: skip
from wxgate.errors import DataError
from wxgate.grib import Message, message_length, read_messages
from wxgate.grid import (
    PointsGrid,
    ProjectedGrid,
    RegularGrid,
    UnlocatedGrid,
    distance_km,
    lambert_cone,
    turn_to_earth,
)

pytestmark = pytest.mark.truth

RUN = datetime(2026, 3, 1, 6, tzinfo=UTC)
HRRR = ProjectedGrid(
    "+proj=lcc +lat_1=38.5 +lat_2=38.5 +lat_0=38.5 +lon_0=262.5 +R=6371229",
    21.138123, 237.280472, 3000.0, 3000.0, 1059, 1799, lambert_cone(38.5, 38.5), 262.5,
)  # fmt: skip


def read(shared_data: Path, name: str) -> list[Message]:
    return read_messages((shared_data / "forecast" / name).read_bytes(), skip_strays=True)


def grib_files(shared_data: Path) -> list[Path]:
    folders = ("cmc", "dwd", "ecmwf", "gefs", "gfs", "hrrr", "nam", "other")
    files = (f for folder in folders for f in sorted((shared_data / "forecast" / folder).iterdir()))
    return [f for f in files if f.suffix not in (".csv", ".bz2")]


# ------------------------------------------------------------------- every real message


def by_eccodes(file: Path) -> Iterator[dict]:
    """Header and values of every field as eccodes reads them from the whole messages."""
    eccodes.codes_grib_multi_support_on()
    try:
        with file.open("rb") as stream:
            while (handle := eccodes.codes_grib_new_from_file(stream)) is not None:
                yield _told(handle)
                eccodes.codes_release(handle)
    finally:
        eccodes.codes_grib_multi_support_off()


def _told(handle: int) -> dict:
    def get(key: str) -> int:
        return eccodes.codes_get(handle, key, int)

    eccodes.codes_set(handle, "missingValue", -1e30)
    values = eccodes.codes_get_values(handle)
    eccodes.codes_set(handle, "stepUnits", "m")
    return {
        "parameter": tuple(map(get, ("discipline", "parameterCategory", "parameterNumber"))),
        "surface": get("typeOfFirstFixedSurface"),
        "run": (get("dataDate"), get("dataTime")),
        "window": (get("startStep"), get("endStep")),
        "centre": get("centre"),
        "scan": get("scanningMode") if eccodes.codes_is_defined(handle, "scanningMode") else 0,
        "values": np.where(values == -1e30, np.nan, values).astype(np.float32),
    }


def test_every_field_of_the_real_files_is_what_eccodes_reads(shared_data: Path) -> None:
    count = 0
    for file in grib_files(shared_data):
        ours = read_messages(file.read_bytes(), skip_strays=True)
        for message, told in zip(ours, by_eccodes(file), strict=True):
            assert message.parameter == told["parameter"]
            kind = message.surface_type
            assert (255 if kind is None else kind) == told["surface"]
            assert (message.start_min, message.end_min) == told["window"]
            assert message.centre == told["centre"]
            run = int(f"{message.run:%Y%m%d}"), int(f"{message.run:%H%M}")
            assert run == told["run"]
            np.testing.assert_array_equal(message.values.ravel(), told["values"])
            count += 1
    assert count == 667


def listed_ranges(shared_data: Path) -> dict[str, list[tuple[str, float, float, int]]]:
    """What the folder's own list says of fields: name, least, greatest, number missing."""
    found: dict[str, list[tuple[str, float, float, int]]] = {}
    for row in (shared_data / "forecast" / "PROVENANCE.tsv").read_text().splitlines()[1:]:
        cells = row.split("\t")
        for part in cells[10].split(";"):
            words = part.split()
            if len(words) == 3 and words[2].startswith("miss"):
                low, high = (float(n) for n in words[1].split(".."))
                found.setdefault(cells[0], []).append((words[0], low, high, int(words[2][4:])))
    return found


def test_values_lie_where_the_list_of_files_says(shared_data: Path) -> None:
    """Independent: PROVENANCE.tsv, column check; it was made apart from this code."""
    listed = listed_ranges(shared_data)
    for name in (
        "dwd/icon-d2_germany_regular-lat-lon_single-level_2022042600_000_2d_u_10m.grib2",
        "ecmwf/20250912120000-0h-oper-fc.msg90-tprate.grib2",
        "gefs/gec00_20250101_00_soilw.grib",
        "gfs/gfs_1p00_10u_20210509T06_f000.grib2",
        "hrrr/hrrr.t00z.wrfsfcf28-DPT2m_20260703.grib2",
        "hrrr/hrrr.t06z.wrfsfcf01-UGRD.grib2",
        "cmc/CMC_glb_WIND_TGL_10_ps30km_2020012500_P000.grib2",
    ):
        pairs = zip(read(shared_data, name), listed[name], strict=True)
        for message, (_, low, high, missing) in pairs:
            assert np.nanmin(message.values) == pytest.approx(low, rel=1e-4, abs=1e-6)
            assert np.nanmax(message.values) == pytest.approx(high, rel=1e-4, abs=1e-6)
            assert np.count_nonzero(np.isnan(message.values)) == missing


def test_the_whole_gfs_file_of_2017(shared_data: Path) -> None:
    """352 fields; gust and 10 m wind by PROVENANCE.tsv (independent), the winds by its contents."""
    messages = read(shared_data, "gfs/gfs.t00z.pgrb2.2p50.f000")
    assert len(messages) == 352
    winds = {(m.number, m.surface_value) for m in messages
             if m.parameter[:2] == (0, 2) and m.surface_type == 103}  # fmt: skip
    assert {(n, h) for n in (2, 3) for h in (10.0, 80.0, 100.0)} <= winds
    isobaric = [m for m in messages if m.surface_type == 100]
    levels = {m.surface_value for m in isobaric if m.parameter == (0, 2, 2)}
    assert {85000.0, 90000.0, 92500.0, 95000.0, 97500.0, 100000.0} <= levels
    gust = next(m for m in messages if m.parameter == (0, 2, 22) and m.surface_type == 1)
    assert (gust.values.min(), gust.values.max()) == (np.float32(0.1), np.float32(38.4))
    u = next(m for m in messages if m.parameter == (0, 2, 2) and m.surface_value == 10
             and m.surface_type == 103)  # fmt: skip
    assert (u.values.min(), u.values.max()) == pytest.approx((-21.33, 22.63), abs=0.005)
    assert u.grid == RegularGrid(90.0, 0.0, -2.5, 2.5, 73, 144)
    assert not u.relative_to_grid


@pytest.mark.parametrize("packing", ["template5_0", "template5_2", "template5_3"])
def test_packings_against_wgrib2(shared_data: Path, packing: str) -> None:
    """Independent: what wgrib2 wrote for the same fields, in the message's order; to its digits."""
    messages = read(shared_data, f"gfs/{packing}.grib2")
    for message, name in zip(messages, ("u", "v"), strict=True):
        text = (shared_data / "forecast" / "gfs" / f"template_{name}grd.csv").read_text()
        expected = np.array([float(line) for line in text.split()])
        # It printed six digits: half of the last one, and what single precision costs.
        digit = 10.0 ** (np.floor(np.log10(np.maximum(np.abs(expected), 1e-9))) - 5)
        assert (np.abs(message.values.ravel() - expected) <= 0.5 * digit + 1e-6).all()


def test_a_missing_value_without_a_bitmap_is_missing(shared_data: Path) -> None:
    # Independent: least value and missing cells by PROVENANCE.tsv.
    message = read(shared_data, "gfs/gfs.t12z.pgrb2.0p25.f023-PV-TMP-missing.grib2")[0]
    assert np.isnan(message.values).any()
    assert np.nanmin(message.values) == pytest.approx(184.98, abs=0.005)
    assert np.nanmax(message.values) < 300


@pytest.mark.law
@pytest.mark.parametrize("sentinel", [9.999e20, 9.999000260554009e20])
def test_a_huge_sentinel_is_missing(sentinel: float) -> None:
    values = np.full((3, 3), sentinel)
    message = encode((0, 3, 5), 215, 0, RUN, 6, values, north=50, west=0, cell=1)
    assert np.isnan(read_messages(message)[0].values).all()


@pytest.mark.law
def test_9999_is_a_legal_height_of_cloud() -> None:
    values = np.array([[9999.0, 300.0], [20000.0, 1200.0]])
    message = encode((0, 3, 5), 215, 0, RUN, 6, values, north=50, west=0, cell=1)
    np.testing.assert_allclose(read_messages(message)[0].values, values, atol=0.01)


def test_constant_fields_of_no_bits(shared_data: Path) -> None:
    # Independent: the files' own description in PROVENANCE.tsv.
    rh = read(shared_data, "gfs/gfs.t18z.pgrb2.0p25.f186-RH-constant.grib2")[0]
    assert rh.values.shape == (721, 1440)
    assert set(np.unique(rh.values)) == {0.0}
    assert (rh.surface_type, rh.surface_value) == (100, 70.0)
    flag = read(shared_data, "hrrr/hrrr.t06z.wrfsfcf01-CFRZR-constant.grib2")[0]
    assert set(np.unique(flag.values)) == {0.0}
    assert flag.parameter in {(0, 1, 193), (0, 1, 34)}


def test_minutes_and_averages(shared_data: Path) -> None:
    """Independent: the windows that the file's own description in PROVENANCE.tsv gives."""
    quarter = read(shared_data, "hrrr/hrrr_srad_subhourly.grib2")
    assert [(m.start_min, m.end_min, m.statistic) for m in quarter] == [
        (0, 15, 0), (15, 30, 0), (30, 45, 0), (45, 60, 0)
    ]  # fmt: skip
    rain = read(shared_data, "hrrr/subset_20201214_hrrr.t00z.wrfsfcf12.grib2")
    assert [(m.start_min, m.end_min, m.statistic) for m in rain] == [(0, 720, 1), (660, 720, 1)]
    pair = read(shared_data, "gfs/gfs_cfrzr_and_cprat_f005_4deg.grib")
    assert [m.statistic for m in pair] == [None, 0, None, 0]


def test_an_ensemble_member_is_told(shared_data: Path) -> None:
    # Independent: PROVENANCE.tsv (the control member).
    assert read(shared_data, "gefs/gec00_20250101_00_soilw.grib")[0].member == 0


def test_jpeg2000_on_a_gaussian_grid_has_values_but_no_places(shared_data: Path) -> None:
    """Independent: ranges of PROVENANCE.tsv; the file ends in 7571 octets of another download."""
    content = (shared_data / "forecast/gfs/flux.grb").read_bytes()
    with pytest.raises(DataError, match="byte 46580"):
        read_messages(content)
    rate, pressure, *_ = read_messages(content, skip_strays=True)
    assert rate.values.max() == pytest.approx(0.001339, rel=1e-3)
    assert pressure.values.min() == pytest.approx(49650, abs=0.5)
    assert isinstance(rate.grid, UnlocatedGrid)
    with pytest.raises(DataError, match="cannot be placed"):
        rate.grid.nearest(50, 0)


def test_u_and_v_in_one_message_are_told_apart(shared_data: Path) -> None:
    """NAM: 181 fields, u and v behind one header (PROVENANCE.tsv, independent)."""
    messages = read(shared_data, "nam/nam.t00z.awp21100.tm00.grib2")
    assert len(messages) == 181
    u, v = (m for m in messages
            if m.parameter[:2] == (0, 2) and m.number in (2, 3) and m.surface_value == 10
            and m.surface_type == 103)  # fmt: skip
    assert u.position == v.position
    assert u.raw is v.raw
    assert u.relative_to_grid
    assert (u.values.min(), u.values.max()) == pytest.approx((-10.545, 12.785), abs=5e-4)
    assert not np.array_equal(u.values, v.values)


# ------------------------------------------------------------------------------- grids


def test_hrrr_projection_and_corners() -> None:
    """HRRR-2 to HRRR-5: the extremes are a public extraction from a real file, read 2026-11.

    Corners and plane coordinates computed by us with PROJ; the number of points is from memory, and
    the extremes prove it.
    """
    assert HRRR.nearest(21.138123, 237.280472) == ((0, 0), pytest.approx(0, abs=1e-3))
    corners = {(0, 0): (21.138123, -122.719528), (0, 1798): (21.140547, -72.289718),
               (1058, 0): (47.838623, -134.09548),
               (1058, 1798): (47.842195, -60.917193)}  # fmt: skip
    for index, place in corners.items():
        assert HRRR.latlon(index) == pytest.approx(place, abs=1e-6)
        assert HRRR.nearest(*place)[0] == index
    edge = np.array([HRRR.latlon((1058, i)) for i in range(1799)])
    assert edge[:, 0].max() == pytest.approx(52.61565330680793, abs=1e-6)
    assert edge[:, 1].min() == pytest.approx(225.90452026573686 - 360, abs=1e-6)
    assert edge[:, 1].max() == pytest.approx(299.0828072281622 - 360, abs=1e-6)
    x0, y0 = Proj(HRRR.projection)(237.280472, 21.138123)
    assert (x0, y0) == pytest.approx((-2697520.143, -1587306.153), abs=0.01)


def test_the_hrrr_grid_of_a_real_message_is_that_one(shared_data: Path) -> None:
    # Independent: a real message against the grid above, which was read 2026-11.
    message = read(shared_data, "hrrr/hrrr.t06z.wrfsfcf01-UGRD.grib2")[0]
    assert message.relative_to_grid
    assert message.grid.shape == (1059, 1799)
    for index in ((0, 0), (1058, 1798), (500, 900)):
        assert message.grid.latlon(index) == pytest.approx(HRRR.latlon(index), abs=1e-6)


def test_projected_points_are_those_of_eccodes(shared_data: Path) -> None:
    """The latitudes and longitudes that eccodes computes for every point."""
    for name in ("nam/nam.t00z.awp21100.tm00.grib2",
                 "cmc/CMC_glb_APCP_SFC_0_ps30km_2020012500_P003.grib2"):  # fmt: skip
        message = read(shared_data, name)[0]
        with (shared_data / "forecast" / name).open("rb") as stream:
            handle = eccodes.codes_grib_new_from_file(stream)
            latitudes = eccodes.codes_get_array(handle, "latitudes").reshape(message.grid.shape)
            longitudes = eccodes.codes_get_array(handle, "longitudes").reshape(message.grid.shape)
            eccodes.codes_release(handle)
        rows, columns = message.grid.shape
        for index in [(0, 0), (0, columns - 1), (rows - 1, 0), (rows // 2, columns // 3)]:
            expected = latitudes[index], (longitudes[index] + 180) % 360 - 180
            assert message.grid.latlon(index) == pytest.approx(expected, abs=1e-5)
            found, away = message.grid.nearest(*expected)
            assert found == index
            assert away < 0.01


def test_grid_212_corners() -> None:
    """LCC-212: NCEP EMC's table of grids (hgrid.html), read 2026-11; the spacing 40635.25 m of its
    definition is from memory, and the three other corners prove it."""
    step = 40635.25
    grid = ProjectedGrid(
        "+proj=lcc +lat_1=25 +lat_2=25 +lat_0=25 +lon_0=265 +R=6371200",
        12.190, -133.459, step, step, 129, 185, lambert_cone(25, 25), 265.0,
    )  # fmt: skip
    for index, place in {
        (128, 0): (54.536, -152.856), (128, 184): (57.290, -49.385), (0, 184): (14.335, -65.091),
    }.items():  # fmt: skip
        assert grid.latlon(index) == pytest.approx(place, abs=0.001)


def test_rotation_of_hrrr_winds() -> None:
    """ROT-1: the cone by NOAA's HRRR FAQ; ROT-3: NCL's rotation of gridded winds; read 2026-11.

    Angles (ROT-2) and turned components computed by us from the two.
    """
    assert lambert_cone(38.5, 38.5) == pytest.approx(0.622515, abs=1e-6)
    for longitude, angle in ((-122.7195, -15.6995), (-97.5, 0), (-80, 10.8941), (-75, 14.0066)):
        assert HRRR.north_angle(40, longitude) == pytest.approx(angle, abs=1e-3)
        assert HRRR.north_angle(40, longitude + 360) == pytest.approx(angle, abs=1e-3)
    east, north = turn_to_earth(10.0, 0.0, HRRR.north_angle(40, -75))
    assert (east, north) == pytest.approx((9.7027, -2.4203), abs=1e-4)
    assert np.hypot(east, north) == pytest.approx(10)


@pytest.mark.parametrize(
    ("projection", "cone", "central", "places"),
    [
        ("+proj=lcc +lat_1=30 +lat_2=60 +lat_0=45 +lon_0=10", lambert_cone(30, 60), 10,
         [(40, -5), (50, 10), (60, 33)]),
        ("+proj=lcc +lat_1=-35 +lat_2=-35 +lat_0=-35 +lon_0=145", lambert_cone(-35, -35), 145,
         [(-40, 120), (-30, 160)]),
        ("+proj=stere +lat_0=90 +lat_ts=60 +lon_0=249", 1.0, 249,
         [(50, -100), (70, 10), (45, 170)]),
        ("+proj=stere +lat_0=-90 +lat_ts=-60 +lon_0=0", -1.0, 0, [(-70, 30), (-60, -100)]),
    ],
)  # fmt: skip
def test_a_wind_to_the_north_stays_one(
    projection: str, cone: float, central: float, places: list[tuple[float, float]]
) -> None:
    """Independent: a step to the north on PROJ's plane becomes a wind without an east part."""
    project = Proj(f"{projection} +R=6371229")
    for latitude, longitude in places:
        grid = ProjectedGrid(
            f"{projection} +R=6371229", latitude, longitude, 1000.0, 1000.0, 3, 3, cone, central
        )
        here, there = project(longitude, latitude), project(longitude, latitude + 1e-4)
        u, v = there[0] - here[0], there[1] - here[1]
        east, north = turn_to_earth(u, v, grid.north_angle(latitude, longitude))
        assert east == pytest.approx(0, abs=1e-4 * np.hypot(u, v))
        assert north == pytest.approx(np.hypot(u, v), rel=1e-6)


GLOBE = RegularGrid(90.0, 0.0, -0.25, 0.25, 721, 1440)
ICON_EU = RegularGrid(29.5, 336.5, 0.0625, 0.0625, 657, 1097)


@pytest.mark.parametrize(
    ("latitude", "longitude", "index"),
    [
        (90, 0, (0, 0)), (-90, 0, (720, 0)), (51.5, -0.1, (154, 0)), (51.5, -0.2, (154, 1439)),
        (51.5, 359.9, (154, 0)), (0.1, 179.9, (360, 720)), (0.1, -179.9, (360, 720)),
        (51.4, 0.13, (154, 1)), (-33.86, 151.21, (495, 605)),
    ],
)  # fmt: skip
def test_cells_of_a_globe(latitude: float, longitude: float, index: tuple[int, int]) -> None:
    """Computed by us: row (90 - latitude) / 0.25, column longitude / 0.25, 1440 columns round."""
    assert GLOBE.nearest(latitude, longitude)[0] == index


def test_a_box_that_crosses_greenwich(shared_data: Path) -> None:
    """Independent: ICON-EU begins at 336.5 E; eccodes' list of coordinates is the oracle."""
    name = "dwd/icon-eu_europe_regular-lat-lon_single-level_2022050700_000_U_10M.grib2"
    grid = read(shared_data, name)[0].grid
    assert grid == ICON_EU
    assert grid.nearest(50.0, 8.0)[0] == (328, 504)
    assert grid.nearest(50.0, -8.0)[0] == (328, 248)
    assert grid.latlon((0, 0)) == (29.5, -23.5)
    for place in ((50.0, 46.0), (50.0, -24.0), (29.0, 8.0), (71.0, 8.0), (50.0, 170.0)):
        with pytest.raises(DataError, match="outside"):
            grid.nearest(*place)


def test_how_far_the_grid_point_lies() -> None:
    """Independent: PROJ's geodesic on the same sphere."""
    sphere = Geod(a=6371229, b=6371229)
    for place in ((51.4, -0.1), (-33.86, 151.21), (10.06, 10.11)):
        index, away = GLOBE.nearest(*place)
        north, east = GLOBE.latlon(index)
        expected = sphere.inv(place[1], place[0], east, north)[2] / 1000
        assert away == pytest.approx(expected, abs=1e-6)
    assert distance_km(0, 0, 0, 180) == pytest.approx(np.pi * 6371.229)


@pytest.mark.parametrize("grid", [GLOBE, HRRR, ICON_EU], ids=["globe", "hrrr", "icon-eu"])
@pytest.mark.parametrize("radius_km", [0.0, 25.0, 80.0])
def test_neighbours_are_all_points_within_reach(grid: object, radius_km: float) -> None:
    """Independent: PROJ's geodesic to every point of a wide window."""
    sphere = Geod(a=6371229, b=6371229)
    places = {id(GLOBE): [(60.1, 0.05), (51.4, -179.99), (0.0, 90.0)],
              id(HRRR): [(40.0, -75.0)], id(ICON_EU): [(50.03, 0.02)]}[id(grid)]  # fmt: skip
    for latitude, longitude in places:
        (j, i), _ = grid.nearest(latitude, longitude)
        wide = 45
        window = [(a, b % grid.shape[1]) for a in range(j - wide, j + wide + 1)
                  for b in range(i - wide, i + wide + 1)]  # fmt: skip
        points = np.array([grid.latlon(index) for index in window])
        n = len(points)
        away = sphere.inv(np.full(n, longitude), np.full(n, latitude), points[:, 1], points[:, 0])[
            2
        ]
        beside, above = grid.latlon((j, (i + 1) % grid.shape[1])), grid.latlon((j + 1, i))
        here = grid.latlon((j, i))
        cell = max(sphere.inv(here[1], here[0], other[1], other[0])[2] for other in (beside, above))
        reach = max(radius_km * 1000, 1.5 * cell)
        expected = {x for x, d in zip(window, away, strict=True) if d <= reach}
        found = {tuple(int(n) for n in x) for x in grid.neighbours(latitude, longitude, radius_km)}
        assert len(found) >= 4
        # Distances within a metre of the reach may fall either way.
        unsure = {x for x, d in zip(window, away, strict=True) if abs(d - reach) < 30}
        assert found - unsure == expected - unsure


@pytest.mark.law
def test_points_anywhere() -> None:
    grid = PointsGrid(np.array([50.0, 50.1, 60.0]), np.array([8.0, 8.0, 359.0]), spacing_km=13)
    assert grid.nearest(50.02, 8.01)[0] == (0,)
    assert grid.neighbours(50.02, 8.01, 5).tolist() == [[0], [1]]
    assert grid.latlon((2,)) == (60.0, -1.0)
    with pytest.raises(DataError, match="outside"):
        grid.nearest(55, 8)


@pytest.mark.parametrize(
    ("keys", "flip"),
    [
        ({}, np.asarray),
        ({"jScansPositively": 1}, np.flipud),
        ({"iScansNegatively": 1}, np.fliplr),
        ({"iScansNegatively": 1, "jScansPositively": 1}, lambda a: np.flipud(np.fliplr(a))),
    ],
)
def test_scanning_orders_lead_to_the_same_places(keys: dict, flip: object) -> None:
    values = np.arange(12.0).reshape(3, 4)
    message = encode((0, 0, 0), 103, 2, RUN, 6, values, north=50, west=358, cell=1)
    # The written order is turned by hand, the corners with it.
    turned = dict(keys)
    if "jScansPositively" in keys:
        turned |= {
            f"latitudeOf{end}GridPointInDegrees": at for end, at in (("First", 48), ("Last", 50))
        }
    if "iScansNegatively" in keys:
        turned |= {
            f"longitudeOf{end}GridPointInDegrees": at for end, at in (("First", 1), ("Last", 358))
        }
    other = encode((0, 0, 0), 103, 2, RUN, 6, flip(values), north=50, west=358, cell=1, keys=turned)
    a, b = read_messages(message)[0], read_messages(other)[0]
    for latitude in (50, 49, 48):
        for longitude in (-2, -1, 0, 1):
            at_a, at_b = (m.values[m.grid.nearest(latitude, longitude)[0]] for m in (a, b))
            assert at_a == pytest.approx(at_b, abs=1e-4)
    assert a.values[a.grid.nearest(50, -2)[0]] == pytest.approx(0, abs=1e-4)
    assert a.values[a.grid.nearest(48, 1)[0]] == pytest.approx(11, abs=1e-4)


def section_offset(message: bytes, number: int) -> int:
    at = 16
    while message[at + 4] != number:
        at += int.from_bytes(message[at : at + 4], "big")
    return at


@pytest.mark.parametrize(
    ("flags", "order"),
    [
        (0x20, lambda a: a.T.ravel()),
        (0x10, lambda a: np.concatenate([row[::-1] if n % 2 else row for n, row in enumerate(a)])),
    ],
    ids=["columns first", "rows alternate"],
)
def test_rarer_scanning_orders(flags: int, order: object) -> None:
    """Code table 3.4 (from memory): bit 3, columns first; bit 4, each second row runs back."""
    values = np.arange(12.0).reshape(3, 4)
    written = order(values).reshape(3, 4)
    message = bytearray(encode((0, 0, 0), 103, 2, RUN, 6, written, north=50, west=0, cell=1))
    message[section_offset(message, 3) + 71] = flags
    np.testing.assert_allclose(read_messages(bytes(message))[0].values, values, atol=1e-4)


@pytest.mark.law
def test_intervals_members_and_long_runs() -> None:
    values = np.zeros((3, 3))
    message = encode((0, 1, 8), 1, 0, RUN, 126, values, north=50, west=0, cell=1, start=120,
                     statistic=1)  # fmt: skip
    field = read_messages(message)[0]
    assert (field.start_min, field.end_min, field.statistic) == (7200, 7560, 1)
    assert field.run == RUN
    assert field.run + timedelta(minutes=field.end_min) == datetime(2026, 3, 6, 12, tzinfo=UTC)


# ------------------------------------------------------------------------- what is broken

GOOD = encode((0, 0, 0), 103, 2, RUN, 6, np.arange(9.0).reshape(3, 3), north=50, west=0, cell=1)


def changed(at: int, new: bytes) -> bytes:
    return GOOD[:at] + new + GOOD[at + len(new) :]


@pytest.mark.law
@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "no GRIB message"),
        (b"<html>", "no GRIB message"),
        (GOOD[:10], "first section"),
        (GOOD[:100], "cut off after 100"),
        (GOOD[:-1], "cut off"),
        (changed(7, b"\x01"), "edition 1"),
        (changed(8, b"\xff" * 8), "cut off"),
        (changed(8, b"\0" * 8), "0 bytes long"),
        (changed(len(GOOD) - 4, b"7770"), "7777"),
        (changed(16, b"\xff\xff\xff\xff"), "section"),
        (changed(20, b"\x09"), "no section 9"),
        (GOOD + b"rest", "no GRIB message"),
        (GOOD + GOOD[:-8], "cut off"),
    ],
)
def test_what_is_not_whole_is_an_error_with_its_place(content: bytes, told: str) -> None:
    with pytest.raises(DataError, match=told) as error:
        read_messages(content)
    assert "byte" in str(error.value)


@pytest.mark.law
def test_the_place_of_an_error_is_that_of_its_message() -> None:
    with pytest.raises(DataError, match=f"byte {len(GOOD)}"):
        read_messages(GOOD + b"junk")
    assert message_length(GOOD + b"junk") == len(GOOD)
    assert len(read_messages(GOOD + b"junk" + GOOD, skip_strays=True)) == 2
    assert len(read_messages(GOOD + b"\0" * 31 + GOOD + b"\0" * 7)) == 2


@pytest.mark.law
def test_more_points_than_values_is_an_error() -> None:
    at = section_offset(GOOD, 3)
    with pytest.raises(DataError, match="points"):
        read_messages(changed(at + 6, (10).to_bytes(4, "big")))
    at = section_offset(GOOD, 5)
    with pytest.raises(DataError, match="8 values where the grid has 9"):
        _ = read_messages(changed(at + 5, (8).to_bytes(4, "big")))[0].values


@pytest.mark.law
def test_a_packing_that_is_not_read_spoils_only_its_own_field() -> None:
    at = section_offset(GOOD, 5)
    spectral = changed(at + 9, (50).to_bytes(2, "big"))
    first, second = read_messages(spectral + GOOD)
    assert first.parameter == (0, 0, 0)
    with pytest.raises(DataError, match=r"packing 5\.50"):
        _ = first.values
    assert second.values.max() == 8.0


FUZZ = """
import random, sys
from pathlib import Path
from wxgate.errors import DataError
from wxgate.grib import read_messages
originals = [Path(f).read_bytes() for f in sys.argv[3:]]
dice = random.Random(int(sys.argv[1]))
good = bad = 0
for _ in range(int(sys.argv[2])):
    message = bytearray(dice.choice(originals))
    # Two times in three within the headers, where a wrong number does the most harm.
    reach = min(len(message), 260) if dice.random() < 0.67 else len(message)
    for _ in range(dice.choice([1, 1, 2, 4, 16])):
        at = dice.randrange(8, reach)
        flipped = message[at] ^ 1 << dice.randrange(8)
        message[at] = dice.choice([0, 255, dice.randrange(256), flipped])
    try:
        for field in read_messages(bytes(message)):
            _ = field.values
            try:
                field.grid.nearest(45.0, 7.0)
            except DataError:
                pass
        good += 1
    except DataError:
        bad += 1
print(good, bad)
"""


def first_messages(shared_data: Path, folder: Path) -> list[str]:
    """The first message of a file of every packing and grid, each in a file of its own."""
    names = ("cmc/CMC_glb_APCP_SFC_0_ps30km_2020012500_P003.grib2", "gfs/flux.grb",
             "gfs/gfs.t18z.pgrb2.0p25.f186-RH-constant.grib2", "gfs/template5_0.grib2",
             "gfs/gfs_cfrzr_and_cprat_f005_4deg.grib", "gfs/template5_2.grib2",
             "gfs/template5_3.grib2", "hrrr/hrrr.t06z.wrfsfcf01-CFRZR-constant.grib2",
             "hrrr/hrrr_srad_subhourly.grib2", "gefs/gec00_20250101_00_soilw.grib",
             "dwd/icon_global_icosahedral_single-level_2021112018_000_TOT_PREC.grib2",
             "other/step_60m.grib", "nam/nam.t00z.awp21100.tm00.grib2",
             "ecmwf/20240101000000-0h-oper-fc.first10.grib2")  # fmt: skip
    files = []
    for name in names:
        content = (shared_data / "forecast" / name).read_bytes()
        file = folder / name.replace("/", "-")
        file.write_bytes(content[: message_length(content)])
        files.append(str(file))
    return files


def run(code: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-W", "error", "-c", code, *arguments],
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip


@pytest.mark.law
@pytest.mark.slow
def test_damaged_messages_never_end_the_process(shared_data: Path, tmp_path: Path) -> None:
    files = first_messages(shared_data, tmp_path)
    for seed in random.Random(20261125).sample(range(10**6), 3):
        ended = run(FUZZ, str(seed), "400", *files)
        assert (ended.returncode, ended.stderr) == (0, ""), seed
        good, bad = map(int, ended.stdout.split())
        assert good + bad == 400
        assert min(good, bad) > 40


@pytest.mark.law
def test_decoding_beside_proj_ends_in_peace(tmp_path: Path) -> None:
    """Newer eccodes wheels crash at exit once PROJ is loaded too: the values print, then 134."""
    file = tmp_path / "message.grib2"
    file.write_bytes(GOOD)
    code = (
        "import sys; from pathlib import Path; from wxgate.grib import read_messages;"
        "m = read_messages(Path(sys.argv[1]).read_bytes())[0];"
        "print(m.values.max(), m.grid.nearest(50, 0)[0]); import pyproj;"
        "pyproj.CRS('EPSG:4326'); pyproj.Proj('+proj=lcc +lat_1=25')"
    )
    ended = run(code, str(file))
    assert (ended.returncode, ended.stderr) == (0, "")
    assert ended.stdout.split()[0] == "8.0"


@pytest.mark.law
def test_reading_headers_loads_no_eccodes(tmp_path: Path) -> None:
    file = tmp_path / "message.grib2"
    file.write_bytes(GOOD)
    code = (
        "import sys; from pathlib import Path; from wxgate.grib import read_messages;"
        "read_messages(Path(sys.argv[1]).read_bytes());"
        "print('eccodes' in sys.modules, 'pyproj' in sys.modules)"
    )
    assert run(code, str(file)).stdout.split() == ["False", "False"]


@pytest.mark.law
def test_only_the_grib_package_imports_eccodes() -> None:
    package = Path(__file__).resolve().parents[1] / "wxgate"
    users = {
        str(path.relative_to(package)) for path in package.rglob("*.py")
        if "import eccodes" in path.read_text(encoding="utf-8")
    }  # fmt: skip
    assert users == {"grib/unpack.py"}
