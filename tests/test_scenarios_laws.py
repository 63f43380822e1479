"""Law: whatever is taken from a forecast, no hour gets better for want of it; units do not matter.

The forecasts are those of the scenario table, with each of their variables taken out in turn. An
hour that was stopped by the one variable that showed the danger cannot still be stopped without
it, but it must not be go: it is marginal at best, and unknown where the wind is gone.
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr
from scenario_table import SCENARIOS
from scenarios import UNITS, Cast, Scenario, dataset_of, write_file

from wxgate import places
from wxgate.cli import main as cli_main
from wxgate.contract import from_dataset, run_of
from wxgate.derive.run import derive
from wxgate.forecast import Provenance
from wxgate.grade import grade, with_age
from wxgate.profiles import Aircraft, Site, Skill, known_aircraft, load_aircraft, load_site
from wxgate.rulebook import Rulebook, load_rulebook
from wxgate.verdict import Grade

pytestmark = pytest.mark.law

RULES = places.shipped("rules")
AIRCRAFT = known_aircraft([RULES / "aircraft"])

#: What alone can show a danger, and the best grade that an hour can get without it.
WITNESSES = {
    "eastward_wind": Grade.UNKNOWN,
    "northward_wind": Grade.UNKNOWN,
    # Wind above the ridge, 200 m beyond the highest level that is left.
    "eastward_wind_on_levels": Grade.UNKNOWN,
    "northward_wind_on_levels": Grade.UNKNOWN,
    "geopotential_height_on_levels": Grade.UNKNOWN,
    "surface_altitude": Grade.UNKNOWN,
    "wind_speed_of_gust": Grade.MARGINAL,
    "lwe_thickness_of_precipitation_amount": Grade.MARGINAL,
    "precipitation_neighbourhood_maximum": Grade.MARGINAL,
    # It caps where it is missing, and no more; the cold of that day stays.
    "planetary_k_index": Grade.MARGINAL,
}

CASTS = [
    pytest.param(s, c, id=f"{s.id}: {c.skill}, {c.height:g} m, {c.aircraft.splitlines()[0]}")
    for s in SCENARIOS
    for c in s.casts
]


@cache
def rulebook(extra: str) -> Rulebook:
    more = [RULES / extra] if extra else []
    return load_rulebook([*sorted((RULES / "practice").glob("*.yaml")), *more], aircraft=AIRCRAFT)


@pytest.fixture
def who(scenario: Scenario, cast: Cast, tmp_path: Path) -> tuple[Site, Aircraft]:
    (tmp_path / "field.yaml").write_text(scenario.site_text())
    site = load_site(tmp_path / "field.yaml")
    if "\n" not in cast.aircraft:
        return site, AIRCRAFT[cast.aircraft]
    (tmp_path / "aircraft.yaml").write_text(cast.aircraft)
    return site, load_aircraft(tmp_path / "aircraft.yaml")


def codes(
    scenario: Scenario, cast: Cast, who: tuple[Site, Aircraft], dataset: xr.Dataset
) -> np.ndarray[Any, np.dtype[np.uint8]]:
    """The grades of the hours that are asked for, as codes."""
    site, aircraft = who
    now = scenario.at(scenario.hours[0])
    origin = Provenance("file", "file", run_of(dataset), now, "0" * 64, cycle_h=6.0)
    forecast = replace(from_dataset(dataset), provenance=(origin,))
    found = grade(
        with_age(derive(forecast, site=site, aircraft=aircraft, height=cast.height), now),
        rulebook(cast.rules),
        aircraft=aircraft,
        skill=Skill(cast.skill),
        height=cast.height,
        latitude=site.latitude,
    )
    first, end = scenario.hours
    return found.codes[scenario.before : scenario.before + end - first]


@pytest.mark.slow
@pytest.mark.parametrize(("scenario", "cast"), CASTS)
def test_no_hour_gets_better_without_a_variable(
    scenario: Scenario, cast: Cast, who: tuple[Site, Aircraft]
) -> None:
    whole = dataset_of(scenario)
    before = codes(scenario, cast, who, whole)
    assert len(set(UNITS) & set(whole.data_vars)) > 10
    for name in set(UNITS) & set(whole.data_vars):
        after = codes(scenario, cast, who, whole.drop_vars(name))
        best = WITNESSES.get(name, Grade.NO_GO)
        assert (after >= np.minimum(before, best)).all(), (name, before, after)


@pytest.mark.slow
@pytest.mark.parametrize(("scenario", "cast"), CASTS)
def test_no_hour_becomes_go_without_a_value(
    scenario: Scenario, cast: Cast, who: tuple[Site, Aircraft]
) -> None:
    """One instant of one variable is missing: the one at which the hours that count begin."""
    whole = dataset_of(scenario)
    before = codes(scenario, cast, who, whole)
    for name in set(UNITS) & set(whole.data_vars):
        if "time" in whole[name].dims:
            holed = whole.copy()
            holed[name] = whole[name].where(whole["time"] != whole["time"][scenario.before])
            holed[name].attrs = whole[name].attrs
            after = codes(scenario, cast, who, holed)
            assert (after >= np.minimum(before, Grade.MARGINAL)).all(), (name, before, after)


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda s: s.id)
def test_units_do_not_matter(
    scenario: Scenario,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """kt, degC, hPa, km and % in place of SI: the same grades, limiting rules and reasons."""
    cast = scenario.casts[-1]
    if "\n" in cast.aircraft:
        cast = replace(cast, aircraft="light-249g")
    (tmp_path / "field.yaml").write_text(scenario.site_text())
    first, end = scenario.hours

    def graded(other_units: bool) -> list[Any]:
        file = write_file(scenario, tmp_path / f"{other_units}.nc", other_units=other_units)
        words = [
            "wxgate", "brief", tmp_path / "field.yaml", "--forecast", file, "--pilot", cast.skill,
            "--aircraft", cast.aircraft, "--height", f"{cast.height} m",
            "--at", scenario.at(first).isoformat(), "--hours", end - first, "--json",
        ]  # fmt: skip
        monkeypatch.setattr(sys, "argv", [str(word) for word in words])
        with pytest.raises(SystemExit) as ended:
            cli_main.run()
        assert ended.value.code in (0, None)
        return [
            (hour["start"], hour["grade"], hour["limiting"],
             [(reason["rule"], reason["grade"]) for reason in hour["reasons"]])
            for hour in json.loads(capsys.readouterr().out)["hours"]
        ]  # fmt: skip

    other = dataset_of(scenario, other_units=True)
    assert {v.attrs["units"] for v in other.values() if "units" in v.attrs} >= {
        "kt", "degC", "hPa", "km", "%",
    }  # fmt: skip
    assert graded(True) == graded(False)
