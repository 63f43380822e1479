"""Law: what holds for the windows of every forecast, with the practice rules that ship.

The forecasts are fair hours in which hypothesis spoils single values: past one limit of a rule,
past all of them, or missing. So there are windows, and they end for every kind of reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from functools import cache
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hours import MID, START, forecast_of
from hypothesis import given, settings
from hypothesis import strategies as st
from rule_texts import shipped_aircraft, write

from wxgate import places
from wxgate.forecast import Field, Forecast
from wxgate.grade import grade
from wxgate.profiles import Skill
from wxgate.quantities import Kind, quantity
from wxgate.rulebook import Rule, Rulebook, load_rulebook
from wxgate.verdict import Grade, Verdict, Window
from wxgate.windows import best_window, verdicts, windows

pytestmark = pytest.mark.law

LENGTH, BEFORE, AFTER = 9, 2, 2  # hours asked for, and those on the axis beside them
SIZE = BEFORE + LENGTH + AFTER
SKILL, HEIGHT = Skill.NOVICE, 60.0
SUN = "solar_elevation_angle"
GO, MARGINAL = Grade.GO, Grade.MARGINAL
#: What a rule asks of the place and not of the hour: fair at nought, and the same all day.
CONSTANTS = frozenset({"terrain_difference", "lee_separation"})

# ---------------------------------------------------------------------- forecasts


@cache
def practice() -> Rulebook:
    return load_rulebook([places.shipped("rules") / "practice"], aircraft=shipped_aircraft())


@cache
def values() -> dict[str, tuple[float, ...]]:
    """For each quantity of a rule a fair value, and then one past each of its limits."""
    limits: dict[str, dict[bool, list[float]]] = {}
    concerned = [
        r
        for r in practice().rules
        if r.quantity not in CONSTANTS and all(c.for_whom(SKILL, MID) for c in r.when)
    ]
    for rule in concerned:
        found = limits.setdefault(rule.quantity, {True: [], False: []})[rule.word.upward]
        for limit in rule.limits.values():
            value = limit.resolve(SKILL, MID, lambda _: 45.0)
            found += [] if value is None else [float(value)]
    found_values = {name: _around(both[True], both[False]) for name, both in limits.items()}
    # High enough that the rules on thermals apply.
    return found_values | {SUN: (40.0, *found_values[SUN][1:])}


def _around(above: Sequence[float], below: Sequence[float]) -> tuple[float, ...]:
    if above and below:
        fair = (min(above) + max(below)) / 2
    elif above:
        fair = min(above) - abs(min(above)) / 2
    else:
        fair = max(below) + abs(max(below)) / 2 + 1.0
    over = [limit + max(abs(limit), 1.0) / 50 for limit in above]
    under = [limit - max(abs(limit), 1.0) / 50 for limit in below]
    return (fair, *over, *under)


def spoiled(changes: Sequence[tuple[str, int, float]] = ()) -> Forecast:
    """Fair hours with these values (quantity, place on the axis, value) in place of fair ones."""
    arrays = {name: np.full(SIZE, of[0], np.float32) for name, of in values().items()}
    for name, place, value in changes:
        arrays[name][place] = value
    fields = {name: Field(of, quantity(name).kind) for name, of in arrays.items()}
    for name in CONSTANTS:
        fields[name] = Field(np.float32(0), Kind.CONSTANT)
    fields["geomagnetic_latitude"] = Field(np.float32(45), Kind.CONSTANT)
    return forecast_of(fields, start=START - timedelta(hours=BEFORE))


places_of_axis = st.integers(0, SIZE - 1)


@st.composite
def changes(draw: st.DrawFn) -> list[tuple[str, int, float]]:
    names = draw(st.lists(st.sampled_from(sorted(values())), max_size=8))
    return [
        (n, draw(places_of_axis), draw(st.sampled_from([*values()[n], float("nan")])))
        for n in names
    ]


forecasts = changes().map(spoiled)


@st.composite
def with_hours_to_take(draw: st.DrawFn) -> tuple[Forecast, set[int]]:
    """A forecast, and places to take away: most often those that were spoiled."""
    bad = draw(changes())
    from_here = st.sampled_from([at for _, at, _ in bad]) if bad else places_of_axis
    gone = draw(st.sets(st.one_of(from_here, places_of_axis), min_size=1, max_size=4))
    return spoiled(bad), gone


def graded_hours(forecast: Forecast, rulebook: Rulebook | None = None) -> tuple[Verdict, ...]:
    graded = grade(forecast, rulebook or practice(), aircraft=MID, skill=SKILL, height=HEIGHT)
    return verdicts(graded, START, LENGTH)


def test_fair_hours_are_go_and_every_spoiled_value_shows() -> None:
    """The ground that the laws stand on: else they could hold for want of windows."""
    assert {v.grade for v in graded_hours(spoiled())} == {Grade.GO}
    unseen = {
        name
        for name, (_, *past) in values().items()
        if any(max(v.grade for v in graded_hours(spoiled([(name, 5, x)]))) is GO for x in past)
    }
    # Each counts beside another value only, which the fair hours do not have: dew in moist air,
    # a swing in more than a light wind, bursts at night.
    assert unseen == {"dew_on_surfaces", "wind_direction_swing", "bulk_richardson_number"}


# ---------------------------------------------------------------------- longer windows


@settings(max_examples=200, deadline=None)
@given(forecasts)
def test_a_window_is_as_bad_as_its_worst_hour_and_no_longer_one_is_better(
    forecast: Forecast,
) -> None:
    hours = graded_hours(forecast)
    for start in range(LENGTH):
        before: Window | None = None
        for end in range(start + 1, LENGTH + 1):
            part = hours[start:end]
            if max(v.grade for v in part) > MARGINAL:
                assert windows(part, minimum_h=len(part), at_worst=MARGINAL) == ()
                break
            (window,) = windows(part, minimum_h=len(part), at_worst=MARGINAL)
            assert window.grade == max(v.grade for v in part)
            assert window.length_h == len(part)
            if before is not None:
                assert window.grade >= before.grade
                assert window.margin <= before.margin
            before = window


@settings(max_examples=200, deadline=None)
@given(forecasts)
def test_who_asks_for_a_longer_window_gets_no_better_one(forecast: Forecast) -> None:
    hours = graded_hours(forecast)
    found = [best_window(hours, minimum_h=n) for n in range(1, LENGTH + 1)]
    for shorter, longer in pairwise(found):
        if longer is not None:
            assert shorter is not None
            assert longer.grade >= shorter.grade


# ---------------------------------------------------------------------- hours taken away


def without(forecast: Forecast, instants: set[int]) -> Forecast:
    """The forecast with everything missing at these places of its axis."""
    gone = np.isin(np.arange(forecast.time.size), list(instants))
    return forecast.with_fields(
        {
            name: replace(f, values=np.where(gone, np.float32(np.nan), f.values))
            for name, f in forecast.fields.items()
            if f.kind is not Kind.CONSTANT
        }
    )


def none_new(before: Sequence[Verdict], after: Sequence[Verdict], worst: Grade) -> None:
    there = windows(before, at_worst=worst)
    for window in windows(after, at_worst=worst):
        assert any(w.start <= window.start and window.end <= w.end for w in there), window


@settings(max_examples=300, deadline=None)
@given(with_hours_to_take())
def test_hours_taken_away_make_no_new_window_of_go(found: tuple[Forecast, set[int]]) -> None:
    forecast, gone = found
    none_new(graded_hours(forecast), graded_hours(without(forecast, gone)), GO)


def softens(rule: Rule) -> bool:
    """Whether the rule looks at other hours too, and their absence gives less than they might."""
    declared = Grade.GO if rule.missing is None else rule.missing
    return bool(rule.before or rule.after) and declared < min(Grade.UNKNOWN, max(rule.limits))


@cache
def without_softening() -> Rulebook:
    kept = tuple(rule for rule in practice().rules if not softens(rule))
    return replace(practice(), rules=kept)


@settings(max_examples=300, deadline=None)
@given(with_hours_to_take())
def test_hours_taken_away_make_no_new_window_at_all(found: tuple[Forecast, set[int]]) -> None:
    forecast, gone = found
    book = without_softening()
    before, after = graded_hours(forecast, book), graded_hours(without(forecast, gone), book)
    none_new(before, after, MARGINAL)


def test_thunder_beside_the_hour_is_the_one_exception() -> None:
    # A storm in the hour at place 5 forbids that hour, one before it and two behind it. If nothing
    # is known of place 5 the rule declares marginal, so that the two behind are a window.
    assert {rule.id for rule in practice().rules if softens(rule)} == {"thunder"}
    storm = spoiled([("thunder_probability", 5, 0.9)])
    with_it, unknown = graded_hours(storm), graded_hours(without(storm, {5}))
    at = slice(4 - BEFORE, 8 - BEFORE)
    no_go, not_known = Grade.NO_GO, Grade.UNKNOWN
    assert [v.grade for v in with_it[at]] == [no_go, no_go, no_go, no_go]
    assert [v.grade for v in unknown[at]] == [not_known, not_known, MARGINAL, MARGINAL]
    (reason,) = (r for r in unknown[6 - BEFORE].reasons if r.rule == "thunder")
    assert "missing" in reason.note


@settings(max_examples=200, deadline=None)
@given(forecasts, st.integers(0, LENGTH), st.integers(1, LENGTH))
def test_a_shorter_forecast_has_no_window_that_the_whole_had_not(
    forecast: Forecast, first: int, length: int
) -> None:
    cut = forecast.between(forecast.time[first], forecast.time[min(first + length, SIZE - 1)])
    none_new(graded_hours(forecast), graded_hours(cut), GO)
    book = without_softening()
    none_new(graded_hours(forecast, book), graded_hours(cut, book), MARGINAL)


# ---------------------------------------------------------------------- units

RULE = """\
rulebook:
  name: units
  version: "1"
  layer: operator
  about: One rule.
rules:
  - id: one
    quantity: {quantity}
    word: {word}
    marginal: {marginal}
    no-go: {no_go}
    missing: unknown
    because: it is so
    source: common practice, no source
    proof:
      - {{value: {go}, grade: go}}
      - {{value: {between}, grade: marginal}}
      - {{value: {beyond}, grade: no-go}}
      - {{value: missing, grade: unknown}}
"""

#: quantity, word, the limits in the first unit, and per unit what (marginal, no-go, and values
#: that are go, marginal and no-go) read in it: worked by hand from the definitions of the units
#: (1 kt = 1852 m/h, 1 mi = 1609.344 m, 1 in = 25.4 mm, 1 degF = 5/9 K), to the digits shown.
SAME = {
    ("gust_at_flight_height", "above"): [
        ("10 kt", "20 kt", "5 kt", "15 kt", "25 kt"),
        ("5.1444 m/s", "10.2889 m/s", "5 kt", "15 kt", "25 kt"),
        ("18.52 km/h", "37.04 km/h", "5 m/s", "15 kt", "25 kt"),
        ("11.5078 mph", "23.0156 mph", "5 m/s", "8 m/s", "12 m/s"),
    ],
    ("visibility", "below"): [
        ("3 mi", "1 mi", "4 mi", "2 mi", "0.5 mi"),
        ("4828.03 m", "1609.34 m", "9 km", "2 km", "500 m"),
        ("4.82803 km", "1.60934 km", "9 km", "2 km", "0.5 km"),
        ("15840 ft", "5280 ft", "20000 ft", "6000 ft", "1000 ft"),
    ],
    ("air_temperature", "below"): [
        ("41 degF", "14 degF", "50 degF", "32 degF", "0 degF"),
        ("5 degC", "-10 degC", "10 degC", "0 degC", "-20 degC"),
        ("278.15 K", "263.15 K", "280 K", "273 K", "250 K"),
    ],
    # A difference: 9 degF are 5 K, and not 260 K.
    ("dew_point_spread", "below"): [
        ("9 degF", "3.6 degF", "10 degF", "5 degF", "1 degF"),
        ("5 degC", "2 degC", "6 degC", "3 degC", "1 degC"),
        ("5 K", "2 K", "6 K", "3 K", "1 K"),
    ],
    ("precipitation", "at least"): [
        ("0.05 in", "0.2 in", "0 in", "0.1 in", "1 in"),
        ("1.27 mm", "5.08 mm", "0 mm", "2 mm", "9 mm"),
        ("1.27 kg m-2", "5.08 kg m-2", "0 mm", "2 mm", "9 mm"),
    ],
    ("surface_air_pressure", "below"): [
        ("29 inHg", "28 inHg", "30 inHg", "28.5 inHg", "25 inHg"),
        ("982.05 hPa", "948.19 hPa", "1000 hPa", "960 hPa", "900 hPa"),
        ("98205.2 Pa", "94818.9 Pa", "100000 Pa", "96000 Pa", "90000 Pa"),
    ],
}


@cache
def books(name: str, word: str) -> list[Rulebook]:
    return [load(name, word, texts) for texts in SAME[name, word]]


def load(name: str, word: str, texts: tuple[str, ...]) -> Rulebook:
    keys = ("marginal", "no_go", "go", "between", "beyond")
    text = RULE.format(quantity=name, word=word, **dict(zip(keys, texts, strict=True)))
    with TemporaryDirectory() as folder:
        path = write(Path(folder), text)
        return load_rulebook([path], aircraft=shipped_aircraft())


def codes(rulebook: Rulebook, name: str, series: list[float]) -> list[int]:
    hours = forecast_of({name: series})
    return grade(hours, rulebook, aircraft=MID, skill=SKILL, height=HEIGHT).codes.tolist()


@pytest.mark.parametrize(("name", "word"), list(SAME))
@settings(max_examples=100, deadline=None)
@given(st.data())
def test_limits_in_other_units_give_equal_grades(name: str, word: str, data: st.DataObject) -> None:
    first, *others = books(name, word)
    limits = [float(a.resolve(SKILL, MID, lambda _: None)) for a in first.rules[0].limits.values()]
    # As near to the limits as their digits tell them apart.
    near = st.sampled_from([limit * (1 + e) for limit in limits for e in (-1e-4, 1e-4)])
    wide = st.floats(min(limits) * 0.9, max(limits) * 1.1).filter(
        lambda value: all(abs(value - limit) > 3e-5 * limit for limit in limits)
    )
    value = st.one_of(near, wide, st.just(float("nan")))
    series = data.draw(st.lists(value, min_size=2, max_size=9))
    expected = codes(first, name, series)
    for book in others:
        assert codes(book, name, series) == expected


def test_twenty_knots_are_20_knots_in_every_unit() -> None:
    """Just inside and just beyond 20 kt = 10.2889 m/s, by whichever unit the limit is in."""
    name = "gust_at_flight_height"
    for book in books(name, "above"):
        found = codes(book, name, [10.28, 10.28, 10.30, 10.28])
        assert found[:3] == [MARGINAL, Grade.NO_GO, Grade.NO_GO]
