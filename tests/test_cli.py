"""Contract: the commands as their users type them, with good input and with bad."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
import xarray as xr

pytestmark = pytest.mark.contract

Result = tuple[int, str, str]


SITE_TEXT = """\
site:
  id: my-field
  name: My field (invented)
  latitude: 52.0
  longitude: -1.5
  zone: Europe/London
"""
WHO = ("--aircraft", "light-249g", "--pilot", "novice")


# ---------------------------------------------------------------------- the demonstration


def test_the_demonstration_tells_its_story(wx: Callable[..., Result]) -> None:
    code, out, err = wx("brief", "--demo")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert len(lines) < 20
    assert max(map(len, lines)) <= 80
    assert lines[1].startswith("GO: Tue 15 Sep")
    assert "BST" in lines[1]
    assert "INVENTED DEMONSTRATION" in out
    assert "airspace, NOTAM" in out


def grades(wx: Callable[..., Result], *words: object) -> dict[str, str]:
    code, out, _ = wx("brief", "--demo", "--json", *words)
    assert code == 0
    return {hour["start"][5:13]: hour["grade"] for hour in json.loads(out)["hours"]}


def test_the_demonstration_hour_by_hour(wx: Callable[..., Result]) -> None:
    # The story is ours (cached_forecasts/README.md): fog at dawn, a good mid-morning, gusts in
    # the afternoon, showers in the evening, and on the second day a jet above a calm dawn.
    found = grades(wx)
    assert found["09-15T05"] == found["09-15T06"] == "no-go", "fog"
    assert found["09-15T09"] == found["09-15T10"] == "go", "mid-morning"
    assert found["09-15T13"] == found["09-15T14"] == "no-go", "gusts"
    assert found["09-15T18"] == "no-go", "showers"
    assert found["09-16T06"] == "no-go", "the jet at flight height"


def test_low_below_the_jet_is_another_matter(wx: Callable[..., Result]) -> None:
    _, out, _ = wx("brief", "--demo", "--json", "--height", "100 m", "--hours", 30)
    dawn = next(h for h in json.loads(out)["hours"] if h["start"].startswith("2026-09-16T06"))
    high = {r["rule"]: r for r in dawn["reasons"]}
    _, out, _ = wx("brief", "--demo", "--json", "--height", "10 m", "--hours", 30)
    dawn = next(h for h in json.loads(out)["hours"] if h["start"].startswith("2026-09-16T06"))
    low = {r["rule"]: r for r in dawn["reasons"]}
    assert high["gust"]["value"] > 9 > 5 > low["gust"]["value"]


def test_a_second_brief_answers_from_stored_hours_without_heavy_libraries() -> None:
    code = (
        "import sys; sys.argv=['wxgate','brief','--demo'];"
        "from wxgate.cli.main import run\n"
        "try: run()\n"
        "except SystemExit: pass\n"
        "print([n for n in ('xarray','pandas','metpy','eccodes') if n in sys.modules])"
    )
    first, second = (
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        for _ in range(2)
    )
    *brief_first, _ = first.stdout.splitlines()
    *brief_second, heavy = second.stdout.splitlines()
    assert brief_first == brief_second
    assert heavy == "[]"


def test_json_is_json_without_nan_and_in_utc(wx: Callable[..., Result]) -> None:
    _, out, _ = wx("brief", "--demo", "--json")
    told = json.loads(out, parse_constant=lambda name: pytest.fail(f"{name} is not JSON"))
    assert told["demonstration"] is True
    assert told["window"]["start"].endswith("Z")
    assert len(told["rulebook"]["sha256"]) == 64
    for hour in told["hours"]:
        assert hour["reasons"]
        for reason in hour["reasons"]:
            assert reason["because"]
            assert reason["source"]


def test_explain_lays_an_hour_open(wx: Callable[..., Result]) -> None:
    code, out, _ = wx("explain", "10:00", "--demo")
    assert code == 0
    assert out.startswith("Tue 15 Sep 10:00-11:00 BST: GO")
    for word in ("gust_at_flight_height", "how:", "says who:", "from:", "dew_point_spread"):
        assert word in out


def test_explain_tells_an_hour_in_the_units_asked_for(wx: Callable[..., Result]) -> None:
    code, out, _ = wx("explain", "14:00", "--demo", "--units", "mph", "--clock", "12")
    assert code == 0
    assert out.startswith("Tue 15 Sep 2:00 pm-3:00 pm BST")
    assert re.search(r"gust at flight height \d+\.\d mph, no-go above \d+\.\d mph", out)
    # 80 m are 262 ft (the foot is 0.3048 m; NIST Special Publication 811, appendix B; from memory).
    wind = " ".join(out.split("eastward_wind:")[1].split("[")[0].split())
    assert "; 262 ft " in wind
    assert "(mph)" in wind
    assert "(m/s)" not in wind
    assert wx("explain", "14:00", "--demo", "--units", "ell")[0] == 2
    _, _, err = wx("explain", "2027-01-01T10:00", "--demo", "--clock", "12")
    assert " am" in err or " pm" in err or "noon" in err, "the span that is told, too"


def test_fetch_writes_a_file_that_grades_the_same(
    wx: Callable[..., Result], tmp_path: Path
) -> None:
    file = tmp_path / "forecast.nc"
    code, out, _ = wx("fetch", "--demo", "--out", file)
    assert code == 0
    assert str(file) in out
    with xr.open_dataset(file, engine="netcdf4") as opened:
        assert "eastward_wind" in opened
    at = ("--at", "2026-09-15T05:00Z", "--json")
    from_file = wx("brief", "demo-field", *WHO, "--forecast", file, *at)[1]
    from_demo = wx("brief", "--demo", "--json")[1]
    pick = lambda text: [(h["start"], h["grade"], h["margin"]) for h in json.loads(text)["hours"]]  # noqa: E731
    assert pick(from_file) == pick(from_demo)


def test_sources_and_cache_and_rules_answer(wx: Callable[..., Result]) -> None:
    code, out, _ = wx("sources")
    assert code == 0
    assert "NOAA" in out
    assert "licence" in out
    assert wx("cache")[0] == 0
    assert wx("cache", "prune", "--days", 0)[0] == 0
    assert wx("rules", "check")[0] == 0
    assert wx("--version")[1].startswith("wxgate 0")


# ---------------------------------------------------------------------- bad input


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("brief",), 2, "no site was given"),
        (("brief", "--demo", "--aircraft", "ligt-249g"), 2, "light-249g"),
        (("brief", "--demo", "--pilot", "novise"), 2, "novice"),
        (("brief", "nowhere.yaml", *WHO), 2, "nowhere.yaml"),
        (("brief", "--lat", 52, "--lon", -1.5, "--pilot", "novice"), 2, "never assumed"),
        (("brief", "--lat", 152, "--lon", 0, *WHO), 2, "no place on the Earth"),
        (("brief", "--lat", 52, "--lon", 0, "--zone", "Mars/Base", *WHO), 2, "time zone"),
        (("brief", "demo-field", "--lat", 52, "--lon", 0, *WHO), 2, "Give one of them"),
        (("brief", "--demo", "--at", "2026-09-15T05:00"), 2, "has no zone"),
        (("brief", "--demo", "--at", "six o'clock"), 2, "not a time"),
        (("brief", "--demo", "--height", "60"), 2, "no unit"),
        (("brief", "--demo", "--height", "60 kg"), 2, "measures mass"),
        (("brief", "--demo", "--height", "-5 m"), 2, "not between"),
        (("brief", "--demo", "--height", "9 km"), 2, "not between"),
        (("explain", "25:00", "--demo"), 2, "not an hour"),
        (("explain", "2027-01-01T10:00", "--demo"), 2, "not among those"),
        (("brief", "demo-field", *WHO, "--forecast", "none.nc"), 3, "none.nc"),
        (("fetch", "--demo", "--out", "no/such/folder/f.nc"), 2, "its folder is not there"),
        (("brief", "--demo", "--rules", "no-rules.yaml"), 4, "no-rules.yaml"),
    ],
)  # fmt: skip
def test_bad_words_give_one_sentence_and_an_exit_code(
    wx: Callable[..., Result], words: tuple[object, ...], code: int, told: str
) -> None:
    found, out, err = wx(*words)
    assert found == code
    assert told in err
    assert "GO" not in out


def test_a_rule_without_a_unit_stops_the_brief(wx: Callable[..., Result], tmp_path: Path) -> None:
    rules = tmp_path / "mine.yaml"
    assert wx("rules", "new", rules)[0] == 0
    assert wx("rules", "check", rules)[0] == 0
    rules.write_text(rules.read_text().replace(" m/s", ""))
    code, out, err = wx("brief", "--demo", "--rules", rules)
    assert code == 4
    assert "mine.yaml:" in err
    assert "unit" in err
    assert "GO" not in out


@pytest.mark.parametrize("text", ["", "site: [", "site:\n  id: x\n", "\x00\x01", "a: b\n" * 3])
def test_a_broken_site_file_gives_its_faults(
    wx: Callable[..., Result], tmp_path: Path, text: str
) -> None:
    file = tmp_path / "field.yaml"
    file.write_text(text)
    code, out, err = wx("brief", file, *WHO)
    assert code == 2
    assert "field.yaml" in err
    assert "GO" not in out


def test_without_a_network_and_without_stored_hours_there_is_a_sentence(
    wx: Callable[..., Result], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "field.yaml"
    file.write_text(SITE_TEXT)
    code, out, err = wx("brief", file, *WHO, "--offline")
    assert code == 3
    assert "no forecast could be had" in err
    assert "GO" not in out


def test_a_stale_demonstration_is_capped_and_then_unknown(wx: Callable[..., Result]) -> None:
    # Run 00Z: 13 h and 50 h later (two cycles are 12 h; the limits are in rules/practice).
    capped = grades(wx, "--at", "2026-09-15T13:05Z", "--hours", 12)
    assert "go" not in capped.values()
    unknown = grades(wx, "--at", "2026-09-17T02:00Z", "--hours", 4)
    assert set(unknown.values()) <= {"unknown", "no-go"}
