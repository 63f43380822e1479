"""Contract: the figures that derived quantities are made with, and the file that tells them."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from recipe_inputs import CRAFT, SITE, forecast, weather

from wxgate import figures, places
from wxgate.derive import figures as derived
from wxgate.derive.figures import Derivation, derivation, read_derivation, with_figures
from wxgate.derive.recipe import Inputs
from wxgate.derive.run import recipes
from wxgate.errors import RulebookError
from wxgate.figures import DERIVATION, Figures, shipped
from wxgate.forecast import Field
from wxgate.quantities import Kind
from wxgate.rulebook import Practice, load_rulebook

pytestmark = pytest.mark.contract

HOURS, MEMBERS = 60, (30,)
#: Figures that no recipe asks for: the lessons' fog, the kind of rain told, a meter's reading, and
#: the site's height, which comes before all recipes.
ELSEWHERE = {
    "fog.noon_sun", "fog.clearing", "rain.convective_share", "rain.shower_cloud",
    "meter.largest_raise", "meter.raise_from_ratio", "meter.raise_from_speed",
    "site.least_difference", "site.warm",
}  # fmt: skip
NAMES = [
    f"{group.name}.{figure.name}"
    for group in fields(Derivation)
    for figure in fields(getattr(derivation(), group.name))
]


def all_of_them() -> dict[str, Practice]:
    return {name: figure for file in DERIVATION for name, figure in shipped(file).items()}


def made(figures: Derivation, hours: Mapping[str, Field], seed: int) -> dict[str, Field]:
    told, height = forecast(hours, HOURS), (60.0, 100.0, 12.0, 30.0)[seed]
    found, shared = dict(told.fields), {}
    for recipe in recipes():
        if all(need in found for need in recipe.needs):
            inputs = Inputs(told.time, found, SITE, CRAFT, height, shared, figures)
            one = recipe.make(inputs)
            if one is not None:
                found[recipe.name] = one
    return found


#: Without these a figure for what is missing is at work.
LACKING: tuple[set[str], ...] = (
    set(),
    {"wind_speed_of_gust", "wind_speed_maximum", "surface_upward_sensible_heat_flux",
     "atmosphere_boundary_layer_thickness", "surface_roughness_length", "ceiling_height",
     "precipitation_neighbourhood_fraction", "precipitation_neighbourhood_maximum",
     "visibility_in_air", "categorical_snow", "categorical_rain", "categorical_freezing_rain",
     "categorical_ice_pellets"},
    {"visibility_in_air", "relative_humidity", "dew_point_temperature"},
    {"eastward_wind_on_levels", "northward_wind_on_levels", "precipitation_neighbourhood_fraction"},
)  # fmt: skip


def calm_nights(seed: int) -> dict[str, Field]:
    """Random weather that changes little by little, and half of its hours with hardly any wind."""
    hours = weather(HOURS, MEMBERS, seed)
    if seed % 2:
        at = np.arange(HOURS)
        for name, found in hours.items():
            if found.kind is not Kind.CONSTANT:
                first = at // 12 * 12
                share = ((at - first) / 12).reshape(-1, *(1,) * (found.values.ndim - 1))
                ends = found.values[first], found.values[np.minimum(first + 12, HOURS - 1)]
                values = (1 - share) * ends[0] + share * ends[1]
                hours[name] = found.with_values(values.astype(np.float32))
    for name in ("eastward_wind", "northward_wind"):
        values = hours[name].values.copy()
        values[::2, 0] *= 0.12
        hours[name] = hours[name].with_values(values)
    return hours


@cache
def before(seed: int, lacking: int) -> tuple[dict[str, Field], dict[str, Field]]:
    hours = {n: f for n, f in calm_nights(seed).items() if n not in LACKING[lacking]}
    return hours, made(derivation(), hours, seed)


def moved(value: Any) -> list[Any]:
    if isinstance(value, tuple):
        return [tuple(1.1 * one for one in value), tuple(0.9 * one for one in value)]
    spans = (0.9, 1.1) if 200 < value < 320 else (0.05, 0.4, 1.7, 15.0)
    return [span * value for span in spans]


@pytest.mark.parametrize("name", [n for n in NAMES if n not in ELSEWHERE])
def test_every_figure_is_at_work(name: str) -> None:
    """A figure that is moved far changes something that some recipe makes of random weather."""
    group, key = name.split(".")
    own = getattr(derivation(), group)
    for other in moved(getattr(own, key)):
        changed = replace(derivation(), **{group: replace(own, **{key: other})})
        for seed in range(4):
            for lacking in range(len(LACKING)):
                hours, known = before(seed, lacking)
                found = made(changed, hours, seed)
                if any(
                    n not in found
                    or not np.array_equal(found[n].values, known[n].values, equal_nan=True)
                    for n in known
                ):
                    return
    pytest.fail(f"{name} changes nothing")


def test_the_file_has_each_figure_once_and_no_other() -> None:
    whole = all_of_them()
    assert read_derivation(Figures(whole)) == derivation()
    own = [name for name in whole if name.startswith("derive-")]
    assert len(own) == len(NAMES) - 1  # the drift stands with the figures of the field
    for name in (*own, "drift-half-width"):
        with pytest.raises(RulebookError, match=name):
            read_derivation(Figures({n: f for n, f in whole.items() if n != name}))
    odd = Practice("derive-fog-likly", 5.0, "points", "", "")
    with pytest.raises(RulebookError, match="derive-fog-likly"):
        read_derivation(Figures({**whole, odd.name: odd}))


@pytest.mark.parametrize(
    ("figure", "match"),
    [
        (Practice("derive-fog-day", 24.0, "m", "", ""), "measures length"),
        (Practice("derive-fog-day", 24.0, "h", "", "", (24.0, 25.0)), "a row of 2"),
    ],
)
def test_a_figure_of_another_kind_is_refused(figure: Practice, match: str) -> None:
    with pytest.raises(RulebookError, match=match):
        read_derivation(Figures({**all_of_them(), figure.name: figure}))


def test_figures_are_held_in_canonical_units() -> None:
    """0 degC is 273.15 K by definition (SI brochure, 9th ed., 2.3.1)."""
    found = derivation()
    assert found.icing.warmest_drop == 273.65
    assert found.power.battery_temperatures[0] == 233.15
    assert found.dew.spread == 3.0
    assert found.gust.thermal_cloud == 5 / 8


def test_explain_tells_the_figures_as_the_file_writes_them() -> None:
    assert with_figures("above {fog-widest-spread} and {drift-half-width}") == (
        "above 3 K and 30 degree"
    )
    assert with_figures("{thunder-chances}") == "2, 10, 25, 40, 50 %"
    for recipe in recipes():
        for text in (recipe.says, recipe.validity):
            assert "{" not in with_figures(text)
    with pytest.raises(RulebookError, match="no-such"):
        with_figures("{no-such}")


def test_no_figure_of_practice_is_left_in_the_code() -> None:
    """Comments beside constants name physics and papers; what is mere practice is in the file."""
    code = Path(derived.__file__).parent
    for path in code.glob("*.py"):
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            comment = line.partition("#")[2]
            assert "common practice" not in comment, f"{path.name}:{number}"


RULES = """\
rulebook: {{name: {name}, version: "1", layer: operator, about: a test}}
practice:
  {figure}:
    {row}
    because: a test
    source: common practice, no source
"""


@pytest.mark.parametrize(
    ("name", "figure", "row", "match"),
    [
        ("own", "derive-fog-likely", "figure: 8 points", "no rules replace them"),
        ("own", "position-error", "figures: [5 m, 6 m]", "'figures' is not known"),
        ("derivation", "derive-x", "figures: [5 m, 6 km]", "2 units"),
        ("derivation", "derive-x", "figures: []", "empty list"),
        ("derivation", "derive-x", "figures: [5 m, six]", "six"),
    ],
)
def test_rules_files_replace_no_figure_and_write_no_row(
    tmp_path: Path, name: str, figure: str, row: str, match: str
) -> None:
    path = tmp_path / "own.yaml"
    path.write_text(RULES.format(name=name, figure=figure, row=row))
    with pytest.raises(RulebookError) as refused:
        load_rulebook([path], aircraft={})
    assert match in " ".join(refused.value.faults)


def test_a_row_is_part_of_the_hash(tmp_path: Path) -> None:
    hashes = set()
    for row in ("[5 m, 6 m]", "[5 m, 7 m]"):
        path = tmp_path / "own.yaml"
        path.write_text(RULES.format(name="derivation", figure="derive-x", row=f"figures: {row}"))
        hashes.add(load_rulebook([path], aircraft={}).hash)
    assert len(hashes) == 2


@pytest.fixture
def other_rules(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The rules that ship, in a folder where a test may change them."""
    folder = tmp_path / "rules"
    shutil.copytree(places.shipped("rules"), folder)
    there = places.shipped
    monkeypatch.setattr(places, "shipped", lambda n: folder if n == "rules" else there(n))
    yield folder
    forget()


def forget() -> None:
    for cached in (figures.shipped, figures.hash_of, derived.derivation):
        cached.cache_clear()


def test_changed_figures_never_meet_hours_that_were_stored_with_others(
    wx: Callable[..., tuple[int, str, str]], other_rules: Path
) -> None:
    forget()

    def battery() -> str:
        told = ("demo-field", "--demo", "--json")
        code, out, err = wx("brief", *told)
        assert code == 0, err
        return json.dumps(json.loads(out)["hours"])

    first = battery()
    assert battery() == first
    path = other_rules / DERIVATION[0]
    text = path.read_text(encoding="utf-8")
    for before, after in (("figure: 0.1 mm", "figure: 0.001 mm"), ("figure: 60 %", "figure: 99 %")):
        assert before in text
        text = text.replace(before, after)
    path.write_text(text, encoding="utf-8")
    forget()
    assert battery() != first
