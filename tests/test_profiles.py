"""Contract: profiles are read in canonical units, and every fault is told with its place."""

from __future__ import annotations

from pathlib import Path

import pytest

from wxgate import places
from wxgate.errors import ProfileError
from wxgate.profiles import (
    AIRCRAFT_FIGURES,
    Aircraft,
    Hill,
    Shelter,
    Skill,
    find,
    known_aircraft,
    load_aircraft,
    load_pilot,
    load_site,
)

pytestmark = pytest.mark.contract

CRAFT = """\
aircraft:
  id: test-1
  name: Test
  mass: 249 g
  max_wind: 24 mph
  dimension: 36 cm
  min_temperature: 14 degF
  max_temperature: 40 degC
  airspeed: 36 km/h
  rain_rate: 0 mm/h
"""
SITE = """\
site:
  id: here
  name: Here
  latitude: -16.8
  longitude: -179.98 degree
  zone: Pacific/Fiji
  altitude: 100 ft
  coast: true
  shelter: {height: 8 m, distance: 40 m, porosity: 35 %, leaf: false}
  hill: {shape: ridge, height: 40 m, half_length: 100 m, position: -20 m}
"""


def write(folder: Path, text: str, name: str = "f.yaml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_figures_are_turned_into_canonical_units(tmp_path: Path) -> None:
    craft = load_aircraft(write(tmp_path, CRAFT))
    # 24 mph = 10.72896 m/s and 14 degF = -10 degC exactly, by the definitions of the units.
    assert craft.mass == pytest.approx(0.249)
    assert craft.max_wind == pytest.approx(10.72896)
    assert craft.dimension == pytest.approx(0.36)
    assert craft.min_temperature == pytest.approx(263.15)
    assert craft.airspeed == pytest.approx(10.0)
    assert craft.max_takeoff_altitude is None


def test_a_site_with_everything(tmp_path: Path) -> None:
    site = load_site(write(tmp_path, SITE))
    assert (site.latitude, site.longitude, site.zone) == (-16.8, -179.98, "Pacific/Fiji")
    assert site.altitude == pytest.approx(30.48)
    assert site.coast is True
    assert site.shelter == Shelter(8.0, 40.0, 0.35, False)
    assert site.hill == Hill("ridge", 40.0, 100.0, -20.0)


@pytest.mark.parametrize(
    ("old", "new", "place", "told"),
    [
        ("  max_wind: 24 mph\n", "", "2:3", "'max_wind' is missing"),
        ("  rain_rate: 0 mm/h\n", "", "2:3", "'rain_rate' is missing"),
        ("max_wind: 24 mph", "max_wind: 24", "5:13", "has no unit"),
        ("max_wind: 24 mph", "max_wind: 24 m", "5:13", "measures length"),
        ("max_wind: 24 mph", "max_wind: nan m/s", "5:13", "not a number"),
        ("max_wind: 24 mph", "max_wind: -3 m/s", "5:13", "allowed: 0.5 to 40"),
        ("max_wind: 24 mph", "max_wind: 1e400 m/s", "5:13", "not finite"),
        ("max_wind: 24 mph", "max_wind: [24 mph]", "5:13", "a list or mapping"),
        ("max_wind: 24 mph", "max_wind:", "5:12", "nothing"),
        ("max_wind: 24 mph", "max_wnd: 24 mph", "5:3", "did you mean 'max_wind'?"),
        ("mass: 249 g", "mass: 249 kg", "4:9", "allowed: 0.001 to 150"),
        ("min_temperature: 14 degF", "min_temperature: 14 K", "7:20", "allowed: 203.15"),
        ("id: test-1", "id: Test 1", "2:7", "small letters"),
        ("aircraft:", "aircraf:", "1:1", "did you mean 'aircraft'?"),
    ],
)
def test_faults_of_an_aircraft(tmp_path: Path, old: str, new: str, place: str, told: str) -> None:
    path = write(tmp_path, CRAFT.replace(old, new))
    with pytest.raises(ProfileError) as caught:
        load_aircraft(path)
    lines = str(caught.value).splitlines()
    assert any(line.startswith(f"{path}:{place}: ") and told in line for line in lines), lines


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("latitude: -16.8", "latitude: 95", "allowed: -90 to 90"),
        ("longitude: -179.98", "longitude: 200", "allowed: -180 to 180"),
        ("latitude: -16.8", "latitude: nan", "not a number"),
        ("zone: Pacific/Fiji", "zone: Pacific/Fidji", "did you mean 'Pacific/Fiji'?"),
        ("zone: Pacific/Fiji", "zone: ../../etc/passwd", "not known"),
        ("coast: true", "coast: yes", "allowed: true, false"),
        ("height: 8 m", "height: -8 m", "allowed: 0.5 to 100"),
        ("shape: ridge", "shape: rigde", "did you mean 'ridge'?"),
        (", leaf: false", "", "'leaf' is missing"),
    ],
)
def test_faults_of_a_site(tmp_path: Path, old: str, new: str, told: str) -> None:
    with pytest.raises(ProfileError) as caught:
        load_site(write(tmp_path, SITE.replace(old, new)))
    assert told in str(caught.value)


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    text = CRAFT.replace("24 mph", "24").replace("36 cm", "36").replace("249 g", "249")
    with pytest.raises(ProfileError, match="3 faults"):
        load_aircraft(write(tmp_path, text))


def test_a_temperature_envelope_upside_down_is_refused(tmp_path: Path) -> None:
    text = CRAFT.replace("14 degF", "15 degC").replace("40 degC", "12 degC")
    with pytest.raises(ProfileError, match="min_temperature is not below"):
        load_aircraft(write(tmp_path, text))


def test_a_pilot_and_the_minima_beside_the_file(tmp_path: Path) -> None:
    path = write(tmp_path, "pilot:\n  id: me\n  name: Me\n  skill: novice\n  minima: my.yaml\n")
    pilot = load_pilot(path)
    assert pilot.skill is Skill.NOVICE
    assert pilot.minima == str(tmp_path / "my.yaml")
    with pytest.raises(ProfileError, match=r"did you mean 'novice'\?"):
        load_pilot(write(tmp_path, "pilot: {id: me, name: Me, skill: novise}\n"))


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match="cannot be read"):
        load_site(tmp_path / "none.yaml")


def test_find_by_id_by_path_and_the_nearest_name(tmp_path: Path) -> None:
    write(tmp_path, CRAFT, "test-1.yaml")
    assert find("test-1", "aircraft", [tmp_path], load_aircraft).id == "test-1"
    assert find(str(tmp_path / "test-1.yaml"), "aircraft", [], load_aircraft).id == "test-1"
    with pytest.raises(ProfileError, match=r"Did you mean 'test-1'\?"):
        find("tset-1", "aircraft", [tmp_path], load_aircraft)


def test_the_first_folder_wins(tmp_path: Path) -> None:
    for name, wind in (("mine", "20 mph"), ("theirs", "24 mph")):
        (tmp_path / name).mkdir()
        write(tmp_path / name, CRAFT.replace("24 mph", wind), "test-1.yaml")
    found = known_aircraft([tmp_path / "mine", tmp_path / "theirs"])
    assert found["test-1"].max_wind == pytest.approx(8.9408)


def test_every_figure_a_rule_may_name_is_a_field_of_the_record() -> None:
    assert set(AIRCRAFT_FIGURES) <= set(Aircraft.__dataclass_fields__)


def test_the_shipped_profiles_are_read_and_labelled_invented() -> None:
    rules = places.shipped("rules")
    crafts = known_aircraft([rules / "aircraft"])
    assert set(crafts) == {"light-249g", "mid-900g", "heavy-4kg"}
    assert all("(invented)" in craft.name for craft in crafts.values())
    pilots = [load_pilot(path) for path in (rules / "pilots").glob("*.yaml")]
    assert {pilot.skill for pilot in pilots} == set(Skill)
    for path in (rules / "sites").glob("*.yaml"):
        assert "(invented)" in load_site(path).name
        assert load_site(path).id == path.stem
