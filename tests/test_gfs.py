"""Contract: the GFS source against a local crop script and local mirrors, whole and broken."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import gfs_service as service
import numpy as np
import pytest
from gfs_service import RAIN, RUN, make_file, serve_mirror
from local_server import Fault, LocalServer
from pyproj import Geod

import eccodes  # isort: skip
from wxgate.cache import Cache
from wxgate.errors import DataError, UsageError
from wxgate.forecast import Forecast
from wxgate.http import Client
from wxgate.quantities import NO_CEILING, Kind
from wxgate.sources import gfs
from wxgate.sources.base import Request, Toolbox
from wxgate.sources.crop import Box, box_around
from wxgate.sources.endpoints import Entry, load_endpoints
from wxgate.sources.gribfile import forecast_from_grib
from wxgate.sources.wanted import read_wanted

pytestmark = pytest.mark.contract

NOW = RUN + timedelta(hours=5)
HOURS = 6
STEPS = range(5, 12)
WET, DRY = (50.0, -10.0), (50.0, 10.0)
SPHERE = Geod(a=6371229, b=6371229)
TEMPERATURE = "air_temperature"


@dataclass
class Stage:
    """Three hosts with everything in place (crop, aws, google), and the tools that lead there.

    Crop and aws are one server under two names; ``server`` is that one.
    """

    server: LocalServer
    google: LocalServer
    nomads: service.Nomads
    endpoints: dict[str, Any]
    cache: Cache | None = None
    offline: bool = False
    told: list[tuple[int, int, str]] | None = None

    def order(self, *names: str) -> Stage:
        self.endpoints["gfs"]["order"] = list(names)
        return self

    def fetch(self, place: tuple[float, float] = WET, **changes: Any) -> Forecast:
        request = Request(*place, start=NOW, hours=HOURS, now=NOW)
        return gfs.fetch(replace(request, **changes), self.tools())

    def tools(self) -> Toolbox:
        def client(what: Any) -> Client:
            return Client(
                what, user_agent="wxgate-test", sleep=lambda s: None, jitter=random.Random(1)
            )

        told = self.told if self.told is not None else []
        return Toolbox(
            self.endpoints, self.cache, client, lambda *what: told.append(what), self.offline
        )

    def asked(self, part: str) -> list[str]:
        return [path for path in self.server.paths() if part in path]


@pytest.fixture
def stage() -> Iterator[Stage]:
    with LocalServer() as server, LocalServer() as google:
        crop = server.url("/cgi/filter").replace("127.0.0.1", "localhost")
        nomads = service.Nomads()
        endpoints = load_endpoints()
        endpoints["services"] = {
            "bucket": {"connections": 2, "missing_statuses": [403, 404]},
            "nomads": {"connections": 1, "redirect_is_throttle": True},
        }
        entry = endpoints["gfs"]
        server.handler("/cgi/filter", nomads.answer)
        entry["crop"] |= {"scripts": [crop], "cell_deg": service.CELL}
        entry["mirrors"] = {
            name: {"service": "bucket", "root": host.url(f"/{name}"), "costly": True}
            for name, host in (("aws", server), ("google", google))
        }
        files = [make_file(RUN, step) for step in STEPS]
        for file in files:
            nomads.add(file)
        for name, host in (("aws", server), ("google", google)):
            serve_mirror(host, f"/{name}", files)
        yield Stage(server, google, nomads, endpoints).order("crop", "aws", "google")


def direct(step: int, element: str, level: str, place: tuple[float, float]) -> float:
    """A value straight out of the made file with eccodes, at the cell nearest to the place."""
    message = next(m for row, m in make_file(RUN, step).messages
                   if (row.element, row.level) == (element, level))  # fmt: skip
    handle = eccodes.codes_new_from_message(message)
    values = eccodes.codes_get_values(handle)
    eccodes.codes_release(handle)
    j = round((90 - place[0]) / service.CELL)
    i = round((place[1] % 360) / service.CELL) % service.LONGITUDES.size
    return float(values[j * service.LONGITUDES.size + i])


def same(a: Forecast, b: Forecast) -> None:
    """The same numbers, but for what re-packing a cropped field costs."""
    assert set(a.fields) == set(b.fields)
    for name, field in a.fields.items():
        np.testing.assert_allclose(field.values, b.fields[name].values, rtol=1e-5, atol=1e-3)


# ------------------------------------------------------------------------------ what comes out


def test_everything_that_the_source_promises_comes(stage: Stage) -> None:
    forecast = stage.fetch()
    assert set(forecast.fields) == set(gfs.SOURCE.gives)
    assert forecast.notes == ()
    assert forecast.time[0] == np.datetime64("2026-03-01T11:00:00")
    assert forecast.time.size == HOURS + 1
    origin = forecast.provenance[0]
    assert (origin.run, origin.fetched, origin.cycle_h) == (RUN, NOW, 6)
    assert origin.place == "grid point 50.00 N 10.00 W, 0 km from the site"
    assert len(origin.sha256) == 64


def test_what_is_listed_is_what_is_promised() -> None:
    listed = {w.quantity for w in read_wanted(Entry(load_endpoints(), "").entry("gfs"))}
    assert listed | {"precipitation_neighbourhood_fraction",
                     "precipitation_neighbourhood_maximum"} == set(gfs.SOURCE.gives)  # fmt: skip


def test_a_mirror_gives_the_models_numbers_bit_for_bit(stage: Stage) -> None:
    forecast = stage.order("aws").fetch()
    for name, element, level in (
        (TEMPERATURE, "TMP", "2 m above ground"), ("visibility_in_air", "VIS", "surface"),
        ("wind_speed_of_gust", "GUST", "surface"), ("surface_air_pressure", "PRES", "surface"),
    ):  # fmt: skip
        expected = [np.float32(direct(s, element, level, WET)) for s in STEPS]
        assert forecast.fields[name].values.tolist() == expected
    wind = forecast.fields["eastward_wind"]
    assert wind.levels.tolist() == [10, 20, 30, 40, 50, 80, 100]
    expected = [np.float32(direct(s, "UGRD", "80 m above ground", WET)) for s in STEPS]
    assert wind.values[:, 5].tolist() == expected
    aloft = forecast.fields["geopotential_height_on_levels"]
    assert aloft.levels.tolist() == [85000, 90000, 92500, 95000, 97500, 100000]
    assert aloft.values[0].tolist() == pytest.approx(
        [1350, 933.33, 725, 516.67, 308.33, 100], abs=0.005
    )


@pytest.mark.parametrize("place", [WET, DRY, (50.0, -0.2), (50.0, 0.2), (50.0, 179.9),
                                   (50.0, -179.9), (-33.0, 151.0), (89.0, 20.0)])  # fmt: skip
def test_crop_and_mirror_agree_everywhere(stage: Stage, place: tuple[float, float]) -> None:
    cropped, mirrored = stage.order("crop").fetch(place), stage.order("aws").fetch(place)
    same(cropped, mirrored)
    assert cropped.provenance[0].place == mirrored.provenance[0].place
    expected = direct(6, "TMP", "2 m above ground", (round(place[0] / 5) * 5, place[1]))
    assert cropped.fields[TEMPERATURE].values[1] == pytest.approx(expected, abs=1e-3)


def test_precipitation_is_that_of_each_hour_across_the_buckets(stage: Stage) -> None:
    rain = stage.fetch().fields["lwe_thickness_of_precipitation_amount"]
    assert rain.kind is Kind.SUM
    # Hours 5 to 11 of the run; the bucket ends at 6, and no step tells of the hour behind the last.
    np.testing.assert_allclose(rain.values[:-1], RAIN[5:11], atol=1e-3)
    assert np.isnan(rain.values[-1])
    convective = stage.fetch().fields["lwe_thickness_of_convective_precipitation_amount"]
    np.testing.assert_allclose(convective.values[:-1], np.array(RAIN[5:11]) / 2, atol=1e-3)


def test_two_messages_of_one_window_and_whole_days(stage: Stage) -> None:
    # Steps 1 to 6 hold two APCP messages of the same window; at 24 the total reads "0-1 day".
    stage.endpoints["gfs"]["runs"]["first_step_after_h"] = 0
    for step in [*range(1, 8), *range(22, 27)]:
        serve_mirror(stage.server, "/aws", [make_file(RUN, step)])
    assert ":APCP:surface:0-1 day acc fcst:" in make_file(RUN, 24).sidecar
    for first in (1, 22):
        start = RUN + timedelta(hours=first)
        rain = stage.order("aws").fetch(start=start, hours=4, now=NOW).fields
        values = rain["lwe_thickness_of_precipitation_amount"].values
        np.testing.assert_allclose(values[:-1], RAIN[first : first + 4], atol=1e-3)


def test_means_are_taken_apart_into_hours(stage: Stage) -> None:
    # SHTFL's mean over [6, n) is made as m(n) = |n + c|, c from the place; hour by hour follows
    # n m(n) - (n - 1) m(n - 1), n counted from the bucket's begin.
    flux = stage.fetch().fields["surface_upward_sensible_heat_flux"]
    assert flux.kind is Kind.MEAN
    c = 0.1 * WET[1] + 0.01 * WET[0]
    mean = {n: n + c for n in range(5, 12)}
    expected = [mean[6] * 6 - mean[5] * 5, mean[7]]
    expected += [(n - 6) * mean[n] - (n - 7) * mean[n - 1] for n in range(8, 12)]
    np.testing.assert_allclose(flux.values[:-1], expected, atol=1e-3)


def test_ceiling_is_above_ground_and_none_is_told_before_arithmetic(stage: Stage) -> None:
    assert stage.fetch(WET).fields["ceiling_height"].values.tolist() == pytest.approx(
        [500 + step - 100 for step in STEPS], abs=0.01
    )
    assert set(stage.fetch(DRY).fields["ceiling_height"].values) == {NO_CEILING}
    stage.endpoints["gfs"]["ceiling_reference"] = "agl"
    assert stage.fetch(WET).fields["ceiling_height"].values[0] == pytest.approx(505, abs=0.01)


def test_clouds_are_shares_within_their_bounds(stage: Stage) -> None:
    wet, dry = stage.fetch(WET).fields, stage.fetch(DRY).fields
    assert set(wet["low_type_cloud_area_fraction"].values) == {1.0}
    assert set(dry["low_type_cloud_area_fraction"].values) == {0.0}
    assert wet["cloud_area_fraction"].values[0] == pytest.approx(0.55, abs=1e-5)


def test_precipitation_nearby_counts_the_cells_around(stage: Stage) -> None:
    # At 0 E it is dry and west of it wet; cells within 1.5 of 5 degrees, by PROJ's geodesic.
    reach = 1.5 * 5 * np.pi / 180 * 6371.229
    lats, lons = np.meshgrid(service.LATITUDES, service.LONGITUDES, indexing="ij")
    here = np.full(lats.shape, 0.4), np.full(lats.shape, 50.2)
    _, _, away = SPHERE.inv(*here, lons, lats)
    near = away / 1000 <= reach
    share = np.count_nonzero(near & (lons > 180)) / np.count_nonzero(near)
    assert 0.2 < share < 0.6
    fields = stage.order("aws").fetch((50.2, 0.4)).fields
    found = fields["precipitation_neighbourhood_fraction"].values[:-1]
    expected = [share if amount >= 0.1 else 0.0 for amount in RAIN[5:11]]
    np.testing.assert_allclose(found, expected, atol=1e-6)
    most = fields["precipitation_neighbourhood_maximum"].values[:-1]
    np.testing.assert_allclose(most, RAIN[5:11], atol=1e-3)
    assert set(fields["lwe_thickness_of_precipitation_amount"].values[:-1]) == {0.0}


def test_beyond_120_hours_instants_are_filled_and_sums_are_not_divided(stage: Stage) -> None:
    for step in (119, 120, 123, 126):
        serve_mirror(stage.server, "/aws", [make_file(RUN, step)])
    stage.endpoints["gfs"]["runs"]["give_up_after_h"] = 6
    forecast = stage.order("aws").fetch(start=RUN + timedelta(hours=119), hours=6)
    t = {s: direct(s, "TMP", "2 m above ground", WET) for s in (119, 120, 123, 126)}
    expected = [t[119], t[120], (2 * t[120] + t[123]) / 3, (t[120] + 2 * t[123]) / 3, t[123],
                (2 * t[123] + t[126]) / 3, (t[123] + 2 * t[126]) / 3]  # fmt: skip
    np.testing.assert_allclose(forecast.fields[TEMPERATURE].values, expected, atol=1e-3)
    gust = forecast.fields["wind_speed_of_gust"].values
    assert gust[2] == gust[3] == gust[4] == np.float32(direct(123, "GUST", "surface", WET))
    rain = forecast.fields["lwe_thickness_of_precipitation_amount"].values
    three, next_three = sum(RAIN[120:123]), sum(RAIN[123:126])
    expected = [RAIN[119], three, three, three, next_three, next_three, next_three]
    np.testing.assert_allclose(rain, expected, atol=1e-3)
    assert any("every 3 hours" in note for note in forecast.notes)


def test_only_what_is_wanted_is_asked_for(stage: Stage) -> None:
    wanted = frozenset({TEMPERATURE, "ceiling_height"})
    forecast = stage.fetch(wanted=wanted)
    assert set(forecast.fields) == wanted
    elements = {name for q in stage.nomads.queries for name in q if name.startswith("var_")}
    assert elements == {"var_TMP", "var_HGT"}


def test_wmo_numbers_do_as_well_as_local_ones(stage: Stage) -> None:
    wmo = {(0, 1, 192): (0, 1, 33), (0, 1, 193): (0, 1, 34), (0, 1, 194): (0, 1, 35),
           (0, 1, 195): (0, 1, 36), (0, 3, 196): (0, 3, 18)}  # fmt: skip
    local = stage.order("aws").fetch()
    for step in STEPS:
        file = make_file(RUN, step)
        messages = []
        for row, message in file.messages:
            if row.numbers in wmo and row.kind == "instant":
                message = service.encode(
                    wmo[row.numbers], row.surface, row.value, RUN, step, service.value(row, step),
                    north=90.0, west=0.0, cell=service.CELL,
                )  # fmt: skip
            messages.append((row, message))
        serve_mirror(stage.server, "/aws", [replace(file, messages=tuple(messages))])
    same(local, stage.fetch())


def test_progress_is_told(stage: Stage) -> None:
    stage.told = []
    stage.fetch()
    assert [done for done, _, _ in stage.told] == list(range(1, len(STEPS) + 1))
    assert {total for _, total, _ in stage.told} == {len(STEPS)}


# ------------------------------------------------------------------------------ how it is asked


def test_the_crop_is_asked_for_as_the_service_wants_it(stage: Stage) -> None:
    stage.fetch((51.0, -1.0))
    query = stage.nomads.queries[0]
    assert query["dir"] == "/gfs.20260301/06/atmos"
    assert query["file"] == "gfs.t06z.pgrb2.0p25.f011"
    for name in ("var_UGRD", "var_APCP", "lev_10_m_above_ground", "lev_cloud_ceiling",
                 "lev_850_mb", "lev_entire_atmosphere", "lev_low_cloud_layer"):  # fmt: skip
        assert query[name] == "on"
    assert query["subregion"] == ""
    # 1.5 cells of 5 degrees each way, to whole cells; computed by us.
    assert {k: query[k] for k in ("toplat", "leftlon", "rightlon", "bottomlat")} == {
        "toplat": "60", "leftlon": "-20", "rightlon": "15", "bottomlat": "40",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("place", "box"),
    [
        ((47.1, 7.4), Box(47.75, 6.5, 8.25, 46.5)),
        ((51.5, -0.1), Box(52.25, -1.0, 1.0, 50.75)),
        ((40.0, -105.0), Box(40.75, 254.25, 255.75, 39.25)),
        ((-17.0, 179.9), Box(-16.25, 179.25, 180.5, -17.75)),
        ((-17.0, -179.9), Box(-16.25, 179.5, 180.75, -17.75)),
        ((89.9, 10.0), Box(90.0, 0.0, 359.75, 89.25)),
    ],
)
def test_boxes_are_whole_cells_around_the_site(place: tuple[float, float], box: Box) -> None:
    """Computed by us from 60 km and cells of 0.25 degree."""
    assert box_around(*place, 60.0, 0.25) == box


def test_a_box_over_greenwich_that_comes_back_empty_is_asked_for_in_halves(stage: Stage) -> None:
    stage.nomads.straddles = False
    halved = stage.order("crop").fetch((50.0, -0.2))
    stage.nomads.straddles = True
    whole = stage.fetch((50.0, -0.2))
    np.testing.assert_array_equal(
        halved.fields[TEMPERATURE].values, whole.fields[TEMPERATURE].values
    )


def test_ranges_hold_only_what_is_wanted(stage: Stage) -> None:
    stage.endpoints["gfs"]["merge_gap_bytes"] = 1
    stage.order("aws").fetch(wanted=frozenset({TEMPERATURE}))
    file = make_file(RUN, 11)
    at = 0
    for row, message in file.messages:
        if (row.element, row.level) == ("TMP", "2 m above ground"):
            break
        at += len(message)
    ranges = [seen.range for seen in stage.server.requests if seen.range]
    assert ranges[0] == f"bytes={at}-{at + len(message) - 1}"
    assert len(ranges) == len(STEPS)


def test_costly_messages_are_left_to_the_crop(stage: Stage) -> None:
    for mirror in stage.endpoints["gfs"]["mirrors"].values():
        mirror["costly"] = False
    forecast = stage.order("aws").fetch()
    assert "eastward_wind_on_levels" not in forecast.fields
    assert forecast.fields["eastward_wind"].levels.tolist() == [10, 80, 100]
    assert any("eastward_wind_on_levels" in note for note in forecast.notes)


def test_what_does_not_change_is_fetched_once(stage: Stage) -> None:
    stage.endpoints["gfs"]["merge_gap_bytes"] = 1
    stage.order("aws").fetch(wanted=frozenset({"surface_altitude", "dew_point_temperature"}))
    assert len([s for s in stage.server.requests if s.range]) == len(STEPS) + 1


# ---------------------------------------------------------------------------------- what breaks

FAULTS = {
    "404": (Fault.STATUS, {"status": 404}),
    "403": (Fault.STATUS, {"status": 403}),
    "503": (Fault.STATUS, {"status": 503}),
    "302": (Fault.REDIRECT, {"status": 302}),
    "web page": (Fault.HTML, {}),
    "web page in disguise": (Fault.HTML_IN_DISGUISE, {}),
    "empty": (Fault.EMPTY, {}),
    "half": (Fault.SHORT_BODY, {}),
    "damaged": (Fault.CORRUPT, {}),
    "hang-up": (Fault.HANG_UP, {}),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_crop_service_that_fails_gives_way_to_a_mirror(stage: Stage, fault: str) -> None:
    good = stage.order("aws").fetch()
    kind, arguments = FAULTS[fault]
    stage.server.fault("/cgi/filter", kind, **arguments)
    stage.server.forget()
    same(good, stage.order("crop", "aws").fetch())
    # One question and its retries, not one for each step.
    assert len(stage.asked("/cgi/filter")) <= 5


@pytest.mark.parametrize("fault", [*FAULTS, "range ignored", "short range", "wrong range"])
def test_a_mirror_that_fails_gives_way_to_the_next(stage: Stage, fault: str) -> None:
    good = stage.order("google").fetch()
    more = {
        "range ignored": (Fault.IGNORE_RANGE, {}),
        "short range": (Fault.SHORT_RANGE, {}),
        "wrong range": (Fault.WRONG_CONTENT_RANGE, {}),
    }
    kind, arguments = (FAULTS | more)[fault]
    stage.server.fault("/aws/*[0-9]", kind, **arguments)
    same(good, stage.order("aws", "google").fetch())


def other_upload(step: int) -> service.File:
    """The same step with its messages in another order."""
    file = make_file(RUN, step)
    return replace(file, messages=file.messages[::-1])


def test_a_sidecar_of_another_upload_is_found_out(stage: Stage) -> None:
    good = stage.order("google").fetch()
    for step in STEPS:
        path = f"/aws{service.file_path(RUN, step)}"
        stage.server.blob(f"{path}.idx", other_upload(step).sidecar.encode())
    stage.server.forget()
    same(good, stage.order("aws", "google").fetch())
    last = f"/aws{service.file_path(RUN, 11)}.idx"
    assert stage.server.paths().count(last) == 2  # fetched again once, then given up


def test_a_sidecar_that_is_replaced_meanwhile_mends_itself(stage: Stage) -> None:
    good = stage.order("google").fetch()
    path = f"/aws{service.file_path(RUN, 8)}.idx"
    answers = iter([other_upload(8).sidecar.encode()])
    mended = make_file(RUN, 8).sidecar.encode()
    stage.server.remove(path)
    stage.server.handler(path, lambda query: next(answers, mended))
    forecast = stage.order("aws").fetch()
    same(good, forecast)
    assert forecast.notes == ()


def test_a_sidecar_that_reaches_past_the_file_is_found_out(stage: Stage) -> None:
    good = stage.order("google").fetch()
    for step in STEPS:
        file = make_file(RUN, step)
        stage.server.blob(f"/aws{service.file_path(RUN, step)}", file.content[:5000])
    same(good, stage.order("aws", "google").fetch())


def test_a_step_that_nobody_has_is_missing_and_named(stage: Stage) -> None:
    path = service.file_path(RUN, 8)
    del stage.nomads.files[path]
    stage.server.remove(f"/aws{path}.idx")
    stage.google.remove(f"/google{path}.idx")
    forecast = stage.fetch()
    values = forecast.fields[TEMPERATURE].values
    assert np.isnan(values).tolist() == [False, False, False, True, False, False, False]
    assert any("f008" in note for note in forecast.notes)
    # The sum of the two hours beside the hole may have fallen in either.
    rain = forecast.fields["lwe_thickness_of_precipitation_amount"].values
    assert rain[2] == rain[3] == pytest.approx(RAIN[7] + RAIN[8], abs=1e-3)


def test_a_field_that_one_step_lacks_is_missing_there_and_named(stage: Stage) -> None:
    path = service.file_path(RUN, 8)
    file = make_file(RUN, 8)
    kept = tuple((row, m) for row, m in file.messages if row.element != "VIS")
    stage.nomads.files[path] = replace(file, messages=kept)
    forecast = stage.fetch()
    assert np.flatnonzero(np.isnan(forecast.fields["visibility_in_air"].values)).tolist() == [3]
    assert not np.isnan(forecast.fields[TEMPERATURE].values).any()
    assert any("VIS" in note and "f008" in note for note in forecast.notes)


def earlier_run(stage: Stage, *names: str) -> datetime:
    """The run before, with the steps that the request needs, on these places."""
    run = RUN - timedelta(hours=6)
    files = [make_file(run, step + 6) for step in STEPS]
    for name in names:
        serve_mirror(stage.server, f"/{name}", files)
    for file in files:
        stage.nomads.add(file)
    return run


def test_a_run_whose_last_step_is_not_there_yet_is_passed_over(stage: Stage) -> None:
    run = earlier_run(stage, "aws")
    path = service.file_path(RUN, 11)
    del stage.nomads.files[path]
    stage.server.remove(f"/aws{path}.idx")
    stage.google.remove(f"/google{path}.idx")
    forecast = stage.fetch()
    assert forecast.provenance[0].run == run
    assert not np.isnan(forecast.fields[TEMPERATURE].values).any()


def test_a_last_step_that_is_not_whole_is_not_taken_while_an_older_run_is(stage: Stage) -> None:
    run = earlier_run(stage)
    path = service.file_path(RUN, 11)
    whole = stage.nomads.files[path]
    stage.nomads.files[path] = replace(whole, messages=whole.messages[:40])
    assert stage.order("crop").fetch().provenance[0].run == run
    # A field that no run gives any more must not stop everything.
    for file in list(stage.nomads.files):
        held = stage.nomads.files[file]
        kept = tuple((row, m) for row, m in held.messages if row.element != "HPBL")
        stage.nomads.files[file] = replace(held, messages=kept)
    stage.nomads.files[path] = replace(
        whole, messages=tuple((row, m) for row, m in whole.messages if row.element != "HPBL")
    )
    forecast = stage.fetch()
    assert forecast.provenance[0].run == RUN
    assert any("atmosphere_boundary_layer_thickness" in note for note in forecast.notes)


@pytest.mark.parametrize(("age_s", "taken"), [(30, False), (119, False), (121, True)])
def test_a_file_of_a_moment_ago_is_left_to_settle(stage: Stage, age_s: int, taken: bool) -> None:
    run = earlier_run(stage, "aws")
    path = f"/aws{service.file_path(RUN, 11)}.idx"
    sidecar = make_file(RUN, 11).sidecar.encode()
    stage.server.blob(path, sidecar, last_modified=NOW - timedelta(seconds=age_s))
    found = stage.order("aws").fetch().provenance[0].run
    assert found == (RUN if taken else run)


def test_no_run_within_a_day_is_told_with_the_runs(stage: Stage) -> None:
    with pytest.raises(DataError, match=r"2026-02-28 06 to 2026-03-01 06 UTC") as told:
        stage.fetch(start=NOW + timedelta(hours=30))
    assert told.value.exit_code == 3
    asked = {path for path in stage.asked("/aws/") if path.endswith(".idx")}
    assert len(asked) == 5  # 06, 00, and 18, 12, 06 of the day before


def test_a_service_that_refuses_midway_is_left_alone(stage: Stage) -> None:
    good = stage.order("aws").fetch()
    answers = iter(range(3))

    def three_then_no(query: dict[str, str]) -> service.Response:
        if next(answers, None) is None:
            return service.Response(403, b"")
        return stage.nomads.answer(query)

    stage.server.handler("/cgi/filter", three_then_no)
    stage.server.forget()
    same(good, stage.order("crop", "aws").fetch())
    assert len(stage.asked("/cgi/filter")) == 4


def test_a_site_outside_a_regional_file_is_an_error(shared_data: Path) -> None:
    file = shared_data / "forecast" / "nam" / "nam.t00z.awp21100.tm00.grib2"
    with pytest.raises(DataError, match="outside"):
        read_file(file, (50.0, 8.0))


# ----------------------------------------------------------------------------- what is kept


def test_a_second_fetch_asks_for_no_crop_again(stage: Stage, tmp_path: Path) -> None:
    stage.cache = Cache(tmp_path)
    first = stage.fetch()
    stage.server.forget()
    second = stage.fetch()
    assert stage.server.paths() == []
    same(first, second)
    assert first.provenance[0].sha256 == second.provenance[0].sha256
    stage.offline = True
    same(first, stage.fetch())


def test_a_second_fetch_only_asks_whether_sidecars_changed(stage: Stage, tmp_path: Path) -> None:
    stage.cache = Cache(tmp_path)
    first = stage.order("aws").fetch()
    stage.server.forget()
    second = stage.fetch()
    assert all(path.endswith(".idx") for path in stage.server.paths())
    assert len(stage.server.paths()) == len(STEPS)
    same(first, second)
    stage.offline = True
    stage.server.forget()
    same(first, stage.fetch())
    assert stage.server.paths() == []


def test_a_new_upload_is_fetched_in_place_of_the_kept_one(stage: Stage, tmp_path: Path) -> None:
    stage.cache = Cache(tmp_path)
    stage.order("aws").fetch()
    serve_mirror(stage.server, "/aws", [other_upload(8)])
    stage.server.forget()
    forecast = stage.fetch()
    fetched = {seen.path for seen in stage.server.requests if seen.range}
    assert fetched == {f"/aws{service.file_path(RUN, 8)}"}
    assert forecast.notes == ()


def test_bytes_that_were_not_what_the_sidecar_says_are_not_kept(
    stage: Stage, tmp_path: Path
) -> None:
    good = stage.order("aws").fetch()
    stage.cache = Cache(tmp_path)
    path = f"/aws{service.file_path(RUN, 8)}"
    stage.server.blob(path, other_upload(8).content)
    assert any("f008" in note for note in stage.fetch().notes)
    stage.server.blob(path, make_file(RUN, 8).content)
    mended = stage.fetch()
    same(good, mended)
    assert mended.notes == ()


def test_hours_behind_the_end_of_a_run_are_missing_and_told(stage: Stage) -> None:
    stage.endpoints["gfs"]["steps"] = [{"until_h": 9, "every_h": 1}]
    forecast = stage.fetch()
    assert np.isnan(forecast.fields[TEMPERATURE].values).tolist() == [False] * 5 + [True] * 2
    assert any("only to its hour 9" in note for note in forecast.notes)


def test_places_of_one_host_fall_silent_together(stage: Stage) -> None:
    mirror = stage.endpoints["gfs"]["mirrors"]["aws"]
    mirror["root"] = mirror["root"].replace("127.0.0.1", "localhost")
    stage.server.fault("/cgi/filter", Fault.STATUS, status=403)
    with pytest.raises(DataError):
        stage.order("crop", "aws").fetch()
    assert stage.asked("/aws/") == []


def test_offline_with_nothing_kept_is_an_error(stage: Stage, tmp_path: Path) -> None:
    stage.cache, stage.offline = Cache(tmp_path), True
    with pytest.raises(DataError, match="not kept"):
        stage.fetch()
    assert stage.server.paths() == []


def test_a_cache_that_cannot_be_used_is_told_and_does_not_stop(
    stage: Stage, tmp_path: Path
) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("not a folder")
    stage.cache = Cache(blocked)
    assert any("kept" in note for note in stage.fetch().notes)


# --------------------------------------------------------------------------- files and folders


def read_file(file: Path | bytes, place: tuple[float, float], **changes: Any) -> Forecast:
    request = Request(*place, start=NOW, hours=HOURS, now=NOW)
    return forecast_from_grib([file], replace(request, **changes), load_endpoints())


def test_a_folder_on_this_computer_is_a_mirror(stage: Stage, tmp_path: Path) -> None:
    for step in STEPS:
        path = tmp_path / service.file_path(RUN, step)[1:]
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(make_file(RUN, step).content)
        Path(f"{path}.idx").write_text(make_file(RUN, step).sidecar)
    good = stage.order("aws").fetch()
    stage.endpoints["gfs"]["mirrors"]["here"] = {
        "service": "bucket", "root": tmp_path.as_uri(), "costly": True,
    }  # fmt: skip
    stage.server.forget()
    same(good, stage.order("here").fetch())
    assert stage.server.paths() == []


def test_a_file_of_the_users_gives_the_same_numbers(stage: Stage) -> None:
    content = b"".join(make_file(RUN, step).content for step in STEPS)
    same(stage.order("aws").fetch(), read_file(content, WET))


def test_u_and_v_in_one_message_behind_one_offset(stage: Stage) -> None:
    good = stage.order("aws").fetch()
    for step in STEPS:
        file = make_file(RUN, step)
        lines, content, number = [], b"", 0
        messages = list(file.messages)
        while messages:
            row, message = messages.pop(0)
            number += 1
            pair = row.element == "UGRD"
            rows = [row]
            at = len(content)
            if pair:
                other, second = messages.pop(0)
                rows.append(other)
                message = two_fields(message, second)
            for sub, each in enumerate(rows, 1):
                name = f"{number}.{sub}" if pair else str(number)
                window = service.window_text(each, step)
                lines.append(f"{name}:{at}:d=2026030106:{each.element}:{each.level}:{window}:")
            content += message
        path = f"/aws{service.file_path(RUN, step)}"
        stage.server.blob(path, content)
        stage.server.blob(f"{path}.idx", ("\n".join(lines) + "\n").encode())
    same(good, stage.fetch())


def two_fields(first: bytes, second: bytes) -> bytes:
    """One message of two: sections 4 to 7 of the second behind section 7 of the first."""

    def start_of_section_4(message: bytes) -> int:
        at = 16
        while message[at + 4] != 4:
            at += int.from_bytes(message[at : at + 4], "big")
        return at

    body = first[16:-4] + second[start_of_section_4(second) :]
    return first[:8] + (16 + len(body)).to_bytes(8, "big") + body


def test_the_whole_real_file_of_2017(shared_data: Path) -> None:
    """gfs.t00z.pgrb2.2p50.f000: the values that eccodes reads at the nearest of its points."""
    file = shared_data / "forecast" / "gfs" / "gfs.t00z.pgrb2.2p50.f000"
    run = first_run(file)
    forecast = read_file(file, (51.0, -1.0), start=run, now=run, hours=1)
    assert forecast.provenance[0].place == "grid point 50.00 N 0.00 E, 132 km from the site"
    fields = forecast.fields
    assert fields["eastward_wind"].levels.tolist() == [10, 80, 100]
    assert fields["air_temperature_at_heights"].levels.tolist() == [80, 100]
    for keys, name, level in (
        ((2, 2, 103, 10), "eastward_wind", 0), ((2, 2, 103, 100), "eastward_wind", 2),
        ((2, 3, 103, 80), "northward_wind", 1), ((0, 0, 103, 2), TEMPERATURE, None),
        ((0, 6, 103, 2), "dew_point_temperature", None),
        ((2, 22, 1, 0), "wind_speed_of_gust", None), ((3, 0, 1, 0), "surface_air_pressure", None),
    ):  # fmt: skip
        values = fields[name].values[0]
        got = values if level is None else values[level]
        assert got == np.float32(by_keys(file, keys, 16 * 144))
        assert np.isnan(fields[name].values[1]).all()


def first_run(file: Path) -> datetime:
    with file.open("rb") as stream:
        handle = eccodes.codes_grib_new_from_file(stream)
        day, hour = eccodes.codes_get(handle, "dataDate"), eccodes.codes_get(handle, "hour")
        eccodes.codes_release(handle)
    return datetime.strptime(f"{day}{hour:02d}", "%Y%m%d%H").replace(tzinfo=UTC)


def by_keys(file: Path, keys: tuple[int, ...], index: int) -> float:
    names = ("parameterCategory", "parameterNumber", "typeOfFirstFixedSurface", "level")
    with file.open("rb") as stream:
        while (handle := eccodes.codes_grib_new_from_file(stream)) is not None:
            try:
                if tuple(eccodes.codes_get(handle, name, int) for name in names) == keys:
                    return float(eccodes.codes_get_values(handle)[index])
            finally:
                eccodes.codes_release(handle)
    raise AssertionError(f"{keys} is not in the file")


def test_winds_along_a_lambert_grid_are_turned(shared_data: Path) -> None:
    """NAM: against the meridian convergence that PROJ computes at the grid point."""
    from pyproj import Proj

    from wxgate.grib import read_messages

    file = shared_data / "forecast" / "nam" / "nam.t00z.awp21100.tm00.grib2"
    run = first_run(file)
    place = (40.0, -75.0)
    fields = read_file(file, place, start=run, now=run, hours=1).fields
    ten = {
        m.number: m
        for m in read_messages(file.read_bytes())
        if m.parameter[:2] == (0, 2) and m.surface_value == 10 and m.surface_type == 103
    }
    index, _ = ten[2].grid.nearest(*place)
    u, v = ten[2].values[index], ten[3].values[index]
    assert ten[2].relative_to_grid
    nam = Proj("+proj=lcc +lat_1=25 +lat_2=25 +lat_0=25 +lon_0=265 +R=6371229")
    north, east = ten[2].grid.latlon(index)
    turn = np.radians(nam.get_factors(east, north).meridian_convergence)
    expected = u * np.cos(turn) + v * np.sin(turn), -u * np.sin(turn) + v * np.cos(turn)
    assert abs(np.degrees(turn)) > 5
    got = fields["eastward_wind"].values[0, 0], fields["northward_wind"].values[0, 0]
    assert got == pytest.approx(expected, abs=1e-4)


# --------------------------------------------------------------------------------- endpoints


def test_the_users_endpoints_are_laid_over_the_shipped(tmp_path: Path) -> None:
    own = tmp_path / "endpoints.yaml"
    own.write_text(
        "gfs:\n  ceiling_reference: agl\n  mirrors:\n    aws: null\n"
        "    own: {service: bucket, root: 'file:///srv/mirror'}\n  order: [own]\n"
    )
    merged = load_endpoints(own)["gfs"]
    assert merged["ceiling_reference"] == "agl"
    assert merged["mirrors"]["own"]["root"] == "file:///srv/mirror"
    assert merged["mirrors"]["aws"] is None
    assert merged["mirrors"]["google"] == load_endpoints()["gfs"]["mirrors"]["google"]
    assert load_endpoints(tmp_path / "absent.yaml") == load_endpoints()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("gfs:\n  ceiling_referense: agl\n", "ceiling_reference"),
        ("gfss: {}\n", "'gfs'"),
        ("gfs: 3\n", "mapping"),
        ("- gfs\n", "mapping"),
        ("gfs: {order: [crop\n", "read"),
    ],
)
def test_a_wrong_endpoints_file_is_refused_with_its_name(
    tmp_path: Path, text: str, told: str
) -> None:
    own = tmp_path / "endpoints.yaml"
    own.write_text(text)
    with pytest.raises(UsageError, match=told) as error:
        load_endpoints(own)
    assert str(own) in str(error.value)


@pytest.mark.parametrize(
    ("key", "value"),
    [("ceiling_reference", "ground"), ("order", ["nowhere"]), ("files", 3),
     ("messages", [{"gives": "no_such_thing"}]), ("runs", {})],
)  # fmt: skip
def test_a_wrong_value_in_the_endpoints_is_refused_with_its_path(
    stage: Stage, key: str, value: Any
) -> None:
    stage.endpoints["gfs"][key] = value
    with pytest.raises(UsageError, match=f"gfs.{key}"):
        stage.order(*stage.endpoints["gfs"]["order"]).fetch()
