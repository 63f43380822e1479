"""Wind at height: truth (published examples, standards, libraries, real profiles) and law.

Rows named LOG, POW, MO, INT and Z0 are those of our check values; where each was seen stands
beside it ("read 2026-11"). "computed by us" marks figures that nobody has published.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from benchmarks.wind_profiles import SOUNDINGS, Row, sounding, table
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from wind_cases import CLEAR_NIGHT, FIELD, NEUTRAL, derived, field, origin, steady, winds

from wxgate.derive.column import speed_of, stack, strongest_below, wind_at
from wxgate.derive.figures import derivation
from wxgate.derive.gust import RECIPES as GUST_RECIPES
from wxgate.derive.surface_layer import (
    ALPHA_IEC_ONSHORE,
    ALPHA_NEUTRAL,
    ALPHA_STABLE,
    ALPHA_UNSTABLE,
    ROUGHNESS_CLASSES,
    log_profile,
    maybe_stable,
    maybe_unstable,
    neutral_exponent,
    phi_h,
    phi_m,
    power_law,
    psi_h,
    psi_m,
    similarity_profile,
    stability_exponent,
    surely_stable,
    surely_unstable,
)
from wxgate.derive.thermals import RECIPES as THERMALS
from wxgate.derive.wind import RECIPES, carry_up, components_of, direction_from
from wxgate.derive.wind_signs import RECIPES as SIGNS
from wxgate.derive.wind_signs import (
    angle_between,
    direction_swing,
    low_level_jet,
    sea_breeze_onset,
)
from wxgate.errors import UsageError
from wxgate.forecast import Field

# The functions below, with the figures that ship.
FIGURES = derivation()
stack = partial(stack, figures=FIGURES.levels)
direction_swing = partial(direction_swing, calm=FIGURES.breeze.calm)
low_level_jet = partial(low_level_jet, figures=FIGURES.jet)
sea_breeze_onset = partial(sea_breeze_onset, figures=FIGURES.breeze)

truth, law = pytest.mark.truth, pytest.mark.law
# The machine's own pauses and the first import of a library are no fault of the code.
unhurried = settings(deadline=None)
few = settings(deadline=None, max_examples=25)

# ------------------------------------------------------------------ published laws of the profile

#: windpowerlib's own test suite, tests/test_wind_speed.py @191d8ca (Hau 2008; Gasch & Twele 2010),
#: read 2026-11.
REFERENCE_WINDS = np.array([5.0, 6.5])


@truth
@pytest.mark.parametrize(
    ("name", "metres"),
    [("sea", 0.0002), ("open", 0.03), ("roughly open", 0.1), ("rough", 0.25),
     ("very rough", 0.5), ("closed", 1.0)],
)  # fmt: skip
def test_roughness_classes(name: str, metres: float) -> None:
    # Z0-1..7: WMO-No. 8 ch. 5 annex; Wieringa 1992; EPA-454/R-99-005 table 6-10; read 2026-11
    assert ROUGHNESS_CLASSES[name] == metres


@truth
def test_log_profile_of_windpowerlib_suite() -> None:
    # LOG-01
    found = log_profile(REFERENCE_WINDS, 10, 100, 0.15)
    np.testing.assert_allclose(found, [7.74136523, 10.0637748], rtol=1e-6)


@truth
def test_log_profile_lifted_by_an_obstacle() -> None:
    # LOG-02
    found = log_profile(REFERENCE_WINDS, 10, 100, 0.15, obstacle_height=12)
    np.testing.assert_allclose(found, [13.54925281, 17.61402865], rtol=1e-6)


@truth
@pytest.mark.parametrize("obstacle", [20.0, 10 / 0.7, 14.3])
def test_log_profile_refuses_a_reading_among_obstacles(obstacle: float) -> None:
    # LOG-03: windpowerlib's suite, read 2026-11: obstacle 20 m, reference 10 m; at the edge itself
    # the law divides by zero
    with pytest.raises(UsageError, match="too tall"):
        log_profile(5.0, 10, 100, 0.15, obstacle_height=obstacle)


@truth
@pytest.mark.parametrize(
    ("wind", "low", "high", "z0", "expected", "tolerance"),
    [
        (10, 10, 80, 0.03, 13.58, 0.005),  # LOG-04 worked example of a calculator, read 2026-11
        (8, 10, 100, 0.03, 11.2, 0.05),  # LOG-05 worked example of a calculator page, read 2026-11
        (5, 20, 50, 1.0, 6.53, 0.005),  # LOG-06 as LOG-04
        (5, 10, 25, 0.5, 6.53, 0.005),  # LOG-07 Stull, Practical Meteorology 18.5; from memory
        (5, 10, 30, 0.03, 5.946, 0.0005),  # LOG-08 computed by us
        (5, 10, 120, 0.03, 7.139, 0.0005),  # LOG-08 computed by us
        (5, 10, 120, 0.10, 7.698, 0.0005),  # LOG-09 computed by us
    ],
)
def test_log_profile_examples(
    wind: float, low: float, high: float, z0: float, expected: float, tolerance: float
) -> None:
    assert float(log_profile(wind, low, high, z0)) == pytest.approx(expected, abs=tolerance)


@truth
@pytest.mark.parametrize(
    ("wind", "low", "high", "alpha", "expected", "tolerance"),
    [
        (5.0, 10, 100, 1 / 7, 6.9474774, 1e-5),  # POW-01 windpowerlib suite, read 2026-11
        (6.5, 10, 100, 1 / 7, 9.03172, 1e-5),  # POW-01
        (5.0, 10, 100, 0.2, 7.92446596, 1e-6),  # POW-02
        (6.5, 10, 100, 0.2, 10.30180575, 1e-6),  # POW-02
        (10, 10, 80, 0.143, 13.46, 0.005),  # POW-04 computed by us; a page prints 13.49
        (5, 20, 50, 0.30, 6.58, 0.005),  # POW-05 worked example of a calculator page, read 2026-11
        (5, 10, 120, 1 / 7, 7.131, 0.0005),  # POW-06 computed by us
        (5, 10, 120, 0.2, 8.219, 0.0005),  # POW-06 computed by us
        (1, 10, 122, 0.162, 1.5, 0.005),  # Transport Canada, read 2026-11: x 1.5 at 122 m
    ],
)
def test_power_law_examples(
    wind: float, low: float, high: float, alpha: float, expected: float, tolerance: float
) -> None:
    assert float(power_law(wind, low, high, alpha)) == pytest.approx(expected, abs=tolerance)


@truth
@unhurried
@given(
    wind=st.floats(0.1, 30),
    low=st.floats(5, 40),
    high=st.floats(5, 150),
    z0=st.floats(0.0005, 1.5),
    alpha=st.floats(0, 0.6),
)
def test_profiles_agree_with_windpowerlib(
    wind: float, low: float, high: float, z0: float, alpha: float
) -> None:
    # an independent implementation (windpowerlib 0.2)
    from windpowerlib.wind_speed import hellman, logarithmic_profile

    logarithmic = float(logarithmic_profile(wind, low, high, z0))
    assert float(log_profile(wind, low, high, z0)) == pytest.approx(logarithmic, rel=1e-9)
    power = float(hellman(wind, low, high, hellman_exponent=alpha))
    assert float(power_law(wind, low, high, alpha)) == pytest.approx(power, rel=1e-9)


@truth
def test_neutral_exponents_of_the_table() -> None:
    # science notes 1.2, computed by us: exponent over 10 to 100 m by roughness
    found = neutral_exponent(10, 100, np.array([0.03, 0.1, 0.3, 1.0]))
    np.testing.assert_allclose(found[:3], [0.144, 0.174, 0.215], atol=0.0005)
    assert found[3] == pytest.approx(0.29, abs=0.005)


@truth
def test_exponent_of_the_turbine_standard() -> None:
    # POW-07: IEC 61400-1 ed. 3 cl. 6.3.1.2, quoted by its authors, read 2026-11
    assert ALPHA_IEC_ONSHORE == 0.2
    # It is that of a neutral wind between roughly open and rough country.
    roughly_open, rough = (ROUGHNESS_CLASSES[name] for name in ("roughly open", "rough"))
    low, high = neutral_exponent(10, 100, np.array([roughly_open, rough]))
    assert low < ALPHA_IEC_ONSHORE < high


@truth
def test_stability_functions_of_dyer_and_paulson() -> None:
    # MO-01, MO-02: Dyer 1974, abstract read 2026-11; figures by hand
    assert float(phi_m(-1.0)) == pytest.approx(0.49248, abs=5e-6)
    assert float(phi_h(-1.0)) == pytest.approx(0.24254, abs=5e-6)
    assert float(phi_m(0.2)) == pytest.approx(2.0, abs=1e-9)
    assert float(phi_h(0.2)) == pytest.approx(2.0, abs=1e-9)
    # MO-psi: forms of Paulson 1970 as in an R package, read 2026-11; numbers computed by us
    zeta = np.array([-2, -1, -0.5, -0.1, 0.1, 0.5])
    momentum = [1.49469, 1.11623, 0.79336, 0.28361, -0.5, -2.5]
    heat = [2.43118, 1.88123, 1.38629, 0.53428, -0.5, -2.5]
    np.testing.assert_allclose(psi_m(zeta), momentum, atol=5e-6)
    np.testing.assert_allclose(psi_h(zeta), heat, atol=5e-6)
    # Beyond 1 Holtslag & De Bruin 1988: coefficients from memory, figure computed by us
    np.testing.assert_allclose([psi_m(2.0), psi_h(2.0)], -8.146, atol=0.0005)


@truth
def test_psi_is_the_integral_of_phi() -> None:
    # Paulson 1970: psi(z) = integral of (1 - phi(x)) / x; an independent way to the same number
    for zeta in (-2.0, -0.3, 0.4, 0.9):
        x = np.linspace(0, zeta, 200_001)[1:]
        middle = x - x[0] / 2
        for psi, phi in ((psi_m, phi_m), (psi_h, phi_h)):
            integral = float(np.sum((1 - phi(middle)) / middle) * x[0])
            assert float(psi(zeta)) == pytest.approx(integral, abs=1e-8)


@truth
def test_similarity_profile_by_obukhov_length() -> None:
    # MO-10: 5 m/s at 10 m, z0 0.03, to 50 m; profile equation read 2026-11, numbers computed by us
    lengths = np.array([-50, -100, -200, np.inf, 200, 100, 50])
    expected = [5.892, 5.995, 6.099, 6.385, 7.154, 7.861, 9.121]
    np.testing.assert_allclose(similarity_profile(5, 10, 50, 0.03, lengths), expected, atol=0.0005)
    assert np.isnan(similarity_profile(np.nan, 10, 50, 0.03, lengths)).all()
    assert np.isnan(similarity_profile(5, 10, 50, 0.03, np.nan))


@truth
def test_exponents_by_stability_beside_similarity() -> None:
    # MO-10, MO-12 (computed by us): 10 to 50 m over open country. Ours for stable air is stronger
    # than at an Obukhov length of 50 m, that for unstable air weaker than at -50 m; the neutral one
    # is within 2 % of the log law.
    lengths = np.array([50.0, np.inf, -50.0])
    stable, neutral, unstable = similarity_profile(1, 10, 50, ROUGHNESS_CLASSES["open"], lengths)
    air = np.array([[-9.0, 0.0, 3.0], [40.0, 1.0, 9.0], [40.0, 0.0, 3.0]])
    ours = power_law(1, 10, 50, stability_exponent(*air.T))
    assert ours[0] > stable > ours[1] > unstable > ours[2]
    assert ours[1] == pytest.approx(neutral, rel=0.02)


@law
@unhurried
@given(st.floats(20, 500), st.floats(0.001, 0.5))
def test_stable_air_shears_more_than_neutral_and_neutral_more_than_unstable(
    length: float, z0: float
) -> None:
    # MO-12
    stable, neutral, unstable = similarity_profile(
        5, 10, 50, z0, np.array([length, np.inf, -length])
    )
    assert stable > neutral > unstable


@law
@unhurried
@given(st.floats(0.9, 1.1))
def test_psi_has_no_step_where_the_stable_branches_meet(zeta: float) -> None:
    assert abs(float(psi_m(zeta)) - float(psi_m(1.0))) < 5.01 * abs(zeta - 1) + 1e-12


@law
@unhurried
@given(st.floats(-5, 5))
def test_heat_is_mixed_no_less_than_the_wind(zeta: float) -> None:
    assert float(psi_h(zeta)) >= float(psi_m(zeta))


@law
@pytest.mark.parametrize(
    ("sun", "cloud", "wind", "unstable", "stable"),
    [
        # Bands as the comment in surface_layer has them (from memory): (surely, maybe) of each.
        (15.1, 0.6, 5.9, (True, True), (False, False)),
        (15.0, 0.6, 5.9, (False, True), (False, False)),
        (10.0, 0.6, 5.9, (False, False), (False, False)),
        (30.0, 5 / 8, 3.0, (False, False), (False, False)),  # 5/8, and not under it
        (30.0, 0.2, 6.0, (False, False), (False, False)),  # 6 m/s, and not less
        (-0.1, 0.4, 4.9, (False, False), (True, True)),
        (0.0, 0.4, 4.9, (False, False), (False, True)),
        (3.0, 0.4, 4.9, (False, False), (False, False)),
        (-9.0, 4 / 8, 3.0, (False, False), (False, False)),
        (-9.0, 0.4, 5.0, (False, False), (False, False)),
        (np.nan, 0.2, 3.0, (False, True), (False, True)),  # what is missing proves nothing
        (30.0, np.nan, 3.0, (False, True), (False, False)),
    ],
)
def test_the_bands_of_stability_at_their_edges(
    sun: float, cloud: float, wind: float, unstable: tuple[bool, bool], stable: tuple[bool, bool]
) -> None:
    at = (sun, cloud, wind)
    assert (bool(surely_unstable(*at)), bool(maybe_unstable(*at))) == unstable
    assert (bool(surely_stable(*at)), bool(maybe_stable(*at))) == stable


# ------------------------------------------------------------------ direction and components


@truth
def test_components_and_conventions() -> None:
    # INT-2, INT-3: MetPy's test suite, read 2026-11
    u, v = components_of(8.0, 150.0)
    assert (float(u), float(v)) == pytest.approx((-4.0, 6.9282), abs=5e-5)
    assert float(direction_from(0.0, 0.0)) == 0.0
    assert float(direction_from(0.0, -5.0)) == 360.0


@truth
@unhurried
@given(arrays(np.float32, 8, elements=st.floats(-60, 60, width=32)), st.randoms())
def test_speed_and_direction_agree_with_metpy(u: np.ndarray, random: object) -> None:
    from metpy.calc import wind_direction, wind_speed
    from metpy.units import units

    v = u[::-1].copy()
    v[0] = 0.0
    q = units("m/s")
    expected = wind_speed(u.astype(float) * q, v.astype(float) * q).magnitude
    np.testing.assert_allclose(speed_of(u, v), expected, rtol=1e-12)
    heading = wind_direction(u.astype(float) * q, v.astype(float) * q).magnitude
    np.testing.assert_allclose(direction_from(u, v), heading, atol=1e-9)


@truth
def test_directions_either_side_of_north_are_twenty_degrees_apart() -> None:
    # INT-4, by hand: 350 and 10 average to north, not to south
    assert float(angle_between(350, 10)) == pytest.approx(20)
    u, v = components_of([5.0, 5.0], [350.0, 10.0])
    between = wind_at(stack([10, 40], u[:, None], v[:, None]), 20.0)
    toward_north = angle_between(direction_from(between.eastward, between.northward), 0)
    assert float(toward_north[0]) == pytest.approx(0, abs=1e-6)


# ------------------------------------------------------------------ interpolation in the column


@truth
@pytest.mark.parametrize(
    ("top", "height", "weight"),
    [(100, 20, 0.30), (100, 30, 0.48), (100, 50, 0.70), (100, 60, 0.78), (100, 80, 0.90),
     (100, 120, 1.08), (80, 20, 0.33), (80, 30, 0.53), (80, 50, 0.77), (80, 60, 0.86)],
)  # fmt: skip
def test_weights_of_the_top_level(top: float, height: float, weight: float) -> None:
    # science notes 1.1.4, computed by us; a wind of 0 below and 1 above reads the weight
    column = stack([10, top], [[0.0], [1.0]], [[0.0], [0.0]])
    assert float(wind_at(column, height).eastward[0]) == pytest.approx(weight, abs=0.005)


@truth
def test_a_turning_wind_does_not_lose_speed() -> None:
    # science notes 1.1.3, computed by us: 4 m/s from 180 at 10 m, 10 m/s from 220 at 100 m; at 30 m
    # the vector has 6.5 m/s and the weighted speed 6.9
    u, v = components_of([4.0, 10.0], [180.0, 220.0])
    found = wind_at(stack([10, 100], u[:, None], v[:, None]), 30.0)
    assert float(speed_of(found.eastward, found.northward)[0]) == pytest.approx(6.5, abs=0.05)
    assert float(found.speed[0]) == pytest.approx(6.9, abs=0.05)


@truth
@pytest.mark.parametrize(
    ("levels", "speeds", "directions", "height", "air", "expected"),
    [
        ((10, 80), (1.5, 9.0), (190, 225), 100, CLEAR_NIGHT, 9.8),  # scenario 2
        ((10, 80), (1.5, 9.0), (190, 225), 20, CLEAR_NIGHT, 4.0),  # scenario 2
        ((10, 100), (8, 11), (), 60, NEUTRAL, 10.3),  # scenario 4
        ((10,), (4.0,), (), 30, NEUTRAL, 4.7),  # scenario 10
        ((10, 100), (5.5, 7), (), 40, NEUTRAL, 6.4),  # scenario 16
        ((10, 100), (6, 8), (), 50, NEUTRAL, 7.4),  # scenario 17
        ((10,), (7.0,), (), 60, NEUTRAL, 9.0),  # scenario 21
        ((10, 60), (5, 8), (), 60, NEUTRAL, 8.0),  # scenario 22
    ],
)
def test_wind_of_the_worked_scenarios(
    levels: tuple[float, ...],
    speeds: tuple[float, ...],
    directions: tuple[float, ...],
    height: float,
    air: dict[str, float],
    expected: float,
) -> None:
    # worked examples computed by us (science notes, section 11), as printed there
    found = derived(steady(levels, speeds, directions), height, **air)
    flight = found["wind_speed_at_flight_height"]
    assert round(float(flight.values[0]), 1) == expected
    assert origin(flight) == ("direct" if len(levels) > 1 else "power law from 10 m")


@truth
def test_a_jet_at_80_m_does_not_forbid_20_m_but_forbids_31_m() -> None:
    # by hand: levels below z + 50 m count (common practice, no source), 20 m stays free
    night = steady((10, 80), (1.5, 9.0), (190, 225))
    assert derived(night, 20, **CLEAR_NIGHT)["wind_speed_layer_maximum"].values[0] == 4.0
    assert derived(night, 30, **CLEAR_NIGHT)["wind_speed_layer_maximum"].values[0] < 9.0
    assert derived(night, 31, **CLEAR_NIGHT)["wind_speed_layer_maximum"].values[0] == 9.0


@truth
def test_layer_maximum_finds_the_nose_below_the_flight_height() -> None:
    # by hand: the level of 50 m lies below the flight
    found = derived(steady((10, 50, 100), (3, 12, 6)), 100, **NEUTRAL)
    assert found["wind_speed_at_flight_height"].values[0] == pytest.approx(6.0)
    assert found["wind_speed_layer_maximum"].values[0] == pytest.approx(12.0)


@truth
def test_wind_step_is_the_difference_of_vectors() -> None:
    # 3-4-5 triangle, by hand: 3 m/s from the west at 10 m, 4 m/s from the south at 100 m
    found = derived(steady((10, 100), (3, 4), (270, 180)), 100, **NEUTRAL)
    assert found["wind_step"].values[0] == pytest.approx(5.0, abs=1e-5)


# ------------------------------------------------------------------ pressure levels


def _with_pressure(
    fields: dict, heights: list[float], speeds: list[float], terrain: float = 300.0
) -> dict:  # type: ignore[type-arg]
    hours = fields["eastward_wind"].values.shape[0]
    levels = [100000.0 - 1200.0 * i for i in range(len(heights))]
    rows = (hours, 1)
    return {
        **fields,
        "eastward_wind_on_levels": field("eastward_wind_on_levels", np.tile(speeds, rows), levels),
        "northward_wind_on_levels": field(
            "northward_wind_on_levels", np.zeros((hours, len(heights))), levels
        ),
        "geopotential_height_on_levels": field(
            "geopotential_height_on_levels", np.tile(np.add(heights, terrain), rows), levels
        ),
        "surface_altitude": field("surface_altitude", terrain),
    }


@truth
def test_pressure_levels_carry_the_wind_above_the_top_height() -> None:
    # log law between 100 m (8 m/s) and 200 m (12 m/s): at 120 m 8 + 4 ln 1.2 / ln 2; computed by us
    found = derived(_with_pressure(steady((10, 100), (4, 8)), [200.0], [12.0]), 120, **NEUTRAL)
    flight = found["wind_speed_at_flight_height"]
    assert flight.values[0] == pytest.approx(8 + 4 * np.log(1.2) / np.log(2), abs=1e-5)
    assert origin(flight) == "pressure levels"


@law
@pytest.mark.parametrize("height", [-40.0, 10.0, 49.0, 119.0, 120.0])
def test_a_pressure_level_in_the_ground_or_near_the_top_height_is_no_witness(
    height: float,
) -> None:
    # science notes, trap 6 (below 50 m) and 1.1.1 (must clear the top height level by 20 m)
    plain = steady((10, 100), (4, 8))
    beside_it = _with_pressure(plain, [height], [40.0])
    for flight in (60, 100, 110):
        alone, both = derived(plain, flight, **NEUTRAL), derived(beside_it, flight, **NEUTRAL)
        for name in ("wind_speed_at_flight_height", "wind_speed_layer_maximum"):
            np.testing.assert_array_equal(both[name].values, alone[name].values)


@law
@pytest.mark.parametrize(("height", "how"), [(45.0, "power law from 10 m"),
                                             (55.0, "pressure levels")])  # fmt: skip
def test_the_lowest_pressure_level_over_a_10_m_wind_alone(height: float, how: str) -> None:
    # science notes, trap 6: a level under some 50 m is invented
    found = derived(_with_pressure(steady((10,), (4,)), [height], [6.0]), height, **NEUTRAL)
    assert origin(found["wind_speed_at_flight_height"]) == how


@law
def test_a_pressure_level_just_clear_of_the_top_height_counts() -> None:
    fields = _with_pressure(steady((10, 100), (4, 8)), [120.5], [40.0])
    assert derived(fields, 80, **NEUTRAL)["wind_speed_layer_maximum"].values[0] == 40


@law
def test_without_the_terrain_of_the_model_pressure_levels_are_left_out() -> None:
    fields = _with_pressure(steady((10,), (4,)), [200.0], [12.0])
    del fields["surface_altitude"]
    with_altitude = replace(FIELD, altitude=300.0)
    found = derived(fields, 60, site=with_altitude, **NEUTRAL)["wind_speed_at_flight_height"]
    assert origin(found) == "power law from 10 m"


@law
def test_a_level_missing_in_one_hour_is_told_by_that_hour_alone() -> None:
    u = np.array([[4.0, 8.0], [4.0, np.nan], [np.nan, 8.0]])
    found = derived(winds((10, 100), u, np.zeros((3, 2))), 60, **NEUTRAL)
    flight = found["wind_speed_at_flight_height"]
    assert [origin(flight, i) for i in range(2)] == ["direct", "power law from 10 m"]
    assert np.isfinite(flight.values[:2]).all()
    for name in ("wind_speed", "wind_speed_at_flight_height", "wind_speed_layer_maximum",
                 "wind_step", "beaufort"):  # fmt: skip
        assert np.isnan(found[name].values[2]), name


@law
def test_half_a_vector_is_no_level() -> None:
    u, v = np.array([[4.0, 8.0]] * 2), np.array([[1.0, np.nan]] * 2)
    flight = derived(winds((10, 100), u, v), 60, **NEUTRAL)["wind_speed_at_flight_height"]
    assert origin(flight) == "power law from 10 m"


# ------------------------------------------------------------------ when levels end too low


@truth
@pytest.mark.parametrize(
    ("sun", "cloud", "wind", "alpha"),
    [
        (40, 0.1, 3, ALPHA_UNSTABLE),
        (40, 0.9, 3, ALPHA_NEUTRAL),
        (40, 0.1, 7, ALPHA_NEUTRAL),
        (12, 0.1, 3, ALPHA_NEUTRAL),
        (-10, 0.1, 3, ALPHA_STABLE),
        (-10, 0.9, 3, ALPHA_NEUTRAL),
        (-10, 0.1, 6, ALPHA_NEUTRAL),
        (np.nan, 0.1, 3, ALPHA_STABLE),
        (-10, np.nan, 3, ALPHA_STABLE),
        (40, np.nan, 3, ALPHA_NEUTRAL),
        (np.nan, np.nan, 3, ALPHA_STABLE),
    ],
)
def test_exponent_by_stability(sun: float, cloud: float, wind: float, alpha: float) -> None:
    # science notes 1.2 (from memory), the bands taken at their careful ends; unknown is stable
    assert float(stability_exponent(sun, cloud, wind)) == alpha


@truth
def test_factors_of_the_power_law_table() -> None:
    # science notes 1.2, factors computed by us: 30, 60, 100, 120 m
    z = np.array([30, 60, 100, 120])
    for alpha, factors, digit in (
        (ALPHA_UNSTABLE, (1.09, 1.15, 1.20, 1.22), 0.01),
        (ALPHA_NEUTRAL, (1.17, 1.29, 1.38, 1.42), 0.01),
        (ALPHA_STABLE, (1.55, 2.05, 2.5, 2.7), 0.05),
    ):
        np.testing.assert_allclose(power_law(1, 10, z, alpha), factors, atol=digit / 2)


@law
def test_a_known_level_is_never_forgotten_for_the_10_m_wind() -> None:
    # 120 m from 10 and 80 m lies beyond what may be extrapolated; the wind at 80 m is still known
    found = derived(steady((10, 80), (1.5, 9.0)), 120, **CLEAR_NIGHT)
    flight = found["wind_speed_at_flight_height"]
    assert origin(flight) == "power law from the top level"
    assert flight.values[0] == pytest.approx(9 * (120 / 80) ** ALPHA_STABLE, rel=1e-6)


@law
def test_a_wind_that_falls_with_height_is_not_carried_on_falling() -> None:
    found = wind_at(stack([10, 80], [[9.0], [5.0]], [[0.0], [0.0]]), 100.0)
    assert found.speed[0] == 5.0


@law
def test_rough_ground_steepens_the_substitute_profile() -> None:
    smooth = derived(steady((10,), (7,)), 60, **NEUTRAL)
    rough = derived(steady((10,), (7,)), 60, site=replace(FIELD, roughness_length=0.5), **NEUTRAL)
    name = "wind_speed_at_flight_height"
    assert rough[name].values[0] > smooth[name].values[0]


@law
@unhurried
@given(
    levels=st.lists(st.floats(0, 25, width=32), min_size=3, max_size=3),
    height=st.floats(1, 200),
)
def test_the_wind_up_high_is_never_missing_where_10_m_is_there(
    levels: list[float], height: float
) -> None:
    found = derived(steady((10, 80, 100), levels), height, **CLEAR_NIGHT)
    flight, layer = (
        found[n].values for n in ("wind_speed_at_flight_height", "wind_speed_layer_maximum")
    )
    assert np.isfinite(flight).all()
    assert (layer >= flight).all()
    assert (layer >= found["wind_speed"].values).all()


# ------------------------------------------------------------------ laws of the column

_WIND = st.floats(-30, 30, width=32)
_WITH_GAPS = st.one_of(_WIND, st.just(float("nan")))


@law
@unhurried
@given(arrays(np.float64, (2, 5), elements=_WITH_GAPS), st.permutations(range(5)),
       st.floats(5, 150))  # fmt: skip
def test_the_order_of_levels_is_irrelevant(
    wind: np.ndarray, order: list[int], height: float
) -> None:
    z = np.array([10.0, 20.0, 50.0, 80.0, 100.0])
    u, v = wind[0][:, None], wind[1][:, None]
    one, other = stack(z, u, v), stack(z[order], u[order], v[order])
    for a, b in zip(carry_up(one, height, 0.2), carry_up(other, height, 0.2), strict=True):
        for name in ("speed", "eastward", "northward"):
            if hasattr(a, name):
                np.testing.assert_array_equal(getattr(a, name), getattr(b, name))
    np.testing.assert_array_equal(strongest_below(one, height), strongest_below(other, height))


@law
@unhurried
@given(arrays(np.float64, 2, elements=st.floats(0, 30)), st.floats(0, 10), st.floats(10, 100))
def test_more_wind_on_a_level_is_never_less_wind_between(
    speeds: np.ndarray, more: float, height: float
) -> None:
    still = np.zeros((2, 1))
    before = wind_at(stack([10, 100], speeds[:, None], still), height).speed[0]
    for level in (0, 1):
        stronger = speeds.copy()
        stronger[level] += more
        after = wind_at(stack([10, 100], stronger[:, None], still), height).speed[0]
        assert after >= before - 1e-9


@law
@unhurried
@given(arrays(np.float64, (2, 3), elements=_WIND), st.floats(0.1, 4), st.floats(10, 150))
def test_winds_scale_as_one_whatever_the_unit(
    wind: np.ndarray, factor: float, height: float
) -> None:
    z = [10.0, 80.0, 100.0]
    u, v = wind[0][:, None], wind[1][:, None]
    plain = carry_up(stack(z, u, v), height, 0.14)[0]
    scaled = carry_up(stack(z, u * factor, v * factor), height, 0.14)[0]
    np.testing.assert_allclose(scaled.speed, plain.speed * factor, rtol=1e-9, atol=1e-9)


@law
@unhurried
@given(arrays(np.float64, (2, 3), elements=_WIND), st.floats(0, 360), st.floats(10, 100))
def test_turning_the_compass_leaves_the_speed(wind: np.ndarray, turn: float, height: float) -> None:
    a = np.radians(turn)
    u, v = wind[0][:, None], wind[1][:, None]
    z = [10.0, 80.0, 100.0]
    turned = stack(z, u * np.cos(a) - v * np.sin(a), u * np.sin(a) + v * np.cos(a))
    np.testing.assert_allclose(
        wind_at(turned, height).speed, wind_at(stack(z, u, v), height).speed, atol=1e-9
    )


@law
@unhurried
@given(arrays(np.float64, (2, 3), elements=_WIND), st.floats(10, 111))
def test_speed_for_limits_is_at_least_the_vector(wind: np.ndarray, height: float) -> None:
    found = wind_at(stack([10, 80, 100], wind[0][:, None], wind[1][:, None]), height)
    assert (found.speed >= speed_of(found.eastward, found.northward)).all()


@law
@unhurried
@given(arrays(np.float64, (2, 3), elements=_WIND), st.sampled_from([10.0, 80.0, 100.0]))
def test_on_a_level_the_wind_is_that_of_the_level(wind: np.ndarray, height: float) -> None:
    z = [10.0, 80.0, 100.0]
    found = wind_at(stack(z, wind[0][:, None], wind[1][:, None]), height)
    at = z.index(height)
    assert (found.eastward[0], found.northward[0]) == (wind[0, at], wind[1, at])


@law
@few
@given(arrays(np.float32, (2, 2, 3, 3, 4), elements=_WITH_GAPS), st.floats(2, 150))
def test_a_point_equals_the_same_cell_of_a_grid(wind: np.ndarray, height: float) -> None:
    levels = (10, 80, 100)
    sun = np.array([-5.0, 30.0])
    gusts = np.abs(wind[0][:, 0])
    y, x = 1, 2

    def hours(u: np.ndarray, v: np.ndarray, gust: np.ndarray) -> dict[str, Field]:
        return derived(
            winds(levels, u, v),
            height,
            solar_elevation_angle=sun,
            wind_speed_of_gust=field("wind_speed_of_gust", gust),
        )

    whole = hours(wind[0], wind[1], gusts)
    point = hours(wind[0][..., y, x], wind[1][..., y, x], gusts[..., y, x])
    made = [r.name for r in (*RECIPES, *SIGNS, *GUST_RECIPES, *THERMALS) if r.name in point]
    assert len(made) >= 15
    for name in made:
        cell = whole[name].values[:, y, x]
        np.testing.assert_array_equal(point[name].values, cell, err_msg=name)
        assert point[name].values.dtype == np.float32


@law
def test_recipes_import_no_heavy_library() -> None:
    import subprocess

    code = (
        "import sys, wxgate.derive.wind, wxgate.derive.gust, wxgate.derive.terrain;"
        "print([m for m in ('metpy', 'pint', 'xarray', 'pandas', 'scipy') if m in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"


# ------------------------------------------------------------------ jet and swing


def _jet(speeds: tuple[float, ...], levels: tuple[float, ...] = (10, 80), *, sun: float = -5.0,
         cloud: float = 0.0) -> float:  # fmt: skip
    column = stack(levels, np.array(speeds)[:, None], np.zeros((len(speeds), 1)))
    return float(low_level_jet(column, speeds[0], sun, cloud)[0])


@truth
def test_low_level_jet_signs() -> None:
    # common practice, no source (after Baas et al. 2009, Luiz & Fiedler 2022); scenario 2 comes
    # first
    assert _jet((1.5, 9.0)) == 1
    assert _jet((2.0, 6.5)) == 1  # 4.5 m/s more than at the ground
    assert _jet((2.0, 5.0)) == 0
    assert _jet((1.0, 2.0, 9.0), (10, 80, 250)) == 1  # the nose at 250 m
    assert _jet((1.0, 2.0, 9.0), (10, 80, 450)) == 0  # too high to count
    assert _jet((3.0, 9.0)) == 0  # 3 m/s at the ground is no calm
    assert _jet((1.5, 9.0), sun=5.0) == 0
    assert _jet((1.5, 9.0), cloud=0.5) == 0


@law
def test_nobody_can_rule_a_jet_out_without_a_level_aloft() -> None:
    assert np.isnan(_jet((1.5,), (10,)))
    assert np.isnan(_jet((1.5, 2.0), (10, 30)))
    assert np.isnan(_jet((1.5, np.nan)))
    assert np.isnan(_jet((1.5, 9.0), sun=np.nan))
    assert np.isnan(_jet((1.5, 9.0), cloud=np.nan))
    assert _jet((1.5,), (10,), cloud=0.9) == 0  # clouds rule it out whatever is aloft
    assert _jet((1.5, 2.0), sun=np.nan) == 0  # a known slack wind aloft as well


@truth
def test_swing_of_a_sea_breeze() -> None:
    # scenario 3 of the science notes, by hand: 290 degrees before, 160 after the onset: 130 degrees
    direction = np.array([290.0, 290, 290, 160, 160, 160, 160])
    swing = direction_swing(np.full(7, 4.0), direction)
    np.testing.assert_array_equal(swing[:6], [0, 130, 130, 130, 0, 0])
    assert np.isnan(swing[6])  # the last hour has no second end


@law
def test_swing_leaves_a_calm_out_but_not_a_gap() -> None:
    direction = np.array([270.0, 90, 270, 270, 270, 270])
    speed = np.array([4.0, 0.5, 4, 4, 4, 4])
    assert (direction_swing(speed, direction)[:5] == 0).all()
    speed[1] = np.nan
    assert np.isnan(direction_swing(speed, direction)[:3]).all()


@law
@unhurried
@given(arrays(np.float64, 6, elements=st.floats(0, 360)), st.floats(0, 360))
def test_swing_does_not_hang_on_where_north_is(direction: np.ndarray, turn: float) -> None:
    speed = np.full(6, 5.0)
    plain = direction_swing(speed, direction)[:5]
    turned = direction_swing(speed, (direction + turn) % 360)[:5]
    np.testing.assert_allclose(turned, plain, atol=1e-9)
    assert ((plain >= 0) & (plain <= 180)).all()


# ------------------------------------------------------------------ real masts, sounders, balloons


@pytest.fixture(scope="module")
def benchmark(shared_data: Path) -> dict[str, Row]:
    return {row.name: row for row in table(shared_data / "obs" / "wind")}


@truth
@pytest.mark.shared
@pytest.mark.parametrize(
    ("case", "worst", "share_too_low"),
    [
        ("sodar 2023-04-04: 50 m from 30 and 100 m", 0.95, 0.16),
        ("sodar 2023-04-04: 60 m from 30 and 100 m", 0.80, 0.08),
        ("sodar 2023-04-04: 80 m from 30 and 100 m", 0.50, 0.01),
        ("sodar 2023-04-04: 100 m from 40 and 150 m", 0.80, 0.01),
        ("mast 2009: 30 m from 20 and 40 m", 0.20, 0.01),
    ],
)
def test_interpolation_beats_the_same_wind_and_the_seventh_law(
    shared_data: Path, benchmark: dict[str, Row], case: str, worst: float, share_too_low: float
) -> None:
    # measured winds of a sounder (2023) and a mast (2009); bounds computed by us
    row = benchmark[case]
    assert row.cases > 80
    assert row.ours < row.same
    assert row.ours < row.seventh
    assert row.ours <= worst
    assert row.under <= share_too_low


@truth
@pytest.mark.shared
def test_the_power_law_leans_to_the_strong_side(
    shared_data: Path, benchmark: dict[str, Row]
) -> None:
    # measured winds; without any stability the stable exponent is used: too strong on the whole,
    # by design
    for case in ("mast 2009: 40 m from 20 m", "sodar 2023-04-04: 100 m from 30 m"):
        assert benchmark[case].substitute == 1
        assert benchmark[case].bias > 0.5


JET_NIGHT = "forest, 2025-06-19 05:30 UTC"


@truth
@pytest.mark.shared
def test_a_real_jet_with_levels_and_with_the_10_m_wind_alone(shared_data: Path) -> None:
    # measured: balloon of 2025-06-19 05:30 UTC over a forest, ten minutes of the 10 m mast
    flight = sounding(shared_data / "obs" / "wind", JET_NIGHT)
    low, high = np.array(flight.surface), np.array(flight.at(100.0))
    assert float(speed_of(*low)) == pytest.approx(1.37, abs=0.005)
    assert flight.speed(100.0) == pytest.approx(9.58, abs=0.005)

    both = np.tile(np.stack([low, high], axis=-1), (2, 1, 1))  # (time, component, level)
    full = derived(winds((10, 100), both[:, 0], both[:, 1]), 100, **CLEAR_NIGHT)
    assert full["wind_speed_at_flight_height"].values[0] == pytest.approx(9.58, abs=0.005)
    assert origin(full["wind_speed_at_flight_height"]) == "direct"
    assert full["low_level_jet"].values[0] == 1
    assert full["wind_step"].values[0] > 8

    alone = derived(winds((10,), both[:, 0, :1], both[:, 1, :1]), 100, **CLEAR_NIGHT)
    assert origin(alone["wind_speed_at_flight_height"]) == "power law from 10 m"
    # ... which is why it may never clear a flight: even the stable law misses by 6 m/s
    assert alone["wind_speed_at_flight_height"].values[0] < flight.speed(100.0) - 5
    assert np.isnan(alone["low_level_jet"].values[0])


@truth
@pytest.mark.shared
@pytest.mark.parametrize("name", SOUNDINGS)
def test_pressure_levels_of_a_real_balloon(shared_data: Path, name: str) -> None:
    # measured by balloons; what a model would give: 10 and 100 m, and pressure levels with their
    # heights above sea
    flight = sounding(shared_data / "obs" / "wind", name)
    levels = np.array([100000.0, 97500.0, 96500.0, 95000.0, 92500.0, 90000.0])
    rising = np.argsort(flight.pressure)
    at = [np.interp(levels, flight.pressure[rising], x[rising], right=np.nan)
          for x in (flight.eastward, flight.northward, flight.altitude)]  # fmt: skip
    at[2] = np.where(np.isnan(at[2]), flight.ground - 100.0, at[2])  # 1000 hPa lies in the ground
    at[0], at[1] = (np.where(np.isnan(x), 30.0, x) for x in at[:2])  # its wind is invented
    low, high = flight.surface, flight.at(100.0)
    fields = winds((10, 100), [[low[0], high[0]]] * 2, [[low[1], high[1]]] * 2)
    for part, values in zip(
        ("eastward_wind", "northward_wind", "geopotential_height"), at, strict=True
    ):
        fields[f"{part}_on_levels"] = field(f"{part}_on_levels", [values] * 2, levels)
    fields["surface_altitude"] = field("surface_altitude", flight.ground)
    found = derived(fields, 120, **CLEAR_NIGHT)
    flight_wind = found["wind_speed_at_flight_height"]
    assert origin(flight_wind) == "pressure levels"
    assert flight_wind.values[0] == pytest.approx(flight.speed(120.0), abs=0.5)
    assert found["wind_speed_layer_maximum"].values[0] < 30


# ------------------------------------------------------------------ sea breeze


@truth
def test_onset_of_a_sea_breeze() -> None:
    # scenario 3 of the science notes (common practice, no source): 2 m/s from 290 in the morning,
    # 6.5 from 160 at 13:00; the hour from 11 on is the one in which it turns
    found = sea_breeze_onset(
        [2, 2.15, 2.3, 4, 6.5, 6.5], [290, 290, 280, 200, 160, 160], np.full(6, 50.0)
    )
    np.testing.assert_array_equal(found, [0, 0, 1, 1, 0, np.nan])


@truth
@pytest.mark.parametrize(
    ("speed", "direction", "sun", "onset"),
    [
        ((0.5, 3.0), (0, 20), 40, 1),  # out of a calm
        ((3.0, 4.5), (290, 160), 5, 0),  # a low sun: something else
        ((3.0, 4.5), (290, 160), np.nan, 1),  # nobody knows where the sun stands
        ((3.0, 4.5), (290, 270), 40, 0),  # it freshens from where it was
        ((5.0, 4.0), (290, 160), 40, 0),  # it turns and drops
        ((np.nan, 4.5), (290, 160), 40, np.nan),
    ],
)
def test_what_is_an_onset(speed: tuple[float, float], direction: tuple[float, float], sun: float,
                          onset: float) -> None:  # fmt: skip
    # common practice, no source
    found = sea_breeze_onset(speed, direction, np.full(2, float(sun)))
    np.testing.assert_array_equal(found, [onset, np.nan])


@law
def test_only_a_coast_has_a_sea_breeze() -> None:
    turning = winds((10,), [[0.0], [-4.0], [-4.0]], [[-2.0], [0.0], [0.0]])
    inland = derived(turning, 60, solar_elevation_angle=40.0)
    coast = derived(turning, 60, site=replace(FIELD, coast=True), solar_elevation_angle=40.0)
    np.testing.assert_array_equal(inland["sea_breeze_onset"].values, [0, 0, 0])
    np.testing.assert_array_equal(coast["sea_breeze_onset"].values, [1, 0, np.nan])
