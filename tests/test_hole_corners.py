"""Law: where random holes seldom fall: ends of runs, seams between models, ensembles, odd values.

One fair day, each hour of which from the third to the fifteenth is go; each case spoils it at one
place and says which hours are then go no more, and that all the others stay go.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
import xarray as xr
from holes import (
    BEFORE,
    CAPE,
    CEILING,
    CLOUD,
    CONVECTIVE,
    DEPTH,
    FLUX,
    GROUND,
    GUST,
    INSTANTS,
    KP,
    LOW,
    MOST,
    RAIN,
    RATE,
    RH,
    ROUGHNESS,
    SHARE,
    SNOWS,
    TD,
    UP,
    VIS,
    ZP,
    P,
    T,
    U,
    V,
    Worlds,
    dataset_of,
    fair_day,
)
from test_holes import AIRCRAFT, brief_of, graded, read, rulebook

from wxgate.contract import from_dataset
from wxgate.derive.run import derive
from wxgate.derive.wind import components_of
from wxgate.errors import ContractError
from wxgate.forecast import FROM, UNTIL, Forecast
from wxgate.grade import grade, with_age
from wxgate.members import middle_of
from wxgate.quantities import Kind
from wxgate.verdict import Grade

pytestmark = pytest.mark.law

GO = frozenset(range(2, 15))
AT = 8  #: an hour in the middle of the day
ALL = slice(None)


def spoilt(day: Worlds | None = None, kinds: Mapping[str, Kind] | None = None,
           **about: Any) -> Worlds:  # fmt: skip
    """The fair day with other values."""
    day = fair_day() if day is None else day
    return replace(day, kinds={**day.kinds, **(kinds or {})}, **about)


def holed(name: str, rows: Any, value: float = np.nan, *, levels: Any = None,
          day: Worlds | None = None) -> Worlds:  # fmt: skip
    """The fair day with a value at some instants, on all levels or some."""
    day = fair_day() if day is None else day
    values = day.raw[name].copy()
    values[(rows, levels) if levels is not None else rows] = value
    return replace(day, raw={**day.raw, name: values})


def without(*names: str, day: Worlds | None = None) -> Worlds:
    """The fair day of a source that does not give these."""
    day = fair_day() if day is None else day
    return replace(day, raw={n: v for n, v in day.raw.items() if n not in names})


def with_values(day: Worlds | None = None, **values: float) -> Worlds:
    """The fair day with other steady values, by short name."""
    day = fair_day() if day is None else day
    names = {"low": LOW, "cloud": CLOUD, "temperature": T, "dew_point": TD, "visibility": VIS,
             "humidity": RH, "east": U, "north": V, "gust": GUST}  # fmt: skip
    new = {names[k]: np.full_like(day.raw.get(names[k], day.raw[T]), v) for k, v in values.items()}
    kinds = dict.fromkeys(new, Kind.POINT)
    return replace(day, raw={**day.raw, **new}, kinds={**day.kinds, **kinds})


def go_hours(day: Worlds) -> frozenset[int]:
    """The hours that are go."""
    return frozenset(np.flatnonzero(graded(day).codes[:, 0] == Grade.GO).tolist())


def test_the_day_is_fair() -> None:
    assert go_hours(fair_day()) == GO


# ---------------------------------------------------------------------- one instant or one hour

#: What one hole takes away, counted from its instant.
BOTH = {-1, 0}
LEVEL_10_M = {"levels": 0}
CASES: dict[str, tuple[Worlds, set[int]]] = {
    "wind at 10 m": (holed(U, AT, levels=0), BOTH),
    "one part of it": (holed(V, AT, levels=0), BOTH),
    "wind at 80 m, told by 100 m": (holed(U, AT, levels=1), set()),
    "all wind aloft, by day": (holed(U, AT, levels=slice(1, 3)), set()),
    "gust": (holed(GUST, AT), BOTH),
    "gust over the hour": (spoilt(holed(GUST, AT), {GUST: Kind.MAXIMUM}), {0}),
    "temperature": (holed(T, AT), BOTH),
    "dew point": (holed(TD, AT), BOTH),
    "visibility": (holed(VIS, AT), BOTH),
    "rain": (holed(RAIN, AT), {0}),
    "rain, its rate at one end, and its convective part": (
        holed(CONVECTIVE, AT, day=holed(RATE, AT + 1, day=holed(RAIN, AT))), {-2, -1, 0, 1, 2}),
    "CAPE": (holed(CAPE, AT), BOTH),
    "K index": (holed(KP, AT), {0}),
    "K index at instants": (spoilt(holed(KP, AT), {KP: Kind.POINT}), BOTH),
    "a slot of the K index": (holed(KP, slice(AT, AT + 3)), {0, 1, 2}),
    "ceiling over hardly any low cloud": (holed(CEILING, AT), set()),
    "ceiling over low cloud": (holed(CEILING, AT, day=with_values(low=0.7)), BOTH),
    "ceiling and low cloud": (holed(LOW, AT, day=holed(CEILING, AT)), BOTH),
    "the cells around, under low cloud": (holed(SHARE, AT, day=with_values(low=0.7)), {0}),
    "the whole hour": (holed(U, AT, day=holed(T, AT)), BOTH),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_a_hole_takes_its_own_hours_and_no_other(case: str) -> None:
    day, gone = CASES[case]
    assert go_hours(day) == GO - {AT + n for n in gone}


#: Of a source that does not give it, by day: what stands in for it caps nothing.
MAY_LACK = (FLUX, DEPTH, P, CLOUD, ROUGHNESS, GROUND, SNOWS, CEILING, RATE, CONVECTIVE, MOST, SHARE)


@pytest.mark.parametrize("name", [GUST, T, TD, VIS, RAIN, CAPE, KP, U])
def test_a_source_that_does_not_give_it_is_never_go(name: str) -> None:
    assert go_hours(without(name)) == frozenset()


@pytest.mark.parametrize("name", MAY_LACK)
def test_what_is_legitimately_not_given_takes_nothing(name: str) -> None:
    assert go_hours(without(name)) == GO
    assert go_hours(holed(name, AT if name not in (GROUND, ROUGHNESS) else 0)) == GO


# ---------------------------------------------------------------------- ends and seams


def test_a_run_that_ends_takes_the_hours_that_look_behind_its_end() -> None:
    day = fair_day()
    for name, values in day.raw.items():
        if values.ndim > 1:
            day = holed(name, slice(AT, None), day=day)
    # Instant 7 is the last, and begins an hour with its rain: hour 6 is whole, but thunder is
    # looked for two hours ahead.
    assert go_hours(day) == {2, 3, 4, 5}


def test_a_gust_of_each_third_hour_covers_no_hour() -> None:
    rows = [n for n in range(INSTANTS) if n % 3]
    assert go_hours(holed(GUST, rows)) == frozenset()
    # As an interval's maximum that was laid on its own hour alone.
    assert go_hours(spoilt(holed(GUST, rows), {GUST: Kind.MAXIMUM})) == {3, 6, 9, 12}


def test_rain_of_a_bucket_that_is_missing_takes_its_six_hours() -> None:
    day = without(RATE, CONVECTIVE)
    assert go_hours(holed(RAIN, slice(4, 10), day=day)) == GO - set(range(2, 12))


def two_models(hole: int, model: int) -> set[int]:
    """The go hours of two models, the second from hour ``AT`` on, one with a hole in its wind."""
    raws = []
    for n, (since, until) in enumerate([(0, AT), (AT, INSTANTS)]):
        day = holed(U, hole, levels=0) if n == model else fair_day()
        raw = read(day, 0)
        assert raw is not None
        seconds = day.time.astype("datetime64[s]").astype(np.int64)
        ends = [*seconds.tolist(), int(seconds[-1]) + 3600]
        raws.append(replace(raw, attributes={**raw.attributes, FROM: ends[since],
                                             UNTIL: ends[until]}))  # fmt: skip
    made = brief_of(fair_day(), 0, raws)
    return {n + BEFORE for n, hour in enumerate(made.hours) if hour.grade is Grade.GO}


def test_the_hour_before_the_seam_ends_with_its_own_model() -> None:
    whole = set(GO) - {2}  # before the brief
    assert two_models(0, 0) == whole
    assert two_models(AT, 0) == whole - {AT - 1}
    assert two_models(AT, 1) == whole - {AT}
    assert two_models(AT + 1, 0) == whole
    assert two_models(AT - 1, 1) == whole


def test_an_hour_for_which_no_model_speaks_is_unknown() -> None:
    raw = read(fair_day(), 0)
    assert raw is not None
    seconds = fair_day().time.astype("datetime64[s]").astype(np.int64).tolist()
    parts = [
        replace(raw, attributes={**raw.attributes, FROM: seconds[a], UNTIL: seconds[b]})
        for a, b in ((0, AT), (AT + 2, INSTANTS - 1))
    ]
    hours = brief_of(fair_day(), 0, parts).hours
    grades = [hour.grade for hour in hours]
    assert grades[AT - BEFORE : AT + 2 - BEFORE] == [Grade.UNKNOWN] * 2
    assert grades[AT - 1 - BEFORE] is grades[AT + 2 - BEFORE] is Grade.GO


@pytest.mark.parametrize(("hole", "first"), [(None, 1), (0, 1), (1, 1), (2, 2)])
def test_an_earlier_run_with_a_hole_is_no_earlier_run(hole: int | None, first: int) -> None:
    """Its last two hours are looked at for thunder; the sun is too low in the first hour."""
    day = without(RATE, CONVECTIVE)
    past = replace(day, time=day.time[:4] - np.timedelta64(3, "h"),
                   raw={n: v[:4] if v.ndim > 1 else v for n, v in day.raw.items()})  # fmt: skip
    past = past if hole is None else holed(RAIN, hole, day=past)
    craft, site = AIRCRAFT[day.aircraft], day.site_of(0)
    raw, before = (found.forecast() for found in (day, past))
    whole = derive(replace(raw, earlier=before), site=day.site, aircraft=craft, height=day.height)
    found = grade(
        with_age(whole, day.now), rulebook(""), aircraft=craft, skill=day.skill,
        height=day.height, latitude=site.latitude,
    )  # fmt: skip
    assert set(np.flatnonzero(found.codes[:, 0] == Grade.GO)) == set(range(first, 15))


# ---------------------------------------------------------------------- values at the edge


@pytest.mark.parametrize(
    ("day", "go"),
    [
        # Not go for being damp, and unknown for being wrong.
        (with_values(dew_point=291.2), False),
        (with_values(dew_point=292.0), False),
        (without(TD, day=with_values(humidity=0.5)), True),
        (without(TD, day=with_values(humidity=1.05)), False),
        (without(TD, day=with_values(humidity=1.3)), False),
        (without(TD, day=with_values(humidity=0.0)), False),
        # Humidity does not stand in for a dew point that is wrong.
        (with_values(dew_point=292.0, day=with_values(humidity=0.5)), False),
        (with_values(east=0.0, north=0.0, gust=0.0), True),
        (with_values(visibility=24135.0), True),
        (holed(RAIN, ALL, -1e-6), False),
        (holed(RAIN, ALL, -0.0), True),
        (holed(CEILING, ALL, 20000.0, day=with_values(low=0.7)), True),
        (holed(CEILING, ALL, 20001.0, day=with_values(low=0.7)), False),
        (holed(CEILING, ALL, day=with_values(low=0.0, cloud=0.0)), True),
        (without(CEILING, LOW), False),
        (without(CEILING, day=with_values(low=0.3)), True),  # the base of fair-weather cumulus
        (without(CEILING, day=with_values(low=0.6)), False),
        (without(UP, ZP), True),
    ],
)
def test_an_hour_with_such_a_value(day: Worlds, go: bool) -> None:
    assert (AT in go_hours(day)) is go


def test_a_speed_without_a_direction_is_no_wind_and_a_calm_needs_none() -> None:
    east, north = components_of([5.0, 0.0], [np.nan, 0.0])
    np.testing.assert_array_equal(np.isnan(east), [True, False])
    np.testing.assert_array_equal(np.isnan(north), [True, False])
    np.testing.assert_array_equal(np.abs([east[1], north[1]]), 0.0)


def test_in_polar_night_no_hour_is_go_with_or_without_holes() -> None:
    winter = fair_day().time + np.timedelta64(183, "D")
    now = fair_day().now + timedelta(days=183)
    polar = spoilt(time=winter, now=now, run=now, latitude=np.full(1, 80.0))
    for day in (polar, *(without(name, day=polar) for name in (FLUX, CLOUD, KP, RAIN))):
        assert go_hours(day) == frozenset()


@pytest.mark.parametrize("name", [U, VIS, KP])
def test_east_and_west_of_the_date_line_are_alike(name: str) -> None:
    for longitude in (179.99, 180.0, -180.0, -179.99):
        day = spoilt(
            time=fair_day().time + np.timedelta64(-14, "h"), longitude=np.full(1, longitude)
        )
        day = replace(day, now=day.now - timedelta(hours=14), run=day.now - timedelta(hours=17))
        whole = go_hours(day)
        assert AT in whole
        assert go_hours(holed(name, AT, day=day)) == whole - (
            {AT} if name == KP else {AT - 1, AT})  # fmt: skip


# ---------------------------------------------------------------------- ensembles


def ensemble(days: list[Worlds], *, alone: tuple[str, ...] = ()) -> Forecast:
    """Worlds as the members of one forecast; of ``alone`` there is one for all."""
    one = read(days[0], 0)
    assert one is not None
    fields = {}
    for name, found in one.fields.items():
        every = [day.forecast().fields[name].values[..., 0] for day in days]
        same = name in alone or found.kind is Kind.CONSTANT
        fields[name] = replace(found, values=every[0] if same else np.stack(every, axis=-1))
    grid = {"grid": {"dims": ("member",), "coords": {}}}
    return replace(one, fields=fields, attributes=grid)


def go_of(raw: Forecast) -> set[int]:
    """The go hours of an ensemble, by its middle weather and by its brief."""
    day = fair_day()
    craft, site = AIRCRAFT[day.aircraft], day.site_of(0)
    whole = derive(raw, site=site, aircraft=craft, height=day.height)
    middle = grade(
        with_age(middle_of(whole), day.now), rulebook(""), aircraft=craft, skill=day.skill,
        height=day.height, latitude=48.0,
    )  # fmt: skip
    made = brief_of(day, 0, [raw])
    told = {n + BEFORE for n, hour in enumerate(made.hours) if hour.grade is Grade.GO}
    found = set(np.flatnonzero(middle.codes == Grade.GO).tolist())
    assert told <= found
    return found


def test_members_without_a_hole_are_go() -> None:
    assert go_of(ensemble([fair_day()] * 5)) == GO
    assert go_of(ensemble([fair_day()])) == GO


@pytest.mark.parametrize("members", [1, 2, 5, 6])
@pytest.mark.parametrize("lacking", ["one", "all"])
@pytest.mark.parametrize("name", [U, T, TD, VIS, RAIN, GUST, CAPE, KP])
def test_an_hour_that_a_member_lacks_is_not_go(name: str, lacking: str, members: int) -> None:
    hole = holed(name, AT, levels=0) if name == U else holed(name, AT)
    days = [hole] * members if lacking == "all" else [fair_day()] * (members - 1) + [hole]
    gone = {AT} if name in (RAIN, KP) else {AT - 1, AT}
    assert go_of(ensemble(days)) == GO - gone


def test_of_members_no_substitute_that_caps_is_passed_over() -> None:
    """Of their origins the last one counts: behind one that caps stands none that does not."""
    day = fair_day()
    whole = derive(
        day.forecast(), site=day.site, aircraft=AIRCRAFT[day.aircraft], height=day.height
    )
    capped: dict[str, set[str]] = {}
    for one in rulebook("").substitutes:
        capped.setdefault(one.quantity, set()).add(one.origin)
    for name, origins in capped.items():
        told = whole.fields[name].origins
        assert origins <= set(told)
        first = min(told.index(origin) for origin in origins)
        assert set(told[first:]) <= origins | {"unknown"}, name  # unknown: no value either


# ---------------------------------------------------------------------- files that are refused


def _doubled(found: xr.Dataset) -> xr.Dataset:
    rows = [*range(AT), AT, *range(AT, INSTANTS)]
    return found.isel(time=rows)


def _swapped(found: xr.Dataset) -> xr.Dataset:
    rows = list(range(INSTANTS))
    rows[AT], rows[AT + 1] = rows[AT + 1], rows[AT]
    return found.isel(time=rows)


REFUSED: dict[str, Callable[[xr.Dataset], xr.Dataset]] = {
    "an hour twice": _doubled,
    "two hours in the wrong order": _swapped,
    "backwards": lambda d: d.isel(time=slice(None, None, -1)),
    "an hour left out": lambda d: d.isel(time=[n for n in range(INSTANTS) if n != AT]),
    "each third hour": lambda d: d.isel(time=slice(None, None, 3)),
    "half past the hour": lambda d: d.assign_coords(time=d["time"] + np.timedelta64(30, "m")),
    "labels of the hours' ends": lambda d: d.assign_coords(time=d["time"] + np.timedelta64(1, "h")),
    "an hour without a time": lambda d: d.assign_coords(
        time=d["time"].where(np.arange(INSTANTS) != AT)),
    "a height twice": lambda d: d.assign_coords(height=[10.0, 10.0, 100.0]),
    "a height that is not there": lambda d: d.assign_coords(height=[10.0, np.nan, 100.0]),
    "no run": lambda d: d.drop_vars("forecast_reference_time"),
    "no place": lambda d: d.drop_vars("latitude"),
}  # fmt: skip


def test_the_file_that_is_spoilt_below_is_read() -> None:
    assert from_dataset(dataset_of(fair_day(), 0), must_name_place=True).fields


@pytest.mark.parametrize("fault", REFUSED)
def test_a_file_with_such_hours_is_refused(fault: str) -> None:
    found = REFUSED[fault](dataset_of(fair_day(), 0))
    found["height"].attrs["units"] = "m"
    with pytest.raises(ContractError):
        from_dataset(found, must_name_place=True)
