"""Contract: the HRRR source against a local crop script and local mirrors, whole and broken."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import hrrr_service as service
import numpy as np
import pytest
from hrrr_service import RAIN, RUN, STEP_M, make_file, make_quarters
from local_server import Fault, LocalServer
from model_stage import Stage
from pyproj import Geod

from wxgate.cache import Cache
from wxgate.errors import DataError
from wxgate.forecast import Forecast, to_datetime
from wxgate.quantities import NO_CEILING, Kind
from wxgate.sources import hrrr
from wxgate.sources.domain import read_lambert
from wxgate.sources.endpoints import Entry, load_endpoints
from wxgate.sources.wanted import read_wanted

pytestmark = pytest.mark.contract

NOW = RUN + timedelta(hours=3)
HOURS = 5
STEPS = range(3, 9)
#: Far from the central meridian, on grid points: the turn of the wind is about 14 degrees.
WEST = (float(service.LATITUDES[30, 10]), float(service.LONGITUDES[30, 10]))
EAST = (float(service.LATITUDES[30, 80]), float(service.LONGITUDES[30, 80]))
GUST, VISIBILITY, RATE = "wind_speed_of_gust", "visibility_in_air", "lwe_precipitation_rate"


@pytest.fixture
def stage() -> Iterator[Stage]:
    with LocalServer() as server, LocalServer() as google:
        made = Stage(hrrr.SOURCE, server, google, NOW, WEST, HOURS)
        prepare(made)
        crop = service.Crop()
        server.handler("/cgi/2d", crop.answer)
        server.handler("/cgi/sub", crop.answer)
        for step in STEPS:
            for file, path in (
                (make_file(RUN, step), service.file_path),
                (make_quarters(RUN, step), service.quarters_path),
            ):
                crop.add(file, path)
                service.serve(server, "/aws", file, path)
                service.serve(google, "/google", file, path)
        yield made


def prepare(stage: Stage) -> None:
    """The entry with the local crop scripts and the grid of 60 km."""
    entry = stage.entry
    coarse = {"step_m": STEP_M, "columns": service.COLUMNS, "rows": service.ROWS}
    entry["domain"] = {**entry["domain"], **coarse}
    entry["crop"] |= {"scripts": [stage.crop_url("/cgi/2d")], "cell_deg": 1.0}
    entry["products"]["quarters"]["crop"]["scripts"] = [stage.crop_url("/cgi/sub")]


def made(element: str, level: str, cell: tuple[int, int] = (30, 10)) -> list[float]:
    """The invented values of a row at a cell and the full hours of the request."""
    row = next(r for r in service.HOURLY if (r.element, r.level) == (element, level))
    return [float(service.value(row, 60 * step)[cell]) for step in STEPS]


def same(a: Forecast, b: Forecast) -> None:
    """The same numbers, but for what re-packing a cropped field costs."""
    assert set(a.fields) == set(b.fields)
    for name, field in a.fields.items():
        np.testing.assert_allclose(field.values, b.fields[name].values, rtol=1e-4, atol=5e-3)


# ------------------------------------------------------------------------------ what comes out


@pytest.mark.parametrize("order", [("crop",), ("aws",)])
def test_everything_that_the_source_promises_comes(stage: Stage, order: tuple[str]) -> None:
    forecast = stage.order(*order).fetch()
    assert set(forecast.fields) == set(hrrr.SOURCE.gives)
    assert forecast.notes == ()
    assert to_datetime(forecast.time[0]) == NOW
    origin = forecast.provenance[0]
    assert (origin.run, origin.cycle_h, origin.source) == (RUN, 1, "hrrr")
    assert origin.place.endswith("0 km from the site")


def test_what_is_listed_is_what_is_promised() -> None:
    listed = {w.quantity for w in read_wanted(Entry(load_endpoints(), "").entry("hrrr"))}
    assert listed | {"precipitation_neighbourhood_fraction",
                     "precipitation_neighbourhood_maximum"} == set(hrrr.SOURCE.gives)  # fmt: skip


def test_a_mirror_gives_the_models_numbers(stage: Stage) -> None:
    fields = stage.order("aws").fetch().fields
    for name, element, level in (
        ("air_temperature", "TMP", "2 m above ground"),
        ("surface_air_pressure", "PRES", "surface"),
        ("convective_available_potential_energy", "CAPE", "surface"),
        ("surface_upward_sensible_heat_flux", "SHTFL", "surface"),
    ):
        np.testing.assert_allclose(fields[name].values, made(element, level), rtol=1e-6)
    assert fields["surface_altitude"].values == pytest.approx(1500)
    assert fields["surface_altitude"].kind is Kind.CONSTANT
    aloft = fields["geopotential_height_on_levels"]
    assert aloft.levels is not None
    assert aloft.levels.tolist() == [70000, 85000, 100000]
    assert fields["eastward_wind_on_levels"].levels is not None
    assert fields["eastward_wind_on_levels"].levels.tolist() == aloft.levels.tolist()


@pytest.mark.parametrize("place", [WEST, EAST, (25.0, -80.0), (47.0, -68.0), (30.0, -115.0)])
def test_crop_and_mirror_agree_everywhere(stage: Stage, place: tuple[float, float]) -> None:
    cropped, mirrored = stage.order("crop").fetch(place), stage.order("aws").fetch(place)
    same(cropped, mirrored)
    assert cropped.provenance[0].place == mirrored.provenance[0].place


@pytest.mark.parametrize(("place", "cell"), [(WEST, (30, 10)), (EAST, (30, 80))])
def test_winds_come_out_as_the_earth_has_them(
    stage: Stage, place: tuple[float, float], cell: tuple[int, int]
) -> None:
    """True winds were turned onto the grid by PROJ's meridian convergence; they come back."""
    assert abs(np.degrees(service.CONVERGENCE[cell])) > 10
    fields = stage.order("aws").fetch(place).fields
    for column, element in enumerate(("10 m above ground", "80 m above ground")):
        row = next(r for r in service.HOURLY if (r.element, r.level) == ("UGRD", element))
        true = [service.true_wind(row, 60 * s) for s in STEPS]
        for name, n in (("eastward_wind", 0), ("northward_wind", 1)):
            expected = [parts[n][cell] for parts in true]
            np.testing.assert_allclose(fields[name].values[:, column], expected, atol=1e-4)


def test_the_largest_wind_of_each_hour_and_its_parts(stage: Stage) -> None:
    """WIND and MAXUW, MAXVW of f04 hold for the hour from 3 to 4, and so on."""
    fields = stage.order("aws").fetch(EAST).fields
    row = next(r for r in service.HOURLY if r.element == "MAXUW")
    true = np.array([[p[30, 80] for p in service.true_wind(row, 60 * s)] for s in STEPS[1:]])
    for name, expected in (
        ("eastward_wind_at_maximum", true[:, 0]),
        ("northward_wind_at_maximum", true[:, 1]),
        ("wind_speed_maximum", np.hypot(true[:, 0], true[:, 1])),
    ):
        assert fields[name].kind is Kind.MAXIMUM
        np.testing.assert_allclose(fields[name].values[:-1], expected, atol=1e-4)
        assert np.isnan(fields[name].values[-1])


def test_precipitation_is_that_of_the_hour_not_of_the_run(stage: Stage) -> None:
    assert ":APCP:surface:0-8 hour acc fcst:" in make_file(RUN, 8).sidecar
    for order in ("crop", "aws"):
        rain = stage.order(order).fetch().fields["lwe_thickness_of_precipitation_amount"]
        np.testing.assert_allclose(rain.values[:-1], RAIN[3:8], atol=1e-5)
        assert np.isnan(rain.values[-1])


def test_the_first_hour_and_a_whole_day(stage: Stage) -> None:
    """At step 1 the run's total and the hour share a window; at 24 the total is told in days."""
    assert ":APCP:surface:0-1 day acc fcst:" in make_file(RUN, 24).sidecar
    stage.entry["runs"]["first_step_after_h"] = 0
    for step in (0, 1, 2, 23, 24, 25):
        service.serve(stage.server, "/aws", make_file(RUN, step))
    for first in (0, 23):
        start = RUN + timedelta(hours=first)
        fields = stage.order("aws").fetch(start=start, hours=2, now=RUN).fields
        rain = fields["lwe_thickness_of_precipitation_amount"].values
        np.testing.assert_allclose(rain[:-1], RAIN[first : first + 2], atol=1e-5)


def test_ceilings_are_above_ground_and_a_hole_is_none(stage: Stage) -> None:
    west, east = stage.fetch(WEST).fields, stage.fetch(EAST).fields
    np.testing.assert_allclose(west["ceiling_height"].values, [400 + s for s in STEPS], atol=0.1)
    assert set(east["ceiling_height"].values) == {NO_CEILING}


def test_a_ceiling_of_a_step_that_is_not_there_is_not_none(stage: Stage) -> None:
    whole = make_file(RUN, 5)
    without = tuple(p for p in whole.parts if p.row.level != "cloud ceiling")
    service.serve(stage.server, "/aws", replace(whole, parts=without))
    ceiling = stage.order("aws").fetch(EAST).fields["ceiling_height"].values
    assert np.flatnonzero(np.isnan(ceiling)).tolist() == [2]


def test_lightning_of_an_instant_counts_for_both_hours_beside_it(stage: Stage) -> None:
    lightning = stage.fetch(WEST).fields["lightning"]
    assert lightning.kind is Kind.MAXIMUM
    # It flashes at the hours 3 and 6 of the run.
    np.testing.assert_array_equal(lightning.values, [1, 0, 1, 1, 0, np.nan])


def test_flags_have_local_or_international_numbers(stage: Stage) -> None:
    fields = stage.fetch(WEST).fields
    assert set(fields["categorical_rain"].values) == {1}
    assert set(fields["categorical_freezing_rain"].values) == {0}
    assert set(fields["low_type_cloud_area_fraction"].values) == {1}


# ---------------------------------------------------------------------------- quarters of hours


def full_and_quarters(element: str, cell: tuple[int, int] = (30, 10)) -> dict[int, float]:
    row = next(r for r in service.QUARTERLY if r.element == element)
    return {m: float(service.value(row, m)[cell]) for m in range(180, 481, 15)}


@pytest.mark.parametrize("order", ["crop", "aws"])
def test_the_worst_quarter_within_half_an_hour_stands_for_an_instant(
    stage: Stage, order: str
) -> None:
    fields = stage.order(order).fetch().fields
    for name, element, worst, factor in (
        (GUST, "GUST", max, 1.0), (VISIBILITY, "VIS", min, 1.0), (RATE, "PRATE", max, 3600.0),
    ):  # fmt: skip
        by_minute = full_and_quarters(element)
        expected = [
            worst(v for m, v in by_minute.items() if abs(m - 60 * s) <= 30) * factor for s in STEPS
        ]
        assert fields[name].kind is Kind.POINT
        np.testing.assert_allclose(fields[name].values, expected, rtol=1e-4)
        # Each hour, graded by the worse of its ends, knows all of its quarters.
        ends = fields[name].values
        for n, step in enumerate(STEPS[:-1]):
            for minute in range(60 * step, 60 * step + 61, 15):
                quarter = by_minute[minute] * factor * (0.9999 if worst is max else 1.0001)
                assert worst(ends[n], ends[n + 1], quarter) != quarter


def test_quarters_that_are_not_there_leave_the_full_hours(stage: Stage) -> None:
    with_quarters = stage.order("aws").fetch()
    for step in STEPS:
        stage.server.remove(f"/aws{service.quarters_path(RUN, step)}.idx")
    forecast = stage.order("aws").fetch()
    assert any("quarters" in note for note in forecast.notes)
    np.testing.assert_allclose(forecast.fields[GUST].values, made("GUST", "surface"), rtol=1e-4)
    others = set(with_quarters.fields) - {GUST, VISIBILITY, RATE}
    for name in others:
        np.testing.assert_array_equal(
            forecast.fields[name].values, with_quarters.fields[name].values
        )


def test_quarters_of_one_hour_that_are_not_there_are_told(stage: Stage) -> None:
    stage.server.remove(f"/aws{service.quarters_path(RUN, 5)}.idx")
    forecast = stage.order("aws").fetch()
    assert any("quarters" in note and "f005" in note for note in forecast.notes)
    # The instant 4 is left with the quarters before it, 5 with those behind.
    by_minute = full_and_quarters("GUST")
    known = {m: v for m, v in by_minute.items() if not 240 < m < 300}
    expected = [max(v for m, v in known.items() if abs(m - 60 * s) <= 30) for s in STEPS]
    np.testing.assert_allclose(forecast.fields[GUST].values, expected, rtol=1e-4)


def test_a_full_hour_that_is_missing_is_not_filled_from_quarters(stage: Stage) -> None:
    stage.server.remove(f"/aws{service.file_path(RUN, 5)}.idx")
    gust = stage.order("aws").fetch().fields[GUST].values
    assert np.flatnonzero(np.isnan(gust)).tolist() == [2]


def test_mirrors_are_not_asked_for_quarters_unless_told(stage: Stage) -> None:
    stage.entry["mirrors"]["aws"]["costly"] = False
    forecast = stage.order("aws").fetch()
    assert not [path for path in stage.server.paths() if "wrfsubh" in path]
    assert any("quarters" in note for note in forecast.notes)
    assert forecast.fields["eastward_wind"].values.shape == (HOURS + 1, 2)


# ------------------------------------------------------------------------------- domain and runs


@pytest.mark.parametrize(
    "place", [(50.0, 8.0), (65.0, -150.0), (15.0, -100.0), (40.0, -140.0), (40.0, -55.0)]
)
def test_a_site_outside_is_refused_before_anything_is_asked(
    stage: Stage, place: tuple[float, float]
) -> None:
    with pytest.raises(DataError, match="outside the NOAA HRRR domain") as told:
        stage.fetch(place)
    assert told.value.remedy
    assert stage.server.paths() == []


def test_main_runs_reach_further_and_serve_requests_that_hourly_runs_cannot(stage: Stage) -> None:
    """At 09:30 the 08 UTC run ends at 02 UTC; only that of 06 UTC reaches 30 hours ahead."""
    now = RUN + timedelta(hours=3, minutes=30)
    later = RUN + timedelta(hours=2)
    for step in range(1, 19):
        service.serve(stage.server, "/aws", make_file(later, step, "TMP"))
    for step in range(9, 34):
        service.serve(stage.server, "/aws", make_file(RUN, step, "TMP"))
    stage.order("aws")
    wanted = frozenset({"air_temperature"})
    short = stage.fetch(start=now, now=now, hours=6, wanted=wanted)
    assert short.provenance[0].run == later
    long = stage.fetch(start=now, now=now, hours=30, wanted=wanted)
    assert long.provenance[0].run == RUN
    assert not np.isnan(long.fields["air_temperature"].values).any()
    # 06 UTC to 48 h ends before 60 hours from now: what is there is given, the rest is missing.
    for step in range(34, 49):
        service.serve(stage.server, "/aws", make_file(RUN, step, "TMP"))
    longest = stage.fetch(start=now, now=now, hours=60, wanted=wanted)
    assert longest.provenance[0].run == RUN
    assert np.isnan(longest.fields["air_temperature"].values).tolist() == [False] * 46 + [True] * 15
    assert any("only to its hour 48" in note for note in longest.notes)


def test_behind_18_hours_there_are_no_quarters(stage: Stage) -> None:
    for step in range(19, 24):
        service.serve(stage.server, "/aws", make_file(RUN, step))
    start = RUN + timedelta(hours=19)
    forecast = stage.order("aws").fetch(start=start, hours=4, now=NOW)
    assert not [path for path in stage.server.paths() if "wrfsubh" in path]
    assert any("quarters" in note for note in forecast.notes)


# ---------------------------------------------------------------------------------- what breaks

FAULTS = {
    "404": (Fault.STATUS, {"status": 404}),
    "403": (Fault.STATUS, {"status": 403}),
    "302": (Fault.REDIRECT, {"status": 302}),
    "web page": (Fault.HTML_IN_DISGUISE, {}),
    "empty": (Fault.EMPTY, {}),
    "half": (Fault.SHORT_BODY, {}),
    "damaged": (Fault.CORRUPT, {}),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_crop_service_that_fails_gives_way_to_a_mirror(stage: Stage, fault: str) -> None:
    good = stage.order("aws").fetch()
    kind, arguments = FAULTS[fault]
    stage.server.fault("/cgi/*", kind, **arguments)
    same(good, stage.order("crop", "aws").fetch())


@pytest.mark.parametrize("fault", [*FAULTS, "range ignored"])
def test_a_mirror_that_fails_gives_way_to_the_next(stage: Stage, fault: str) -> None:
    good = stage.order("google").fetch()
    kind, arguments = {**FAULTS, "range ignored": (Fault.IGNORE_RANGE, {})}[fault]
    stage.server.fault("/aws/*.grib2", kind, **arguments)
    same(good, stage.order("aws", "google").fetch())


def test_a_file_with_another_number_of_points_is_not_taken(stage: Stage) -> None:
    """Now and then a file is uploaded on a wrong grid."""
    good = stage.order("google").fetch()
    file = make_file(RUN, 6)
    smaller = tuple(
        replace(p, message=service.encode(
            p.row, RUN, p.minutes, service.value(p.row, p.minutes)[:-1], service.FIRST,
        ))
        for p in file.parts
    )  # fmt: skip
    service.serve(stage.server, "/aws", replace(file, parts=smaller))
    same(good, stage.order("aws", "google").fetch())
    alone = stage.order("aws").fetch()
    assert np.flatnonzero(np.isnan(alone.fields["air_temperature"].values)).tolist() == [3]


def test_a_sidecar_of_another_upload_is_found_out(stage: Stage) -> None:
    good = stage.order("google").fetch()
    for step in STEPS:
        file = make_file(RUN, step)
        other = replace(file, parts=file.parts[::-1]).sidecar.encode()
        stage.server.blob(f"/aws{service.file_path(RUN, step)}.idx", other)
    same(good, stage.order("aws", "google").fetch())


def test_a_truncated_file_gives_way(stage: Stage) -> None:
    good = stage.order("google").fetch()
    for step in STEPS:
        content = make_file(RUN, step).content
        stage.server.blob(f"/aws{service.file_path(RUN, step)}", content[: len(content) // 2])
    same(good, stage.order("aws", "google").fetch())


def test_a_second_fetch_only_asks_for_newer_runs(stage: Stage, tmp_path: Path) -> None:
    stage.cache = Cache(tmp_path)
    first = stage.order("crop").fetch()
    stage.server.forget()
    second = stage.fetch()
    assert [seen.query["file"][:10] for seen in stage.server.requests] == [
        "hrrr.t08z.", "hrrr.t07z.",
    ]  # fmt: skip
    same(first, second)
    stage.offline = True
    same(first, stage.fetch())


def test_only_what_is_wanted_is_read(stage: Stage) -> None:
    forecast = stage.order("aws").fetch(wanted=frozenset({"ceiling_height"}))
    assert set(forecast.fields) == {"ceiling_height"}
    assert not [path for path in stage.server.paths() if "wrfsubh" in path]


# --------------------------------------------------------------------------- another on its grid


def test_a_successor_on_the_same_grid_is_another_entry(stage: Stage) -> None:
    """An invented successor: three digits in its file names, another folder, the same messages."""
    source = hrrr.regional("successor", "Successor", resolution="3 km", runs="every hour")
    path = "/next.{date}/{hour}/next.t{hour}z.2dfld.3km.f{step}.conus.grib2"
    entry = {k: v for k, v in stage.entry.items() if k not in ("crop", "products")}
    stage.endpoints["successor"] = {
        **entry, "files": [path[1:]], "products": {}, "order": ["aws"], "title": "The successor",
    }  # fmt: skip

    def where(run: datetime, step: int) -> str:
        return path.format(date=f"{run:%Y%m%d}", hour=f"{run:%H}", step=f"{step:03d}")

    for step in STEPS:
        service.serve(stage.server, "/aws", make_file(RUN, step), where)
    own = stage.order("aws").fetch(EAST)
    stage.server.forget()
    stage.source = source
    other = stage.fetch(EAST)
    assert all("/next." in asked for asked in stage.server.paths())
    assert (other.provenance[0].source, other.provenance[0].title) == (
        "successor", "The successor",
    )  # fmt: skip
    for name in set(own.fields) - {GUST, VISIBILITY, RATE}:
        np.testing.assert_array_equal(own.fields[name].values, other.fields[name].values)
    with pytest.raises(DataError, match="outside the Successor domain"):
        stage.fetch((50.0, 8.0))


# ------------------------------------------------------------------------------------ real files


@pytest.fixture(scope="module")
def conus() -> Any:
    return read_lambert(Entry(load_endpoints(), "").entry("hrrr").entry("domain"))


def test_the_domain_that_ships_is_that_of_real_files(shared_data: Path, conus: Any) -> None:
    from wxgate.grib import read_messages

    file = shared_data / "forecast/hrrr/hrrr.t00z.wrfsfcf28-DPT2m_20260703.grib2"
    grid = read_messages(file.read_bytes())[0].grid
    assert grid.shape == conus.shape == (1059, 1799)
    for place in ((39.7, -105.0), (25.0, -81.0), (48.9, -124.5), (46.0, -67.0)):
        assert grid.nearest(*place)[0] == conus.nearest(*place)[0]


def test_real_sidecars_hold_all_that_is_read(shared_data: Path) -> None:
    from wxgate.sources.dialect import find_line
    from wxgate.sources.sidecar import parse_sidecar

    entry = Entry(load_endpoints(), "").entry("hrrr")
    index = shared_data / "forecast/index"
    for name, step in (
        ("20250801/hrrr.t00z.wrfsfcf08", 8), ("20250801/hrrr.t00z.wrfsfcf24", 24),
        ("20250801/hrrr.t00z.wrfsfcf00", 0), ("20231104/hrrr.t01z.wrfsfcf05", 5),
        ("20221014/hrrr.t09z.wrfsfcf05", 5),
    ):  # fmt: skip
        lines = parse_sidecar((index / f"{name}.grib2.idx").read_text())
        found = {w: find_line(lines, w, step) for w in read_wanted(entry)}
        lacking = {w.element for w, line in found.items() if line is None and w.exists_at(step)}
        assert lacking == set(), name
        rain = next(w for w in found if w.element == "APCP")
        line = found[rain]
        # At 24 h the run's total reads "0-1 day", and is not the one that is read.
        assert step == 0 or (line and line.window_text == f"{step - 1}-{step} hour acc fcst")
    quarters = read_wanted(Entry({**entry.content, **entry.entry("products").content["quarters"]},
                                 ""))  # fmt: skip
    for name in ("20231104/hrrr.t01z.wrfsubhf09", "20221014/hrrr.t03z.wrfsubhf09"):
        lines = parse_sidecar((index / f"{name}.grib2.idx").read_text())
        told = {(w.element, line.window_text) for w in quarters
                if (line := find_line(lines, w, 9)) is not None}  # fmt: skip
        assert told == {(e, f"{m} min fcst") for e in ("GUST", "VIS", "PRATE")
                        for m in (495, 510, 525)}  # fmt: skip


def test_real_messages_against_the_provenance_of_the_files(shared_data: Path) -> None:
    """PROVENANCE.tsv gives the least and largest value of each file, computed with eccodes."""
    from wxgate.grib import read_messages

    folder = shared_data / "forecast/hrrr"
    for name, low, high in (
        ("hrrr.t00z.wrfsfcf28-DPT2m_20260703.grib2", 192.12, 300.75),
        ("hrrr.t06z.wrfsfcf01-UGRD.grib2", -16.278, 29.91),
        ("hrrr.t06z.wrfsfcf01-CFRZR-constant.grib2", 0, 0),
        ("hrrr.wrfsubhf.sample.grib2", -10, 73),
    ):
        values = read_messages((folder / name).read_bytes(), skip_strays=True)[0].values
        assert float(values.min()) == pytest.approx(low, abs=0.005)
        assert float(values.max()) == pytest.approx(high, abs=0.005)


def test_the_real_file_with_two_totals_gives_the_last_hour(shared_data: Path) -> None:
    """0-12 and 11-12 h in one file; the cell with the most of the last hour (42.122 mm)."""
    from wxgate.grib import read_messages
    from wxgate.sources.base import Request
    from wxgate.sources.gribfile import forecast_from_grib

    file = shared_data / "forecast/hrrr/subset_20201214_hrrr.t00z.wrfsfcf12.grib2"
    total, hour = read_messages(file.read_bytes(), skip_strays=True)
    wettest = np.unravel_index(np.nanargmax(hour.values), hour.values.shape)
    place = hour.grid.latlon(tuple(int(n) for n in wettest))
    start = hour.run + timedelta(hours=11)
    request = Request(*place, start=start, hours=1, now=start)
    fields = forecast_from_grib([file], request, load_endpoints(), model="hrrr").fields
    rain = fields["lwe_thickness_of_precipitation_amount"].values[0]
    assert rain == pytest.approx(42.122, abs=0.0005)
    assert total.values[wettest] > rain


def test_the_shipped_quarters_of_a_real_file_have_minutes(shared_data: Path) -> None:
    from wxgate.grib import read_messages

    file = shared_data / "forecast/hrrr/hrrr.wrfsubhf.sample.grib2"
    reflectivity, sun = read_messages(file.read_bytes(), skip_strays=True)
    assert (reflectivity.start_min, reflectivity.end_min) == (15, 15)
    assert (sun.start_min, sun.end_min, sun.statistic) == (0, 15, 0)


def test_distance_to_the_nearest_cell_is_that_of_a_geodesic(conus: Any) -> None:
    sphere = Geod(a=6371229, b=6371229)
    index, away = conus.nearest(39.9, -104.9)
    north, east = conus.latlon(index)
    assert away * 1000 == pytest.approx(sphere.inv(-104.9, 39.9, east, north)[2], rel=1e-6)
    assert away < 3 / 2 * 2**0.5
