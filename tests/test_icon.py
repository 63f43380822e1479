"""Contract: the ICON sources against a local tree of native files, whole and broken."""

from __future__ import annotations

import bz2
import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import icon_service as service
import numpy as np
import pytest
from icon_service import CELLS, FULL_LEVELS, RAIN, RUN, SINGLE
from local_server import Fault, LocalServer
from pyproj import Geod

import eccodes  # isort: skip
from wxgate.cache import Cache
from wxgate.errors import DataError
from wxgate.forecast import Forecast
from wxgate.grib import read_messages
from wxgate.grid import PointsGrid, UnlocatedGrid, distance_km
from wxgate.http import Client
from wxgate.quantities import NO_CEILING, Kind
from wxgate.sources import icon
from wxgate.sources.base import Request, Toolbox
from wxgate.sources.endpoints import Entry, load_endpoints
from wxgate.sources.gribfile import forecast_from_grib
from wxgate.sources.wanted import read_wanted

pytestmark = pytest.mark.contract

NOW = RUN + timedelta(hours=4, minutes=30)
HOURS = 6
STEPS = range(4, 11)
NORTH, SOUTH = (52.1, 9.3), (48.2, 9.3)
SPHERE = Geod(a=6371229, b=6371229)
RAINFALL = "lwe_thickness_of_precipitation_amount"
ROW = {row.param: row for row in (*SINGLE, *service.STILL)}


@dataclass
class Stage:
    """DWD with everything in place, and the tools that lead there."""

    server: LocalServer
    endpoints: dict[str, Any]
    cache: Cache | None = None
    offline: bool = False

    def fetch(self, place: tuple[float, float] = NORTH, **changes: Any) -> Forecast:
        request = Request(*place, start=NOW, hours=HOURS, now=NOW)
        return icon.fetch_eu(replace(request, **changes), self.tools())

    def tools(self) -> Toolbox:
        def client(what: Any) -> Client:
            return Client(
                what, user_agent="wxgate-test", sleep=lambda s: None, jitter=random.Random(1)
            )

        return Toolbox(self.endpoints, self.cache, client, lambda *_: None, self.offline)

    def asked(self, part: str) -> list[str]:
        return [path for path in self.server.paths() if part in path]

    def put(self, row: service.Row, step: int, content: bytes, **told: Any) -> None:
        self.server.blob("/icon" + service.file_path(row, RUN, step), content, **told)

    def drop(self, param: str, run: datetime = RUN) -> None:
        for row in (*SINGLE, *service.ALOFT, *service.STILL):
            if row.param == param:
                for step in (0, *STEPS):
                    self.server.remove("/icon" + service.file_path(row, run, step))


@pytest.fixture
def stage() -> Iterator[Stage]:
    with LocalServer() as server:
        endpoints = load_endpoints()
        endpoints["services"]["dwd"] = {"connections": 2}
        endpoints["icon-eu"] |= {
            "mirrors": {"dwd": {"service": "dwd", "root": server.url("/icon"), "costly": True}},
            "mesh_km": 60,
        }
        service.serve(server, "/icon", RUN, STEPS)
        service.serve_listing(server, "/icon", RUN - timedelta(hours=6), RUN)
        yield Stage(server, endpoints)


def nearest(place: tuple[float, float], cells: service.Cells = CELLS) -> int:
    """The cell whose centre lies nearest, by PROJ's geodesic on the sphere."""
    here = (np.full(cells.latitudes.shape, x) for x in (place[1], place[0]))
    _, _, away = SPHERE.inv(*here, cells.longitudes, cells.latitudes)
    return int(np.argmin(away))


def made(param: str, step: int, place: tuple[float, float] = NORTH) -> float:
    return float(service.value(ROW[param], step)[nearest(place)])


def same(a: Forecast, b: Forecast) -> None:
    assert set(a.fields) == set(b.fields)
    for name, field in a.fields.items():
        np.testing.assert_array_equal(field.values, b.fields[name].values)


# ------------------------------------------------------------------------------ what comes out


def test_everything_that_the_source_promises_comes(stage: Stage) -> None:
    forecast = stage.fetch()
    assert set(forecast.fields) == set(icon.EU.gives)
    assert forecast.notes == ()
    assert forecast.time[0] == np.datetime64("2026-11-25T04:00:00")
    origin = forecast.provenance[0]
    assert (origin.run, origin.cycle_h, len(origin.sha256)) == (RUN, 6, 64)
    assert "Deutscher Wetterdienst" in origin.credit
    assert "modified" in origin.credit
    assert "CC BY 4.0" in origin.licence


@pytest.mark.parametrize("source", [icon.EU, icon.D2])
def test_what_is_listed_is_what_is_promised(source: Any) -> None:
    listed = {w.quantity for w in read_wanted(Entry(load_endpoints(), "").entry(source.name))}
    assert listed | {"precipitation_neighbourhood_fraction", "precipitation_neighbourhood_maximum",
                     "surface_altitude"} == set(source.gives)  # fmt: skip


@pytest.mark.parametrize("place", [NORTH, SOUTH, (47.03, 4.4), (53.2, 13.1), (50.0, 9.0)])
def test_values_are_those_of_the_nearest_cell(stage: Stage, place: tuple[float, float]) -> None:
    fields = stage.fetch(place).fields
    for name, param in (("air_temperature", "T_2M"), ("dew_point_temperature", "TD_2M"),
                        ("surface_air_pressure", "PS"), ("visibility_in_air", "VIS")):  # fmt: skip
        expected = [made(param, step, place) for step in STEPS]
        np.testing.assert_allclose(fields[name].values, expected, rtol=1e-6)
    assert float(fields["surface_altitude"].values) == pytest.approx(made("HSURF", 0, place))


def test_winds_aloft_stand_on_the_heights_of_model_levels(stage: Stage) -> None:
    wind = stage.fetch().fields["northward_wind"]
    heights = [10.0, *sorted(FULL_LEVELS.values())]
    np.testing.assert_allclose(wind.levels, heights, atol=0.01)
    expected = [[-(2 + z / 20 + step / 4) for z in heights] for step in STEPS]
    np.testing.assert_allclose(wind.values, expected, rtol=1e-6)
    warm = stage.fetch().fields["air_temperature_at_heights"]
    np.testing.assert_allclose(warm.levels, heights[1:], atol=0.01)


def test_the_gust_is_the_maximum_of_the_hour(stage: Stage) -> None:
    gust = stage.fetch().fields["wind_speed_of_gust"]
    assert gust.kind is Kind.MAXIMUM
    expected = [made("VMAX_10M", step) for step in list(STEPS)[1:]]
    np.testing.assert_allclose(gust.values[:-1], expected, rtol=1e-6)
    assert np.isnan(gust.values[-1])


def test_beyond_78_hours_the_gust_holds_for_three_hours(stage: Stage) -> None:
    service.serve(stage.server, "/icon", RUN, (77, 78, 81))
    forecast = stage.fetch(start=RUN + timedelta(hours=77), hours=4)
    gust = forecast.fields["wind_speed_of_gust"].values
    np.testing.assert_allclose(gust[1:4], made("VMAX_10M", 81), rtol=1e-6)
    np.testing.assert_allclose(gust[0], made("VMAX_10M", 78), rtol=1e-6)
    air = forecast.fields["air_temperature"].values
    t78, t81 = made("T_2M", 78), made("T_2M", 81)
    np.testing.assert_allclose(
        air[1:], [t78, (2 * t78 + t81) / 3, (t78 + 2 * t81) / 3, t81], rtol=1e-6
    )


def test_precipitation_is_the_difference_of_totals(stage: Stage) -> None:
    rain = stage.fetch().fields[RAINFALL]
    assert rain.kind is Kind.SUM
    np.testing.assert_allclose(rain.values[:-1], RAIN[4:10], atol=1e-3)
    fallen = service.value(ROW["TOT_PREC"], 8) - 0.03
    stage.put(ROW["TOT_PREC"], 8, service.encode(ROW["TOT_PREC"], RUN, 8, values=fallen))
    assert stage.fetch().fields[RAINFALL].values[3] == 0


def test_precipitation_nearby_counts_the_cells_around(stage: Stage) -> None:
    place = (50.05, 9.3)
    here = (np.full(CELLS.latitudes.shape, x) for x in (place[1], place[0]))
    _, _, away = SPHERE.inv(*here, CELLS.longitudes, CELLS.latitudes)
    near = away / 1000 <= 90  # one and a half cells of 60 km
    share = np.count_nonzero(near & (CELLS.latitudes > 50)) / np.count_nonzero(near)
    assert 0.2 < share < 0.8
    found = stage.fetch(place).fields["precipitation_neighbourhood_fraction"].values[:-1]
    expected = [share if amount >= 0.1 else 0 for amount in RAIN[4:10]]
    np.testing.assert_allclose(found, expected, atol=1e-6)


def test_the_ceiling_is_above_ground(stage: Stage) -> None:
    above = stage.fetch(NORTH).fields["ceiling_height"].values
    np.testing.assert_allclose(above, [400 + step for step in STEPS], atol=0.05)
    assert set(stage.fetch(SOUTH).fields["ceiling_height"].values) == {NO_CEILING}


def test_a_ceiling_that_is_left_out_is_none_only_under_a_clear_sky(stage: Stage) -> None:
    for step in STEPS:
        nothing = np.full(CELLS.latitudes.shape, np.nan)
        nothing[0] = 1000.0
        stage.put(ROW["CEILING"], step, service.encode(ROW["CEILING"], RUN, step, values=nothing))
    assert set(stage.fetch(SOUTH).fields["ceiling_height"].values) == {NO_CEILING}
    assert np.isnan(stage.fetch(NORTH).fields["ceiling_height"].values).all()
    only = stage.fetch(SOUTH, wanted=frozenset({"ceiling_height"}))
    assert set(only.fields) == {"ceiling_height"}
    assert set(only.fields["ceiling_height"].values) == {NO_CEILING}
    stage.drop("CLCT")
    stage.endpoints["icon-eu"]["runs"]["give_up_after_h"] = 0
    assert np.isnan(stage.fetch(SOUTH).fields["ceiling_height"].values).all()


def test_between_two_steps_the_lower_ceiling_holds(stage: Stage) -> None:
    service.serve(stage.server, "/icon", RUN, (78, 81))
    row, cloud = ROW["CEILING"], ROW["CLCT"]
    nothing = np.full(CELLS.latitudes.shape, np.nan)
    nothing[0] = 1000.0
    clear = np.zeros(CELLS.latitudes.shape)
    stage.put(row, 78, service.encode(row, RUN, 78, values=nothing))
    stage.put(cloud, 78, service.encode(cloud, RUN, 78, values=clear))
    forecast = stage.fetch(start=RUN + timedelta(hours=78), hours=3)
    found = forecast.fields["ceiling_height"].values
    assert found[0] == NO_CEILING
    np.testing.assert_allclose(found[1:], 481, atol=0.05)


def test_significant_weather_gives_flags_where_it_is_not_surely_dry(stage: Stage) -> None:
    # WMO code 4677 as DWD writes it: 66 freezing rain, 61 rain, 73 snow, 95 thunderstorm. Steps 4
    # to 10; the hours from 4 on bring 0.5, 0, 4, 0.02, 0, 8, 0.25 mm.
    wet, dry = stage.fetch(NORTH).fields, stage.fetch(SOUTH).fields
    assert wet["categorical_freezing_rain"].values.tolist() == [1, 1, 0, 0, 0, 1, 0]
    assert wet["categorical_rain"].values.tolist() == [0, 0, 1, 0, 0, 0, 0]
    assert wet["categorical_snow"].values.tolist() == [0, 0, 0, 1, 0, 0, 0]
    for name in ("rain", "freezing_rain", "ice_pellets", "snow"):
        assert set(dry[f"categorical_{name}"].values) == {0}
    lightning = dry["lightning"]
    assert lightning.kind is Kind.MAXIMUM
    assert lightning.values[:-1].tolist() == [0, 0, 0, 0, 0, 1]


def test_weather_of_step_nought_is_not_believed(stage: Stage) -> None:
    service.serve(stage.server, "/icon", RUN, (0, 1, 2))
    stage.endpoints["icon-eu"]["runs"]["first_step_after_h"] = 0
    flags = stage.fetch(start=RUN, hours=2, now=RUN).fields["categorical_rain"].values
    assert np.isnan(flags).tolist() == [True, False, False]
    assert stage.asked("/WW/r/2026-11-25T00%3A00/s/PT000H00M") == []


def test_only_what_is_wanted_is_asked_for(stage: Stage) -> None:
    stage.fetch(wanted=frozenset({"air_temperature"}))
    assert {path.split("/")[3] for path in stage.server.paths()} == {
        "T_2M", "HSURF", "CLAT", "CLON", "HHL",
    }  # fmt: skip


def test_addresses_are_as_the_service_wants_them(stage: Stage) -> None:
    stage.fetch()
    paths = stage.server.paths()
    assert "/icon/p/T_2M/r/2026-11-25T00%3A00/s/PT010H00M.grib2" in paths
    assert "/icon/p/U/lvt1/150/lv1/73/r/2026-11-25T00%3A00/s/PT004H00M.grib2" in paths
    assert "/icon/p/HHL/lvt1/150/lv1/75/r/2026-11-25T00%3A00/s/PT000H00M.grib2" in paths


# ------------------------------------------------------------------------------------- the grid


def test_the_tree_finds_the_nearest_of_10000_points_as_brute_force_does() -> None:
    grid = PointsGrid(CELLS.latitudes, CELLS.longitudes, spacing_km=1e5)
    random_ = np.random.default_rng(7)
    for latitude, longitude in zip(
        np.degrees(np.arcsin(random_.uniform(-1, 1, 10_000))),
        random_.uniform(-180, 180, 10_000),
        strict=True,
    ):
        (found,), away = grid.nearest(latitude, longitude)
        every = distance_km(latitude, longitude, CELLS.latitudes, CELLS.longitudes)
        assert away == pytest.approx(every.min(), abs=1e-6)
        assert every[found] == pytest.approx(every.min(), abs=1e-6)


def test_the_cells_around_are_those_within_the_radius() -> None:
    grid = PointsGrid(CELLS.latitudes, CELLS.longitudes, spacing_km=40)
    for place in (NORTH, SOUTH, (50.0, 9.0)):
        here = (np.full(CELLS.latitudes.shape, x) for x in (place[1], place[0]))
        _, _, away = SPHERE.inv(*here, CELLS.longitudes, CELLS.latitudes)
        found = grid.neighbours(*place, 100)
        assert found[:, 0].tolist() == np.flatnonzero(away <= 100_000).tolist()


def test_coordinates_are_fetched_once_and_kept(stage: Stage, tmp_path: Path) -> None:
    stage.cache = Cache(tmp_path)
    first = stage.fetch()
    kept = {e.key.run for e in stage.cache.entries() if e.key.message.startswith(("CL", "HHL"))
            and "http" not in e.key.message}  # fmt: skip
    assert kept == {f"grid-62-{CELLS.uuid}"}
    later = RUN + timedelta(hours=6)
    service.serve(stage.server, "/icon", later, STEPS)
    service.serve_listing(stage.server, "/icon", RUN, later)
    stage.server.forget()
    stage.fetch(start=NOW + timedelta(hours=6), now=NOW + timedelta(hours=6))
    for param in ("CLAT", "CLON", "HHL"):
        assert stage.asked(f"/p/{param}/") == []
    stage.server.forget()
    same(first, stage.fetch())
    assert {path.rsplit("/", 2)[-1] for path in stage.server.paths()} <= {""}  # listings only
    stage.offline = True
    stage.server.forget()
    same(first, stage.fetch())
    assert stage.server.paths() == []


def test_a_new_grid_brings_new_coordinates(stage: Stage, tmp_path: Path) -> None:
    """The nest grew on 2026-10-06 (grid 27 to 62)."""
    stage.cache = Cache(tmp_path)
    stage.fetch()
    other = service.make_cells(number=63, seed=5, step=0.4)
    assert other.latitudes.size != CELLS.latitudes.size
    later = RUN + timedelta(hours=6)
    service.serve(stage.server, "/icon", later, STEPS, other)
    service.serve_listing(stage.server, "/icon", RUN, later)
    moment = NOW + timedelta(hours=6)
    found = stage.fetch(start=moment, now=moment).fields["surface_altitude"].values
    ground = service.value(ROW["HSURF"], 0, other)[nearest(NORTH, other)]
    assert float(found) == pytest.approx(ground, rel=1e-6)


def test_kept_coordinates_of_another_count_are_fetched_again(stage: Stage, tmp_path: Path) -> None:
    good = stage.fetch()
    stage.cache = Cache(tmp_path)
    stage.fetch()
    half = replace(CELLS, latitudes=CELLS.latitudes[::2], longitudes=CELLS.longitudes[::2])
    for entry in list(stage.cache.entries()):
        if entry.key.message in ("CLAT:", "CLON:"):
            row = ROW[entry.key.message[:-1]]
            stage.cache.put(
                entry.key, service.encode(row, RUN, 0, half), validators=entry.validators,
                url=entry.url, fetched=entry.fetched,
            )  # fmt: skip
    stage.server.forget()
    same(good, stage.fetch())
    assert len(stage.asked("/CLAT/")) == len(stage.asked("/CLON/")) == 1


def test_fields_on_another_grid_than_the_coordinates_are_not_placed(stage: Stage) -> None:
    other = service.make_cells(seed=9)  # as many cells, another UUID
    for step in STEPS:
        stage.put(ROW["T_2M"], step, service.encode(ROW["T_2M"], RUN, step, other))
    stage.endpoints["icon-eu"]["runs"]["give_up_after_h"] = 0
    forecast = stage.fetch()
    assert "air_temperature" not in forecast.fields
    assert any("air_temperature" in note for note in forecast.notes)


def test_a_site_outside_is_an_error_at_once(stage: Stage) -> None:
    with pytest.raises(DataError, match="outside") as told:
        stage.fetch((40.0, 9.0))
    assert "covers the site" in told.value.remedy
    assert stage.asked("/T_2M/r/2026") == []


def test_what_stands_still_may_be_found_in_another_run(stage: Stage) -> None:
    good = stage.fetch()
    earlier = RUN - timedelta(hours=6)
    for row in service.STILL:
        stage.server.remove("/icon" + service.file_path(row, RUN, 0))
    service.serve(stage.server, "/icon", earlier, ())
    service.serve_listing(stage.server, "/icon", earlier, param="HSURF")
    same(good, stage.fetch())


def test_without_half_levels_there_are_no_winds_aloft(stage: Stage) -> None:
    stage.drop("HHL")
    forecast = stage.fetch()
    assert forecast.fields["eastward_wind"].levels.tolist() == [10]
    assert any("model levels are left out" in note for note in forecast.notes)


# ---------------------------------------------------------------------------------- what breaks


def earlier_run(stage: Stage) -> datetime:
    run = RUN - timedelta(hours=6)
    service.serve(stage.server, "/icon", run, [step + 6 for step in STEPS])
    return run


def test_runs_that_are_not_listed_are_not_asked_for(stage: Stage) -> None:
    run = earlier_run(stage)
    service.serve_listing(stage.server, "/icon", run)
    assert stage.fetch().provenance[0].run == run
    assert stage.asked("2026-11-25T00%3A00") == []


@pytest.mark.parametrize("page", [b"", b"<html>maintenance</html>"])
def test_a_listing_that_tells_nothing_does_not_stop(stage: Stage, page: bytes) -> None:
    good = stage.fetch()
    stage.server.blob("/icon/p/T_2M/r/", page, content_type="text/html")
    same(good, stage.fetch())
    stage.server.remove("/icon/p/T_2M/r/")
    same(good, stage.fetch())


def test_short_runs_are_passed_over_when_they_do_not_reach(stage: Stage) -> None:
    short = RUN + timedelta(hours=3)
    service.serve(stage.server, "/icon", short, range(24, 31))
    service.serve(stage.server, "/icon", RUN, range(27, 40))
    service.serve_listing(stage.server, "/icon", RUN, short)
    now = short + timedelta(hours=4)
    within = stage.fetch(start=short + timedelta(hours=24), hours=6, now=now)
    assert within.provenance[0].run == short
    beyond = stage.fetch(start=short + timedelta(hours=26), hours=6, now=now)
    assert beyond.provenance[0].run == RUN


@pytest.mark.parametrize(("age_s", "taken"), [(30, False), (119, False), (121, True)])
def test_a_file_of_a_moment_ago_is_left_to_settle(stage: Stage, age_s: int, taken: bool) -> None:
    run = earlier_run(stage)
    row = ROW["T_2M"]
    stage.put(row, 10, service.message(row, RUN, 10), last_modified=NOW - timedelta(seconds=age_s))
    assert stage.fetch().provenance[0].run == (RUN if taken else run)


def test_a_run_whose_last_step_is_not_whole_is_passed_over(stage: Stage) -> None:
    run = earlier_run(stage)
    stage.server.remove("/icon" + service.file_path(ROW["VMAX_10M"], RUN, 10))
    assert stage.fetch().provenance[0].run == run


def test_what_is_withdrawn_costs_one_question_and_no_run(stage: Stage) -> None:
    """VIS ends with the old tree on 2026-11-30."""
    earlier_run(stage)
    stage.drop("VIS")
    forecast = stage.fetch()
    assert forecast.provenance[0].run == RUN
    assert "visibility_in_air" not in forecast.fields
    assert any("visibility_in_air" in note for note in forecast.notes)
    assert len(stage.asked("/VIS/")) == 1


def test_a_file_that_one_step_lacks_is_missing_there_and_named(stage: Stage) -> None:
    stage.server.remove("/icon" + service.file_path(ROW["T_2M"], RUN, 7))
    forecast = stage.fetch()
    assert np.flatnonzero(np.isnan(forecast.fields["air_temperature"].values)).tolist() == [3]
    assert any("T_2M" in note and "f007" in note for note in forecast.notes)


FAULTS = {
    "404": (Fault.STATUS, {"status": 404}),
    "500": (Fault.STATUS, {"status": 500}),
    "web page": (Fault.HTML, {}),
    "web page in disguise": (Fault.HTML_IN_DISGUISE, {}),
    "empty": (Fault.EMPTY, {}),
    "half": (Fault.SHORT_BODY, {}),
    "damaged": (Fault.CORRUPT, {}),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_file_that_breaks_is_missing_and_not_kept(
    stage: Stage, tmp_path: Path, fault: str
) -> None:
    good = stage.fetch()
    stage.cache = Cache(tmp_path)
    kind, arguments = FAULTS[fault]
    stage.server.fault("/icon/p/T_2M/*PT007H00M.grib2", kind, **arguments)
    broken = stage.fetch()
    assert np.isnan(broken.fields["air_temperature"].values).tolist() == [False] * 3 + [
        True] + [False] * 3  # fmt: skip
    stage.server.calm()
    same(good, stage.fetch())


@pytest.mark.parametrize("wrong", ["step", "run", "parameter", "two"])
def test_a_file_that_holds_something_else_is_not_taken(stage: Stage, wrong: str) -> None:
    row = ROW["T_2M"]
    content = {
        "step": service.message(row, RUN, 8),
        "run": service.message(row, RUN - timedelta(hours=3), 7),
        "parameter": service.message(ROW["TD_2M"], RUN, 7),
        "two": service.message(row, RUN, 7) * 2,
    }[wrong]
    stage.put(row, 7, content)
    values = stage.fetch().fields["air_temperature"].values
    assert np.flatnonzero(np.isnan(values)).tolist() == [3]


def test_a_server_that_throttles_is_left_alone(stage: Stage) -> None:
    stage.server.fault("/icon/p/*", Fault.STATUS, status=503)
    with pytest.raises(DataError, match="fewer requests"):
        stage.fetch()
    assert len(stage.server.paths()) <= 25


def test_a_folder_on_this_computer_is_a_server(stage: Stage, tmp_path: Path) -> None:
    good = stage.fetch()
    for row in (*SINGLE, *service.ALOFT, *service.STILL):
        for step in (0,) if row in service.STILL else STEPS:
            path = tmp_path / service.file_path(row, RUN, step)[1:].replace("%3A", ":")
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(service.message(row, RUN, step))
    stage.endpoints["icon-eu"]["mirrors"]["dwd"]["root"] = tmp_path.as_uri()
    stage.server.forget()
    same(good, stage.fetch())
    assert stage.server.paths() == []


def test_the_finer_model_is_a_second_instance(stage: Stage) -> None:
    coarse = stage.fetch()
    fine = stage.endpoints["icon-d2"]
    fine |= {name: stage.endpoints["icon-eu"][name] for name in ("mirrors", "mesh_km")}
    fine["model_levels"]["lowest"] = service.LOWEST
    request = Request(*NORTH, start=NOW, hours=HOURS, now=NOW)
    forecast = icon.fetch_d2(request, stage.tools())
    assert forecast.provenance[0].source == "icon-d2"
    same(coarse, forecast)


# ------------------------------------------------------------------------------ the real files

DWD = Path("forecast") / "dwd"
WINDS = "icon-d2_germany_regular-lat-lon_single-level_2022042600_000_2d_{}_10m.grib2"


def by_eccodes(content: bytes, place: tuple[float, float]) -> float:
    handle = eccodes.codes_new_from_message(content)
    try:
        near = eccodes.codes_grib_find_nearest(handle, *place)[0]
        return float("nan") if near.value == 9999 else float(near.value)
    finally:
        eccodes.codes_release(handle)


@pytest.mark.parametrize(
    ("place", "masked"),
    [((50.0, 8.6), False), ((48.1, 11.6), False), ((47.0, 0.0), False), ((43.2, 19.9), True),
     ((57.9, -3.5), True)],
)  # fmt: skip
def test_the_real_winds_of_the_fine_model_and_their_mask(
    shared_data: Path, place: tuple[float, float], masked: bool
) -> None:
    """Against eccodes' own nearest-point search; longitudes begin at 356.06, a sixth is masked."""
    contents = [(shared_data / DWD / WINDS.format(c)).read_bytes() for c in "uv"]
    expected = [by_eccodes(content, place) for content in contents]
    assert np.isnan(expected).tolist() == [masked] * 2
    run = datetime(2022, 4, 26, tzinfo=UTC)
    request = Request(*place, start=run, hours=1, now=run)
    fields = forecast_from_grib(contents, request, load_endpoints(), model="icon-d2").fields
    for name, number in zip(("eastward_wind", "northward_wind"), expected, strict=True):
        np.testing.assert_array_equal(fields[name].values[0, 0], np.float32(number))


def test_the_real_mask_is_as_large_as_was_counted(shared_data: Path) -> None:
    """151528 of 906390 points (the list of provenance beside the files)."""
    for component in "uv":
        content = (shared_data / DWD / WINDS.format(component)).read_bytes()
        assert int(np.isnan(read_messages(content)[0].values).sum()) == 151528


@pytest.mark.parametrize(
    ("name", "param", "low", "high"),
    [
        ("single-level_2020062300_000_T_2M.grib2.bz2", "T_2M", 269.18, 309.82),
        ("single-level_2022050700_000_U_10M.grib2", "U_10M", -13.966, 18.863),
        ("single-level_2022050700_000_V_10M.grib2", "V_10M", -18.428, 16.247),
    ],
)
def test_the_real_fields_match_the_rows_of_the_endpoints(
    shared_data: Path, name: str, param: str, low: float, high: float
) -> None:
    """Ranges from the list of provenance beside the files."""
    content = (shared_data / DWD / f"icon-eu_europe_regular-lat-lon_{name}").read_bytes()
    found = read_messages(bz2.decompress(content) if name.endswith("bz2") else content)[0]
    rows = read_wanted(Entry(load_endpoints(), "").entry("icon-eu"))
    assert [w.element for w in rows if w.matches(found, 0)] == [param]
    assert float(np.nanmin(found.values)) == pytest.approx(low, rel=1e-4)
    assert float(np.nanmax(found.values)) == pytest.approx(high, rel=1e-4)


def test_the_real_native_file_tells_its_grid(shared_data: Path) -> None:
    """icon_global 2021112018: GDT 3.101 without coordinates, constant precipitation of step 0."""
    path = shared_data / DWD / "icon_global_icosahedral_single-level_2021112018_000_TOT_PREC.grib2"
    found = read_messages(path.read_bytes())[0]
    assert isinstance(found.grid, UnlocatedGrid)
    with path.open("rb") as stream:
        handle = eccodes.codes_grib_new_from_file(stream)
        number = eccodes.codes_get(handle, "numberOfGridUsed")
        uuid = eccodes.codes_get(handle, "uuidOfHGrid")
        eccodes.codes_release(handle)
    assert (found.grid.number, found.grid.identity) == (number, uuid)
    assert found.grid.shape == (2949120,)
    assert set(found.values) == {0.0}
    rows = read_wanted(Entry(load_endpoints(), "").entry("icon-eu"))
    # A total of no time is not taken for an amount.
    assert not any(w.matches(found, 0) for w in rows)
