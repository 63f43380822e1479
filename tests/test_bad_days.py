"""Contract: everything that can go wrong with input, at the command line of a user.

A day on which every hour is go (``bad_days``) is spoilt in one thing at a time. Each fault must end
in one sentence with a remedy and its exit code, or in hours that are unknown (or marginal, where
the rules say so) with the item named: never in a traceback, never in a go. What was stored before
must still be there, and the next good answer must come through.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import gfs_service
import pytest
import xarray as xr
from bad_days import HOURS, KP_FILE, NOW, RUN, SITE, Day, good_file, kp_rows
from local_server import Fault, LocalServer

from wxgate import places
from wxgate.cli.terminal import coloured, visible
from wxgate.verdict import Grade

pytestmark = pytest.mark.contract

Result = tuple[int, str, str]
Run = Callable[..., Result]
WHO = ("--aircraft", "mid-900g", "--pilot", "intermediate")
HERE = ("--lat", SITE[0], "--lon", SITE[1])
AT = ("--at", f"{NOW:%Y-%m-%dT%H:%MZ}")
ASK = (*HERE, *WHO, *AT, "--hours", HOURS)


@pytest.fixture
def day() -> Iterator[Day]:
    with LocalServer() as server:
        yield Day(server, Path(os.environ["WXGATE_CONFIG"]))


def grades(wx: Run, *more: object, ask: tuple[object, ...] = ASK) -> list[str]:
    code, out, err = wx("brief", *ask, "--json", *more)
    assert code == 0, err
    return [hour["grade"] for hour in json.loads(out)["hours"]]


def refused(result: Result, code: int, *told: str) -> None:
    """One sentence (or a list of faults) with these words, and no grade at all."""
    found, out, err = result
    assert (found, out) == (code, ""), err
    assert err.startswith("wxgate: ")
    assert len(err) < 1000
    assert err.rstrip().endswith((".", "?"))
    for word in told:
        assert word in err


def entries() -> dict[str, bytes]:
    """What the cache holds, by file."""
    root = places.cache_folder()
    return {str(p.relative_to(root)): p.read_bytes() for p in root.rglob("*") if p.is_file()}


def forget_hours() -> None:
    shutil.rmtree(places.cache_folder() / "hours", ignore_errors=True)


ALL_GO = ["go"] * HOURS
STEP_7 = gfs_service.file_path(RUN, 7)  # 13:00, two hours after now


def test_the_good_day_is_go(day: Day, wx: Run) -> None:
    assert grades(wx) == ALL_GO
    day.write("mirror")
    forget_hours()
    assert grades(wx) == ALL_GO


# ---------------------------------------------------------------------- the network


@pytest.mark.parametrize("order", ["crop", "mirror"])
@pytest.mark.parametrize(
    ("kind", "status", "told"),
    [
        (Fault.STATUS, 404, "not there (404)"),
        (Fault.STATUS, 403, "(403)"),
        (Fault.STATUS, 500, "failed (500)"),
        (Fault.STATUS, 503, "fewer requests (503)"),
        (Fault.REDIRECT, 302, "(302)"),
        (Fault.HTML, 200, ""),
        (Fault.HTML_IN_DISGUISE, 200, ""),
        (Fault.EMPTY, 200, "empty"),
        (Fault.SHORT_BODY, 200, "broke off"),
        (Fault.CORRUPT, 200, "7777|damaged"),
        (Fault.HANG_UP, 200, "connection broke"),
        (Fault.GARBAGE, 200, "connection broke"),
        (Fault.RESET, 200, "broke"),
    ],
)
def test_a_service_that_fails_is_one_sentence_and_harms_nothing(
    day: Day, wx: Run, order: str, kind: Fault, status: int, told: str
) -> None:
    day.write(order)
    day.server.fault("/cgi/*" if order == "crop" else "/mirror/*f0??", kind, status=status)
    result = wx("brief", *ASK)
    refused(result, 3, "no forecast could be had", order)
    assert any(word in result[2] for word in told.split("|"))
    assert all("gfs" not in name or ".idx" in name or "sidecar" in name for name in entries())
    day.server.calm()
    assert grades(wx) == ALL_GO


def test_when_it_fails_later_what_is_kept_answers(day: Day, wx: Run) -> None:
    assert grades(wx) == ALL_GO
    before = entries()
    day.server.fault("/*", Fault.HANG_UP)
    later = (*HERE, *WHO, "--at", f"{NOW + timedelta(minutes=45):%Y-%m-%dT%H:%MZ}", "--hours", 3)
    assert grades(wx, ask=later) == ["go"] * 3
    shutil.rmtree(places.cache_folder() / "messages")
    next_hour = (*HERE, *WHO, "--at", f"{NOW + timedelta(hours=2):%Y-%m-%dT%H:%MZ}", "--hours", 3)
    # Hours of which the neighbours to come are not stored are not go.
    assert grades(wx, ask=next_hour) == ["go", "marginal", "marginal"]
    told = " ".join(wx("brief", *next_hour)[1].split())
    assert "stored hours used: no forecast could be had" in told, told
    assert "run 15 Jun 06Z, 7 h old" in told
    assert {name for name in before if "hours" in name} <= set(entries())


def test_no_network_at_all(day: Day, wx: Run) -> None:
    day.server.fault("/*", Fault.HANG_UP)
    refused(wx("brief", *ASK), 3, "Check the connection", "--forecast")
    refused(wx("brief", *ASK, "--offline"), 3, "not kept", "without --offline")


def test_the_whole_file_in_answer_to_a_range_is_refused(day: Day, wx: Run) -> None:
    day.write("mirror")
    day.server.fault("/mirror/*f0??", Fault.IGNORE_RANGE)
    refused(wx("brief", *ASK), 3, "whole file was sent in place of a range")


SPOILT = {
    "a step that is not there": lambda day: (
        day.server.remove(f"/mirror{STEP_7}"),
        day.server.remove(f"/mirror{STEP_7}.idx"),
        day.nomads.files.pop(STEP_7),
    ),
    "the sidecar of another upload": lambda day: day.server.blob(
        f"/mirror{STEP_7}.idx", good_file(RUN, 8).sidecar.encode()
    ),
    "the sidecar of another run": lambda day: day.server.blob(
        f"/mirror{STEP_7}.idx", good_file(RUN - timedelta(hours=6), 7).sidecar.encode()
    ),
    "a file that is shifted": lambda day: day.server.blob(
        f"/mirror{STEP_7}", good_file(RUN, 7).content[1000:]
    ),
    "a truncated message": lambda day: day.server.blob(
        f"/mirror{STEP_7}", good_file(RUN, 7).content[:-300]
    ),
    "another run's file": lambda day: day.server.blob(
        f"/mirror{STEP_7}", good_file(RUN - timedelta(hours=6), 7).content
    ),
    "another hour's file": lambda day: day.server.blob(
        f"/mirror{STEP_7}", good_file(RUN, 8).content
    ),
}


@pytest.mark.parametrize("what", SPOILT)
def test_one_bad_step_makes_the_hours_beside_it_unknown(day: Day, wx: Run, what: str) -> None:
    day.write("mirror")
    SPOILT[what](day)
    assert grades(wx) == ["go", "unknown", "unknown", "go"]
    _, out, _ = wx("brief", *ASK)
    assert "f007" in out
    assert "Missing: " in out


# ---------------------------------------------------------------------- the K index


@pytest.mark.parametrize(
    "content",
    [
        b'{"a": 1}',
        b'{"\\u001b[2J\\u009bGO": 1}',  # a terminal would obey these
        b"<html>",
        b"[]",
        b"",
        b"[" * 100_000,
        b'[["time_tag","Kp"],["2026-06-15 09:00:00"]]',
        b'[{"time_tag": "2026-06-15T09:00:00", "kp": NaN}]',
        b'[{"time_tag": "2026-06-15T09:00:00", "kp": -1}]',
        b'[{"time_tag": "\\u001b]0;x\\u0007", "kp": 2}]',
    ],
    ids=lambda content: repr(content[:30]),
)
def test_a_k_index_of_unknown_shape_is_named_as_missing(day: Day, wx: Run, content: bytes) -> None:
    day.server.blob(KP_FILE, content)
    assert grades(wx) == ["marginal"] * HOURS
    _, out, _ = wx("brief", *ASK)
    assert "planetary K" in out.split("Missing: ")[1]
    assert "look it up before flying" in " ".join(out.split())
    assert "Notes: swpc" in out


def test_a_high_k_index_counts(day: Day, wx: Run) -> None:
    day.server.blob(KP_FILE, kp_rows(NOW, 8.33).encode())
    assert set(grades(wx)) == {"marginal"}


# ---------------------------------------------------------------------- time


def at(hours: float) -> tuple[object, ...]:
    when = RUN + timedelta(hours=hours)
    return (*HERE, *WHO, "--at", f"{when:%Y-%m-%dT%H:%MZ}", "--hours", 1)


def test_a_run_older_than_two_cycles_caps_and_older_than_48_h_is_unknown(day: Day, wx: Run) -> None:
    file = Path(os.environ["WXGATE_CACHE"]).parent / "f.grib2"
    file.write_bytes(b"".join(good_file(RUN, step).content for step in (8, 9, 12, 13, 14, 51, 52)))
    # A GRIB file holds no K index, which caps by itself.
    assert grades(wx, "--forecast", file, ask=at(8)) == ["marginal"]
    assert grades(wx, "--forecast", file, "--k-index", 2, ask=at(8)) == ["go"]
    assert grades(wx, "--forecast", file, "--k-index", 2, ask=at(13)) == ["marginal"]
    assert grades(wx, "--forecast", file, ask=at(51)) == ["unknown"]
    _, out, _ = wx("brief", *at(13), "--forecast", file, "--k-index", 2)
    assert "13 h old" in out
    assert "run" in out.split("Why: ")[1]


@pytest.mark.parametrize("hours", [-1.0, -24.0, -0.02])
def test_a_clock_before_the_run_makes_nothing_fresh(day: Day, wx: Run, hours: float) -> None:
    assert grades(wx) == ALL_GO  # stored now
    found = grades(wx, "--offline", ask=at(hours))
    assert found == ["unknown"]
    assert "check this computer's clock" in " ".join(
        wx("brief", *at(hours), "--offline")[1].split()
    )


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("2026-06-15T11:00", "has no zone"),
        ("2026-06-15", "has no zone"),
        ("yesterday", "not a time"),
        ("2026-13-01T00:00Z", "not a time"),
        ("0001-01-01T00:00Z", "year"),
        ("0001-01-01T00:00+14:00", "year"),
        ("9999-12-31T23:59Z", "year"),
    ],
)
def test_a_time_that_is_none(day: Day, wx: Run, text: str, told: str) -> None:
    refused(wx("brief", *HERE, *WHO, "--at", text), 2, told, "2026-09-15T05:00Z")


@pytest.mark.parametrize("text", ["1950-01-01T00:00Z", "2150-01-01T00:00Z"])
def test_far_from_any_run_there_is_no_forecast(day: Day, wx: Run, text: str) -> None:
    ask = (*HERE, *WHO, "--at", text)
    refused(wx("brief", *ask), 3, "no forecast could be had")
    assert grades(wx) == ALL_GO
    assert set(grades(wx, "--offline", ask=(*ask, "--hours", 3))) == {"unknown"}


def test_stored_hours_grade_as_fresh_ones_do(day: Day, wx: Run) -> None:
    # Thunder ahead and gusts soon look two hours on: a stored forecast must reach as far.
    grades(wx, ask=(*HERE, *WHO, *AT, "--hours", 2))
    assert grades(wx) == ALL_GO


# ---------------------------------------------------------------------- place, people, rules


@pytest.mark.parametrize(
    ("lat", "lon"), [(90.01, 0), (-91, 0), (0, 361), (0, -180.5), ("nan", 0), (0, "inf")]
)
def test_a_site_out_of_range(wx: Run, lat: object, lon: object) -> None:
    refused(wx("brief", "--lat", lat, "--lon", lon, *WHO), 2, "no place on the Earth")


@pytest.mark.parametrize("order", ["crop", "mirror"])
@pytest.mark.parametrize(
    ("lat", "lon"), [(90, 0), (-90, 0), (0, 180), (0, -180), (0, 179.999), (52, 0), (52, -0.001)]
)
def test_at_the_poles_on_the_date_line_and_at_greenwich(
    day: Day, wx: Run, order: str, lat: float, lon: float
) -> None:
    day.write(order)
    found = grades(wx, ask=("--lat", lat, "--lon", lon, *WHO, *AT, "--hours", HOURS))
    # At noon UTC in June the sun is up at Greenwich and at the north pole, and nowhere else here.
    assert found == (ALL_GO if lat in (52, 90) else ["no-go"] * HOURS)


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("--aircraft", "mid-900", "--pilot", "novice"), 2, "mid-900g"),
        (("--aircraft", "mid-900g"), 2, "never assumed"),
        (("--aircraft", "mid-900g", "--pilot", "novise"), 2, "novice"),
        ((*WHO, "--height", "60"), 2, "no unit"),
        ((*WHO, "--height", "0.9 m"), 2, "not between 1 and 500 m"),
        ((*WHO, "--height", "501 m"), 2, "not between 1 and 500 m"),
        ((*WHO, "--height", "1e400 m"), 2, "not finite"),
        ((*WHO, "--height", "nan m"), 2, "not a number"),
        ((*WHO, "--zone", "Mars/Base"), 2, "time zone"),
        ((*WHO, "--zone", "../../etc/passwd"), 2, "time zone"),
    ],
)
def test_words_that_name_nothing_are_refused_before_anything_is_fetched(
    day: Day, wx: Run, words: tuple[str, ...], code: int, told: str
) -> None:
    refused(wx("brief", *HERE, *words), code, told)
    assert day.server.requests == []


def test_a_pilot_without_a_skill(day: Day, wx: Run, tmp_path: Path) -> None:
    (tmp_path / "me.yaml").write_text("pilot:\n  id: me\n  name: Me\n")
    code, out, err = wx("brief", *HERE, "--aircraft", "mid-900g", "--pilot", tmp_path / "me.yaml")
    assert (code, out) == (2, "")
    assert "skill" in err


def test_a_rule_without_a_unit(day: Day, wx: Run, tmp_path: Path) -> None:
    wx("rules", "new", tmp_path / "mine.yaml")
    text = (tmp_path / "mine.yaml").read_text().replace(" m/s", "")
    (tmp_path / "mine.yaml").write_text(text)
    code, out, err = wx("brief", *ASK, "--rules", tmp_path / "mine.yaml")
    assert (code, out) == (4, "")
    assert "unit" in err
    assert day.server.requests == []


HOSTILE = [
    "\\e[2J\\e[31mGO",
    "a\\nGO: all day",
    "\\u202egnorw",
    "x" * 500,
    "\\u200b",
    "\\x07",
]


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_site_name_forges_no_line_and_no_colour(
    day: Day, wx: Run, tmp_path: Path, name: str
) -> None:
    (tmp_path / "f.yaml").write_text(
        f'site:\n  id: f\n  name: "{name}"\n  latitude: 52\n  longitude: -1.5\n  zone: UTC\n'
    )
    code, out, err = wx("brief", tmp_path / "f.yaml", *WHO, *AT, "--hours", HOURS)
    if code:
        assert code == 2
        assert "f.yaml:3" in err
    else:
        lines = out.splitlines()
        assert lines[1].startswith("GO: Mon 15 Jun 11:00")
        assert sum(line.startswith("GO: ") for line in lines) == 1
        assert max(map(len, lines)) <= 80


# ---------------------------------------------------------------------- files in place of a fetch


@pytest.fixture
def file(day: Day, wx: Run, tmp_path: Path) -> Path:
    """The good day as ``wxgate fetch`` writes it."""
    code, _, err = wx("fetch", *HERE, *AT, "--hours", HOURS, "--out", tmp_path / "good.nc")
    assert code == 0, err
    assert [p.name for p in tmp_path.iterdir()] == ["good.nc"]
    return tmp_path / "good.nc"


def changed(file: Path, change: Callable[[xr.Dataset], Any]) -> Path:
    """The file with a change, written by plain xarray."""
    with xr.open_dataset(file, engine="netcdf4", decode_timedelta=False) as opened:
        dataset = opened.load()
    found = change(dataset)
    dataset = found if isinstance(found, xr.Dataset) else dataset
    for name, variable in dataset.variables.items():
        since = {"units": "minutes since 1970-01-01", "dtype": "int64"}
        variable.encoding = since if str(name).startswith("time") else {}
    dataset.to_netcdf(file.with_name("changed.nc"), engine="netcdf4")
    return file.with_name("changed.nc")


def test_the_fetched_file_grades_the_same(wx: Run, file: Path) -> None:
    assert grades(wx, "--forecast", file) == ALL_GO
    assert grades(wx, "--forecast", file.rename(file.with_name("no-suffix"))) == ALL_GO


@pytest.mark.parametrize("keep", [0.0, 0.1, 0.5, 0.99])
def test_a_part_of_a_netcdf_file(wx: Run, file: Path, keep: float) -> None:
    content = file.read_bytes()
    file.write_bytes(content[: int(len(content) * keep)])
    refused(wx("brief", *ASK, "--forecast", file), 3, "not a readable netCDF file")


def test_a_netcdf_file_that_rotted_is_not_read_as_weather(wx: Run, file: Path) -> None:
    import struct

    content = file.read_bytes()
    gusts = struct.pack("<10f", *[4.0] * 10)
    assert content.count(gusts) == 1
    file.write_bytes(content.replace(gusts, bytes(40)))
    refused(wx("brief", *ASK, "--forecast", file), 3, "not a readable netCDF file")


def test_a_file_for_another_place(wx: Run, file: Path) -> None:
    there = ("--lat", 51.0, "--lon", SITE[1], *WHO, *AT, "--hours", HOURS)
    refused(wx("brief", *there, "--forecast", file), 3, "111 km from the site")
    near = ("--lat", 52.1, "--lon", SITE[1], *WHO, *AT, "--hours", HOURS)
    assert grades(wx, "--forecast", file, ask=near) == ALL_GO


def with_provenance(**values: object) -> Callable[[xr.Dataset], None]:
    def change(dataset: xr.Dataset) -> None:
        first = json.loads(dataset.attrs["wxgate_provenance"])[0]
        dataset.attrs["wxgate_provenance"] = json.dumps([{**first, **values}])

    return change


def with_attribute(name: str, value: object) -> Callable[[xr.Dataset], None]:
    return lambda dataset: dataset.attrs.__setitem__(name, value)


def with_variable(name: str, **attrs: str) -> Callable[[xr.Dataset], None]:
    return lambda dataset: dataset[name].attrs.update(attrs)


def half_an_hour_later(dataset: xr.Dataset) -> xr.Dataset:
    import numpy as np

    half = np.timedelta64(30, "m")
    bounds = dataset["time_bnds"].values + half
    moved = dataset.drop_vars("time_bnds").assign_coords(time=dataset["time"].values + half)
    moved["time_bnds"] = (("time", "bnds"), bounds)
    return moved


def hours_labelled_by_their_end(dataset: xr.Dataset) -> None:
    import numpy as np

    dataset["time_bnds"] = dataset["time_bnds"] - np.timedelta64(1, "h")


def one_level_seven_times(dataset: xr.Dataset) -> xr.Dataset:
    return dataset.assign_coords(
        height=("height", [10.0] * dataset.sizes["height"], dataset["height"].attrs)
    )


OLD = f"{RUN - timedelta(hours=30):%Y-%m-%dT%H:%M:%SZ}"
BROKEN: dict[str, tuple[Callable[[xr.Dataset], Any], str]] = {
    "no run": (with_attribute("wxgate_provenance", "[]"), "forecast_reference_time"),
    "provenance of unknown shape": (with_attribute("wxgate_provenance", "{}"), "not a list"),
    "provenance without an end": (with_attribute("wxgate_provenance", "[" * 10**5), "recursion"),
    "a run without a zone": (with_provenance(run="2026-06-15T06:00:00"), "no zone"),
    "a run before all calendars": (with_provenance(run="0001-01-01T00:00:00+14:00"), "range"),
    # Each of these would make a stale run look fresh.
    "cycles that go backwards": (with_provenance(run=OLD, cycle_h=-6), "cycle_h"),
    "cycles of a century": (with_provenance(run=OLD, cycle_h=1e6), "cycle_h"),
    "cycles of no number": (with_provenance(run=OLD, cycle_h=float("nan")), "cycle_h"),
    "cycles of text": (with_provenance(cycle_h="6"), "cycle_h"),
    "hours labelled by their end": (hours_labelled_by_their_end, "label each hour by its start"),
    "half hours": (half_an_hour_later, "full hours"),
    "every third hour": (lambda d: d.isel(time=slice(None, None, 3)), "one hour apart"),
    "backwards": (lambda d: d.isel(time=slice(None, None, -1)), "one hour apart"),
    "no unit": (with_variable("air_temperature", units=""), "units"),
    "another thing's unit": (with_variable("wind_speed_of_gust", units="kg"), "cannot turn"),
    "an evil unit": (with_variable("wind_speed_of_gust", units="\x1b[2J"), "cannot turn"),
    "the least gust": (with_variable("wind_speed_of_gust", cell_methods="time: minimum"), "gust"),
    "the mean gust": (with_variable("wind_speed_of_gust", cell_methods="time: mean"), "gust"),
    "the best visibility": (
        with_variable("visibility_in_air", cell_methods="time: maximum"), "visibility",
    ),
    "the least wind": (with_variable("eastward_wind", cell_methods="time: minimum"), "wind"),
    "the warmest": (with_variable("air_temperature", cell_methods="time: maximum"), "temperature"),
    "heights above the sea": (with_variable("height", standard_name="altitude"), "altitude"),
    "heights in hPa": (with_variable("height", units="hPa"), "cannot turn"),
    "one level seven times": (one_level_seven_times, "same level twice"),
    "no place": (lambda d: d.drop_vars(["latitude", "longitude"]), "could be of anywhere"),
    "a place that is missing": (
        lambda d: d.assign_coords(latitude=float("nan")), "latitude: must be degrees",
    ),
    "a map": (
        lambda d: d.drop_vars(["latitude", "time_bnds"])
        .expand_dims({"latitude": [52.0, 53.0]}, axis=-1)
        .assign(time_bnds=d["time_bnds"]),
        "one place",
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", BROKEN)
def test_a_file_that_breaks_the_contract(wx: Run, file: Path, what: str) -> None:
    change, told = BROKEN[what]
    code, out, err = wx("brief", *ASK, "--forecast", changed(file, change))
    assert (code, out) == (3, "")
    assert told in err


def scaled(name: str, factor: float, units: str) -> Callable[[xr.Dataset], None]:
    def change(dataset: xr.Dataset) -> None:
        attrs = {**dataset[name].attrs, "units": units}
        dataset[name] = dataset[name] * factor
        dataset[name].attrs = attrs

    return change


@pytest.mark.parametrize(
    ("change", "found"),
    [
        (scaled("air_temperature", 0.06, "K"), "unknown"),  # 17 degC called kelvin
        (scaled("air_temperature", 1.0, "degC"), "unknown"),  # kelvin called degC
        (scaled("visibility_in_air", 0.001, "m"), "no-go"),  # km called m
        (scaled("visibility_in_air", 1.0, "km"), "marginal"),  # m called km: 24100 km
        (scaled("surface_air_pressure", 1.0, "hPa"), "go"),  # had of the standard atmosphere
        (scaled("eastward_wind", 1e9, "m s-1"), "unknown"),
        (scaled("wind_speed_of_gust", 1e9, "m s-1"), "marginal"),
        (scaled("wind_speed_of_gust", float("nan"), "m s-1"), "marginal"),
        (scaled("air_temperature", float("inf"), "K"), "unknown"),
        (scaled("lwe_thickness_of_precipitation_amount", float("nan"), "mm"), "marginal"),
        (scaled("wind_speed_of_gust", 1 / 0.514444, "kt"), "go"),
        (with_provenance(run=OLD), "marginal"),
        (with_provenance(run=f"{RUN - timedelta(hours=60):%Y-%m-%dT%H:%M:%SZ}"), "unknown"),
        (with_provenance(run=f"{NOW + timedelta(hours=1):%Y-%m-%dT%H:%M:%SZ}"), "unknown"),
        (with_provenance(run=""), "unknown"),
        (with_provenance(title="\x1b[2J\nGO: all day"), "go"),
        (with_attribute("wxgate_notes", "["), "go"),
        (with_attribute("wxgate_notes", "[5]"), "go"),
        (with_attribute("wxgate_notes", '["\\u001b[2J\\nGO: all day"]'), "go"),
        (lambda d: d.drop_vars("visibility_in_air"), "marginal"),
        (lambda d: d.drop_vars("air_temperature"), "unknown"),
        (lambda d: d.drop_vars("eastward_wind"), "unknown"),
        (lambda d: d.isel(height=slice(None, None, -1)), "go"),
    ],
)
def test_what_a_wrong_number_is_worth(
    wx: Run, file: Path, change: Callable[[xr.Dataset], Any], found: str
) -> None:
    spoilt = changed(file, change)
    assert grades(wx, "--forecast", spoilt) == [found] * HOURS
    _, out, _ = wx("brief", *ASK, "--forecast", spoilt)
    assert sum(line.startswith("GO: ") for line in out.splitlines()) == (found == "go")


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "no GRIB message"),
        (b"<html>", "no GRIB message"),
        (b"GRIB" + bytes(100), "only edition 2"),
        (good_file(RUN, 6).content[:5000], "cut off"),
    ],
)
def test_a_grib_file_that_is_none(
    day: Day, wx: Run, tmp_path: Path, content: bytes, told: str
) -> None:
    (tmp_path / "f.grib2").write_bytes(content)
    refused(wx("brief", *ASK, "--forecast", tmp_path / "f.grib2"), 3, told, "Give a GRIB2 file")


def test_a_file_whose_name_is_hostile(wx: Run, tmp_path: Path) -> None:
    refused(wx("brief", *ASK, "--forecast", tmp_path / "\x1b[31m.nc"), 3, "\\x1b[31m.nc")


# ---------------------------------------------------------------------- the cache


def file_in_its_place(cache: Path) -> None:
    cache.parent.mkdir(parents=True, exist_ok=True)
    cache.write_text("not a folder")


def files_within(cache: Path) -> None:
    cache.mkdir(parents=True)
    (cache / "hours").write_text("")
    (cache / "messages").write_text("")


def link_to_itself(cache: Path) -> None:
    cache.parent.mkdir(parents=True, exist_ok=True)
    cache.symlink_to(cache)


@pytest.mark.parametrize("spoil", [file_in_its_place, files_within, link_to_itself])
def test_without_a_cache_the_brief_still_comes(
    day: Day, wx: Run, spoil: Callable[[Path], None]
) -> None:
    spoil(places.cache_folder())
    assert grades(wx) == ALL_GO
    _, out, _ = wx("brief", *ASK)
    assert "nothing is kept for the next time" in " ".join(out.split())
    for words in (("cache",), ("cache", "prune")):
        code, _, err = wx(*words)
        assert code in (0, 5)
        assert bool(err) == (code == 5)


def test_a_cache_that_may_not_be_written(
    day: Day, wx: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def mkdir(*_: object, **__: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "mkdir", mkdir)
    assert grades(wx) == ALL_GO
    assert "nothing is kept for the next time" in " ".join(wx("brief", *ASK)[1].split())


def test_a_full_disk(day: Day, wx: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        patch.setattr(Path, "write_text", full)
        assert grades(wx) == ALL_GO
    assert not any("part" in name for name in entries())


def test_messages_that_rotted_are_fetched_again(day: Day, wx: Run) -> None:
    grades(wx)
    forget_hours()
    before = entries()
    for name, content in before.items():
        middle = len(content) // 2
        flipped = bytes([content[middle] ^ 0xFF])
        (places.cache_folder() / name).write_bytes(
            content[:middle] + flipped + content[middle + 1 :]
        )
    refused(wx("brief", *ASK, "--offline"), 3, "not kept")
    assert grades(wx) == ALL_GO
    assert set(before) <= set(entries())


def stored() -> Path:
    (file,) = (places.cache_folder() / "hours").glob("*.json")
    return file


def packed(told: dict[str, Any]) -> bytes:
    """Stored hours with a digest that agrees."""
    body = json.dumps(told)
    digest = hashlib.sha256(body.encode()).hexdigest()
    return json.dumps({"sha256": digest, "body": body}).encode()


def cut_fields(forecast: dict[str, Any]) -> dict[str, Any]:
    fields = {
        name: {**f, "values": f["values"][:2]} if isinstance(f["values"], list) else f
        for name, f in forecast["fields"].items()
    }
    return {**forecast, "fields": fields}


def naive_run(forecast: dict[str, Any]) -> dict[str, Any]:
    first, *rest = forecast["provenance"]
    return {**forecast, "provenance": [{**first, "run": first["run"][:19]}, *rest]}


@pytest.mark.parametrize(
    "spoil",
    [
        lambda content, told: b"",
        lambda content, told: content[:100],
        lambda content, told: b"null",
        lambda content, told: b"[" * 100_000,
        lambda content, told: content.replace(b"0.5", b"0.4"),
        lambda content, told: packed({**told, "at": told["at"][:19]}),
        lambda content, told: packed({**told, "key": "another question"}),
        lambda content, told: packed({**told, "forecast": {**told["forecast"], "time": []}}),
        lambda content, told: packed({**told, "forecast": cut_fields(told["forecast"])}),
        lambda content, told: packed({**told, "forecast": naive_run(told["forecast"])}),
    ],
)
def test_stored_hours_that_rotted_are_as_good_as_none(
    day: Day, wx: Run, spoil: Callable[[bytes, dict[str, Any]], bytes]
) -> None:
    grades(wx)
    content = stored().read_bytes()
    stored().write_bytes(spoil(content, json.loads(json.loads(content)["body"])))
    day.server.forget()
    assert grades(wx) == ALL_GO  # made anew from the messages that are kept
    assert stored().read_bytes() != content[:100]
    day.server.fault("/*", Fault.HANG_UP)
    assert grades(wx, "--offline") == ALL_GO


def test_stored_hours_of_another_site_never_answer(day: Day, wx: Run) -> None:
    grades(wx)
    here = stored()
    there = ("--lat", 40.0, "--lon", SITE[1], *WHO, *AT, "--hours", HOURS)
    grades(wx, ask=there)
    (other,) = set((places.cache_folder() / "hours").glob("*.json")) - {here}
    shutil.copy(here, other)
    shutil.rmtree(places.cache_folder() / "messages")
    refused(wx("brief", *there, "--offline"), 3, "not kept")


# ---------------------------------------------------------------------- the configuration


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[]", "must be a mapping"),
        ("a: [", "cannot be read"),
        ("[" * 5000, "cannot be read"),
        ("!!python/object/apply:os.system [true]", "cannot be read"),
        ("gfs: {ordr: [crop]}", "Did you mean 'order'"),
        ("gfs: {order: [x]}", "neither crop nor a mirror"),
        ("gfs: {order: []}", "must not be empty"),
        ("gfs: {crop: {scripts: []}}", "must not be empty"),
        ("gfs: {crop: {cell_deg: 0}}", "must be from"),
        ("gfs: {crop: {cell_deg: .nan}}", "must be from"),
        ("gfs: {runs: {every_h: 0}}", "must be from"),
        ("gfs: {runs: {give_up_after_h: -1}}", "must be from"),
        ("gfs: {runs: {first_step_after_h: 1.0e+9}}", "must be from"),
        ("gfs: {steps: [{until_h: 120, every_h: 0}]}", "must be from"),
        ("gfs: {neighbourhood: {radius_km: .nan}}", "must be from"),
        ("gfs: null", "must be a mapping"),
        ("usual: null", "must be a mapping"),
        ("usual: {models: gfs}", "must be a list"),
        ("services: {nomads: {connections: -1}}", "must be from"),
    ],
)
def test_mistakes_in_the_endpoints(wx: Run, text: str, told: str) -> None:
    config = Path(os.environ["WXGATE_CONFIG"])
    config.mkdir(parents=True)
    (config / "endpoints.yaml").write_text(text)
    refused(wx("brief", *ASK, "--offline"), 2, "endpoints.yaml", told)


@pytest.mark.parametrize(
    "address", ["ftp://x/", "nonsense", "http://[::1", "http://u:p@127.0.0.1/"]
)
def test_an_address_that_is_none(day: Day, wx: Run, address: str) -> None:
    day.write("crop", crop={"scripts": [address], "cell_deg": gfs_service.CELL})
    refused(wx("brief", *ASK), 3, "crop: ", "Correct the address")


def test_a_contact_that_no_header_can_hold(day: Day, wx: Run) -> None:
    with (day.config / "endpoints.yaml").open("a") as file:
        file.write('contact: "caf\\u00e9 \\u2603\\r\\nX-Evil: 1"\n')
    assert grades(wx) == ALL_GO
    assert all("x-evil" not in seen.headers for seen in day.server.requests)


def test_no_home_folder_is_a_sentence(wx: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    import pwd

    def nobody(*_: object) -> None:
        raise KeyError("no such user")

    monkeypatch.setattr(pwd, "getpwuid", nobody)
    for name in ("WXGATE_CACHE", "HOME", "XDG_CACHE_HOME"):
        monkeypatch.delenv(name, raising=False)
    refused(wx("brief", "--demo"), 2, "home folder", "WXGATE_CACHE")
    monkeypatch.setenv("WXGATE_CACHE", "~/cache")
    refused(wx("brief", "--demo"), 2, "home folder", "WXGATE_CACHE")


# ---------------------------------------------------------------------- the terminal


def test_what_cannot_be_seen_is_written_out() -> None:
    assert visible("a\x1b[2J\x07\x9b\u202e\nb\u00e9") == "a\\x1b[2J\\x07\\x9b\\u202e\nb\u00e9"
    ours = coloured("GO", Grade.GO)
    assert visible(ours) == ours
    assert visible("\x1b[1;38;5;196mGO\x1b[0m").startswith("\\x1b[1;38;5;196mGO")


def command(*words: object, **more: str) -> list[str]:
    return [sys.executable, "-m", "wxgate", *map(str, words)]


def shell(line: str, **more: str) -> subprocess.CompletedProcess[str]:
    env = {**os.environ, **more, "PYTHON": sys.executable}
    return subprocess.run(
        ["bash", "-c", f"set -o pipefail; {line}"], env=env, capture_output=True, text=True
    )


def test_output_that_nobody_reads_or_that_cannot_be_written() -> None:
    gone = shell('"$PYTHON" -m wxgate brief --demo --json | true')
    # A reader that has gone is no go for what looks at the exit code.
    assert (gone.returncode, gone.stderr) == (141, "")
    full = shell('"$PYTHON" -m wxgate brief --demo > /dev/full')
    assert full.returncode == 2
    assert full.stderr == (
        "wxgate: the output cannot be written (No space left on device). Check where it goes.\n"
    )
    closed = shell('"$PYTHON" -m wxgate brief --demo >&-')
    assert (closed.returncode, closed.stderr) == (0, "")


def test_terminals_of_few_letters_get_question_marks() -> None:
    few = {"PYTHONIOENCODING": "ascii:strict", "LC_ALL": "C", "PYTHONUTF8": "0"}
    found = shell('"$PYTHON" -m wxgate explain 10:00 --demo', **few)
    assert (found.returncode, found.stderr) == (0, "")
    assert "?C" in found.stdout
    assert "\x1b" not in shell('"$PYTHON" -m wxgate brief --demo', TERM="dumb", NO_COLOR="").stdout


@pytest.mark.parametrize("order", ["crop", "mirror"])
def test_ctrl_c_ends_at_once_and_leaves_nothing_half_written(day: Day, order: str) -> None:
    day.write(order)
    day.server.fault("/*", Fault.NO_ANSWER, seconds=60)
    process = subprocess.Popen(
        command("brief", *ASK),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # A test run in the background of a shell is deaf to Ctrl-C, and so would its children be.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    deadline = time.monotonic() + 20
    while not day.server.requests and time.monotonic() < deadline:
        time.sleep(0.05)
    time.sleep(0.2)
    pressed = time.monotonic()
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=20)
    assert time.monotonic() - pressed < 5
    assert (process.returncode, out, err) == (130, "", "wxgate: stopped.\n")
    assert entries() == {}


def test_two_at_once_agree_and_do_no_harm(day: Day, wx: Run) -> None:
    both = [
        subprocess.Popen(
            command("brief", *ASK), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        for _ in range(2)
    ]
    told = [process.communicate(timeout=60) for process in both]
    assert [process.returncode for process in both] == [0, 0]
    assert told[0] == told[1]
    assert not any("part" in name for name in entries())
    assert grades(wx, "--offline") == ALL_GO


def test_the_longest_brief_still_fits(day: Day, wx: Run) -> None:
    grades(wx)
    code, out, _ = wx("brief", *HERE, *WHO, *AT, "--hours", 240, "--offline")
    assert code == 0
    assert len(out.splitlines()) < 20
    for hours in (0, 241, "x"):
        assert wx("brief", *HERE, *WHO, "--hours", hours)[0] == 2


@pytest.mark.parametrize(
    ("day_of_change", "zone", "hours"),
    [
        (datetime.fromisoformat("2026-03-29T00:00+00:00"), "Europe/London", 3),
        (datetime.fromisoformat("2026-10-25T00:00+00:00"), "Europe/London", 3),
        (datetime.fromisoformat("2026-10-03T12:00+00:00"), "Australia/Lord_Howe", 5),
    ],
)
def test_when_clocks_change_every_hour_is_graded_once(
    day: Day, wx: Run, day_of_change: datetime, zone: str, hours: int
) -> None:
    day.serve(good_file(day_of_change - timedelta(hours=6), step) for step in range(15))
    ask = (*HERE, "--zone", zone, *WHO, "--at", day_of_change.isoformat(), "--hours", hours)
    code, out, err = wx("brief", *ask, "--json")
    assert code == 0, err
    starts = [datetime.fromisoformat(hour["start"]) for hour in json.loads(out)["hours"]]
    assert starts == [day_of_change + timedelta(hours=n) for n in range(hours)]
    assert wx("brief", *ask)[0] == 0
