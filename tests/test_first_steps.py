"""Contract: what goes wrong in somebody's first hour is told with its mend.

Each was met by following the README on a clean machine.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from wxgate import places, units
from wxgate.errors import DataError, UsageError
from wxgate.hindsight import observed_from_csv
from wxgate.profiles import load_site

pytestmark = pytest.mark.contract

Run = Callable[..., tuple[int, str, str]]
WHO = ("--aircraft", "light-249g", "--pilot", "novice")
SITE = """\
site:
  id: meadow
  name: Meadow
  latitude: 52.05
  longitude: -1.48
  zone: Europe/London
"""


@pytest.mark.parametrize("text", ["52,05", "52,05 degree", "-1,48", "1,200 m"])
def test_a_comma_in_a_number(wx: Run, tmp_path: Path, text: str) -> None:
    with pytest.raises(UsageError, match=r"has a comma.*decimal point"):
        units.split_amount(f"{text} m")
    (tmp_path / "field.yaml").write_text(SITE.replace("52.05", text))
    code, out, err = wx("brief", tmp_path / "field.yaml", *WHO)
    assert (code, out) == (2, "")
    assert "field.yaml:4:13" in err
    assert "decimal point" in err


@pytest.mark.parametrize(("given", "lacking"), [("--lat", "--lon"), ("--lon", "--lat")])
def test_half_a_place(wx: Run, given: str, lacking: str) -> None:
    code, _, err = wx("brief", given, "52", *WHO)
    assert code == 2
    assert err.startswith(f"wxgate: {lacking} was not given")


@pytest.mark.parametrize(
    ("lat", "lon", "name"),
    [("52.05", "-1.48", "52.05 N 1.48 W"), ("-33.9", "151.2", "33.9 S 151.2 E"),
     ("0", "190", "0 N 170 W")],
)  # fmt: skip
def test_a_place_has_a_name_without_signs(lat: str, lon: str, name: str) -> None:
    from wxgate.cli.session import find_site

    assert find_site(None, float(lat), float(lon), "UTC", demo=False).name == name


def test_a_site_without_altitude_is_told_what_it_lacks(wx: Run, tmp_path: Path) -> None:
    (tmp_path / "low.yaml").write_text(SITE)
    (tmp_path / "high.yaml").write_text(SITE + "  altitude: 120 m\n")
    forecast = tmp_path / "f.nc"
    assert wx("fetch", "--demo", "--out", forecast)[0] == 0
    ask = (*WHO, "--forecast", forecast, "--at", "2026-09-15T05:00Z")
    told = {
        n: " ".join(wx("brief", tmp_path / f"{n}.yaml", *ask)[1].split()) for n in ("low", "high")
    }
    assert "model's terrain (the site has no altitude)." in told["low"]
    assert "no altitude" not in told["high"]


def test_what_was_invented_bears_no_licence_of_a_weather_service(wx: Run, tmp_path: Path) -> None:
    out = wx("fetch", "--demo", "--out", tmp_path / "f.nc")[1]
    assert "Invented by the wxgate developers. Licence: MIT" in out
    assert "government" not in out


def test_a_table_between_semicolons(tmp_path: Path) -> None:
    (tmp_path / "s.csv").write_text("time;wind_speed (kt)\n2026-09-15T10:00Z;8,5\n")
    with pytest.raises(DataError, match=r"s\.csv: .*semicolons.* commas"):
        observed_from_csv(tmp_path / "s.csv")


def test_a_table_that_is_not_there_is_named_once(tmp_path: Path) -> None:
    with pytest.raises(DataError) as error:
        observed_from_csv(tmp_path / "none.csv")
    assert str(error.value).count("none.csv") == 1
    assert "Errno" not in str(error.value)


def test_a_question_is_not_closed_by_a_full_stop(wx: Run, tmp_path: Path) -> None:
    (tmp_path / "field.yaml").write_text(SITE.replace("latitude", "lattitude"))
    err = wx("brief", tmp_path / "field.yaml", *WHO)[2]
    assert "did you mean 'latitude'?" in err
    assert "?." not in err
    (places.config_folder()).mkdir(parents=True)
    (places.config_folder() / "display.yaml").write_text("unit: knots\n")
    err = wx("brief", "--demo")[2]
    assert err.rstrip().endswith("did you mean 'units'?")


def test_one_is_not_many(wx: Run, tmp_path: Path) -> None:
    assert wx("rules", "new", tmp_path / "mine.yaml", "--minima")[0] == 0
    out = wx("rules", "check", tmp_path / "mine.yaml")[1]
    assert not re.search(r"\b1 \w+s\b", out.partition("proven")[0]), out
    assert "1 file, 1 rule, 4 proofs" in out


def test_rules_that_ship_are_compared_from_anywhere(
    wx: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert wx("rules", "new", "mine.yaml")[0] == 0
    code, out, err = wx("rules", "compare", "practice/wind.yaml", "mine.yaml")
    assert (code, err) == (0, "")
    assert "+ my-gust: only in my-rules" in out
    assert wx("rules", "compare", "practice/none.yaml", "mine.yaml")[0] == 4


def test_limits_are_shown_in_units_that_a_rules_file_takes(wx: Run) -> None:
    table = wx("rules", "show", *WHO)[1]
    assert "m s-1" not in table + wx("rules", "quantities")[1]
    for shown in set(re.findall(r"[<>]=? (\S+ (?:m/s|mm/h|degC|km|mm|%|J/kg))(?= )", table)):
        units.split_amount(shown)
        assert shown.split()[1] in units.UNITS


def test_the_cache_names_every_folder(wx: Run) -> None:
    out = wx("cache")[1]
    for folder in (places.cache_folder(), places.config_folder(), places.state_folder()):
        assert str(folder) in out


def test_every_line_of_the_example_site_can_be_used(tmp_path: Path) -> None:
    text = (places.shipped("rules") / "sites" / "demo-field.yaml").read_text(encoding="utf-8")
    whole = re.sub(r"^#  (?=\w+: )", "  ", text, flags=re.M)
    (tmp_path / "s.yaml").write_text(whole, encoding="utf-8")
    site = load_site(tmp_path / "s.yaml")
    assert site.shelter is not None
    assert site.shelter.porosity == pytest.approx(0.3)
    assert site.hill is not None
    assert (site.coast, site.valley) == (True, True)
