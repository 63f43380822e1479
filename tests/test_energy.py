"""Truth: wind triangle, way home, reach and drift against worked examples and arithmetic."""

from __future__ import annotations

import numpy as np
import pytest

from wxgate.derive import energy

pytestmark = pytest.mark.truth

# Course, airspeed, wind from, wind speed, heading, ground speed (None where not told).
# atplquestions.com (first two), ppl-monkey.com wind correction (next three), ASA E6-B manual p. 30
# by manualsonline; read 2026-11. Tolerance 0.6, as a flight computer is read.
WORKED = [
    (180, 180, 100, 18, 174, 176),
    (255, 100, 200, 10, 250, None),
    (180, 100, 180, 20, 180, 80),
    (270, 120, 180, 30, 255.5, 116),
    (45, 110, 90, 25, 54, 91),
    (90, 125, 230, 18, 95, 138),
]


@pytest.mark.parametrize(("course", "airspeed", "wind_from", "wind", "heading", "speed"), WORKED)
def test_wind_triangle(course, airspeed, wind_from, wind, heading, speed):
    found, ground = energy.wind_triangle(airspeed, course, wind, wind_from)
    assert found == pytest.approx(heading, abs=0.6)
    if speed is not None:
        assert ground == pytest.approx(speed, abs=0.6)


def test_wind_triangle_exactly():
    # 3-4-5 triangle: 15 m/s in 9 m/s from the right: 36.87 degrees of correction, 12 m/s.
    heading, ground = energy.wind_triangle(15.0, 0.0, 9.0, 90.0)
    assert heading == pytest.approx(36.8699, abs=1e-3)
    assert ground == pytest.approx(12.0, abs=1e-9)
    # A printed example (pilotsweb.com: correction 5, 92 kt) is wrong; the triangle gives these.
    heading, ground = energy.wind_triangle(100.0, 45.0, 20.0, 360.0)
    assert heading == pytest.approx(36.9, abs=0.1)
    assert ground == pytest.approx(84.9, abs=0.1)


def test_the_triangle_closes():
    # Air vector plus wind vector is the ground vector: no cross-course part, and the ground speed.
    rng = np.random.default_rng(3)
    airspeed, course = rng.uniform(8, 20, 200), rng.uniform(0, 360, 200)
    wind, wind_from = rng.uniform(0, 7.9, 200), rng.uniform(0, 360, 200)
    heading, ground = energy.wind_triangle(airspeed, course, wind, wind_from)
    east = airspeed * np.sin(np.radians(heading)) - wind * np.sin(np.radians(wind_from))
    north = airspeed * np.cos(np.radians(heading)) - wind * np.cos(np.radians(wind_from))
    np.testing.assert_allclose(east, ground * np.sin(np.radians(course)), atol=1e-9)
    np.testing.assert_allclose(north, ground * np.cos(np.radians(course)), atol=1e-9)


def test_no_solution_is_missing():
    # Arithmetic: a crosswind as fast as the aircraft, or a headwind that stops it.
    for wind, wind_from in [(9.0, 90.0), (8.0, 90.0), (8.0, 0.0), (12.0, 10.0)]:
        heading, ground = energy.wind_triangle(8.0, 0.0, wind, wind_from)
        assert np.isnan(heading)
        assert np.isnan(ground)
    for wind in (6.0, 7.0):
        assert np.isnan(energy.return_ground_speed(6.0, wind))
        assert np.isnan(energy.return_ground_speed(6.0, wind, 180.0))


@pytest.mark.parametrize(
    ("airspeed", "wind", "metres", "seconds"),
    # Arithmetic; the last three are 1000 m rows, out with the wind and home against it.
    [(6, 5, 300, 300), (10, 8, 300, 150), (10, 5, 300, 60), (13, 8, 300, 60), (15, 10, 300, 60),
     (12, 6, 1000, 166.7), (10, 8, 1000, 500)],
)  # fmt: skip
def test_time_home(airspeed, wind, metres, seconds):
    assert metres / energy.return_ground_speed(airspeed, wind) == pytest.approx(seconds, abs=0.1)
    margin = energy.airspeed_margin(airspeed, np.float64(wind))
    assert metres / margin == pytest.approx(seconds, abs=0.1)


def test_out_with_the_wind():
    assert 1000 / energy.return_ground_speed(12, 6, 180.0) == pytest.approx(55.6, abs=0.1)


def test_slow_mode_is_cancelled_by_its_own_speed():
    # Common practice, no source: a slow mode makes about 5 m/s, so that 5 m/s of wind cancels it.
    assert np.isnan(energy.return_ground_speed(5.0, 5.0))
    assert energy.airspeed_margin(5.0, np.float64(5.0)) == 0


def test_reach():
    # Out and back, added up by hand: time out + time home = duration.
    wind = np.array([0.0, 4.0, 6.0, 8.0])
    reach = energy.out_and_back_reach(600.0, 10.0, wind)
    np.testing.assert_allclose(reach, [3000, 2520, 1920, 1080])
    np.testing.assert_allclose(reach / (10 + wind) + reach / (10 - wind), 600.0)
    assert energy.out_and_back_reach(600.0, 10.0, np.array([10.0, 12.0])).tolist() == [0, 0]


def test_drift():
    # Arithmetic: 120 m down at 3 m/s takes 40 s, in 8 m/s that is 320 m.
    assert energy.drift_distance(120.0, 3.0, np.float64(8.0)) == pytest.approx(320)
    assert np.isnan(energy.drift_distance(120.0, 0.0, np.float64(8.0)))
    # Wind from the north-west carries to the south-east.
    assert energy.drift_sector(np.float64(315.0)) == (105.0, 165.0)
    first, last = energy.drift_sector(np.array([170.0, 200.0]), half_width=20.0)
    np.testing.assert_allclose(first, [330.0, 0.0])
    np.testing.assert_allclose(last, [10.0, 40.0])


def test_battery_in_the_cold():
    # From memory and common practice: no published curve agrees with the others (vendors tell 30 to
    # 50 % of loss at -20 degC). A pack at -8 degC gives about 0.72.
    celsius = np.array([25.0, 10.0, 0.0, -10.0, -8.0, 40.0])
    found = energy.battery_factor(celsius + 273.15)
    np.testing.assert_allclose(found, [1.0, 0.95, 0.85, 0.70, 0.72, 1.0], atol=0.011)
    assert 0.5 <= energy.battery_factor(np.float64(253.15)) <= 0.7
    # Nagasubramanian 2001, J. Appl. Electrochem. (from memory): a cell at -40 degC gives 5 %.
    assert energy.battery_factor(np.float64(233.15)) == pytest.approx(0.05)
    own = ((263.15, 0.5), (293.15, 1.0))
    assert energy.battery_factor(np.float64(278.15), own) == pytest.approx(0.75)


def test_power_in_wind():
    # Common practice, no source: 8 m/s +16 %, 10 m/s +36 %; gusty air 5 % more.
    wind = np.array([3.0, 8.0, 10.0])
    np.testing.assert_allclose(energy.wind_power_factor(wind, np.full(3, 2.0)), [1, 1.16, 1.36])
    np.testing.assert_allclose(
        energy.wind_power_factor(wind, np.full(3, 5.0)), [1.05, 1.218, 1.428]
    )
    assert np.isnan(
        energy.wind_power_factor(np.array([3.0, np.nan]), np.array([np.nan, 1.0]))
    ).all()
