"""Contract: the ``rules`` commands print what they promise and end with the right exit code."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest
from rule_texts import pack, rule, write
from typer.testing import CliRunner

from wxgate import places
from wxgate.cli.rules import app
from wxgate.errors import RulebookError, UsageError
from wxgate.quantities import QUANTITIES
from wxgate.strictyaml import load, plain

pytestmark = pytest.mark.contract


def run(*words: object) -> str:
    done = CliRunner().invoke(app, [str(word) for word in words], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


def wxgate(*words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "wxgate", *map(str, words)], capture_output=True, text=True
    )


def test_check_of_all_that_ships() -> None:
    told = run("check", "--each")
    assert "no fault" in told
    assert "gust: go " in told
    assert "missing gives unknown" in told


def test_check_of_a_file_that_ships_takes_it_once() -> None:
    wind = places.shipped("rules") / "practice" / "wind.yaml"
    assert "\n1 file, " in run("check", wind)
    assert "\n1 file, " in run("check", wind.parent / ".." / "practice" / "wind.yaml")


def test_check_ends_with_4_and_every_fault(tmp_path: Path) -> None:
    bad = pack(rule(marginal="5")).replace("because", "becuase")
    path = write(tmp_path, bad)
    done = wxgate("rules", "check", path)
    assert done.returncode == 4
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    assert f"{path}:10:15: '5' has no unit" in done.stderr
    assert f"{path}:13:5: the key 'becuase' is not known" in done.stderr


def test_check_stands_beside_the_rules_that_ship(tmp_path: Path) -> None:
    loose = "    loosens: {rule: gust-spread, because: the big aircraft}\n"
    text = pack(rule("own", more=loose)).replace("gust_at_flight_height", "gust_spread")
    path = write(tmp_path, text)
    assert "1 rule," in run("check", path)
    with pytest.raises(RulebookError):
        run("check", "--alone", path)
    twin = write(tmp_path, pack(rule("gust"), layer="practice"), "twin.yaml")
    with pytest.raises(RulebookError) as caught:
        run("check", twin)
    assert "a second time in the layer practice" in caught.value.faults[0]


@pytest.mark.parametrize("aircraft", ["light-249g", "heavy-4kg"])
@pytest.mark.parametrize("pilot", ["first-flight", "experienced"])
def test_show_fits_80_columns_and_tells_where_from(aircraft: str, pilot: str) -> None:
    told = run("show", "--aircraft", aircraft, "--pilot", pilot, "--site", "demo-field")
    lines = told.splitlines()
    assert max(map(len, lines)) <= 80, [line for line in lines if len(line) > 80]
    assert any("uk-height" in line and "law" in line and "uk:" in line for line in lines)
    # The aircraft's own wind limit is named, and marked where a stricter rule decides.
    wind = next(line for line in lines if "aircraft-wind" in line)
    assert "(*)" in wind
    assert ("10.7" if aircraft == "light-249g" else "15") in wind


def test_show_resolves_the_limits_of_pilot_and_aircraft() -> None:
    told = run("show", "--aircraft", "mid-900g", "--pilot", "novice")
    # 55 % and 75 % of 12 m/s.
    gust = next(line for line in told.splitlines() if line.startswith("  gust "))
    assert gust.split()[:8] == ["gust", ">", "6.6", "m/s", ">", "9", "m/s", "practice"]
    assert "precipitation-rated" not in told
    assert "daylight-lesson" in told


def test_show_tells_what_was_loosened(tmp_path: Path) -> None:
    loose = "    loosens: {rule: gust-spread, because: the big aircraft}\n"
    text = pack(rule("own", more=loose)).replace("gust_at_flight_height", "gust_spread")
    told = run("show", "--aircraft", "mid-900g", "--pilot", "novice", "--rules",
               write(tmp_path, text))  # fmt: skip
    assert "LOOSENED: gust-spread (practice) loosened by operator: the big aircraft" in told


def test_compare_tells_rule_by_rule(tmp_path: Path) -> None:
    one = write(tmp_path, pack(rule("a"), rule("b")), "one.yaml")
    two = write(tmp_path, pack(rule("a", no_go="20 kt"), rule("c")), "two.yaml")
    told = run("compare", one, two).splitlines()
    assert "! a" in told
    assert "    no-go - 10 m/s" in told
    assert "    no-go + 10.29 m/s" in told
    assert any(line.startswith("- b: only in") for line in told)
    assert any(line.startswith("+ c: only in") for line in told)
    assert run("compare", one, one) == "no difference\n"


@pytest.mark.parametrize("extra", [(), ("--minima",)])
def test_new_writes_a_file_that_passes_the_check(tmp_path: Path, extra: tuple[str, ...]) -> None:
    path = tmp_path / "mine.yaml"
    run("new", path, *extra)
    text = path.read_text(encoding="utf-8")
    assert sum(line.lstrip().startswith("#") for line in text.splitlines()) >= 2
    assert "THIS-FILE" not in text
    assert "no fault" in run("check", path)
    with pytest.raises(UsageError, match="exists already"):
        run("new", path)
    assert path.read_text(encoding="utf-8") == text


def test_new_where_nothing_can_be_written(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be written"):
        run("new", tmp_path / "no" / "such" / "folder.yaml")


def test_quantities_are_listed_with_their_units() -> None:
    told = run("quantities")
    for name in QUANTITIES:
        assert name in told


def test_schema_is_a_schema_that_the_starter_keeps() -> None:
    made = json.loads(run("schema"))
    starter = places.shipped("rules") / "starter.yaml"
    jsonschema.Draft202012Validator(made).validate(plain(load(starter.read_bytes(), "s")))


def test_an_unknown_aircraft_is_named_with_the_nearest() -> None:
    done = wxgate("rules", "show", "--aircraft", "light-249", "--pilot", "novice")
    assert done.returncode == 2
    assert "Did you mean 'light-249g'?" in done.stderr


def test_a_copied_and_changed_aircraft_file_leaves_the_rules_as_they_are() -> None:
    """The shipped aircraft files tell their reader to copy and change them."""
    own = places.config_folder() / "aircraft"
    own.mkdir(parents=True)
    text = (places.shipped("rules") / "aircraft" / "light-249g.yaml").read_text(encoding="utf-8")
    (own / "light-249g.yaml").write_text(text.replace("10.7 m/s", "8 m/s"), encoding="utf-8")
    assert "no fault" in run("check")
    told = run("show", "--aircraft", "light-249g", "--pilot", "experienced")
    wind = next(line for line in told.splitlines() if "aircraft-wind" in line)
    assert "> 8 m/s" in wind
