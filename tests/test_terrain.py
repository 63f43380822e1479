"""Hills and shelter: truth (worked examples, published tables) and law."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from wind_cases import AIRCRAFT, FIELD, NEUTRAL, derived, steady

from wxgate.derive.figures import derivation
from wxgate.derive.terrain import (
    flow_separates,
    hill_speedup,
    in_lee,
    in_wake,
    shelter_factor,
)
from wxgate.dressing import Case, dress
from wxgate.forecast import Forecast
from wxgate.profiles import Hill, Shelter
from wxgate.weathers import default_policy

# The functions below, with the figures that ship.
FIGURES = derivation()
in_lee = partial(in_lee, reach=FIGURES.terrain.lee_reach)
in_wake = partial(in_wake, figures=FIGURES.terrain)
shelter_factor = partial(shelter_factor, figures=FIGURES.terrain)

truth, law = pytest.mark.truth, pytest.mark.law
unhurried = settings(deadline=None)

RIDGE = Hill("ridge", 40.0, 100.0, 0.0)
HEDGE = Shelter(8.0, 40.0, 0.4, True)

# ------------------------------------------------------------------ hills


@truth
def test_speedup_over_a_ridge() -> None:
    # worked example computed by us (science notes 1.5): h 40 m, Lh 100 m, at the
    # crest; form of the National Building Code of Canada 4.1.7.4, read 2026-11
    found = hill_speedup([2, 10, 30, 60, 100], RIDGE)
    np.testing.assert_allclose(found, [1.83, 1.65, 1.36, 1.15, 1.04], atol=0.005)


@truth
def test_speedup_over_a_lower_ridge() -> None:
    # as above, computed by us: h 20 m, Lh 100 m
    found = hill_speedup([10, 30], replace(RIDGE, height=20.0))
    np.testing.assert_allclose(found, [1.33, 1.18], atol=0.005)


@truth
def test_flat_rises_do_nothing() -> None:
    # ASCE 7, 26.8: h/Lh below 0.2 is left out (read 2026-11)
    assert (hill_speedup([2, 30], replace(RIDGE, height=19.9)) == 1).all()
    assert (hill_speedup([2, 30], None) == 1).all()


@law
def test_a_cliff_counts_as_half_as_high_as_long() -> None:
    cliff = replace(RIDGE, half_length=5.0)
    gentle = replace(RIDGE, half_length=80.0)
    z = np.array([2.0, 30.0, 100.0])
    np.testing.assert_allclose(hill_speedup(z, cliff), hill_speedup(z, gentle))


@law
def test_the_plateau_behind_an_escarpment_feels_it_longer_than_the_foot() -> None:
    edge = Hill("escarpment", 40.0, 100.0, 0.0)
    behind, before = (replace(edge, position=x) for x in (200.0, -200.0))
    assert float(hill_speedup(10.0, behind)) > 1 == float(hill_speedup(10.0, before))


@law
@unhurried
@given(
    st.sampled_from(["ridge", "escarpment", "round"]),
    st.floats(1, 500),
    st.floats(1, 2000),
    st.floats(-3000, 3000),
    st.floats(2, 150),
)
def test_a_hill_never_takes_wind_away_and_least_high_up(
    shape: str, height: float, half: float, position: float, z: float
) -> None:
    hill = Hill(shape, height, half, position)
    low, high = hill_speedup([z, z + 20], hill)
    assert low >= high >= 1
    assert low <= 2.1  # 1 + 2.2 x 0.5


@truth
def test_steep_lee_slopes_separate() -> None:
    # Taylor & Lee 1984: validity up to a slope of 0.3 (abstract read 2026-11)
    assert not flow_separates(RIDGE)  # 0.2
    assert flow_separates(replace(RIDGE, half_length=60.0))  # 0.33


@truth
@pytest.mark.parametrize(
    ("position", "lee"), [(0.0, False), (50.0, True), (-50.0, True), (400.0, True), (401.0, False)]
)
def test_the_lee_of_a_steep_hill(position: float, lee: bool) -> None:
    # science notes 1.5: slope above 0.3 separates, gusty to 5-10 heights (common practice)
    steep = replace(RIDGE, half_length=60.0, position=position)
    assert in_lee(steep) is lee
    found = derived(steady((10, 100), (6, 8)), 60, site=replace(FIELD, hill=steep), **NEUTRAL)
    assert found["lee_separation"].values == float(lee)
    assert not in_lee(replace(RIDGE, position=position))
    assert not in_lee(None)


@truth
def test_hill_and_shelter_at_the_launch_place() -> None:
    # by hand: 6 m/s at 10 m, x 1.65 on the ridge, x 0.22 behind a belt 5 heights away (EC1763)
    both = replace(FIELD, hill=RIDGE, shelter=HEDGE)
    found = derived(steady((10, 100), (6, 8)), 60, site=both, **NEUTRAL)
    assert found["launch_wind_speed"].values[0] == pytest.approx(6 * 1.65 * 0.22, abs=0.007)
    aloft = found["wind_speed_at_flight_height"].values[0]
    assert found["wind_step"].values[0] == pytest.approx(aloft - 6 * 1.65 * 0.22, abs=0.007)
    # on the bare ridge the launch is as windy as the flight: the step shrinks
    bare = derived(steady((10, 100), (6, 8)), 60, site=replace(FIELD, hill=RIDGE), **NEUTRAL)
    assert bare["wind_step"].values[0] == pytest.approx(abs(aloft - 6 * 1.65), abs=0.03)


@truth
@pytest.mark.parametrize(("height", "wake"), [(15.0, 1.0), (16.0, 0.0), (60.0, 0.0)])
def test_a_flight_in_the_wake_is_flagged(height: float, wake: float) -> None:
    # science notes 1.5 (common practice): an 8 m hedge, 40 m away
    site = replace(FIELD, shelter=HEDGE)
    found = derived(steady((10, 100), (6, 8)), height, site=site, **NEUTRAL)
    assert found["wake_turbulence"].values == wake


@law
def test_a_hill_raises_wind_and_gust_at_flight_height() -> None:
    flat = derived(steady((10, 100), (6, 8)), 30, wind_speed_of_gust=10.0, **NEUTRAL)
    site = replace(FIELD, hill=RIDGE)
    hilly = derived(steady((10, 100), (6, 8)), 30, site=site, wind_speed_of_gust=10.0, **NEUTRAL)
    name = "wind_speed_at_flight_height"
    factor = float(hill_speedup(30, RIDGE))
    assert hilly[name].values[0] == pytest.approx(flat[name].values[0] * factor, rel=1e-5)
    assert hilly["gust_at_flight_height"].values[0] == pytest.approx(
        hilly[name].values[0] + 4.0, rel=1e-5
    )
    # the crest is windiest near the ground: 6 m/s x 1.65 there
    assert hilly["wind_speed_layer_maximum"].values[0] == pytest.approx(
        max(6 * float(hill_speedup(10, RIDGE)), hilly[name].values[0]), rel=1e-5
    )
    assert hilly["wind_speed"].values[0] == 6.0  # what the model said


@truth
def test_a_hill_raises_every_level_of_the_layer() -> None:
    # by hand: 12 m/s on a level at 50 m, times the factor there; nothing else comes near it
    found = derived(
        steady((10, 50, 100), (3, 12, 6)), 100, site=replace(FIELD, hill=RIDGE), **NEUTRAL
    )
    assert found["wind_speed_layer_maximum"].values[0] == pytest.approx(
        12 * float(hill_speedup(50, RIDGE)), rel=1e-5
    )


# ------------------------------------------------------------------ shelter


@truth
@pytest.mark.parametrize(("heights_away", "reduction"), [(5, 0.78), (10, 0.66)])
def test_reduction_behind_a_belt(heights_away: float, reduction: float) -> None:
    # Univ. of Nebraska EC1763, moderately dense belt (read 2026-11)
    belt = replace(HEDGE, distance=heights_away * HEDGE.height)
    assert float(shelter_factor(2.0, belt)) == pytest.approx(1 - reduction)


@truth
@pytest.mark.parametrize(
    ("height", "distance", "leaf"),
    [
        (5.6, 40.0, True),  # 0.7 belt heights up
        (60.0, 40.0, True),  # flight height
        (2.0, 15.0, True),  # nearer than 2 heights: eddies, no shelter to count on
        (2.0, 81.0, True),  # farther than 10
        (2.0, 40.0, False),  # bare twigs: far less, and not known
    ],
)
def test_shelter_that_may_not_be_counted_on(height: float, distance: float, leaf: bool) -> None:
    # science notes 1.5 (common practice)
    assert float(shelter_factor(height, replace(HEDGE, distance=distance, leaf=leaf))) == 1.0
    assert float(shelter_factor(height, None)) == 1.0


@truth
@pytest.mark.parametrize(
    ("porosity", "counts"),
    [(0.0, False), (0.149, False), (0.15, True), (0.35, True), (0.45, True), (0.451, False)],
)
def test_only_a_moderately_dense_belt_calms_the_launch(porosity: float, counts: bool) -> None:
    # Iowa State University, Farmstead windbreaks: planning (read 2026-11): a density of 55 to 85 %
    # serves best, very dense belts shelter over fewer heights. Extension slides (NDSU, read
    # 2026-11): behind a solid wall suction eddies at 1-3 and a turbulent wake at 3-6 heights.
    site = replace(FIELD, shelter=replace(HEDGE, porosity=porosity))
    found = derived(steady((10, 100), (6, 8)), 60, site=site, **NEUTRAL)
    launch = 6 * 0.22 if counts else 6.0
    assert found["launch_wind_speed"].values[0] == pytest.approx(launch, abs=0.005)
    # the step out of the lee is as large behind a wall as behind a hedge: never smaller
    hedge = derived(steady((10, 100), (6, 8)), 60, site=replace(FIELD, shelter=HEDGE), **NEUTRAL)
    assert found["wind_step"].values[0] == hedge["wind_step"].values[0] > 6


@truth
@pytest.mark.parametrize("turn", [0.0, 60.0])
@pytest.mark.parametrize("porosity", [0.0, 0.35])
def test_the_weathers_step_out_of_the_lee_as_the_limits_do(porosity: float, turn: float) -> None:
    # 22 % of the wind is left 5 heights behind a belt (EC1763); behind a wall the step is as large.
    # Errors of the two speeds change the step by as much as the difference of the speeds, computed
    # by us; that the wind turns on the way up stays in it.
    site = replace(FIELD, shelter=replace(HEDGE, porosity=porosity))
    found = derived(steady((10, 100), (6, 8), (270.0, 270.0 + turn)), 60, site=site, **NEUTRAL)
    limits = found["wind_step"].values[0]
    time = np.datetime64("2026-05-01T00", "s") + np.arange(3) * np.timedelta64(3600, "s")
    wide = dress(Forecast(time, found), Case(site, AIRCRAFT, 60.0), default_policy(), members=40)
    along, before = (
        of["wind_speed_at_flight_height"].values - 0.22 * of["wind_speed"].values
        for of in (wide.fields, found)
    )
    expected = np.maximum(np.abs(along), limits + along - before[0])
    assert np.ptp(along) > 3
    assert wide.fields["wind_step"].values == pytest.approx(expected, abs=0.01)


@truth
def test_wake_of_a_belt() -> None:
    # science notes 1.5 (common practice): under 2 heights, within 15 heights downwind
    found = in_wake([2.0, 15.0, 16.0, np.nan], HEDGE)
    np.testing.assert_array_equal(found, [True, True, False, True])
    assert not in_wake(2.0, replace(HEDGE, distance=121.0))


@truth
def test_shelter_trap() -> None:
    # scenario 21 of the science notes (computed by us): 7 m/s, gust 11, a meter behind an 8 m hedge
    # shows 1.5; at 60 m 9.0 and 13.0 stay as they are, and the step on climbing out is 1.5 -> 9
    site = replace(FIELD, shelter=HEDGE)
    found = derived(steady((10,), (7,)), 60, site=site, wind_speed_of_gust=11.0, **NEUTRAL)
    assert found["wind_speed_at_flight_height"].values[0] == pytest.approx(9.0, abs=0.05)
    assert found["gust_at_flight_height"].values[0] == pytest.approx(13.0, abs=0.05)
    assert found["wind_step"].values[0] == pytest.approx(9.0 - 1.5, abs=0.1)


@law
@unhurried
@given(st.floats(0.5, 100), st.floats(0, 2000), st.floats(0, 1), st.booleans(), st.floats(0, 25),
       st.floats(0, 25))  # fmt: skip
def test_shelter_lowers_nothing_but_the_launch(
    height: float, distance: float, porosity: float, leaf: bool, low: float, high: float
) -> None:
    wind = steady((10, 100), (low, high))
    plain = derived(wind, 60, wind_speed_of_gust=26.0, **NEUTRAL)
    site = replace(FIELD, shelter=Shelter(height, distance, porosity, leaf))
    behind = derived(wind, 60, site=site, wind_speed_of_gust=26.0, **NEUTRAL)
    for name in ("wind_speed", "wind_speed_at_flight_height", "wind_speed_layer_maximum",
                 "gust", "gust_at_flight_height"):  # fmt: skip
        np.testing.assert_array_equal(behind[name].values, plain[name].values)
    assert (behind["wind_step"].values >= plain["wind_step"].values).all()


@law
def test_missing_heights_stay_missing() -> None:
    assert np.isnan(hill_speedup(np.nan, RIDGE))
    assert np.isnan(hill_speedup(np.nan, None))
    assert np.isnan(shelter_factor(np.nan, HEDGE))
    assert np.isnan(shelter_factor(np.nan, None))
