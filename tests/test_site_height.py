"""Truth and law: the air of the model's terrain at the height of the site.

The lapse is that of ICAO Doc 7488/3 (6.5 K/km, read 2026-11). That a site below the model's terrain
is warmed only where nothing fears the cold is common practice, no source: cold air lies in valleys.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike
from recipe_inputs import CRAFT, SITE, START
from rule_texts import shipped_aircraft

from wxgate import places, store
from wxgate.derive import site_height
from wxgate.derive.figures import derivation
from wxgate.derive.moisture import lcl_height, relative_humidity
from wxgate.derive.needs import fetched_for
from wxgate.derive.run import derive
from wxgate.fieldcheck.overlay import overlaid
from wxgate.fieldcheck.seen import Seen
from wxgate.forecast import Forecast, make_field
from wxgate.grade import grade
from wxgate.profiles import Skill
from wxgate.rulebook import load_rulebook
from wxgate.verdict import Grade

truth, law = pytest.mark.truth, pytest.mark.law
unhurried = settings(deadline=None)
AT = 500.0  #: m, the site
FIELD = replace(SITE, altitude=AT, coast=False, hill=None, shelter=None)
ZERO = 273.15
AIRCRAFT = shipped_aircraft()
FIGURES = derivation().site


def forecast(terrain: float | None, *, t: ArrayLike, hours: int = 3, **more: ArrayLike) -> Forecast:
    """Steady hours over a model's terrain (m); temperatures in degC, ``td`` among ``more``."""
    given_values: dict[str, ArrayLike] = {"air_temperature": np.add(t, ZERO)}
    if "td" in more:
        given_values["dew_point_temperature"] = np.add(more.pop("td"), ZERO)
    given_values |= more
    fields = {
        n: make_field(n, np.broadcast_to(np.asarray(v, float), (hours,)).copy())
        for n, v in given_values.items()
    }
    if terrain is not None:
        fields["surface_altitude"] = make_field("surface_altitude", np.asarray(terrain))
    return Forecast(START + np.arange(hours) * np.timedelta64(3600, "s"), fields)


def derived(raw: Forecast, altitude: float | None = AT) -> Forecast:
    site = replace(FIELD, altitude=altitude)
    return derive(raw, site=site, aircraft=CRAFT, height=60.0)


def first(found: Forecast, name: str) -> float:
    return float(found.fields[name].values[0])


@truth
def test_a_site_above_the_terrain_is_colder() -> None:
    # ICAO Doc 7488/3 (read 2026-11): 6.5 K/km, so 1.3 K in 200 m; the dew point by 1.8 K/km (from
    # memory), 0.36 K
    found = derived(forecast(300.0, t=-8.0, td=-14.0))
    assert first(found, "air_temperature") == pytest.approx(ZERO - 9.3, abs=1e-3)
    assert first(found, "dew_point_temperature") == pytest.approx(ZERO - 14.36, abs=1e-3)
    assert first(found, "dew_point_spread") == pytest.approx(5.06, abs=1e-3)
    assert found.notes == (
        "temperature lowered by 1.3 K to the site, 200 m above the model's terrain",
    )
    air = found.fields["air_temperature"]
    assert air.origin is not None
    assert air.origins[int(air.origin[0])] == "moved to the site's height"


@truth
@pytest.mark.parametrize("celsius", [-12.0, 5.0, 24.9])
def test_a_valley_below_the_terrain_stays_as_cold_as_the_model_has_it(celsius: float) -> None:
    # A cold pool would be colder still: the stricter of both counts for what fears the cold (common
    # practice, no source).
    raw = forecast(700.0, t=celsius, td=celsius - 3)
    found = derived(raw)
    for name in ("air_temperature", "dew_point_temperature"):
        np.testing.assert_array_equal(found.fields[name].values, raw.fields[name].values)
    (note,) = found.notes
    assert note.endswith("for cold air lies low: the site lies 200 m below the model's terrain")


@truth
def test_a_hot_valley_below_the_terrain_is_hotter() -> None:
    # ICAO Doc 7488/3 (read 2026-11): 1.3 K in 200 m; the spread stays
    found = derived(forecast(700.0, t=[39.0, 25.1, 24.9], td=[15.0, 12.0, 12.0]))
    np.testing.assert_allclose(
        found.fields["air_temperature"].values - ZERO, [40.3, 26.4, 24.9], atol=1e-3
    )
    np.testing.assert_allclose(found.fields["dew_point_spread"].values, [24, 13.1, 12.9], atol=1e-3)
    assert found.notes[0].startswith("temperature raised by 1.3 K where it is warm")


@truth
def test_the_envelope_of_the_aircraft_is_asked_at_the_site() -> None:
    # science notes 6 (common practice): the published envelope is no-go, within 3 K marginal
    rules = load_rulebook([places.shipped("rules") / "practice" / "aircraft.yaml"],
                          aircraft=AIRCRAFT)  # fmt: skip

    def of(rule: str, terrain: float, celsius: float) -> Grade:
        found = derived(forecast(terrain, t=celsius))
        graded = grade(found, rules, aircraft=CRAFT, skill=Skill.EXPERIENCED, height=60.0,
                       latitude=52.0)  # fmt: skip
        outcome = next(o for o in graded.outcomes if getattr(o.rule, "id", "") == rule)
        return Grade(int(outcome.codes[0]))

    # -10 to 40 degC; by the model's terrain 9.3 below zero and 39 above are marginal
    assert of("cold", 500.0, -9.3) == of("cold", 700.0, -9.3) == Grade.MARGINAL
    assert of("cold", 300.0, -9.3) == Grade.NO_GO
    assert of("heat", 500.0, 39.0) == of("heat", 300.0, 39.0) == Grade.MARGINAL
    assert of("heat", 700.0, 39.0) == Grade.NO_GO


@truth
@pytest.mark.parametrize(
    ("terrain", "expected"), [(300.0, (0.0, 200.0, 20_000.0, np.nan)),
                              (700.0, (150.0, 400.0, 20_000.0, np.nan))],
)  # fmt: skip
def test_a_higher_site_is_nearer_to_the_ceiling(
    terrain: float, expected: tuple[float, ...]
) -> None:
    # heights above the sea: cloud 400 m above terrain of 300 m is at 700 m, 200 m above 500 m
    # (arithmetic); a lower site gains nothing (common practice, no source)
    ceilings = np.array([150.0, 400.0, 20_000.0, np.nan])
    raw = forecast(terrain, t=10.0, td=2.0, hours=4, ceiling_height=ceilings)
    found = derived(raw)
    np.testing.assert_allclose(found.fields["ceiling_height"].values, expected)
    clearance = found.fields["ceiling_clearance"].values[:3]
    np.testing.assert_allclose(clearance, (expected[0] - 60, expected[1] - 60, 20_000.0))
    assert any("the ceiling by 200 m" in note for note in found.notes) == (terrain < AT)
    again = derived(found)
    np.testing.assert_array_equal(again.fields["ceiling_height"].values, expected)
    alone = {n: f for n, f in raw.fields.items() if n != "air_temperature"}
    without = derived(replace(raw, fields=alone))
    np.testing.assert_array_equal(without.fields["ceiling_height"].values, expected)
    assert any("ceiling lowered by 200 m" in note for note in without.notes) == (terrain < AT)


@law
def test_a_ceiling_is_lowered_by_any_climb_and_air_only_by_a_large_one() -> None:
    """Cloud 150 m above terrain 90 m lower is 60 m above the site (arithmetic)."""
    raw = forecast(AT - 90.0, t=10.0, td=2.0, hours=2, ceiling_height=np.array([150.0, 150.0]))
    found = derived(raw)
    np.testing.assert_allclose(found.fields["ceiling_height"].values, 60.0)
    np.testing.assert_allclose(found.fields["ceiling_clearance"].values, 0.0)
    np.testing.assert_array_equal(
        found.fields["air_temperature"].values, raw.fields["air_temperature"].values
    )


@truth
def test_dew_point_of_lifted_air() -> None:
    # MetPy, air of one mixing ratio lifted by 300 m: the dew point falls by 0.5 to 0.6 K, and the
    # FAA's 1 degF in 1000 ft is 1.8 K/km (from memory)
    import metpy.calc as mpcalc
    from metpy.units import units

    for celsius, dew in ((0.0, -5.0), (10.0, 5.0), (25.0, 15.0)):
        low = 950.0 * units.hPa
        ratio = mpcalc.mixing_ratio(mpcalc.saturation_vapor_pressure(dew * units.degC), low)
        high = low * np.exp(-9.80665 * 300 / (287.05 * (celsius + ZERO)))
        there = mpcalc.dewpoint(mpcalc.vapor_pressure(high, ratio)).to("degC").magnitude
        ours = site_height.moved_dew_point(
            np.array(celsius + ZERO), np.array(dew + ZERO), 300.0, FIGURES
        )
        assert float(ours) - ZERO == pytest.approx(float(there), abs=0.1)


@law
@pytest.mark.parametrize(
    ("terrain", "altitude"), [(400.0, AT), (600.0, AT), (None, AT), (np.nan, AT), (100.0, None)]
)
def test_without_a_difference_of_more_than_100_m_nothing_moves(
    terrain: float | None, altitude: float | None
) -> None:
    # science notes 8.6: corrected if they differ by more than 100 m
    raw = forecast(terrain, t=30.0, td=10.0)
    found = derived(raw, altitude)
    for name in ("air_temperature", "dew_point_temperature"):
        np.testing.assert_array_equal(found.fields[name].values, raw.fields[name].values)
    assert found.notes == ()


@law
def test_more_than_300_m_still_flags_the_terrain() -> None:
    found = derived(forecast(150.0, t=10.0))
    assert float(found.fields["terrain_difference"].values) == 350.0
    assert first(found, "air_temperature") == pytest.approx(ZERO + 10 - 2.275, abs=1e-3)


@law
def test_what_was_derived_is_moved_once(tmp_path: Path) -> None:
    once = derived(forecast(300.0, t=10.0, td=5.0, relative_humidity=0.7))
    twice = derived(once)
    now = datetime(2026, 6, 20, 22, tzinfo=UTC)
    store.save(tmp_path, "k", once, at=now)
    kept = store.load(tmp_path, "k")
    assert kept is not None
    stored = derived(kept.forecast)
    for name in ("air_temperature", "dew_point_temperature", "relative_humidity"):
        for other in (twice, stored):
            np.testing.assert_array_equal(other.fields[name].values, once.fields[name].values)
    assert stored.notes == twice.notes == once.notes


@law
@pytest.mark.parametrize("known", [True, False])
def test_what_was_read_on_the_field_is_not_moved(known: bool) -> None:
    raw = forecast(300.0, t=10.0, td=5.0, wind_speed_of_gust=4.0)
    if not known:
        raw = replace(raw, fields={n: f for n, f in raw.fields.items() if n != "air_temperature"})
    seen = Seen(wind=None, gust=None, temperature=ZERO + 3.0)
    over = overlaid(derived(raw), seen, datetime(2026, 6, 20, 22, tzinfo=UTC), hours=1,
                    roughness=0.03, filling=True)  # fmt: skip
    assert first(derived(over), "air_temperature") == pytest.approx(ZERO + 3.0, abs=1e-3)


@law
def test_members_and_air_aloft_go_along() -> None:
    raw = forecast(300.0, t=10.0, td=5.0)
    column = make_field("air_temperature_at_heights", np.full((3, 1, 2), 282.0),
                        levels=np.array([80.0]))  # fmt: skip
    wide = np.array([[280.0, 281.0]] * 3)
    grid = {"dims": ("member",), "coords": {"member": ("member", np.arange(2))}}
    raw = replace(raw.with_fields({"air_temperature": make_field("air_temperature", wide),
                                   column_name: column}), attributes={"grid": grid})  # fmt: skip
    found = derived(raw)
    np.testing.assert_allclose(found.fields["air_temperature"].values, wide - 1.3, atol=1e-3)
    np.testing.assert_allclose(found.fields[column_name].values, 282.0 - 1.3, atol=1e-3)
    assert found.fields["dew_point_temperature"].values.shape == (3, 2)


column_name = "air_temperature_at_heights"


@law
def test_the_terrain_is_fetched_with_the_temperature() -> None:
    for name in ("air_temperature", "dew_point_temperature", "relative_humidity",
                 "air_temperature_at_heights", "battery_factor"):  # fmt: skip
        assert {"surface_altitude", "air_temperature"} <= fetched_for([name])
    assert "surface_altitude" not in fetched_for(["visibility_in_air"])
    assert fetched_for(["ceiling_height"]) == {"ceiling_height", "surface_altitude"}


_T = st.floats(230, 320)


@law
@unhurried
@given(_T, _T, st.floats(0, 80), st.floats(-2000, 2000), st.floats(0.01, 1.2))
def test_moved_air_is_air(one: float, two: float, spread: float, climb: float, wet: float) -> None:
    low, high = sorted((one, two))
    t = np.array([low, high])
    moved = t + site_height.temperature_shift(t, climb, FIGURES)
    dew = site_height.moved_dew_point(t, t - spread, climb, FIGURES)
    assert moved[0] <= moved[1]  # warmer stays warmer
    assert (dew <= moved + 1e-9).all()  # never above the temperature
    # nothing is drier than it was: neither fog nor dew is argued away
    assert (moved - dew <= spread + 1e-9).all()
    # where anything fears the cold it never becomes warmer
    assert (moved[t < FIGURES.warm] <= t[t < FIGURES.warm]).all()
    assert np.isnan(site_height.temperature_shift(np.array(np.nan), climb, FIGURES))
    fields: Mapping[str, object] = site_height.at_site_height(
        forecast(AT - climb, t=low - ZERO, relative_humidity=wet).fields, FIELD, FIGURES
    )[0]
    share = fields["relative_humidity"].values  # type: ignore[attr-defined]
    assert ((share >= min(wet, 1.0) - 2e-3) & (share <= 1.2)).all()


@law
def test_a_dew_point_that_is_wrong_stays_wrong() -> None:
    found = derived(forecast(300.0, t=10.0, td=11.0))
    assert np.isnan(found.fields["dew_point_spread"].values).all()
    assert relative_humidity(np.array(280.0), np.array(279.0)) < 1


@truth
def test_cloud_below_which_a_law_asks_for_500_ft() -> None:
    # 14 CFR 107.51: at most 400 ft, 500 ft below cloud, 274.3 m (arithmetic). Whatever has a base
    # below that by Bolton 1980, eq. 15 has less spread than the rule of the law allows.
    book = load_rulebook([places.shipped("rules") / "law" / "us-part-107.yaml"], aircraft=AIRCRAFT)
    spread = (
        book.rule("us-cloud-few")
        .limits[Grade.MARGINAL]
        .resolve(Skill.NOVICE, CRAFT, lambda _: None)
    )
    assert spread is not None
    t = np.arange(-20.0, 45.0) + ZERO
    assert (lcl_height(t, t - spread) >= (400 + 500) * 0.3048).all()
    # fair-weather cumulus at 1500 m is 12 K of spread, and far from it
    assert float(lcl_height(np.array(295.0), np.array(283.0))) == pytest.approx(1500, abs=60)
    assert spread < 12 / 4
