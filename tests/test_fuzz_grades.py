"""Law: spoiling what says the weather never makes it look better.

A value that is taken out, or made no number, is missing or as bad as it was; a file whose variables
are cut, renamed, emptied, stripped of what tells their meaning, or aged, never gives an hour that
can be flown where the whole file did not. (A value that is changed into another plausible one says
something else, and nobody can tell.) Long runs by hand: ``WXGATE_FUZZ=50``.
"""

from __future__ import annotations

import copy
import functools
import math
import warnings
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import test_fuzz_weather
import xarray as xr
from fuzzing import _places, dumped, examples
from hypothesis import given
from hypothesis import strategies as st
from scenario_table import SCENARIOS
from scenarios import Scenario, dataset_of

from wxgate.brief import make_brief
from wxgate.cli import session
from wxgate.derive.run import derive
from wxgate.errors import WxgateError
from wxgate.netcdf import read_netcdf
from wxgate.profiles import load_site
from wxgate.sources import gfz, metno, nws, openmeteo
from wxgate.sources import swpc_formats as swpc
from wxgate.sources.kslots import lay
from wxgate.verdict import Grade

pytestmark = pytest.mark.law

# ---------------------------------------------------------------------- services for a point

NO_NUMBER: list[Any] = [None, "7", "", [], [1.0], {}, True, False, math.nan, math.inf, -math.inf,
                        10**400, {"value": 1}, "NaN", 1e300, -1e300]  # fmt: skip
RAIN = "lwe_thickness_of_precipitation_amount"


def _nws(found: Any) -> Any:
    return nws.read_answer(nws._NeverOlder()(dumped(found)), test_fuzz_weather.HOURS)


def _metno(found: Any) -> Any:
    return metno.read_answer(metno._checked(dumped(found)), test_fuzz_weather.HOURS)


def _openmeteo(found: Any) -> Any:
    return openmeteo.read_answer(
        openmeteo._checked(dumped(found)), test_fuzz_weather.HOURS, heights=(10, 80),
        clearest=24100.0, run=None,
    )  # fmt: skip


SERVICES: dict[str, tuple[Callable[[Any], Any], Any]] = {
    "nws": (_nws, test_fuzz_weather.NWS),
    "metno": (_metno, test_fuzz_weather.METNO),
    "openmeteo": (_openmeteo, test_fuzz_weather.OPENMETEO),
}


@functools.cache
def whole_answer(name: str) -> Any:
    read, document = SERVICES[name]
    return read(document)


def at(document: Any, path: tuple[Any, ...]) -> Any:
    for key in path:
        document = document[key]
    return document


@pytest.mark.parametrize("name", SERVICES)
@examples(120)
@given(data=st.data())
def test_a_number_that_is_none_is_missing(name: str, data: st.DataObject) -> None:
    read, document = SERVICES[name]
    numbers = [
        path for path in _places(document)
        if type(at(document, path)) in (int, float) and "time" not in path
    ]  # fmt: skip
    found = copy.deepcopy(document)
    for path in data.draw(st.lists(st.sampled_from(numbers), min_size=1, max_size=3, unique=True)):
        at(found, path[:-1])[path[-1]] = data.draw(st.sampled_from(NO_NUMBER))
    try:
        spoilt = read(found)
    except WxgateError:
        return
    for quantity, field in whole_answer(name).fields.items():
        got = spoilt.fields.get(quantity)
        if got is None or got.values.shape != field.values.shape:
            continue  # a height, or a constant, that is not there
        same = (got.values == field.values) | np.isnan(got.values)
        # The rain of six hours stands in for that of one, and is more.
        more = quantity == RAIN and name == "metno"
        assert (same | (more & (got.values >= field.values))).all(), (quantity, got, field)


@examples(80)
@given(data=st.data())
def test_a_k_index_that_is_none_is_missing(data: st.DataObject) -> None:
    for parse, rows, key in (
        (swpc.parse_forecast_json, copy.deepcopy(test_fuzz_weather.test_kp.OBJECTS), "kp"),
        (gfz.parse_json, copy.deepcopy(test_fuzz_weather.test_gfz.SAMPLE), "Kp"),
    ):
        document: Any = rows
        axis = test_fuzz_weather.AXIS if key == "kp" else test_fuzz_weather.AXIS - np.timedelta64(
            221, "D")  # fmt: skip
        before = lay(parse(dumped(document)), axis).values
        value = data.draw(st.sampled_from([v for v in NO_NUMBER if v != "7"]))
        if key == "kp":
            document[data.draw(st.integers(0, 2))]["kp"] = value
        else:
            document["Kp"][data.draw(st.integers(0, 5))] = value
        try:
            after = lay(parse(dumped(document)), axis).values
        except WxgateError:
            continue
        assert (np.isnan(after) | (after == before)).all()


# ---------------------------------------------------------------------- a file handed in

#: Go and marginal can be flown, in this order; unknown and no-go cannot.
RANK = {Grade.GO: 0, Grade.MARGINAL: 1, Grade.UNKNOWN: 2, Grade.NO_GO: 2}
#: Scenarios in which what is spoilt matters: some hours of each cannot be flown.
CHOSEN = SCENARIOS[:: max(len(SCENARIOS) // 6, 1)]
#: The K index only advises: where it is missing the brief says so, and an hour may be better.
ADVISORY = {"planetary_k_index"}


@functools.cache
def base(number: int) -> tuple[Scenario, xr.Dataset]:
    return CHOSEN[number], dataset_of(CHOSEN[number])


def ranks(path: Path, folder: Path, scenario: Scenario) -> list[int]:
    """How each hour can be flown, by the rules that ship; unknown where the file is refused."""
    first, last = scenario.hours
    now = scenario.at(first)
    (folder / "site.yaml").write_text(scenario.site_text())
    site = load_site(folder / "site.yaml")
    cast = session.find_cast(site, "mid-900g", "intermediate", demo=False)
    try:
        forecast = read_netcdf(path, now=now)
        whole = derive(forecast, site=site, aircraft=cast.aircraft, height=40.0)
        made = make_brief(
            [whole], rulebook(site.law), site=site, aircraft=cast.aircraft, pilot=cast.pilot,
            height=40.0, now=now, hours=last - first,
        )  # fmt: skip
    except WxgateError:
        return [2] * (last - first)
    found = {v.start: RANK[v.grade] for v in made.hours}
    hours = [now.replace(minute=0, second=0) + timedelta(hours=n) for n in range(last - first)]
    return [found.get(hour, 2) for hour in hours]


@functools.cache
def rulebook(law: str | None) -> Any:
    site = session.find_site("demo-field", None, None, "UTC", demo=False)
    pilot = session.find_cast(site, "mid-900g", "intermediate", demo=False).pilot
    from dataclasses import replace

    return session.rulebook_for(replace(site, law=law), pilot, None)


@functools.cache
def base_ranks(number: int, folder: Path) -> list[int]:
    scenario, dataset = base(number)
    path = folder / "base.nc"
    dataset.to_netcdf(path, engine="netcdf4")
    return ranks(path, folder, scenario)


def _emptied(draw: st.DrawFn, found: xr.Dataset, name: str) -> xr.Dataset:
    value = draw(st.sampled_from([np.nan, np.inf, -np.inf, 1e300, -1e300, 9.999e20, -9.999e20]))
    variable = found[name]
    if variable.dtype.kind == "M":  # the bounds of the hours
        value = np.datetime64("NaT")
    keep = np.arange(variable.size).reshape(variable.shape) % draw(st.integers(1, 3)) != 0
    return found.assign({name: variable.where(keep, value)})


def _stripped(draw: st.DrawFn, found: xr.Dataset, name: str) -> xr.Dataset:
    key = draw(st.sampled_from(["units", "cell_methods"]))
    found[name].attrs.pop(key, None)
    if draw(st.booleans()):
        found[name].attrs[key] = draw(st.sampled_from(["", "?", "x", "furlong", 5]))
    return found


def _dropped(_: st.DrawFn, found: xr.Dataset, name: str) -> xr.Dataset:
    return found.drop_vars(name)


def _renamed(_: st.DrawFn, found: xr.Dataset, name: str) -> xr.Dataset:
    return found.rename({name: f"{name}_"})


def _cut(draw: st.DrawFn, found: xr.Dataset, _: str) -> xr.Dataset:
    size = found.sizes["time"]
    first = draw(st.integers(0, size - 1))
    return found.isel(time=slice(first, draw(st.integers(first + 1, size))))


def _aged(draw: st.DrawFn, found: xr.Dataset, _: str) -> xr.Dataset:
    hours = draw(st.sampled_from([6, 24, 1000, -48, -(10**5)]))
    run = found["forecast_reference_time"].values - np.timedelta64(hours, "h")
    return found.assign_coords(forecast_reference_time=((), run))


def _no_level(draw: st.DrawFn, found: xr.Dataset, _: str) -> xr.Dataset:
    dimension = draw(st.sampled_from(["height", "air_pressure"]))
    return found.isel({dimension: slice(0, draw(st.integers(0, found.sizes[dimension] - 1)))})


DEEDS: list[Callable[..., xr.Dataset]] = [
    _emptied, _emptied, _stripped, _dropped, _renamed, _cut, _aged, _no_level,
]  # fmt: skip


@examples(60)
@given(data=st.data())
def test_a_spoilt_file_never_makes_an_hour_better(
    tmp_path_factory: pytest.TempPathFactory, tmp_path: Path, data: st.DataObject
) -> None:
    number = data.draw(st.integers(0, len(CHOSEN) - 1))
    scenario, dataset = base(number)
    before = base_ranks(number, tmp_path_factory.getbasetemp())
    spoilt = dataset.copy(deep=True)
    for _ in range(data.draw(st.integers(1, 2))):
        name = data.draw(st.sampled_from(sorted(set(map(str, dataset.data_vars)) - ADVISORY)))
        if name in spoilt:
            spoilt = data.draw(_by(data.draw(st.sampled_from(DEEDS)), spoilt, name))
    path = tmp_path / "f.nc"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            spoilt.to_netcdf(path, engine="netcdf4")
        except (ValueError, TypeError):  # bounds with units of their own cannot be written
            return
    after = ranks(path, tmp_path, scenario)
    assert all(a >= b for a, b in zip(after, before, strict=True)), (before, after)


@st.composite
def _by(draw: st.DrawFn, deed: Callable[..., xr.Dataset], found: xr.Dataset, name: str) -> Any:
    return deed(draw, found, name)


def test_the_scenarios_have_hours_of_every_rank(tmp_path: Path) -> None:
    found = [ranks_ for n in range(len(CHOSEN)) for ranks_ in base_ranks(n, tmp_path)]
    assert set(found) == {0, 1, 2}, "else nothing could be seen to get better"
