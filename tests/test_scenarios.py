"""Truth: situations with an instructor's verdict, from file to verdict by the command line.

Source: wxgate science notes, scenario table (computed by us). Each scenario is written as a
CF netCDF file by plain xarray, and ``wxgate brief --forecast FILE --json`` grades it.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr
from scenario_table import SCENARIOS, place
from scenarios import Cast, Scenario, dataset_of, write_file

from wxgate import places
from wxgate.cli import main as cli_main

pytestmark = pytest.mark.truth

Brief = Callable[..., dict[str, Any]]


@pytest.fixture
def brief(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> Brief:
    """Write a scenario's files and run ``wxgate brief`` on them; the JSON that it prints."""

    def run(scenario: Scenario, cast: Cast) -> dict[str, Any]:
        first, end = scenario.hours
        words = [
            "wxgate", "brief", *files(scenario, cast, tmp_path), "--pilot", cast.skill,
            "--height", f"{cast.height} m", "--at", scenario.at(first).isoformat(),
            "--hours", str(end - first), "--json",
        ]  # fmt: skip
        monkeypatch.setattr(sys, "argv", words)
        with pytest.raises(SystemExit) as ended:
            cli_main.run()
        out, err = capsys.readouterr()
        assert ended.value.code in (0, None), err
        told: dict[str, Any] = json.loads(out)
        return told

    return run


def files(scenario: Scenario, cast: Cast, folder: Path) -> list[str]:
    """The site, forecast, aircraft and rules files of a cast, as words of the command line."""
    site, forecast = folder / "field.yaml", folder / "forecast.nc"
    site.write_text(scenario.site_text())
    write_file(scenario, forecast)
    aircraft = cast.aircraft
    if "\n" in aircraft:
        (folder / "aircraft.yaml").write_text(aircraft)
        aircraft = str(folder / "aircraft.yaml")
    words = [str(site), "--forecast", str(forecast), "--aircraft", aircraft]
    if cast.rules:
        words += ["--rules", str(places.shipped("rules") / cast.rules)]
    return words


CASES = [
    pytest.param(s, c, id=f"{s.id}: {c.skill}, {c.height:g} m, {c.aircraft.splitlines()[0]}")
    for s in SCENARIOS
    for c in s.casts
]


@pytest.mark.parametrize(("scenario", "cast"), CASES)
def test_scenario(scenario: Scenario, cast: Cast, brief: Brief) -> None:
    hours = hours_of(brief(scenario, cast), scenario)
    found = {hour: told(hours[hour], cast.verdict[hour]) for hour in cast.verdict}
    assert found == dict(cast.verdict)
    for (hour, quantity), (value, within) in cast.numbers.items():
        number = value_of(hours[hour], quantity)
        if within is None:
            assert number >= value - 0.05
        else:
            assert number == pytest.approx(value, abs=within)


@pytest.mark.law
def test_a_scenario_holds_all_that_a_fetch_gives(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    file = tmp_path / "fetched.nc"
    monkeypatch.setattr(sys, "argv", ["wxgate", "fetch", "--demo", "--out", str(file)])
    with pytest.raises(SystemExit):
        cli_main.run()
    with xr.open_dataset(file, engine="netcdf4") as fetched:
        names = {str(n) for n in fetched.data_vars if not str(n).endswith("_origin")}
    names -= {"time_bnds", "forecast_reference_time"}
    assert names
    for scenario in SCENARIOS:
        lacking = names - {str(n) for n in dataset_of(scenario).data_vars}
        assert lacking == set(scenario.absent)


def hours_of(answer: dict[str, Any], scenario: Scenario) -> dict[int, dict[str, Any]]:
    first = scenario.hours[0]
    found = dict(enumerate(answer["hours"], start=first))
    for hour, verdict in found.items():
        assert verdict["start"] == f"{scenario.at(hour):%Y-%m-%dT%H:%M:%SZ}"
    return found


def told(hour: dict[str, Any], expected: str) -> str:
    """The verdict in the words of the table; what differs from it is shown."""
    grade, named = hour["grade"], expected.split(" ", 1)[1:]
    gave = {r["rule"] for r in hour["reasons"] if r["grade"] == grade}
    if not named:
        return f"{grade}" if grade == expected else f"{grade} {sorted(gave)}"
    rules = named[0].split(" + ")
    lacking = [rule for rule in rules if rule not in gave]
    if lacking:
        return f"{grade} without {lacking}, but {sorted(gave)}"
    # The gust on the way up is the same gust, over the layer up to 50 m beyond flight height.
    if hour["limiting"] not in {*rules, *(["gust-on-the-way"] if "gust" in rules else [])}:
        return f"{grade} limited by {hour['limiting']}, not {rules}"
    return f"{grade} {named[0]}"


def value_of(hour: dict[str, Any], quantity: str) -> float:
    values = [r["value"] for r in hour["reasons"] if r["quantity"] == quantity]
    assert values, f"no rule tells {quantity}"
    return float(values[0])


# ---------------------------------------------------------------------- what a grade does not tell

BY_NUMBER = {scenario.id.split()[0]: scenario for scenario in SCENARIOS}


@pytest.fixture
def text(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> Callable[..., str]:
    """Run a command on a scenario's files for its first cast; what it prints for people."""

    def run(scenario: Scenario, *command: str, start: float, hours: int) -> str:
        cast = scenario.casts[0]
        words = [
            "wxgate", *command, *files(scenario, cast, tmp_path), "--pilot", cast.skill,
            "--height", f"{cast.height} m", "--at", scenario.at(start).isoformat(),
            "--hours", str(hours),
        ]  # fmt: skip
        monkeypatch.setattr(sys, "argv", words)
        with pytest.raises(SystemExit) as ended:
            cli_main.run()
        out, err = capsys.readouterr()
        assert ended.value.code in (0, None), err
        return out

    return run


def test_what_is_missing_and_how_old_it_is_are_named(text: Callable[..., str]) -> None:
    """Scenarios 11 and 12: "items named", "data 30 h old"."""
    out = " ".join(text(BY_NUMBER["11"], "brief", start=9, hours=4).split())
    missing = out.partition("Missing:")[2].partition("Data:")[0]
    assert "gust at flight height" in missing
    assert "visibility" in missing
    assert "30 h old" in text(BY_NUMBER["12"], "brief", start=10, hours=2)


def test_the_day_that_summer_time_ends_has_25_hours(text: Callable[..., str]) -> None:
    """Scenario 13: 01:00 comes twice, and a lesson at 09:00 is one at 09 UTC."""
    scenario = BY_NUMBER["13"]
    out = text(scenario, "brief", start=-1, hours=25)
    strip = [line.split() for line in out.splitlines() if line.startswith("Sun 26")]
    clocks = [clock for line in strip for clock in line[2:]]
    assert clocks == ["00", "01", "01", *(f"{hour:02d}" for hour in range(2, 24))]
    # The run of the file is that of 02 UTC; asked later, it has an age.
    nine = text(scenario, "explain", "09:00", start=3, hours=12).splitlines()[0]
    assert nine.startswith("Sun 26 Oct 09:00-10:00 GMT: GO")
    eight = text(scenario, "explain", "08:00", start=3, hours=12).splitlines()[0]
    assert eight.startswith("Sun 26 Oct 08:00-09:00 GMT: NO-GO")


@pytest.mark.parametrize(("hour", "begins"), [("01:30", "01:00"), ("03:30", "03:00")])
def test_the_hour_that_summer_time_leaves_out(
    hour: str, begins: str, text: Callable[..., str]
) -> None:
    """Scenario 13: 02:30 does not exist in the United States on 8 March 2026."""
    site = place(40.0, -75.0, "America/New_York", altitude="100 m")
    scenario = replace(BY_NUMBER["12"], midnight="2026-03-08", site=site, run_age=14, after=16)
    out = text(scenario, "brief", start=0, hours=23)
    clocks = next(line for line in out.splitlines() if line.startswith("Sun 8")).split()[2:]
    assert clocks == ["00", "01", *(f"{number:02d}" for number in range(3, 24))]
    told = text(scenario, "explain", hour, start=0, hours=23).splitlines()[0]
    assert told.startswith(f"Sun 8 Mar {begins}-")


# ---------------------------------------------------------------------- members


@pytest.mark.parametrize(
    ("skill", "limit", "grade"), [("experienced", 12.0, "marginal"), ("novice", 9.0, "no-go")]
)
def test_nine_of_twenty_members_over_the_limit(
    skill: str, limit: float, grade: str, brief: Brief, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Scenario 25: the mean of the members is just under the no-go limit; 9.5/21 say it is bad.

    Experienced: marginal, for less than .60; novice: no-go, for more than .40.
    """
    excess = np.where(np.arange(20) < 9, 1.0, -1.0)
    calm = replace(BY_NUMBER["10"], weather={"u10": 3.0})

    def with_members(scenario: Scenario, path: Path) -> Path:
        dataset = dataset_of(scenario)
        gust = dataset["wind_speed_of_gust"] * 0 + (limit - 0.5)
        members = gust.expand_dims(realization=20).transpose("time", "realization") + excess
        dataset["wind_speed_of_gust"] = members.assign_attrs(dataset["wind_speed_of_gust"].attrs)
        dataset.to_netcdf(path, engine="netcdf4")
        return path

    monkeypatch.setitem(globals(), "write_file", with_members)
    cast = replace(calm.casts[0], skill=skill, verdict={12: grade}, numbers={})
    assert hours_of(brief(replace(calm, casts=(cast,)), cast), calm)[12]["grade"] == grade
