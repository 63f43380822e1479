"""Contract: the ECMWF sources against local mirrors with JSON indices, whole and broken."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import ecmwf_service as service
import numpy as np
import pytest
from ecmwf_service import GROUND_M, MEMBERS, RAIN, RUN, make_ensemble_file, make_file
from local_server import Fault, LocalServer

from wxgate.cache import Cache
from wxgate.contract import from_dataset, to_dataset
from wxgate.derive.hours import larger_end
from wxgate.errors import DataError, UsageError
from wxgate.forecast import Forecast
from wxgate.grib import read_messages
from wxgate.http import Client
from wxgate.quantities import Kind
from wxgate.sources import ecmwf, ecmwf_ens
from wxgate.sources.base import Request, Toolbox
from wxgate.sources.endpoints import Entry, load_endpoints
from wxgate.sources.gribfile import forecast_from_grib
from wxgate.sources.hourly import lay_maxima
from wxgate.sources.jsonindex import find_in_index, index_url, parse_index
from wxgate.sources.wanted import read_wanted

pytestmark = pytest.mark.contract

NOW = RUN + timedelta(hours=6, minutes=30)
HOURS = 12
STEPS = range(6, 19, 3)
WET, DRY = (50.0, -10.0), (50.0, 10.0)
RAINFALL = "lwe_thickness_of_precipitation_amount"


@dataclass
class Stage:
    """Two hosts with everything in place (aws, google), and the tools that lead there."""

    aws: LocalServer
    google: LocalServer
    endpoints: dict[str, Any]
    cache: Cache | None = None
    offline: bool = False

    def fetch(self, place: tuple[float, float] = WET, **changes: Any) -> Forecast:
        return self._fetch(ecmwf, place, changes)

    def ensemble(self, place: tuple[float, float] = WET, **changes: Any) -> Forecast:
        return self._fetch(ecmwf_ens, place, changes)

    def _fetch(self, source: Any, place: tuple[float, float], changes: dict[str, Any]) -> Forecast:
        request = Request(*place, start=NOW, hours=HOURS, now=NOW)
        return source.fetch(replace(request, **changes), self.tools())

    def tools(self) -> Toolbox:
        def client(what: Any) -> Client:
            return Client(
                what, user_agent="wxgate-test", sleep=lambda s: None, jitter=random.Random(1)
            )

        return Toolbox(self.endpoints, self.cache, client, lambda *_: None, self.offline)

    def serve(self, *files: service.File) -> None:
        for name, host in (("aws", self.aws), ("google", self.google)):
            for file in files:
                service.serve(host, f"/{name}", file)


@pytest.fixture
def stage() -> Iterator[Stage]:
    with LocalServer() as aws, LocalServer() as google:
        endpoints = load_endpoints()
        endpoints["services"] = {
            "bucket": {"connections": 2, "missing_statuses": [403, 404]},
            "ecmwf": {"connections": 2, "flaky_statuses": [401]},
        }
        mirrors = {
            "aws": {"service": "bucket", "root": aws.url("/aws"), "costly": True},
            "google": {"service": "ecmwf", "root": google.url("/google"), "costly": True},
        }
        for name in ("ecmwf", "ecmwf-ens"):
            endpoints[name] |= {"mirrors": mirrors, "order": ["aws", "google"]}
        endpoints["ecmwf-ens"] |= {"members": MEMBERS, "least_members": 4}
        made = Stage(aws, google, endpoints)
        made.serve(*(make_file(RUN, step) for step in (0, *STEPS)))
        yield made


def cell(row: str, step: int, place: tuple[float, float] = WET, member: int = 0) -> float:
    """The made weather at the grid point of a place."""
    j = round((90 - place[0]) / service.CELL)
    i = round(((place[1] - 180) % 360) / service.CELL)
    found = next(r for r in service.ROWS if r.param == row)
    return float(service.value(found, step, member=member)[j, i])


def same(a: Forecast, b: Forecast) -> None:
    assert set(a.fields) == set(b.fields)
    for name, field in a.fields.items():
        np.testing.assert_array_equal(field.values, b.fields[name].values)


# ------------------------------------------------------------------------------ what comes out


def test_everything_that_the_source_promises_comes(stage: Stage) -> None:
    forecast = stage.fetch()
    assert set(forecast.fields) == set(ecmwf.SOURCE.gives)
    assert forecast.time[0] == np.datetime64("2026-06-01T12:00:00")
    assert forecast.time.size == HOURS + 1
    origin = forecast.provenance[0]
    assert (origin.run, origin.cycle_h, len(origin.sha256)) == (RUN, 6, 64)
    assert origin.place == "grid point 50.00 N 10.00 W, 0 km from the site"


def test_what_is_listed_is_what_is_promised() -> None:
    entry = Entry(load_endpoints(), "").entry("ecmwf")
    listed = {w.quantity for w in read_wanted(entry)} | {"surface_altitude"}
    nearby = {"precipitation_neighbourhood_fraction", "precipitation_neighbourhood_maximum"}
    assert listed | nearby == set(ecmwf.SOURCE.gives)


def test_the_credit_names_the_year_the_source_and_the_licence(stage: Stage) -> None:
    """The elements that ECMWF asks for with its open data (its licence page as of 2026)."""
    origin = stage.fetch().provenance[0]
    for part in ("2026 European Centre for Medium-Range Weather Forecasts (ECMWF)",
                 "www.ecmwf.int", "https://creativecommons.org/licenses/by/4.0/",
                 "no liability", "Modified"):  # fmt: skip
        assert part in origin.credit
    assert "ECMWF Terms of Use" in origin.licence


def test_visibility_and_ceiling_are_missing_and_told(stage: Stage) -> None:
    forecast = stage.fetch()
    assert not {"visibility_in_air", "ceiling_height"} & set(forecast.fields)
    assert any("visibility_in_air, ceiling_height" in note for note in forecast.notes)
    assert stage.fetch(wanted=frozenset({"air_temperature"})).notes == ()


def test_states_are_filled_between_steps_of_three_hours(stage: Stage) -> None:
    values = stage.fetch().fields["air_temperature"].values
    t6, t9 = cell("2t", 6), cell("2t", 9)
    expected = [t6, (2 * t6 + t9) / 3, (t6 + 2 * t9) / 3, t9]
    np.testing.assert_allclose(values[:4], expected, atol=1e-3)
    wind = stage.fetch().fields["eastward_wind"]
    assert wind.levels.tolist() == [10, 100]
    assert wind.values[0].tolist() == [1 + 1 + 1.5, 1 + 10 + 1.5]


def test_steps_of_six_hours_are_not_joined_by_a_line(stage: Stage) -> None:
    main = RUN - timedelta(hours=6)  # a run of 00 UTC, which goes on to 360 h
    stage.serve(*(make_file(main, step) for step in (0, 141, 144, 150, 156)))
    start = main + timedelta(hours=141)
    values = stage.fetch(start=start, hours=12).fields
    air = values["air_temperature"].values
    assert np.flatnonzero(~np.isnan(air)).tolist() == [0, 1, 2, 3, 9]
    gust = values["wind_speed_of_gust"].values
    assert gust[3:9].tolist() == [np.float32(cell("10fg", 150))] * 6
    assert not np.isnan(gust).any()
    rain = values[RAINFALL].values
    np.testing.assert_allclose(rain[3:9], RAIN[48] + RAIN[49], atol=1e-3)


def test_the_run_that_reaches_further_is_taken_beyond_144_hours(stage: Stage) -> None:
    main = RUN - timedelta(hours=6)
    stage.serve(*(make_file(main, step) for step in (0, 150, 156)))
    stage.serve(*(make_file(RUN, step) for step in (138, 141, 144)))
    last = RUN + timedelta(hours=148)
    forecast = stage.fetch(start=last - timedelta(hours=4), hours=4)
    assert forecast.provenance[0].run == main
    inside = stage.fetch(start=RUN + timedelta(hours=140), hours=4)
    assert inside.provenance[0].run == RUN


@pytest.mark.parametrize(("steps", "name"), [((87, 90), "10fg"), ((93, 96), "10fg3")])
def test_the_gust_is_the_maximum_of_the_hours_before_under_any_name(
    stage: Stage, steps: tuple[int, int], name: str
) -> None:
    stage.serve(*(make_file(RUN, step) for step in steps))
    assert f'"{name}"' in make_file(RUN, steps[1]).index
    first, last = steps
    gust = stage.fetch(start=RUN + timedelta(hours=first), hours=3).fields["wind_speed_of_gust"]
    assert gust.kind is Kind.MAXIMUM
    assert gust.values[:3].tolist() == [np.float32(cell("10fg", last))] * 3
    assert np.isnan(gust.values[3])


def test_precipitation_is_the_difference_of_totals_in_metres(stage: Stage) -> None:
    rain = stage.fetch().fields[RAINFALL]
    assert rain.kind is Kind.SUM
    expected = [amount for amount in RAIN[2:6] for _ in range(3)]
    np.testing.assert_allclose(rain.values[:-1], expected, atol=1e-3)
    assert np.isnan(rain.values[-1])


@pytest.mark.parametrize("numbers", [(0, 1, 193), (0, 1, 52)])
def test_precipitation_in_millimetres_is_told_by_its_size(
    stage: Stage, numbers: tuple[int, int, int]
) -> None:
    expected = stage.fetch().fields[RAINFALL].values
    for step in STEPS:
        stage.serve(changed(make_file(RUN, step), "tp", numbers=numbers, times=1000.0))
    np.testing.assert_allclose(stage.fetch().fields[RAINFALL].values, expected, atol=1e-3)


def test_a_total_that_falls_a_little_is_nothing_and_a_lot_is_missing(stage: Stage) -> None:
    stage.serve(changed(make_file(RUN, 15), "tp", plus=-0.00003))
    rain = stage.fetch().fields[RAINFALL].values
    assert rain[6:9].tolist() == [0, 0, 0]
    stage.serve(changed(make_file(RUN, 15), "tp", plus=-0.001))
    rain = stage.fetch().fields[RAINFALL].values
    assert np.isnan(rain[6:9]).all()
    assert not np.isnan(rain[:6]).any()


def changed(
    file: service.File, param: str, *, times: float = 1.0, plus: float = 0.0,
    numbers: tuple[int, int, int] | None = None,
) -> service.File:  # fmt: skip
    """The file with one message made anew."""
    messages = [
        (row, member, service.encode_row(
            row, file.run, file.step, numbers=numbers,
            values=service.value(row, file.step) * times + plus,
        ) if row.param == param else message)
        for row, member, message in file.messages
    ]  # fmt: skip
    return replace(file, messages=tuple(messages))


def test_cloud_is_a_share_or_per_cent(stage: Stage) -> None:
    share = stage.fetch().fields["cloud_area_fraction"].values
    assert share.tolist() == [0.75] * (HOURS + 1)
    for step in STEPS:
        stage.serve(changed(make_file(RUN, step), "tcc", times=100.0))
    assert stage.fetch().fields["cloud_area_fraction"].values.tolist() == share.tolist()


def test_types_of_precipitation_are_flags_only_where_it_is_not_surely_dry(stage: Stage) -> None:
    # Code table 4.201: 3 freezing rain, 12 freezing drizzle, 5 snow, 1 rain. At steps 6 to 18 the
    # type is 5, 1, 0, 8, 3; sums of the three hours from step 6 on are 0.05, 6, 0, 0, 1.5 mm.
    fields = stage.fetch().fields
    snow = fields["categorical_snow"].values
    assert snow[:4].tolist() == [0, 0, 0, 0]
    assert fields["categorical_rain"].values[:7].tolist() == [0, 0, 0, 1, 1, 1, 0]
    assert fields["categorical_ice_pellets"].values[8:].tolist() == [0, 0, 0, 0, 0]
    assert fields["categorical_freezing_rain"].values[-1] == 0
    wet = stage.fetch(start=RUN + timedelta(hours=9), hours=9).fields
    assert wet["categorical_rain"].values[:2].tolist() == [1, 1]
    # Where the amount is not known the flag stays.
    for step in STEPS:
        stage.serve(without(make_file(RUN, step), "tp"))
    fields = stage.fetch().fields
    assert fields["categorical_freezing_rain"].values[-1] == 1
    assert fields["categorical_snow"].values[0] == 1


def without(file: service.File, *params: str) -> service.File:
    kept = tuple(m for m in file.messages if m[0].param not in params)
    return replace(file, messages=kept)


def test_the_terrain_comes_from_step_nought(stage: Stage) -> None:
    ground = stage.fetch().fields["surface_altitude"]
    assert ground.kind is Kind.CONSTANT
    assert float(ground.values) == pytest.approx(GROUND_M, abs=0.01)
    heights = stage.fetch().fields["geopotential_height_on_levels"]
    assert heights.levels.tolist() == [85000, 92500, 100000]


def test_the_terrain_of_the_other_model_stands_in(stage: Stage) -> None:
    stage.serve(without(make_file(RUN, 0), "z"))
    other = make_file(RUN, 0, west=0.0)  # on the same grid, whose first longitude differs
    path = "/20260601/06z/aifs-single/0p25/oper/20260601060000-0h-oper-fc"
    stage.aws.blob(f"/aws{path}.grib2", other.content)
    stage.aws.blob(f"/aws{path}.index", other.index.encode())
    assert float(stage.fetch().fields["surface_altitude"].values) == pytest.approx(
        GROUND_M, abs=0.01
    )


def test_without_terrain_there_are_no_pressure_levels(stage: Stage) -> None:
    stage.serve(without(make_file(RUN, 0), "z"))
    forecast = stage.fetch()
    assert not [name for name in forecast.fields if name.endswith("_on_levels")]
    assert any("pressure levels are left out" in note for note in forecast.notes)
    stage.endpoints["ecmwf"]["products"] = {"terrain": None, "terrain_of_aifs": None}
    forecast = stage.fetch()
    assert not [name for name in forecast.fields if name.endswith("_on_levels")]
    assert "surface_altitude" not in forecast.fields


def test_the_first_longitude_is_read_every_time(stage: Stage) -> None:
    good = {place: stage.fetch(place) for place in (WET, DRY, (50.0, 179.9), (50.0, -0.2))}
    for step in (9, 15):  # some files of one run begin at Greenwich
        stage.serve(make_file(RUN, step, west=0.0))
    for place, forecast in good.items():
        moved = stage.fetch(place)
        for name, field in forecast.fields.items():
            np.testing.assert_allclose(
                field.values, moved.fields[name].values, rtol=1e-6, atol=1e-4, err_msg=name
            )


def test_maxima_are_laid_on_the_hours_of_their_windows() -> None:
    one, two = np.array([5.0]), np.array([7.0])
    laid = lay_maxima({3: (0, one), 6: (3, two), 20: (10, one)}, range(8))
    assert laid[:, 0].tolist()[:6] == [5, 5, 5, 7, 7, 7]
    assert np.isnan(laid[6:]).all()  # ten hours tell nothing of one
    laid = lay_maxima({6: (0, one), 3: (0, two)}, range(6))
    assert laid[:, 0].tolist() == [7, 7, 7, 5, 5, 5]
    ends = larger_end(np.array([[1.0], [3.0], [2.0], [np.nan], [0.0]]))
    assert ends[:2, 0].tolist() == [3, 3]
    assert np.isnan(ends[2:]).all()


# ------------------------------------------------------------------------------------ file names


@pytest.mark.parametrize(
    ("run", "stream"),
    [("2026-05-11T18", "scda"), ("2026-05-12T00", "oper"), ("2026-05-12T06", "oper"),
     ("2026-05-11T12", "oper"), ("2025-01-01T06", "scda"), ("2026-11-25T18", "oper")],
)  # fmt: skip
def test_the_stream_between_the_main_runs_before_cycle_50r1(run: str, stream: str) -> None:
    """Cycle 50r1 of 2026-05-12 06 UTC ended scda (its users' threads, read 2026-11)."""
    entry = Entry(load_endpoints(), "").entry("ecmwf")
    assert ecmwf.stream_of(entry, datetime.fromisoformat(run).replace(tzinfo=UTC)) == stream


def test_files_of_an_earlier_cycle_are_found(stage: Stage) -> None:
    run = datetime(2026, 5, 11, 18, tzinfo=UTC)
    stage.serve(*(make_file(run, step, "scda") for step in (0, *STEPS)))
    now = run + timedelta(hours=6, minutes=30)
    forecast = stage.fetch(start=now, now=now)
    assert forecast.provenance[0].run == run
    path = "/aws/20260511/18z/ifs/0p25/scda/20260511180000-6h-scda-fc.index"
    assert path in stage.aws.paths()


def test_a_stream_that_cannot_be_read_is_refused(stage: Stage) -> None:
    stage.endpoints["ecmwf"]["stream"] = {"now": "oper", "before": "May", "then": "scda",
                                          "of_hours": [6]}  # fmt: skip
    with pytest.raises(UsageError, match=r"ecmwf.stream.before"):
        stage.fetch()


# ---------------------------------------------------------------------------------- what breaks


def test_a_401_now_and_then_is_asked_again(stage: Stage) -> None:
    good = stage.fetch()
    stage.endpoints["ecmwf"]["order"] = ["google"]
    stage.google.fault("/google/*.index", Fault.STATUS, status=401, times=2)
    stage.google.fault("/google/*.grib2", Fault.STATUS, status=401, times=2)
    same(good, stage.fetch())


def test_slow_down_is_heeded_and_then_the_next_mirror_is_asked(stage: Stage) -> None:
    good = stage.fetch()
    stage.aws.fault("/aws/*.grib2", Fault.STATUS, status=503, times=2)
    same(good, stage.fetch())
    stage.aws.forget()
    stage.aws.fault("/aws/*.grib2", Fault.STATUS, status=503)
    same(good, stage.fetch())
    asked = [path for path in stage.aws.paths() if path.endswith(".grib2")]
    assert 1 <= len(asked) <= 10


FAULTS = {
    "404": (Fault.STATUS, {"status": 404}),
    "403": (Fault.STATUS, {"status": 403}),
    "web page": (Fault.HTML, {}),
    "web page in disguise": (Fault.HTML_IN_DISGUISE, {}),
    "empty": (Fault.EMPTY, {}),
    "half": (Fault.SHORT_BODY, {}),
    "damaged": (Fault.CORRUPT, {}),
    "hang-up": (Fault.HANG_UP, {}),
    "range ignored": (Fault.IGNORE_RANGE, {}),
    "short range": (Fault.SHORT_RANGE, {}),
    "wrong range": (Fault.WRONG_CONTENT_RANGE, {}),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_mirror_that_fails_gives_way_to_the_next(stage: Stage, fault: str) -> None:
    good = stage.fetch()
    kind, arguments = FAULTS[fault]
    stage.aws.fault("/aws/*.grib2", kind, **arguments)
    same(good, stage.fetch())


def test_an_index_that_is_there_before_its_file(stage: Stage) -> None:
    good = stage.fetch()
    stage.aws.remove(f"/aws{service.file_path(make_file(RUN, 18))}.grib2")
    same(good, stage.fetch())


@pytest.mark.parametrize("broken", ["not json\n", "[1, 2]\n", "", '{"param": "2t"}\n',
                                    '{"_offset": -1, "_length": 5}\n'])  # fmt: skip
def test_an_index_that_cannot_be_read_gives_way_to_the_next(stage: Stage, broken: str) -> None:
    good = stage.fetch()
    for step in (0, *STEPS):
        path = f"/aws{service.file_path(make_file(RUN, step))}.index"
        stage.aws.blob(path, make_file(RUN, step).index.encode() + broken.encode() if broken
                       else b"")  # fmt: skip
    same(good, stage.fetch())


def test_an_index_of_another_upload_is_found_out(stage: Stage) -> None:
    good = stage.fetch()
    for step in (0, *STEPS):
        file = make_file(RUN, step)
        other = replace(file, messages=file.messages[::-1])
        stage.aws.blob(f"/aws{service.file_path(file)}.index", other.index.encode())
    same(good, stage.fetch())


def test_a_gust_that_is_not_there_is_missing_and_told(stage: Stage) -> None:
    for step in STEPS:
        stage.serve(without(make_file(RUN, step), "10fg"))
    forecast = stage.fetch()
    assert "wind_speed_of_gust" not in forecast.fields
    assert any("wind_speed_of_gust" in note for note in forecast.notes)


def test_a_second_fetch_brings_no_message_again(stage: Stage, tmp_path: Path) -> None:
    stage.cache = Cache(tmp_path)
    first = stage.fetch()
    stage.aws.forget()
    same(first, stage.fetch())
    assert not [path for path in stage.aws.paths() if path.endswith(".grib2")]
    stage.offline = True
    stage.aws.forget()
    same(first, stage.fetch())
    assert stage.aws.paths() == []


# -------------------------------------------------------------------------------- the ensemble


@pytest.fixture
def members(stage: Stage) -> Stage:
    stage.serve(*(make_ensemble_file(RUN, step) for step in STEPS))
    return stage


def test_members_stand_behind_time_and_level(members: Stage) -> None:
    forecast = members.ensemble()
    assert set(forecast.fields) == set(ecmwf_ens.SOURCE.gives)
    count = MEMBERS + 1
    assert forecast.fields["air_temperature"].values.shape == (HOURS + 1, count)
    assert forecast.fields["eastward_wind"].values.shape == (HOURS + 1, 2, count)
    grid = forecast.attributes["grid"]
    assert grid["dims"] == ("member",)
    assert grid["coords"]["member"][1].tolist() == [0, 1, 2, 3, 4, 5]
    assert "ecmwf-ens: 6 of 6 members" in forecast.notes
    for member in range(count):
        gust = forecast.fields["wind_speed_of_gust"].values[0, member]
        assert gust == np.float32(cell("10fg", 9, member=member))
        wind = forecast.fields["northward_wind"].values[0, :, member]
        assert wind.tolist() == [-(1 + 1 + 1.5 + member), -(1 + 10 + 1.5 + member)]
        rain = forecast.fields[RAINFALL].values[3, member]
        assert rain == pytest.approx(RAIN[3] * (1 + member / 10), abs=1e-3)


def test_the_control_is_the_high_resolution_run(members: Stage) -> None:
    single, ensemble = members.fetch(), members.ensemble()
    assert ensemble.provenance[0].run == single.provenance[0].run
    for name, field in ensemble.fields.items():
        np.testing.assert_array_equal(field.values[..., 0], single.fields[name].values)


def test_each_index_is_read_once_for_all_members(members: Stage) -> None:
    members.ensemble()
    indices = [path for path in members.aws.paths() if path.endswith("-ef.index")]
    assert len(indices) == len(STEPS) == len(set(indices))


def kept_of(step: int, *gone: tuple[str | None, int]) -> service.File:
    """The ensemble's file without these messages: (parameter, member), None for all parameters."""
    file = make_ensemble_file(RUN, step)
    kept = [m for m in file.messages
            if (m[0].param, m[1]) not in gone and (None, m[1]) not in gone]  # fmt: skip
    return replace(file, messages=tuple(kept))


def test_members_that_are_not_there_are_counted(members: Stage) -> None:
    members.serve(*(kept_of(step, (None, 2), (None, 4)) for step in STEPS))
    forecast = members.ensemble()
    told = "ecmwf-ens: 4 of 6 members; not whole and left out: 2, 4"
    assert told in forecast.notes
    assert forecast.attributes["grid"]["coords"]["member"][1].tolist() == [0, 1, 3, 5]
    assert forecast.fields["air_temperature"].values.shape == (HOURS + 1, 4)
    members.endpoints["ecmwf-ens"]["least_members"] = 5
    with pytest.raises(DataError, match="of 6 members are whole, fewer than 5"):
        members.ensemble()


def test_a_member_with_a_hole_is_left_out(members: Stage) -> None:
    members.serve(kept_of(12, ("10fg", 3)))
    forecast = members.ensemble()
    assert forecast.attributes["grid"]["coords"]["member"][1].tolist() == [0, 1, 2, 4, 5]
    assert not np.isnan(forecast.fields["wind_speed_of_gust"].values[:-1]).any()


def test_what_hardly_any_member_has_is_given_up(members: Stage) -> None:
    every = range(2, MEMBERS + 1)
    members.serve(*(kept_of(step, *(("100u", m) for m in every)) for step in STEPS))
    forecast = members.ensemble()
    assert any(note.startswith("ecmwf-ens: 6 of 6 members") for note in forecast.notes)
    assert forecast.fields["eastward_wind"].levels.tolist() == [10]
    assert any("left out: 100u" in note for note in forecast.notes)


def test_a_run_without_its_control_says_so(members: Stage) -> None:
    for step in (0, *STEPS):
        for name, host in (("aws", members.aws), ("google", members.google)):
            host.remove(f"/{name}{service.file_path(make_file(RUN, step))}.index")
    forecast = members.ensemble()
    assert "ecmwf-ens: 5 of 6 members; not whole and left out: control" in forecast.notes
    assert forecast.attributes["grid"]["coords"]["member"][1].tolist() == [1, 2, 3, 4, 5]


def test_the_members_pass_through_the_data_contract(members: Stage) -> None:
    forecast = members.ensemble()
    again = from_dataset(to_dataset(forecast))
    assert again.attributes["grid"]["dims"] == ("member",)
    for name, field in forecast.fields.items():
        np.testing.assert_array_equal(field.values, again.fields[name].values, err_msg=name)


# ------------------------------------------------------------------------------ the real files


def test_the_real_index_lines(shared_data: Path) -> None:
    """Excerpts of 2023 and 2026, and two whole indices of 2025."""
    index = shared_data / "forecast" / "index"
    lines = parse_index(
        (index / "20260524" / "20260524000000-0h-oper-fc.EXCERPT5.index").read_text()
    )
    assert [(x.element, x.level, x.start, x.end) for x in lines[:2]] == [
        ("nsss", "sfc", 0, 223), ("z", "sfc", 224, 224 + 896851 - 1),
    ]  # fmt: skip
    assert lines[4].level == "sol 3"
    entry = Entry(load_endpoints(), "").entry("ecmwf")
    terrain = read_wanted(entry.entry("products").entry("terrain"))[0]
    assert find_in_index(lines, terrain, 0) is lines[1]
    members = parse_index(
        (index / "20230501" / "20230501000000-102h-enfo-ef.EXCERPT6.index").read_text()
    )
    wind = next(w for w in read_wanted(entry) if w.element == "10v")
    found = find_in_index(members, replace(wind, member=16), 102)
    assert found is members[3]
    assert find_in_index(members, replace(wind, member=17), 102) is None
    assert find_in_index(members, wind, 102) is None
    for name, count in (("0h", 106), ("6h", 102)):
        text = (index / "20250301" / f"aifs_single_20250301_00z_{name}.index").read_text()
        whole = parse_index(text)
        assert len(whole) == count
        assert all(b.start == a.end + 1 for a, b in pairwise(whole))
        assert {x.run for x in whole} == {datetime(2025, 3, 1, tzinfo=UTC)}
    assert find_in_index(whole, wind, 6) is not None
    assert find_in_index(whole, wind, 60) is None


def test_the_keys_of_a_line_may_stand_in_any_order() -> None:
    line = {"param": "u", "levtype": "pl", "levelist": "925", "step": "9", "date": "20260601",
            "time": "0600", "_offset": 7, "_length": 3}  # fmt: skip
    there, back = (parse_index(json.dumps(dict(items))) for items in (
        line.items(), reversed(line.items())))  # fmt: skip
    assert there == back
    assert (there[0].level, there[0].end, there[0].run) == ("pl 925", 9, RUN)


def test_the_index_of_a_file() -> None:
    assert index_url("https://x.org/a.b/0-3h-fc.grib2") == "https://x.org/a.b/0-3h-fc.index"


def test_the_real_messages(shared_data: Path) -> None:
    """What eccodes found in the real files when they were collected (their list of provenance)."""
    folder = shared_data / "forecast" / "ecmwf"
    first = read_messages((folder / "20240101000000-0h-oper-fc.first10.grib2").read_bytes())
    assert {m.grid.first_longitude for m in first} == {180.0}
    total = first[2]
    # tp of step 0 is a constant field, and covers no time: it is not taken for an amount.
    assert (total.parameter, total.statistic, float(np.ptp(total.values))) == ((0, 1, 193), 1, 0.0)
    entry = Entry(load_endpoints(), "").entry("ecmwf")
    assert not any(w.matches(total, 0) for w in read_wanted(entry))
    surface = folder / "ecmwf-ifs-oper-surface_20260310.grib2"
    by_number = {m.parameter: m for m in read_messages(surface.read_bytes())}
    assert by_number[0, 6, 192].values.max() == 1.0
    assert (by_number[0, 1, 19].values.min(), by_number[0, 1, 19].values.max()) == (0, 12)


@pytest.mark.parametrize("place", [(50.0, -10.0), (50.2, 179.9), (-33.9, 18.4), (61.0, 24.0)])
def test_cloud_and_type_of_the_real_file_at_a_site(
    shared_data: Path, place: tuple[float, float]
) -> None:
    """ecmwf-ifs-oper-surface_20260310: against eccodes' own nearest-point search."""
    import eccodes

    file = shared_data / "forecast" / "ecmwf" / "ecmwf-ifs-oper-surface_20260310.grib2"
    found: dict[str, float] = {}
    with file.open("rb") as stream:
        while (handle := eccodes.codes_grib_new_from_file(stream)) is not None:
            near = eccodes.codes_grib_find_nearest(handle, *place)[0]
            found[eccodes.codes_get(handle, "shortName")] = near.value
            eccodes.codes_release(handle)
    run = datetime(2026, 3, 10, tzinfo=UTC)
    request = Request(*place, start=run, hours=1, now=run)
    fields = forecast_from_grib([file], request, load_endpoints(), model="ecmwf").fields
    cloud = fields["cloud_area_fraction"].values[0]
    assert cloud == pytest.approx(min(found["tcc"], 1.0), abs=1e-6)
    rain, freezing = (fields[f"categorical_{kind}"].values[0] for kind in ("rain", "freezing_rain"))
    assert (rain, freezing) == (found["ptype"] in (1, 2, 7, 11), found["ptype"] in (3, 12))
