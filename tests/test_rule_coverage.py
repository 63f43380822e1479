"""Contract: every rule that ships is put to work by a forecast, or it is told here why not.

The demonstration (every aircraft and skill, three heights) and all scenarios (each with those who
fly in it) are graded with the practice rules. A rule has been triggered when a value passed one of
its limits, a substitute when it capped an hour. The proofs in the rules files are not counted.

``pytest -s`` prints what each rule made of how many hours.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from rule_texts import pack, rule, write
from scenario_table import SCENARIOS
from scenarios import Scenario, write_file
from typer.testing import CliRunner

from wxgate import places, profiles
from wxgate.cli import session
from wxgate.cli.question import BEFORE, DEMO_NOW, Question, raw_forecasts
from wxgate.cli.rules import app
from wxgate.coverage import (
    HEIGHTS,
    WORDS,
    Cast,
    Tally,
    added,
    every_cast,
    tally,
    triggered,
)
from wxgate.errors import UsageError
from wxgate.netcdf import read_netcdf
from wxgate.rulebook import Rulebook, load_rulebook

pytestmark = pytest.mark.contract

_BRINGS = "the demonstration and every scenario bring "
#: Rules and substitutes that neither the demonstration nor a scenario triggers, and why.
UNTRIED = {
    "forecast-age": "the oldest run of a scenario is 30 hours old; the limit is two days",
    "equatorial-evening": "the scenarios of the tropics fly by day",
    "heat": "the hottest hour of a scenario has 35 degC; the first limit that ships is 37 degC",
    "takeoff-altitude": "no scenario has thinner air than that of 2900 m; limits begin at 3200 m",
    "wind_speed_at_flight_height: pressure levels": "the one flight above 100 m is by day",
    "wind_speed_at_flight_height: power law from the top level": _BRINGS + "wind at 100 m",
    "wind_speed_at_flight_height: power law from 10 m": _BRINGS + "wind at 80 and 100 m",
    "precipitation: from rate": _BRINGS + "amounts of precipitation",
    "precipitation_probability: site alone": _BRINGS + "the cells around",
    "ceiling_clearance: condensation level": _BRINGS + "a ceiling",
    "thunder_probability: CAPE missing": _BRINGS + "CAPE",
    "thunder_probability: CAPE missing, total for convective precipitation": _BRINGS + "CAPE",
    "terrain-difference": "the sites of the scenarios lie as high as the model's ground",
    "lee-side": "no site of a scenario has a steep hill; the tests of terrain have one",
    "wake": "the scenario with a hedge flies high above its wake",
    "geomagnetic_storm_probability: from climatology, no K index": _BRINGS + "a K index",
}


@cache
def fleet() -> dict[str, profiles.Aircraft]:
    return profiles.known_aircraft([places.shipped("rules") / "aircraft"])


@cache
def practice() -> Rulebook:
    return load_rulebook([places.shipped("rules") / "practice"], aircraft=fleet())


def of_demonstration() -> Tally:
    site = session.find_site(None, None, None, "UTC", demo=True)
    ask = Question(site, DEMO_NOW, 36, demo=True)
    raw = raw_forecasts(ask, progress=lambda *_: None)[0]
    asked = slice(BEFORE, BEFORE + ask.hours)
    return tally(raw, practice(), site, every_cast(fleet().values(), HEIGHTS), asked)


def of_scenario(scenario: Scenario, folder: Path) -> Tally:
    first, end = scenario.hours
    field, file, own = folder / "field.yaml", folder / "forecast.nc", folder / "aircraft.yaml"
    field.write_text(scenario.site_text())
    write_file(scenario, file)
    casts = []
    for cast in scenario.casts:
        own.write_text(cast.aircraft)
        craft = fleet().get(cast.aircraft) or profiles.load_aircraft(own)
        casts.append(Cast(craft, profiles.Skill(cast.skill), cast.height))
    return tally(
        read_netcdf(file, now=scenario.at(first)),
        practice(),
        profiles.load_site(field),
        casts,
        slice(scenario.before, scenario.before + end - first),
    )


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Tally:
    folder = tmp_path_factory.mktemp("coverage")
    return added([of_demonstration(), *(of_scenario(s, folder) for s in SCENARIOS)])


def table(found: Tally) -> Iterator[str]:
    width = max(map(len, found))
    yield "".join([f"{'hours':{width}}", *(f"{word:>10}" for word in WORDS)])
    for name, counts in found.items():
        numbers = "".join(f"{counts[word] or '-':>10}" for word in WORDS)
        why = "" if triggered(counts) else f"  untried: {UNTRIED.get(name, 'not told')}"
        yield f"{name:{width}}{numbers}{why}"


def test_every_rule_is_triggered_or_told_why_not(found: Tally) -> None:
    untried = {name for name, counts in found.items() if not triggered(counts)}
    print("\n" + "\n".join(table(found)))
    assert not untried - set(UNTRIED), "untried: add a scenario, or tell here why there is none"
    assert not set(UNTRIED) - untried, "tried by now: take them off the list"


def test_every_grade_of_a_rule_is_one_that_it_has(found: Tally) -> None:
    for shipped in practice().rules:
        possible = {"go", "missing", *(grade.word for grade in shipped.limits)}
        gave = {word for word, count in found[shipped.id].items() if count}
        assert gave <= possible, shipped.id


# ---------------------------------------------------------------------- the command


def check(*words: object) -> list[str]:
    done = CliRunner().invoke(app, ["check", *map(str, words)], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output.splitlines()


def named(lines: list[str]) -> set[str]:
    """The rules that the command calls not triggered."""
    idle = [line.split("not triggered: ")[1] for line in lines if "not triggered: " in line]
    return {line.rsplit(" (", 1)[0] for line in idle}


def test_the_command_names_the_rules_that_no_hour_triggers(tmp_path: Path) -> None:
    by_id = {scenario.id: scenario for scenario in SCENARIOS}
    fog, cold = by_id["7 freezing fog"], by_id["5 cold and dry, Kp 7"]
    files = [write_file(s, tmp_path / f"{i}.nc") for i, s in enumerate((fog, cold))]
    site = tmp_path / "field.yaml"
    site.write_text(fog.site_text())
    alone = named(check("--coverage", files[0], "--site", site))
    both = named(check("--coverage", files[0], "--coverage", files[1], "--site", site))
    assert {"icing", "fog", "visibility"} & alone == set(), "they are what the fog is about"
    assert {"heat", "thunder", "geomagnetic-storm", "cold"} <= alone
    assert alone - both >= {"geomagnetic-storm", "cold"}, "the cold day brings both"
    assert both < alone


def test_the_command_looks_at_the_files_that_were_named(tmp_path: Path) -> None:
    scenario = next(s for s in SCENARIOS if s.id == "4 showers behind a front")
    forecast = write_file(scenario, tmp_path / "a.nc")
    mine = write(
        tmp_path,
        pack(
            rule("strict", marginal="1 m/s", no_go="2 m/s", between="1.5 m/s"),
            rule("lax", marginal="90 m/s", no_go="120 m/s", between="100 m/s"),
        ),
    )
    lines = check("--alone", mine, "--coverage", forecast, "--site", "demo-field")
    assert lines[-2] == "1 of 2 rules and substitutes triggered"
    assert lines[-1].startswith("  not triggered: lax (go ")


def test_coverage_needs_a_site(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no site"):
        check("--coverage", tmp_path / "a.nc")
