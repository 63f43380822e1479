"""Truth: geomagnetic latitude against AACGM-v2, Kp thirds, the G scale, slots, storms."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pytest

from wxgate.derive import geomagnetic as geo
from wxgate.forecast import to_datetime
from wxgate.report.words import reason_text
from wxgate.sources.kslots import lay
from wxgate.sources.swpc_formats import Slot
from wxgate.verdict import Grade, Reason

pytestmark = pytest.mark.truth

HOUR = np.timedelta64(3600, "s")


def at(text: str) -> np.datetime64:
    return np.datetime64(text, "s")


def test_table_against_aacgm():
    # AACGM-v2 by aacgmv2 (IGRF-14), 110 km, July 2026, at random places. It takes the field line to
    # the ground and the quasi-dipole to 110 km: cos(q)^2 = (1 + 110 / 6371.2) cos(a)^2.
    aacgmv2 = pytest.importorskip("aacgmv2")
    rng = np.random.default_rng(11)
    latitude = np.degrees(np.arcsin(rng.uniform(-1, 1, 4000)))
    longitude = rng.uniform(-180, 180, 4000)
    aacgm, _, _ = aacgmv2.convert_latlon_arr(
        latitude, longitude, 110.0, datetime.fromisoformat("2026-07-01"), method_code="G2A"
    )
    cosine = np.sqrt(1 + 110 / 6371.2) * np.cos(np.radians(aacgm))
    theirs = np.sign(aacgm) * np.degrees(np.arccos(np.minimum(cosine, 1)))
    ours = geo.geomagnetic_latitude(latitude, longitude)
    assert np.isfinite(ours).all()
    assert np.abs(ours - theirs)[np.abs(ours) > 52].max() < 0.3
    assert np.abs(ours - theirs)[np.abs(ours) > 40].max() < 0.9
    # Lower down AACGM-v2 is stretched over the gap that it leaves at the magnetic equator.
    low = (np.abs(ours) > 20) & (np.abs(ours) < 40)
    assert np.median(np.abs(ours - theirs)[low]) < 0.3


def test_table_on_the_magnetic_equator():
    # Observatories on the magnetic equator (from memory): Jicamarca, Peru, and Thumba, India. The
    # geographic equator there is about 12 degrees north and 8 south of it.
    for latitude, longitude in [(-11.95, -76.87), (8.54, 76.87)]:
        assert abs(geo.geomagnetic_latitude(latitude, longitude)) < 2
        assert abs(geo.geomagnetic_latitude(0.0, longitude)) > 5


def test_london_lies_further_south_than_a_dipole_has_it():
    # Science notes 5.2 (from memory): truly near 48, where a centred dipole has 53.3.
    assert geo.geomagnetic_latitude(51.51, -0.13) == pytest.approx(48, abs=1)


def test_table_at_its_edges():
    # By definition longitudes 360 degrees apart are one place, and a pole has one value.
    assert geo.geomagnetic_latitude(-16.8, 179.99) == pytest.approx(
        geo.geomagnetic_latitude(-16.8, -179.99), abs=0.05
    )
    assert geo.geomagnetic_latitude(40.0, 254.0) == geo.geomagnetic_latitude(40.0, -106.0)
    poles = geo.geomagnetic_latitude(90.0, np.array([-180.0, -3.0, 77.0, 180.0]))
    np.testing.assert_allclose(poles, poles[0], atol=1e-6)
    # AACGM-v2 by aacgmv2, July 2026, over the geographic pole: 84.71 (computed by us).
    assert poles[0] == pytest.approx(84.7, abs=0.2)
    assert np.isnan(
        geo.geomagnetic_latitude(np.array([91.0, np.nan, 0.0]), [0.0, 0.0, np.nan])
    ).all()


def test_thirds():
    # NGDC and UKSSDC, derivation of Kp (read 2026-11): 5-, 5o, 5+ are 4 2/3, 5, 5 1/3; coded from 0
    # to 90, 2+ is 23 and 3- is 27.
    for symbol, value in [("5-", 14 / 3), ("5o", 5.0), ("5+", 16 / 3), ("0o", 0.0), ("9o", 9.0)]:
        assert geo.kp_from_symbol(symbol) == pytest.approx(value)
        assert geo.kp_symbol(value) == symbol
    assert round(10 * geo.kp_from_symbol("2+")) == 23
    assert round(10 * geo.kp_from_symbol("3-")) == 27
    assert geo.kp_symbol(4.67) == "5-"
    for wrong in ("0-", "9+", "5", "", "x+", "10", "²o"):
        with pytest.raises(ValueError, match=r"Kp symbol|outside the scale"):
            geo.kp_from_symbol(wrong)
    for wrong in (-1.0, 9.5, float("nan")):
        with pytest.raises(ValueError, match="not a Kp value"):
            geo.kp_symbol(wrong)


@pytest.mark.parametrize(
    ("symbols", "storm"),
    [("0o 3o 4- 4o 4+", 0), ("5- 5o 5+", 1), ("6- 6o 6+", 2), ("7- 7o 7+", 3),
     ("8- 8o 8+ 9-", 4), ("9o", 5)],
)  # fmt: skip
def test_g_scale_by_symbol(symbols: str, storm: int) -> None:
    # KP-G: AMS Glossary, G-scale (read 2026-11): Kp 5, 6, 7, 8 (9- too), 9 are G1 to G5.
    for symbol in symbols.split():
        assert geo.g_class(np.array(geo.kp_from_symbol(symbol))) == storm


def test_g_scale():
    # NOAA space weather scales and AMS Glossary, G-scale: Kp 5, 6, 7, 8 (9- too), 9 are G1 to G5;
    # by thirds from spaceweatherlive.com; read 2026-11.
    kp = np.array([0, 4.33, 4.67, 5, 5.67, 6, 6.67, 7, 7.67, 8, 8.67, 9, np.nan])
    expected = [0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 4, 5, np.nan]
    np.testing.assert_array_equal(geo.g_class(kp), expected)
    # Sources print a third as 4.67, 4.667 or 4.6667.
    assert geo.g_class(np.array([4.667, 14 / 3])).tolist() == [1, 1]


def test_storm_climatology():
    # The Brussels centre (J. Space Weather Space Clim. 2014, table 4; read 2026-11):
    # 0.108 of 2985 days had K >= 5. NOAA's scales count 900 + 360 + 130 + 60 + 4 days of storm in a
    # cycle of 11 years, 0.36, since they count the whole planet.
    assert 0.108 - 0.005 < geo.STORM_CLIMATOLOGY < 0.108 + 0.005
    assert geo.STORM_CLIMATOLOGY < (900 + 360 + 130 + 60 + 4) / (11 * 365.25)


SLOTS = at("2026-07-01T00:00") + 3 * np.arange(4) * HOUR
VALUES = np.array([2.0, 5.0, 3.0, 7.0])


def test_a_slot_counts_for_every_hour_that_it_overlaps():
    # KP-int: NGDC (read 2026-11): the value holds for the block of three hours, 00-03, 03-06, ...
    hours = SLOTS[0] + np.arange(12) * HOUR
    found = geo.kp_over(SLOTS, VALUES, hours, hours + HOUR)
    np.testing.assert_array_equal(found, np.repeat(VALUES, 3))


@pytest.mark.law
def test_slots_of_the_services_lie_on_the_same_hours():
    hours = SLOTS[0] - 2 * HOUR + np.arange(16) * HOUR
    for left_out in range(-1, 4):
        kept = [i for i in range(4) if i != left_out]
        slots = [Slot(to_datetime(SLOTS[i]), VALUES[i], "observed") for i in kept]
        expected = geo.kp_over(SLOTS[kept], VALUES[kept], hours, hours + HOUR)
        np.testing.assert_array_equal(lay(slots, hours).values, expected.astype(np.float32))


@pytest.mark.law
def test_a_session_takes_its_largest_slot():
    def over(begin: str, end: str) -> float:
        return float(geo.kp_over(SLOTS, VALUES, at(begin), at(end)))

    assert over("2026-07-01T02:30", "2026-07-01T03:30") == 5
    assert over("2026-07-01T02:00", "2026-07-01T03:00") == 2  # the slot from 03 begins at its end
    assert over("2026-07-01T06:00", "2026-07-01T09:00") == 3  # and 03-06 ended at its beginning
    assert over("2026-07-01T00:00", "2026-07-01T12:00") == 7
    assert np.isnan(over("2026-07-01T11:00", "2026-07-01T13:00"))  # half of it has no slot
    assert np.isnan(over("2026-07-02T11:00", "2026-07-02T13:00"))


@pytest.mark.law
def test_a_missing_slot_is_missing():
    holed = np.array([2.0, np.nan, 3.0, 7.0])
    hours = SLOTS[0] + np.arange(12) * HOUR
    found = geo.kp_over(SLOTS, holed, hours, hours + HOUR)
    assert np.isnan(found).tolist() == [False] * 3 + [True] * 3 + [False] * 6
    assert np.isnan(geo.kp_over(SLOTS, holed, SLOTS[0], SLOTS[0] + 12 * HOUR))
    without = np.delete(SLOTS, 1)
    assert np.isnan(geo.kp_over(without, np.delete(VALUES, 1), SLOTS[0], SLOTS[0] + 12 * HOUR))
    assert np.isnan(geo.kp_over(SLOTS[:0], VALUES[:0], hours, hours + HOUR)).all()


def test_evenings_near_the_magnetic_equator():
    # From memory: equatorial spread F comes 19 to 01 local time around the equinoxes. Singapore is
    # at magnetic -6; its solar time is UTC + 6 h 55 min.
    singapore = (103.82, geo.geomagnetic_latitude(1.35, 103.82))
    assert abs(singapore[1]) < 20

    def flag(when: str, longitude: float = singapore[0], magnetic: float = singapore[1]) -> float:
        return float(geo.equatorial_scintillation(at(when), longitude, magnetic))

    assert flag("2026-03-20T13:00") == 1  # 19:55
    assert flag("2026-03-20T07:00") == 0  # 13:55
    assert flag("2026-03-20T18:30") == 0  # 01:25
    assert flag("2026-09-25T17:00") == 1  # 23:55
    assert flag("2026-06-21T13:00") == 0
    assert flag("2026-12-21T13:00") == 0
    assert flag("2026-02-05T13:00") == 1  # 43 days before the equinox
    assert flag("2026-03-20T20:00", -0.13, 47.7) == 0
    # Across the date line the solar time counts, not the zone: 180 W at 08 UTC is 20 h.
    assert flag("2026-03-20T08:00", -180.0, 5.0) == 1
    assert flag("2026-03-20T08:00", 180.0, 5.0) == 1
    assert np.isnan(flag("2026-03-20T08:00", float("nan"), 5.0))
    assert np.isnan(flag("NaT", 0.0, 5.0))


def test_chance_of_a_storm():
    # Verification at Brussels (J. Space Weather Space Clim. 2014, swsc140018, table 4; read
    # 2026-11): of 2985 days 115 hits, 130 false alarms, 207 misses, 2533 correct rejections.
    hits, false_alarms, misses, rejections = 115, 130, 207, 2533
    assert pytest.approx(hits / (hits + false_alarms), abs=0.005) == geo.STORM_FORECAST
    assert pytest.approx(misses / (misses + rejections), abs=0.0005) == geo.NO_STORM_FORECAST
    days = hits + false_alarms + misses + rejections
    assert pytest.approx((hits + misses) / days, abs=0.005) == geo.STORM_CLIMATOLOGY
    kp = np.array([4.33, 4.67, 4.33, 4.67, np.nan, np.nan])
    predicted = np.array([False, False, True, True, True, False])
    values, origin = geo.storm_probability(kp, predicted)
    np.testing.assert_allclose(values, [0, 1, 0.076, 0.47, 0.11, 0.11])
    names = [geo.STORM_ORIGINS[i] for i in origin]
    assert names == ["direct", "direct", "forecast of no storm", "forecast of a storm",
                     "from climatology, no K index",
                     "from climatology, no K index"]  # fmt: skip


@pytest.mark.contract
@pytest.mark.parametrize(
    ("kp", "told"),
    [(4.33, "planetary K index 4.33 at noon, no-go at least 6.50"),
     (6.67, "planetary K index 6.67 (storm class G3) at noon, no-go at least 6.50"),
     (8.67, "planetary K index 8.67 (storm class G4) at noon, no-go at least 6.50")],
)  # fmt: skip
def test_a_reason_names_the_class_of_the_storm(kp: float, told: str) -> None:
    # G table by thirds at spaceweatherlive.com, AMS Glossary, G-scale (read 2026-11)
    reason = Reason(
        rule="geomagnetic-storm", quantity="planetary_k_index", grade=Grade.GO, value=kp, limit=6.5,
        limit_grade=Grade.NO_GO, limit_word="at least", unit="Kp", margin=0.1, because="",
        source="", layer="practice",
    )  # fmt: skip
    assert reason_text(reason, when="noon") == told
