"""Truth: wind chill, heat index and apparent temperature against charts and two libraries."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from wxgate.derive import people

pytestmark = pytest.mark.truth

AUTHORITIES = Path(__file__).parent / "authorities"
MPH = 0.44704


def fahrenheit(kelvin):
    return (np.asarray(kelvin) - 273.15) * 1.8 + 32


def kelvin(fahrenheit):
    return (np.asarray(fahrenheit, float) - 32) / 1.8 + 273.15


# degC, km/h at 10 m, index. Environment Canada wind chill chart of 2001, archived at
# bac-lac.wayback.archive-it.org; read 2026-11. Whole degrees.
CANADA = [
    (5, 5, 4), (0, 10, -3), (-5, 20, -12), (-10, 30, -20), (-15, 40, -27), (-20, 50, -35),
    (-25, 20, -37), (-30, 60, -50), (-40, 80, -67), (-50, 5, -58),
]  # fmt: skip

# degF, mph, index. US National Weather Service chart of 2001, copies at zovatool.com and gte.net
# (the latter mislabels the rows below -5 F); read 2026-11.
US_CHILL = [
    (40, 5, 36), (30, 10, 21), (20, 15, 6), (10, 20, -9), (0, 15, -19), (0, 30, -26),
    (-10, 5, -22), (-20, 20, -48),
]  # fmt: skip

# degF, percent, index. US National Weather Service heat index chart, copies at rfcafe.com and
# mediawiremobile; read 2026-11. Printed charts differ by 1 F (90 F, 70 %: 105 and 106).
US_HEAT = [
    (80, 40, 80), (80, 60, 82), (84, 70, 90), (88, 60, 95), (90, 60, 100), (92, 70, 112),
    (94, 60, 110), (96, 50, 108), (96, 65, 121), (98, 55, 117), (100, 50, 118), (110, 40, 136),
]  # fmt: skip


@pytest.mark.parametrize(("celsius", "kmh", "index"), CANADA)
def test_wind_chill_of_the_canadian_chart(celsius, kmh, index):
    found = people.wind_chill(np.float64(celsius + 273.15), np.float64(kmh / 3.6)) - 273.15
    assert found == pytest.approx(index, abs=0.5)


def test_wind_chill_of_the_whole_canadian_chart():
    # The chart above, all of its cells; archived copy, read 2026-11.
    text = (AUTHORITIES / "environment_canada_wind_chill_2001.txt").read_text(encoding="utf-8")
    head, *rows = (line.split() for line in text.split("\n\n", 1)[1].splitlines())
    celsius = np.array(head[1:], float)
    table = np.array(rows, float)
    assert table.shape == (16, 13)
    found = people.wind_chill(celsius + 273.15, table[:, :1] / 3.6) - 273.15
    np.testing.assert_allclose(found, table[:, 1:], rtol=0, atol=0.5)


@pytest.mark.parametrize(("degf", "mph", "index"), US_CHILL)
def test_wind_chill_of_the_us_chart(degf, mph, index):
    found = fahrenheit(people.wind_chill(kelvin(degf), np.float64(mph * MPH)))
    assert found == pytest.approx(index, abs=0.5)


def test_domain_of_wind_chill():
    # FCM-R19-2003 and NWS, as MetPy's tests and phpsciencelabs.com have them (read 2026-11): at
    # most 50 F (10 degC) and wind above 3 mph; elsewhere undefined, and here the air temperature.
    at_10, above = np.float64(283.15), np.float64(283.2)
    calm, wind = np.float64(3 * MPH), np.float64(3.1 * MPH)
    assert people.wind_chill(at_10, wind) < at_10
    assert people.wind_chill(at_10, calm) == at_10
    assert people.wind_chill(above, np.float64(15.0)) == above
    assert np.isnan(people.wind_chill(at_10, np.float64(np.nan)))
    assert np.isnan(people.wind_chill(np.float64(np.nan), wind))
    # Above 10 degC no wind can matter.
    assert people.wind_chill(above, np.float64(np.nan)) == above


@pytest.mark.parametrize(("degf", "percent", "index"), US_HEAT)
def test_heat_index_of_the_us_chart(degf, percent, index):
    found = fahrenheit(people.heat_index(kelvin(degf), np.float64(percent / 100)))
    assert found == pytest.approx(index, abs=1.0)


@pytest.mark.parametrize(
    ("degf", "percent", "index"), [(86, 45, 87), (111, 27, 121), (96, 60, 116)]
)
def test_heat_index_of_the_online_calculator(degf, percent, index):
    # NWS WPC calculator of 2019-07-17, as held in MetPy's test_heat_index_vs_nws; read 2026-11.
    found = fahrenheit(people.heat_index(kelvin(degf), np.float64(percent / 100)))
    assert found == pytest.approx(index, abs=0.5)


def test_adjustments_of_the_heat_index():
    # NWS WPC, "The heat index equation" (wpc.ncep.noaa.gov, read 2026-11), worked by hand.
    humid = fahrenheit(people.heat_index(kelvin(86), np.float64(0.90)))
    assert humid == pytest.approx(105.39, abs=0.005)
    dry = fahrenheit(people.heat_index(kelvin(95), np.float64(0.10)))
    assert dry == pytest.approx(89.45, abs=0.005)


@pytest.mark.law
def test_domain_of_the_heat_index():
    below, nan = kelvin(79.9), np.float64(np.nan)
    assert people.heat_index(below, np.float64(1.0)) == below
    assert people.heat_index(below, nan) == below
    assert np.isnan(people.heat_index(kelvin(81.0), nan))
    assert np.isnan(people.heat_index(nan, np.float64(0.5)))


def test_apparent_temperature():
    # AT-01, AT-02: Bureau of Meteorology: AT = T + 0.33 e - 0.70 V - 4.00, copies at vcalc.com and
    # alongsponsors (read 2026-11); figures computed by us.
    celsius, share = np.array([25.0, 10.0, 30.0]), np.array([0.5, 0.8, 0.7])
    found = people.apparent_temperature(celsius + 273.15, share, np.array([3.0, 8.0, 2.0]))
    np.testing.assert_allclose(found - 273.15, [24.11, 3.64, 34.37], rtol=0, atol=0.005)


@pytest.mark.law
def test_wind_and_moisture_go_the_same_way_in_every_index():
    cold, wind = np.meshgrid(np.arange(228.15, 283.16, 1.0), np.arange(0.0, 25, 0.5))
    for index in (people.wind_chill(cold, wind), people.apparent_temperature(cold, 0.5, wind)):
        assert (np.diff(index, axis=0) <= 0).all()
    hot, share = np.meshgrid(np.arange(300.0, 318.0, 0.5), np.arange(0.4, 1.01, 0.02))
    for index in (people.heat_index(hot, share), people.apparent_temperature(hot, share, 2.0)):
        assert (np.diff(index, axis=0) > 0).all()


def test_against_metpy():
    from metpy import calc
    from metpy.units import units

    cold, wind = np.meshgrid(np.arange(228.15, 283.15, 5), np.arange(1.5, 25, 2.5))
    theirs = calc.windchill(cold * units.K, wind * units("m/s"), mask_undefined=False)
    np.testing.assert_allclose(people.wind_chill(cold, wind), theirs.to("K").magnitude, atol=0.05)

    hot, share = np.meshgrid(np.arange(300.0, 318.0, 1.5), np.arange(0.05, 1.0, 0.09))
    theirs = calc.heat_index(hot * units.K, share * units.dimensionless, mask_undefined=False)
    ours = people.heat_index(hot, share)
    # Below 81 F the libraries differ on where the simple formula applies: MetPy changes at 79 F.
    apply = fahrenheit(ours) > 81
    assert apply.mean() > 0.9
    np.testing.assert_allclose(ours[apply], theirs.to("K").magnitude[apply], atol=0.01)


def test_against_thermofeel():
    import thermofeel

    cold, wind = np.meshgrid(np.arange(228.15, 278.15, 5), np.arange(1.5, 22, 2.5))
    theirs = thermofeel.calculate_wind_chill(cold, wind)
    np.testing.assert_allclose(people.wind_chill(cold, wind), theirs, atol=0.02)

    hot, spread = np.meshgrid(np.arange(303.0, 318.0, 1.5), np.arange(0.0, 25.0, 4.0))
    theirs = thermofeel.calculate_heat_index_adjusted(hot, hot - spread)
    share = thermofeel.calculate_relative_humidity_percent(hot, hot - spread) / 100
    np.testing.assert_allclose(people.heat_index(hot, share), theirs, atol=0.02)

    warm, share = np.meshgrid(np.arange(288.15, 313.15, 5), np.arange(0.2, 1.0, 0.2))
    for speed in (1.0, 6.0):
        theirs = thermofeel.calculate_apparent_temperature(
            warm, np.full_like(warm, speed), share * 100
        )
        found = people.apparent_temperature(warm, share, np.float64(speed))
        np.testing.assert_allclose(found, theirs, atol=0.02)
