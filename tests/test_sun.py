"""Truth: sun positions, rise and set, both twilights and glare against published figures.

USNO is the US Naval Observatory; SPA is the solar position algorithm of NREL (Reda and Andreas,
NREL/TP-560-34302), run through pvlib.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from wxgate.derive import daylight, sun
from wxgate.derive.recipe import Inputs
from wxgate.profiles import Site

pytestmark = pytest.mark.truth

AUTHORITIES = Path(__file__).parent / "authorities"
MINUTE = np.timedelta64(60, "s")
ATLANTA = (33 + 46 / 60, -(84 + 25 / 60))

# id of place, latitude, longitude, hours of zone, local date, sunrise, sunset.
# USNO, as held in pvlib tests/test_spa.py (Golden, Beijing) and skyfield tests/test_almanac.py
# (Bluffton); read 2026-11. Whole minutes.
RISE_AND_SET = [
    ("Golden", 39.0, -105.0, -7, "2015-01-02", "07:19", "16:49"),
    ("Golden", 39.0, -105.0, -7, "2015-04-02", "05:43", "18:24"),
    ("Golden", 39.0, -105.0, -7, "2015-08-02", "05:01", "19:10"),
    ("Golden", 39.0, -105.0, -7, "2015-12-02", "07:01", "16:38"),
    ("Beijing", 39.917, 116.383, 8, "2015-01-02", "07:36", "17:00"),
    ("Beijing", 39.917, 116.383, 8, "2015-04-02", "05:58", "18:39"),
    ("Beijing", 39.917, 116.383, 8, "2015-08-02", "05:13", "19:28"),
    ("Beijing", 39.917, 116.383, 8, "2015-12-02", "07:17", "16:50"),
    ("Bluffton", 40.8939, -83.8917, 0, "2018-09-12", "11:13", "23:50"),
    # timeanddate.com, as held in astral test_sun_utc.py; read 2026-11.
    ("London", 51.5, -0.1333, 0, "2015-12-01", "07:43", "15:55"),
    ("London", 51.5, -0.1333, 0, "2015-12-25", "08:05", "15:55"),
]


def utc(date: str, clock: str, zone_hours: float = 0) -> np.datetime64:
    """The UTC instant of a local date and clock time."""
    local = datetime.fromisoformat(f"{date}T{clock}")
    return np.datetime64(local - timedelta(hours=zone_hours), "s")


def local_day(date: str, zone_hours: float = 0) -> tuple[np.datetime64, np.datetime64]:
    """The UTC instants at which a local date begins and ends."""
    start = utc(date, "00:00", zone_hours)
    return start, start + np.timedelta64(86400, "s")


@pytest.mark.parametrize(("place", "lat", "lon", "zone", "date", "rise", "fall"), RISE_AND_SET)
def test_rise_and_set(place, lat, lon, zone, date, rise, fall):
    # Tolerance: half a minute of rounding and a quarter of refraction and place.
    ((first, last),) = daylight.daylight(*local_day(date, zone), lat, lon)
    assert abs(first - utc(date, rise, zone)) <= 0.75 * MINUTE
    assert abs(last - utc(date, fall, zone)) <= 0.75 * MINUTE


def test_rise_and_set_of_a_year():
    # USNO, Rise and Set for the Sun for 2007, Atlanta; the table that ephem carries with its tests,
    # read 2026-11. 730 times, printed to the minute: half a minute, and 5 s between the two
    # programs (by SPA all lie within 33 s of a crossing of -0.8333 degree, computed by us).
    text = (AUTHORITIES / "usno_sun_atlanta_2007.txt").read_text().splitlines()
    rows = [line for line in text if line[:2].isdigit()]
    assert len(rows) == 31
    checked = 0
    for line in rows:
        for month in range(12):
            pair = line[4 + 11 * month : 13 + 11 * month].split()
            if not pair:
                continue
            date = f"2007-{month + 1:02d}-{line[:2]}"
            ((rise, fall),) = daylight.daylight(*local_day(date, -5), *ATLANTA)
            for found, told in zip((rise, fall), pair, strict=True):
                expected = utc(date, f"{told[:2]}:{told[2:]}", -5)
                assert abs(found - expected) <= np.timedelta64(35, "s"), (date, told, found)
                checked += 1
    assert checked == 730


def test_rise_and_set_to_the_second():
    # NREL SPA calculator, Golden, MST, as held in pvlib tests/test_solarposition.py; read 2026-11.
    # Its sunset told for the date 2015-08-02, 19:13:58, is that of 1 August: after 00 UTC it gives
    # the sunset of the UTC date, a day early by the local date.
    place = (39.742476, -105.1786)
    ((winter_rise, winter_fall),) = daylight.daylight(*local_day("2015-01-02", -7), *place)
    ((summer_rise, _),) = daylight.daylight(*local_day("2015-08-02", -7), *place)
    ((_, evening_before),) = daylight.daylight(*local_day("2015-08-01", -7), *place)
    for found, told in [
        (winter_rise, utc("2015-01-02", "07:21:55", -7)),
        (winter_fall, utc("2015-01-02", "16:47:43", -7)),
        (summer_rise, utc("2015-08-02", "05:00:27", -7)),
        (evening_before, utc("2015-08-01", "19:13:58", -7)),
    ]:
        assert abs(found - told) <= np.timedelta64(5, "s")


def test_position_of_the_spa_paper():
    # NREL/TP-560-34302, table A5.1 and its intermediate e0 (elevation without refraction);
    # as held in pvlib tests/test_spa.py; read 2026-11.
    when = utc("2003-10-17", "12:30:30", -7)
    elevation, azimuth = sun.solar_position(when, 39.742476, -105.1786)
    assert elevation == pytest.approx(39.872046, abs=0.02)
    assert azimuth == pytest.approx(194.34024, abs=0.02)


def test_declination_of_meeus():
    # Meeus, Astronomical Algorithms, example 25.a: 1992-10-13 0h TD, declination -7 47 06; as held
    # in soniakeys/meeus v3/solar/solar_test.go, read 2026-11. Over the pole it is the elevation.
    # TD was 59 s ahead of UTC. The method is good to 0.01 degree.
    elevation, _ = sun.solar_position(utc("1992-10-12", "23:59:01"), 90.0, 0.0)
    assert elevation == pytest.approx(-(7 + 47 / 60 + 6 / 3600), abs=0.001)


PLACES = [
    (0.0, 0.0), (51.5, -0.1), (69.65, 18.96), (78.2, 15.6), (-33.87, 151.21), (-16.8, -179.98),
    (-16.8, 180.02), (-80.0, 0.0), (23.4, 80.0),
]  # fmt: skip


@pytest.mark.parametrize(("lat", "lon"), PLACES)
def test_positions_against_spa(lat, lon):
    # SPA by pvlib's nrel_numpy, elevation without refraction, ten years every 16 h 12 min.
    import pandas
    from pvlib import solarposition

    steps = np.arange(0, 10 * 365 * 1440, 972) * MINUTE
    time = np.datetime64("2020-01-01T00:00:00") + steps
    spa = solarposition.get_solarposition(
        pandas.DatetimeIndex(time, tz="UTC"), lat, lon, method="nrel_numpy", delta_t=69.2
    )
    elevation, azimuth = sun.solar_position(time, lat, lon)
    turn = (azimuth - spa["azimuth"].to_numpy() + 180) % 360 - 180
    assert np.abs(elevation - spa["elevation"].to_numpy()).max() < 0.015
    # Along the sky: near the zenith a degree of azimuth is next to nothing.
    assert np.abs(turn * np.cos(np.radians(elevation))).max() < 0.015


def test_the_two_routines_agree():
    # Independent: ours for grids against ephem for a site; ephem adds the parallax of 0.0024
    # degree.
    time = np.datetime64("2026-01-01T00:00:00") + np.arange(0, 365 * 1440, 1711) * MINUTE
    for lat, lon in PLACES:
        altitude = daylight.altitude_at(lat, lon)
        theirs = np.array([altitude(moment) for moment in time])
        assert np.abs(sun.solar_position(time, lat, lon)[0] - theirs).max() < 0.015


def test_civil_twilight_times():
    # Skyfield with JPL DE421, Defiance OH, test_almanac.py; read 2026-11.
    day = (utc("2019-11-08", "06:00"), utc("2019-11-09", "06:00"))
    place = (41.281944, -84.362778)
    ((dawn, dusk),) = daylight.civil_light(*day, *place)
    ((rise, fall),) = daylight.daylight(*day, *place)
    for found, clock in [(dawn, "11:48"), (rise, "12:17"), (fall, "22:25"), (dusk, "22:54")]:
        assert abs(found - utc("2019-11-08", clock)) <= MINUTE
    # timeanddate.com, London, as held in astral test_sun_utc.py; read 2026-11.
    for date, clock in [("2015-12-01", "07:04"), ("2015-12-25", "07:25")]:
        ((dawn, _),) = daylight.civil_light(*local_day(date), 51.5, -0.1333)
        assert abs(dawn - utc(date, clock)) <= MINUTE


def test_the_two_twilights_differ():
    # London 2015-12-01: the almanac's dawn is 39 minutes before sunrise (07:04 and 07:43, rows
    # above, arithmetic), 14 CFR 107.29(c) says 30 (read 2026-11).
    day, place = local_day("2015-12-01"), (51.5, -0.1333)
    ((dawn, _),), ((rise, fall),) = (
        daylight.civil_light(*day, *place),
        daylight.daylight(*day, *place),
    )
    assert abs((rise - dawn) - 39 * MINUTE) <= MINUTE
    assert daylight.fixed_light(*day, *place) == ((rise - 30 * MINUTE, fall + 30 * MINUTE),)

    moments = np.array([utc("2015-12-01", c) for c in ("06:55", "07:09", "07:20", "07:50")])
    assert sun.civil_twilight(moments, *place).tolist() == [2, 1, 1, 0]
    assert sun.fixed_twilight(moments, *place).tolist() == [2, 2, 1, 0]


def test_polar_night():
    # Tromso 2019-12-21: no sunrise, civil twilight 08:30 to 12:54 UTC, computed by us with SPA. The
    # sun stands at -3.1 at noon.
    day, place = local_day("2019-12-21"), (69.6, 18.95)
    assert daylight.daylight(*day, *place) == ()
    assert daylight.fixed_light(*day, *place) == ()
    ((dawn, dusk),) = daylight.civil_light(*day, *place)
    assert abs(dawn - utc("2019-12-21", "08:30")) <= MINUTE
    assert abs(dusk - utc("2019-12-21", "12:54")) <= MINUTE
    noon = utc("2019-12-21", "10:44")
    # The city itself; at 69.6 N, a twentieth of a degree south of it, -3.03.
    assert sun.solar_position(noon, 69.65, 18.96)[0] == pytest.approx(-3.1, abs=0.05)
    assert sun.civil_twilight(noon, *place) == sun.TWILIGHT
    assert sun.fixed_twilight(noon, *place) == sun.NIGHT


def test_polar_day():
    # Tromso 2019-06-21: the sun does not set; astral test_norway.py, read 2026-11.
    day, place = local_day("2019-06-21"), (69.6, 18.95)
    assert daylight.daylight(*day, *place) == (day,)
    assert daylight.fixed_light(*day, *place) == (day,)
    hours = day[0] + np.arange(24) * 60 * MINUTE
    assert not sun.darkest_civil_twilight(hours, *place).any()
    assert not sun.darkest_fixed_twilight(hours, *place).any()


def test_daylight_over_the_date_line_and_over_midnight():
    # The interval asked for is what counts, not "the sunset of a date": at 180 degrees UTC midnight
    # is local noon, so that [12, 12 + 24 h) holds one unbroken day of about 12 h.
    ((rise, fall),) = daylight.daylight(
        utc("2026-03-20", "12:00"), utc("2026-03-21", "12:00"), 0.0, 180
    )
    # By hand: the sun needs 2 x 50' / 15' a minute = 6.7 min more than 12 h between the rims.
    assert (fall - rise) / MINUTE == pytest.approx(12 * 60 + 6.7, abs=0.3)
    assert rise < utc("2026-03-21", "00:00") < fall
    before, after = daylight.daylight(
        utc("2026-03-20", "00:00"), utc("2026-03-21", "00:00"), 0.0, 180
    )
    assert before[0] == utc("2026-03-20", "00:00")
    assert after[1] == utc("2026-03-21", "00:00")


def test_a_dusk_between_two_full_hours_is_seen():
    # Just outside midnight sun the disc is gone for less than an hour; both full hours around it
    # are day. The gap itself is ephem's (independent).
    place, hour = (65.6, 15.0 - 7.5 * 0.9), utc("2026-06-21", "23:00")
    before, after = daylight.daylight(hour, hour + 60 * MINUTE, *place)
    assert 15 * MINUTE < after[0] - before[1] < 55 * MINUTE
    ends = np.array([hour, hour + 60 * MINUTE])
    assert sun.civil_twilight(ends, *place).tolist() == [sun.DAY, sun.DAY]
    assert sun.darkest_civil_twilight(hour, *place) == sun.TWILIGHT
    assert sun.darkest_fixed_twilight(hour, *place) == sun.TWILIGHT


def test_sun_is_north_at_noon_in_the_south():
    # Sydney in January: geography. Near local noon (02 UTC) the sun stands north, in the afternoon
    # west: 16:00 AEDT elevation 49, azimuth 277 (computed by us with SPA).
    noon = sun.solar_position(utc("2025-01-15", "02:04"), -33.87, 151.21)[1]
    assert min(noon, 360 - noon) < 3
    elevation, azimuth = sun.solar_position(utc("2025-01-15", "05:00"), -33.87, 151.21)
    assert elevation == pytest.approx(49, abs=0.5)
    assert azimuth == pytest.approx(277, abs=0.5)


def test_glare():
    # Computed by us from the spherical law of cosines: aircraft 40 m up at 80 m stands at 26.57.
    sight = np.degrees(np.arctan2(40.0, 80.0))
    assert sun.glare_angle(8.0, 180.0, sight, 180.0) == pytest.approx(26.565 - 8.0, abs=0.0005)
    assert sun.glare_angle(8.0, 180.0, sight, 220.0) == pytest.approx(42, abs=0.5)
    high = np.degrees(np.arctan2(100.0, 40.0))
    assert sun.glare_angle(55.0, 180.0, high, 180.0) == pytest.approx(13, abs=0.5)
    # Independent: the angle between two unit vectors.
    rng = np.random.default_rng(7)
    es, ed = rng.uniform(-90, 90, (2, 50))
    azs, azd = rng.uniform(0, 360, (2, 50))

    def unit(e, a):
        e, a = np.radians(e), np.radians(a)
        return np.array([np.cos(e) * np.sin(a), np.cos(e) * np.cos(a), np.sin(e)])

    dot = (unit(es, azs) * unit(ed, azd)).sum(axis=0)
    np.testing.assert_allclose(
        sun.glare_angle(es, azs, ed, azd), np.degrees(np.arccos(dot)), atol=1e-6
    )


def test_width_of_the_glare():
    # By definition: at the edge of the sector the glare angle is the limit. The others by hand.
    width = sun.glare_half_width(20.0, 30.0, 25.0)
    assert sun.glare_angle(20.0, 0.0, 30.0, width) == pytest.approx(25.0, abs=1e-9)
    assert sun.glare_half_width(8.0, 60.0, 25.0) == 0.0  # 52 degrees apart at the least
    assert sun.glare_half_width(80.0, 85.0, 25.0) == 180.0  # 15 degrees apart at the most


def test_glare_on_the_way_up_and_out():
    # Independent: against all sights from 0 to 45 degrees of elevation, one by one.
    rng = np.random.default_rng(17)
    elevation, aside = rng.uniform(-0.8, 90, 200), rng.uniform(-180, 180, 200)
    sights = np.linspace(0, 45, 1801)
    every = sun.glare_angle(elevation, 0.0, sights[:, None], aside).min(axis=0)
    np.testing.assert_allclose(sun.smallest_glare_angle(elevation, aside), every, atol=0.02)
    widths = sun.glare_half_width(elevation, sights[:, None], 25.0).max(axis=0)
    np.testing.assert_allclose(sun.widest_glare(elevation, 25.0), widths, atol=0.02)


def test_glare_of_a_low_winter_sun():
    # Scenario 23 of the science notes, by hand: sun at 8 degrees, flown towards it. 40 degrees
    # aside the nearest sight is 39.5 degrees away: sin = cos 8 sin 40.
    assert sun.smallest_glare_angle(np.float64(8.0), np.float64(0.0)) == pytest.approx(0, abs=1e-6)
    assert sun.smallest_glare_angle(np.float64(8.0), np.float64(40.0)) == pytest.approx(
        39.5, abs=0.05
    )
    assert sun.smallest_glare_angle(np.float64(8.0), np.float64(180.0)) > 90
    # With the sun down nothing dazzles.
    assert sun.smallest_glare_angle(np.float64(-2.0), np.float64(0.0)) == 180
    assert sun.widest_glare(np.float64(-2.0), 25.0) == 0
    assert np.isnan(sun.smallest_glare_angle(np.float64(np.nan), np.float64(0.0)))


@pytest.mark.parametrize("flown", [None, 130.0, 310.0])
def test_glare_by_the_direction_that_a_site_states(flown):
    # Computed by us: 20 January at 52 N: the sun stands low in the south-east at 9:30 UTC.
    site = Site("field", "Invented field", 52.0, -1.5, "UTC", flight_direction=flown)
    time = np.array(["2026-01-20T09:00", "2026-01-20T10:00"], "datetime64[s]")
    fields = {}
    for recipe in sun.RECIPES:
        fields[recipe.name] = recipe.make(Inputs(time, fields, site, None, 40.0))
    glare = fields["glare_angle"]
    assert (glare.values < 25).all() == (flown == 130.0)
    assert glare.origins[glare.origin[0]] == ("sun behind the pilot" if flown is None else "direct")
