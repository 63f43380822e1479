"""Contract: the GEFS source against a local crop script and local mirrors, whole and broken."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import gefs_service as service
import numpy as np
import pytest
from gefs_service import MEMBERS, RUN, make_file, number_of
from local_server import Fault, LocalServer
from model_stage import Stage

from wxgate.cache import Cache
from wxgate.contract import from_dataset, to_dataset
from wxgate.errors import DataError, UsageError
from wxgate.forecast import Forecast, to_datetime
from wxgate.quantities import NO_CEILING, Kind
from wxgate.sources import gefs
from wxgate.sources.dialect import find_line
from wxgate.sources.endpoints import Entry, load_endpoints
from wxgate.sources.sidecar import parse_sidecar
from wxgate.sources.wanted import read_wanted
from wxgate.sources.wholemembers import choose_members

pytestmark = pytest.mark.contract

NOW = RUN + timedelta(hours=7)
HOURS = 6
STEPS = (6, 9, 12, 15)  #: around the hours 7 to 13 of the run
PLACE = (45.0, 10.0)
FEW = frozenset({"air_temperature"})
RAIN = "lwe_thickness_of_precipitation_amount"
NUMBERS = tuple(number_of(member) for member in MEMBERS)


def files() -> Iterator[service.File]:
    for member in MEMBERS:
        for step in STEPS:
            yield make_file(RUN, member, "s", step)
            yield make_file(RUN, member, "b", step)
        yield make_file(RUN, member, "s", 0)


@pytest.fixture
def stage() -> Iterator[Stage]:
    with LocalServer() as server, LocalServer() as google:
        made = Stage(gefs.SOURCE, server, google, NOW, PLACE, HOURS)
        crop = service.Crop()
        for path, entry, cell in (
            ("/cgi/s", made.entry["crop"], 5.0),
            ("/cgi/b", made.entry["products"]["aloft"]["crop"], 10.0),
        ):
            server.handler(path, crop.answer)
            entry |= {"scripts": [made.crop_url(path)], "cell_deg": cell}
        for file in files():
            crop.add(file)
            for host, name in ((server, "/aws"), (google, "/google")):
                service.serve(host, name, file)
        yield made


def lose(stage: Stage, *members: str, product: str = "s", steps: tuple[int, ...] = STEPS) -> None:
    """Take files of members from aws."""
    for member in members:
        for step in steps:
            service.unserve(stage.server, "/aws", make_file(RUN, member, product, step))


def row(element: str, level: str, product: str = "s") -> service.Row:
    return next(r for r in service.ROWS[product] if (r.element, r.level) == (element, level))


def at(element: str, level: str, step: int, product: str = "s") -> list[float]:
    """The invented value of each member at a step."""
    return [service.value(row(element, level, product), member, step) for member in MEMBERS]


def same(a: Forecast, b: Forecast) -> None:
    assert set(a.fields) == set(b.fields)
    for name, field in a.fields.items():
        np.testing.assert_allclose(field.values, b.fields[name].values, rtol=1e-5, atol=1e-3)


# ------------------------------------------------------------------------------ what comes out


@pytest.mark.parametrize("order", ["crop", "aws"])
def test_everything_that_the_source_promises_comes(stage: Stage, order: str) -> None:
    forecast = stage.order(order).fetch()
    assert set(forecast.fields) == set(gefs.SOURCE.gives)
    assert to_datetime(forecast.time[0]) == NOW
    for name, field in forecast.fields.items():
        expected = () if field.kind is Kind.CONSTANT else (HOURS + 1,)
        if name in ("eastward_wind", "northward_wind"):
            assert field.levels is not None
            assert field.levels.tolist() == [10, 80, 100]
            expected = (*expected, 3)
        assert field.values.shape == (*expected, 31)
    grid = forecast.attributes["grid"]
    assert grid["dims"] == ("member",)
    assert grid["coords"]["member"][1].tolist() == list(NUMBERS)
    assert "gefs: 31 of 31 members" in forecast.notes
    assert forecast.provenance[0].run == RUN


def test_crop_and_mirror_agree(stage: Stage) -> None:
    wanted = frozenset({"eastward_wind", "northward_wind", "air_temperature", RAIN})
    for place in ((50.2, -0.1), (-33.0, 151.0)):
        cropped = stage.order("crop").fetch(place, wanted=wanted)
        same(cropped, stage.order("aws").fetch(place, wanted=wanted))


def test_what_is_listed_is_what_is_promised() -> None:
    entry = Entry(load_endpoints(), "").entry("gefs")
    listed = {w.quantity for w in read_wanted(entry)} | {"surface_altitude"}
    assert listed | {"precipitation_neighbourhood_fraction",
                     "precipitation_neighbourhood_maximum"} == set(gefs.SOURCE.gives)  # fmt: skip


def test_a_forecast_of_members_keeps_the_data_contract(stage: Stage) -> None:
    forecast = stage.order("aws").fetch()
    dataset = to_dataset(forecast)
    assert dataset["eastward_wind"].dims == ("time", "height", "member")
    again = from_dataset(dataset)
    for name, field in forecast.fields.items():
        np.testing.assert_array_equal(again.fields[name].values, field.values)


def test_each_member_keeps_its_own_values(stage: Stage) -> None:
    fields = stage.order("aws").fetch().fields
    # Hours 9 and 12 of the run are steps.
    for name, element, level in (
        ("visibility_in_air", "VIS", "surface"),
        ("wind_speed_of_gust", "GUST", "surface"),
        ("convective_available_potential_energy", "CAPE", "surface"),
    ):
        for step in (9, 12):
            np.testing.assert_allclose(
                fields[name].values[step - 7], at(element, level, step), rtol=1e-5
            )
    for column, (level, product) in enumerate(
        (("10 m above ground", "s"), ("80 m above ground", "b"), ("100 m above ground", "b"))
    ):
        np.testing.assert_allclose(
            fields["northward_wind"].values[2, column], at("VGRD", level, 9, product), rtol=1e-5
        )


def test_states_between_the_steps_are_filled_and_maxima_are_not_smoothed(stage: Stage) -> None:
    fields = stage.order("aws").fetch().fields
    # Hour 7 lies a third of the way from step 6 to step 9, hour 8 two thirds.
    before, after = (np.array(at("UGRD", "10 m above ground", step)) for step in (6, 9))
    wind = fields["eastward_wind"].values[:, 0]
    np.testing.assert_allclose(wind[0], before + (after - before) / 3, rtol=1e-5)
    np.testing.assert_allclose(wind[1], before + (after - before) * 2 / 3, rtol=1e-5)
    gust = fields["wind_speed_of_gust"].values
    np.testing.assert_allclose(gust[0], np.maximum(*(at("GUST", "surface", s) for s in (6, 9))))
    visibility = fields["visibility_in_air"].values
    np.testing.assert_allclose(
        visibility[0], np.minimum(*(at("VIS", "surface", s) for s in (6, 9)))
    )


def test_sums_of_three_hours_are_laid_whole_on_each_hour(stage: Stage) -> None:
    """Buckets of six hours: 6-9, 6-12 less 6-9, 12-15."""
    rain = stage.order("aws").fetch().fields[RAIN]
    assert rain.kind is Kind.SUM
    for hour in range(7, 14):
        start = hour // 3 * 3
        expected = [service.rain(member, start, start + 3) for member in MEMBERS]
        np.testing.assert_allclose(rain.values[hour - 7], expected, atol=1e-4)


def test_flags_are_shares_of_three_hours(stage: Stage) -> None:
    """Freezing rain falls in member 5 in half of the hours 9 to 12; the bucket begins at 6."""
    assert service.value(row("CFRZR", "surface"), "p05", 12) == 0.25
    fields = stage.order("aws").fetch().fields
    frozen = fields["categorical_freezing_rain"]
    assert frozen.kind is Kind.MEAN
    expected = np.zeros((HOURS + 1, 31))
    expected[2:5, 5] = 0.5
    np.testing.assert_allclose(frozen.values, expected, atol=1e-4)
    assert set(frozen.values[:, 6]) == {0}
    np.testing.assert_allclose(fields["categorical_rain"].values, 1, atol=1e-4)


def test_what_packing_leaves_of_a_share_is_no_freezing_rain(stage: Stage) -> None:
    """Two means that differ by their packing alone: 6-9 h is 0.001 too high."""
    file = make_file(RUN, "p07", "s", 9)
    messages = tuple(
        (r, noisy(r, m) if r.element == "CFRZR" else m) for r, m in file.messages
    )  # fmt: skip
    service.serve(stage.server, "/aws", replace(file, messages=messages))
    name = "categorical_freezing_rain"
    frozen = stage.order("aws").fetch(wanted=frozenset({name})).fields[name].values
    assert set(frozen[:, 7]) == {0}


def noisy(r: service.Row, message: bytes) -> bytes:
    import eccodes

    handle = eccodes.codes_new_from_message(message)
    values = eccodes.codes_get_values(handle)
    eccodes.codes_set_values(handle, values + 0.001)
    changed = bytes(eccodes.codes_get_message(handle))
    eccodes.codes_release(handle)
    return changed


def test_ceilings_are_above_the_terrain_of_step_0(stage: Stage) -> None:
    fields = stage.order("aws").fetch().fields
    assert set(fields["surface_altitude"].values) == {300}
    ceiling = fields["ceiling_height"].values[2]
    expected = [NO_CEILING if n % 2 else 800 + n - 300 for n in NUMBERS]
    np.testing.assert_allclose(ceiling, expected, atol=0.01)
    assert len([path for path in stage.server.paths() if path.endswith("f000.idx")]) == 1


def test_without_terrain_a_ceiling_is_not_known_and_none_is(stage: Stage) -> None:
    lose(stage, *MEMBERS, steps=(0,))
    forecast = stage.order("aws").fetch()
    ceiling = forecast.fields["ceiling_height"].values[2]
    assert np.isnan(ceiling[::2]).all()
    assert set(ceiling[1::2]) == {NO_CEILING}
    assert any("terrain" in note for note in forecast.notes)


def test_only_what_is_wanted_is_read(stage: Stage) -> None:
    forecast = stage.order("aws").fetch(wanted=FEW)
    assert set(forecast.fields) == {"air_temperature"}
    assert not [path for path in stage.server.paths() if "pgrb2b" in path or "f000" in path]


def test_progress_counts_all_members(stage: Stage) -> None:
    stage.order("aws").fetch(wanted=FEW)
    assert [done for done, _, _ in stage.told] == list(range(1, 31 * len(STEPS) + 1))
    assert {total for _, total, _ in stage.told} == {31 * len(STEPS)}


# ------------------------------------------------------------------------------ missing members


def test_members_that_are_not_there_are_left_out_and_counted(stage: Stage) -> None:
    whole = stage.order("aws").fetch()
    lose(stage, "c00", "p07")
    lose(stage, "p13", steps=(9,))
    forecast = stage.order("aws").fetch()
    there = [n for n in NUMBERS if n not in (0, 7, 13)]
    assert forecast.attributes["grid"]["coords"]["member"][1].tolist() == there
    assert any(
        "28 of 31 members" in note and "c00, p07, p13" in note for note in forecast.notes
    )  # fmt: skip
    for name, field in forecast.fields.items():
        np.testing.assert_array_equal(field.values, whole.fields[name].values[..., there])
        assert not np.isnan(field.values[:-1]).any()


def test_a_member_without_one_field_is_left_out(stage: Stage) -> None:
    file = make_file(RUN, "p03", "s", 9)
    kept = tuple((r, m) for r, m in file.messages if r.element != "VIS")
    service.serve(stage.server, "/aws", replace(file, messages=kept))
    forecast = stage.order("aws").fetch()
    assert any("30 of 31 members" in note and "p03" in note for note in forecast.notes)


def test_what_too_few_members_have_is_left_out_for_all(stage: Stage) -> None:
    lose(stage, *MEMBERS[:12], product="b")
    forecast = stage.order("aws").fetch()
    assert forecast.fields["eastward_wind"].levels is not None
    assert forecast.fields["eastward_wind"].levels.tolist() == [10]
    assert forecast.fields["eastward_wind"].values.shape == (HOURS + 1, 1, 31)
    assert any("UGRD (80 m above ground)" in note for note in forecast.notes)
    assert any("31 of 31" in note for note in forecast.notes)


def test_members_without_the_coarser_file_are_left_out_while_enough_remain(stage: Stage) -> None:
    lose(stage, *MEMBERS[:11], product="b")
    forecast = stage.order("aws").fetch()
    assert forecast.fields["eastward_wind"].values.shape == (HOURS + 1, 3, 20)
    assert any("20 of 31" in note for note in forecast.notes)


@pytest.mark.parametrize(("lost", "fits"), [(11, True), (12, False)])
def test_twenty_members_suffice_and_nineteen_do_not(stage: Stage, lost: int, fits: bool) -> None:
    lose(stage, *MEMBERS[5 : 5 + lost])
    stage.order("aws")
    if fits:
        fields = stage.fetch(wanted=FEW).fields
        assert fields["air_temperature"].values.shape == (HOURS + 1, 20)
        return
    with pytest.raises(DataError, match="fewer than 20") as told:
        stage.fetch(wanted=FEW)
    assert told.value.exit_code == 3


def test_a_run_without_enough_members_is_passed_over(stage: Stage) -> None:
    """The newest run is being uploaded: the earlier one is taken, which is whole."""
    now = RUN + timedelta(hours=11)
    newest = RUN + timedelta(hours=6)
    for member in MEMBERS[:10]:
        for step in (3, 6, 9):
            service.serve(stage.server, "/aws", make_file(newest, member, "s", step))
    forecast = stage.order("aws").fetch(start=now, now=now, hours=4, wanted=FEW)
    assert forecast.provenance[0].run == RUN
    # None of the members that follow the tenth is there, so it was clear before the last.
    asked = {path.split("/")[-1][:5] for path in stage.server.paths() if ".t06z." in path}
    assert len(asked) == 22


def test_a_run_that_is_not_there_costs_few_questions(stage: Stage) -> None:
    now = RUN + timedelta(hours=11)
    stage.order("aws").fetch(start=now, now=now, hours=4, wanted=FEW)
    assert len([path for path in stage.server.paths() if ".t06z." in path]) == 4


def test_a_mirror_fills_what_another_lacks(stage: Stage) -> None:
    good = stage.order("aws").fetch(wanted=FEW)
    lose(stage, *MEMBERS[:15], steps=(9, 12))
    same(good, stage.order("aws", "google").fetch(wanted=FEW))


# ---------------------------------------------------------------------------------- what breaks

FAULTS = {
    "403": (Fault.STATUS, {"status": 403}),
    "302": (Fault.REDIRECT, {"status": 302}),
    "web page": (Fault.HTML_IN_DISGUISE, {}),
    "empty": (Fault.EMPTY, {}),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_crop_service_that_fails_gives_way_to_a_mirror(stage: Stage, fault: str) -> None:
    wanted = frozenset({"air_temperature", RAIN})
    good = stage.order("aws").fetch(wanted=wanted)
    kind, arguments = FAULTS[fault]
    stage.server.fault("/cgi/*", kind, **arguments)
    stage.server.forget()
    same(good, stage.order("crop", "aws").fetch(wanted=wanted))
    if fault in ("403", "302"):  # a door that is shut is not knocked at by the next member
        assert len(stage.asked("/cgi/")) <= 5


def test_nobody_refuses_for_each_member_anew(stage: Stage) -> None:
    stage.server.fault("/*", Fault.STATUS, status=503)
    with pytest.raises(DataError):
        stage.order("aws").fetch()
    assert len(stage.server.paths()) <= 40


def test_a_member_in_anothers_file_is_found_out(stage: Stage) -> None:
    """The file of p04 in the place of p05's, under the sidecar of p05."""
    path = make_file(RUN, "p05", "s", 9).path
    stage.server.blob(f"/aws{path}", make_file(RUN, "p04", "s", 9).content)
    forecast = stage.order("aws").fetch(wanted=FEW)
    assert any("30 of 31" in note and "p05" in note for note in forecast.notes)


def test_the_mean_of_the_ensemble_is_no_member(stage: Stage) -> None:
    file = make_file(RUN, "p05", "s", 9)
    mean = file.sidecar.replace("ENS=+5", "ens mean")
    stage.server.blob(f"/aws{file.path}.idx", mean.encode())
    forecast = stage.order("aws").fetch(wanted=FEW)
    assert any("30 of 31" in note and "p05" in note for note in forecast.notes)


def test_a_second_fetch_asks_for_no_crop_again(stage: Stage, tmp_path: Path) -> None:
    stage.cache = Cache(tmp_path)
    first = stage.order("crop").fetch(wanted=FEW)
    stage.server.forget()
    same(first, stage.fetch(wanted=FEW))
    assert stage.server.paths() == []
    # No two members are alike: none was read for another.
    assert len(set(first.fields["air_temperature"].values[0])) == 31


@pytest.mark.parametrize("members", [["c00", "x01"], ["avg"], "c00"])
def test_members_that_are_none_are_refused(stage: Stage, members: Any) -> None:
    stage.entry["members"] = members
    with pytest.raises(UsageError, match=r"gefs\.members"):
        stage.fetch()


def test_the_choice_of_members_by_hand() -> None:
    """Three members, of which two must be whole; computed by us."""
    a, b = ("a", None), ("b", None)
    found = {"x": frozenset({a, b}), "y": frozenset({a, b}), "z": frozenset({a})}
    chosen = choose_members(found, ["x", "y", "z"], 2)
    assert (chosen.members, chosen.layers) == (("x", "y"), frozenset({a, b}))
    chosen = choose_members({**found, "y": frozenset({a})}, ["x", "y", "z"], 2)
    assert (chosen.members, chosen.layers) == (("x", "y", "z"), frozenset({a}))
    with pytest.raises(DataError, match="only 0 of 3"):
        choose_members({}, ["x", "y", "z"], 2)


# ------------------------------------------------------------------------------------ real files


def test_real_sidecars_hold_all_that_is_read(shared_data: Path) -> None:
    entry = Entry(load_endpoints(), "").entry("gefs")
    members = {m.name: m for m in gefs.read_members(entry)}
    index = shared_data / "forecast/index/20250801"
    products = entry.entry("products").content
    for name, member, product, step in (
        ("gep01.t00z.pgrb2s.0p25.f015", "p01", {}, 15),
        ("gec00.t00z.pgrb2b.0p50.f003", "c00", products["aloft"], 3),
    ):
        lines = parse_sidecar((index / f"{name}.idx").read_text())
        wanted = [
            replace(w, member=members[member].number, behind=members[member].behind)
            for w in read_wanted(Entry({**entry.content, **product}, ""))
        ]
        found = {(w.element, w.level): find_line(lines, w, step) for w in wanted}
        assert not [key for key, line in found.items() if line is None]
        other = [replace(w, behind=members["p02"].behind) for w in wanted]
        assert not any(find_line(lines, w, step) for w in other)
    rain = next(w for w in read_wanted(entry) if w.element == "APCP")
    assert rain.window_start(15) == 12


def test_the_terrain_is_in_the_mean_of_step_0(shared_data: Path) -> None:
    """The members' own files of step 0 are not among the real ones; those of their mean are."""
    path = shared_data / "forecast/index/20250801/geavg.t00z.pgrb2s.0p25.f000.idx"
    lines = parse_sidecar(path.read_text())
    entry = Entry(load_endpoints(), "").entry("gefs")
    ground = Entry({**entry.content, **entry.entry("products").content["ground"]}, "")
    (terrain,) = read_wanted(ground)
    assert find_line(lines, replace(terrain, behind=("ens mean",)), 0) is not None


def test_a_real_message_of_the_control(shared_data: Path) -> None:
    """PROVENANCE.tsv: soil water 0.02 to 1, 171941 points missing; template 4.1."""
    from wxgate.grib import read_messages

    file = shared_data / "forecast/gefs/gec00_20250101_00_soilw.grib"
    (message,) = read_messages(file.read_bytes(), skip_strays=True)
    assert (message.member, message.derived, message.end_min) == (0, None, 180)
    assert message.grid.shape == (361, 720)
    values = message.values
    assert np.count_nonzero(np.isnan(values)) == 171941
    assert (np.nanmin(values), np.nanmax(values)) == (pytest.approx(0.02), 1)
