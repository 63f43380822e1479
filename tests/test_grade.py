"""Law: what must hold for every forecast and every rule when hours are graded."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hours import MID, START, forecast_of
from hypothesis import given, settings
from hypothesis import strategies as st

from wxgate.errors import ContractError
from wxgate.forecast import Forecast, make_field
from wxgate.grade import grade, with_age
from wxgate.profiles import Skill
from wxgate.quantities import Kind
from wxgate.rulebook import Condition, Rule, Rulebook, Substitute, Word
from wxgate.rulebook.limits import Amount
from wxgate.verdict import Grade
from wxgate.windows import verdicts, windows

pytestmark = pytest.mark.law

GO, MA, UN, NO = Grade.GO, Grade.MARGINAL, Grade.UNKNOWN, Grade.NO_GO


def rule(quantity: str, word: Word, marginal: float, no_go: float, **more: object) -> Rule:
    limits = {MA: Amount.of(marginal), NO: Amount.of(no_go)}
    return Rule(f"{quantity}-rule", quantity, word, limits, because="b", source="s", **more)


def book(*rules: Rule, substitutes: tuple[Substitute, ...] = ()) -> Rulebook:
    return Rulebook("test", rules, substitutes)


GUST = rule("gust_at_flight_height", Word.ABOVE, 6.0, 8.0)
VISIBILITY = rule("visibility", Word.BELOW, 5000.0, 1500.0)


def codes(forecast: Forecast, rulebook: Rulebook, height: float = 60.0, **more: float) -> list[int]:
    graded = grade(forecast, rulebook, aircraft=MID, skill=Skill.NOVICE, height=height, **more)
    return graded.codes.tolist()


# ---------------------------------------------------------------------- the two ends of an hour


def test_a_point_value_grades_the_worse_of_the_hours_two_ends() -> None:
    gusts = forecast_of({"gust_at_flight_height": [5.0, 7.0, 9.0, 5.0]})
    # 5-7 marginal, 7-9 no-go, 9-5 no-go, and the last hour has but one end.
    assert codes(gusts, book(GUST)) == [MA, NO, NO, UN]


def test_an_interval_value_grades_the_hour_it_is_laid_on() -> None:
    gusts = forecast_of(
        {"gust_at_flight_height": [5.0, 7.0, 9.0, 5.0]},
        kinds={"gust_at_flight_height": Kind.MAXIMUM},
    )
    assert codes(gusts, book(GUST)) == [GO, MA, NO, GO]


def test_limits_themselves_follow_the_word() -> None:
    at_limit = forecast_of({"gust_at_flight_height": [6.0, 6.0, 8.0, 8.0, 8.0]})
    strict = replace(GUST, word=Word.AT_LEAST)
    assert codes(at_limit, book(GUST))[:4] == [GO, MA, MA, MA]
    assert codes(at_limit, book(strict))[:4] == [MA, NO, NO, NO]


# ---------------------------------------------------------------------- missing


def test_missing_at_either_end_is_never_go() -> None:
    gusts = forecast_of({"gust_at_flight_height": [5.0, np.nan, 5.0, 5.0, 5.0]})
    assert codes(gusts, book(GUST))[:4] == [UN, UN, GO, GO]


def test_a_passed_limit_outweighs_what_is_missing() -> None:
    both = forecast_of(
        {"gust_at_flight_height": [9.0, np.nan, 5.0], "visibility": [np.nan, 9000.0, 9000.0]}
    )
    assert codes(both, book(GUST, VISIBILITY))[:2] == [NO, UN]


def test_a_quantity_that_is_not_there_at_all_is_missing_in_every_hour() -> None:
    gusts = forecast_of({"gust_at_flight_height": [5.0, 5.0, 5.0]})
    assert codes(gusts, book(GUST, VISIBILITY)) == [UN, UN, UN]


def test_a_rulebook_without_rules_proves_nothing() -> None:
    assert codes(forecast_of({"visibility": [9e3, 9e3]}), book()) == [UN, UN]


def test_an_hour_to_which_no_rule_applies_is_unknown() -> None:
    only_high = Condition(quantity="flight_height", word=Word.ABOVE, figure=100.0)
    gusts = forecast_of({"gust_at_flight_height": [5.0, 5.0, 5.0]})
    high = book(replace(GUST, when=(only_high,)))
    assert codes(gusts, high, height=60.0)[:2] == [UN, UN]
    assert codes(gusts, high, height=120.0)[:2] == [GO, GO]


def test_missing_may_be_declared_marginal_or_a_note() -> None:
    hours = forecast_of({"visibility": [9e3, 9e3, 9e3]})
    lenient = replace(GUST, missing=MA)
    noted = replace(GUST, missing=None)
    assert codes(hours, book(VISIBILITY, lenient))[:2] == [MA, MA]
    assert codes(hours, book(VISIBILITY, noted))[:2] == [GO, GO]


def test_what_softens_a_missing_value_must_be_sure() -> None:
    dry = Condition(quantity="fog_points", word=Word.BELOW, figure=3.0)
    soft = replace(VISIBILITY, missing=MA, missing_when=(dry,))
    hours = forecast_of(
        {
            "fog_points": [0.0, 0.0, np.nan, 0.0, 5.0, 5.0],
            "gust_at_flight_height": [1.0] * 6,
        }
    )
    assert codes(hours, book(GUST, soft))[:5] == [MA, UN, UN, UN, UN]


def test_an_unknown_limit_is_not_softened_by_a_declared_missing() -> None:
    stale = Rule(
        "stale", "forecast_age", Word.ABOVE, {MA: Amount.of(12.0), UN: Amount.of(48.0)},
        missing=MA, because="b", source="s",
    )  # fmt: skip
    old = forecast_of({"forecast_age": [10.0, 13.0, 50.0]})
    assert codes(old, book(stale)) == [GO, MA, UN]


# ---------------------------------------------------------------------- conditions and neighbours


def test_a_condition_that_cannot_be_told_brings_the_rule_in() -> None:
    at_night = Condition(quantity="solar_elevation_angle", word=Word.BELOW, figure=0.0)
    night_rule = replace(GUST, when=(at_night,))
    hours = forecast_of(
        {
            "gust_at_flight_height": [9.0] * 5,
            "solar_elevation_angle": [20.0, 10.0, 5.0, np.nan, 20.0],
            "visibility": [9e3] * 5,
        }
    )
    assert codes(hours, book(night_rule, VISIBILITY))[:4] == [GO, GO, NO, NO]


def test_months_turn_over_south_of_the_equator() -> None:
    summer = Condition(months=frozenset({6, 7, 8}), seasonal=True)
    seasonal = replace(GUST, when=(summer,))
    hours = forecast_of({"gust_at_flight_height": [9.0] * 3, "visibility": [9e3] * 3})
    assert codes(hours, book(seasonal, VISIBILITY), latitude=50.0)[0] == NO
    assert codes(hours, book(seasonal, VISIBILITY), latitude=-50.0)[0] == GO


def test_neighbours_make_an_hour_as_bad_as_the_worst_beside_it() -> None:
    thunder = Rule(
        "thunder", "thunder_probability", Word.AT_LEAST,
        {MA: Amount.of(0.05), NO: Amount.of(0.2)}, before=1, after=1, because="b", source="s",
    )  # fmt: skip
    hours = forecast_of({"thunder_probability": [0, 0, 0, 0.5, 0, 0, 0.1, 0]})
    # The first hour's neighbour before and the last one's after lie outside the forecast.
    assert codes(hours, book(thunder)) == [UN, GO, NO, NO, NO, MA, MA, UN]


def test_a_substitute_caps_the_hours_that_used_it() -> None:
    field = make_field(
        "gust_at_flight_height", np.array([5.0, 5.0, 5.0, 5.0]),
        origin=np.array([0, 0, 1, 0], np.uint8), origins=("direct", "estimated"),
    )  # fmt: skip
    cap = Substitute("gust_at_flight_height", "estimated", MA, because="b", source="s")
    forecast = forecast_of({"gust_at_flight_height": field})
    assert codes(forecast, book(GUST, substitutes=(cap,))) == [GO, MA, MA, UN]


def test_a_substitute_is_told_also_where_it_caps_nothing() -> None:
    field = make_field(
        "gust_at_flight_height", np.array([5.0, 5.0, 5.0, 5.0]),
        origin=np.array([0, 0, 1, 0], np.uint8), origins=("direct", "estimated"),
    )  # fmt: skip
    learners = Condition(skills=frozenset({Skill.FIRST_FLIGHT}))
    cap = Substitute("gust_at_flight_height", "estimated", MA, when=(learners,), because="b")
    forecast = forecast_of({"gust_at_flight_height": field})
    graded = grade(
        forecast, book(GUST, substitutes=(cap,)), aircraft=MID, skill=Skill.NOVICE, height=60.0
    )
    hours = verdicts(graded, START, 3)
    assert [v.grade for v in hours] == [GO, GO, GO]
    told = [any("estimated" in r.note for r in v.reasons) for v in hours]
    assert told == [False, True, True]


# ---------------------------------------------------------------------- age


def test_the_oldest_run_tells_the_age_and_a_run_ahead_of_the_clock_tells_none() -> None:
    forecast = forecast_of({"visibility": [9e3, 9e3]}, run=START)
    aged = with_age(forecast, START + timedelta(hours=9))
    assert aged.fields["forecast_age"].values.tolist() == [9.0, 9.0]
    assert aged.fields["forecast_age_in_cycles"].values.tolist() == [1.5, 1.5]
    ahead = with_age(forecast, START - timedelta(hours=2))
    assert np.isnan(ahead.fields["forecast_age"].values).all()
    none = with_age(replace(forecast, provenance=()), START)
    assert np.isnan(none.fields["forecast_age"].values).all()


def test_a_naive_now_is_refused() -> None:
    with pytest.raises(ContractError, match="has no zone"):
        with_age(forecast_of({"visibility": [9e3]}), datetime(2026, 6, 1))  # noqa: DTZ001


# ---------------------------------------------------------------------- laws over random hours

values = st.one_of(
    st.floats(0, 20, width=32), st.just(float("nan")), st.sampled_from([6.0, 8.0, 0.0])
)
series = st.lists(values, min_size=2, max_size=12)


@settings(max_examples=300, deadline=None)
@given(series, st.data())
def test_a_worse_value_never_betters_a_grade(gusts: list[float], data: st.DataObject) -> None:
    at = data.draw(st.integers(0, len(gusts) - 1))
    worse = list(gusts)
    worse[at] = worse[at] + data.draw(st.floats(0, 10, width=32))
    before = codes(forecast_of({"gust_at_flight_height": gusts}), book(GUST))
    after = codes(forecast_of({"gust_at_flight_height": worse}), book(GUST))
    assert all(b <= a for b, a in zip(before, after, strict=True))


@settings(max_examples=300, deadline=None)
@given(series, st.data())
def test_taking_a_value_away_never_makes_an_hour_go(
    gusts: list[float], data: st.DataObject
) -> None:
    at = data.draw(st.integers(0, len(gusts) - 1))
    holed = list(gusts)
    holed[at] = float("nan")
    found = codes(forecast_of({"gust_at_flight_height": holed}), book(GUST))
    assert found[at] >= UN
    if at:
        assert found[at - 1] >= UN


@settings(max_examples=200, deadline=None)
@given(series, st.permutations(range(3)))
def test_the_order_of_rules_is_irrelevant(gusts: list[float], order: list[int]) -> None:
    rules = (GUST, replace(GUST, id="b", limits={MA: Amount.of(3.0)}), VISIBILITY)
    hours = forecast_of({"gust_at_flight_height": gusts, "visibility": [4e3] * len(gusts)})
    assert codes(hours, book(*rules)) == codes(hours, book(*(rules[i] for i in order)))


@settings(max_examples=200, deadline=None)
@given(series)
def test_a_window_is_as_bad_as_its_worst_hour_and_holds_no_unknown(gusts: list[float]) -> None:
    graded = grade(
        forecast_of({"gust_at_flight_height": gusts}),
        book(GUST),
        aircraft=MID,
        skill=Skill.NOVICE,
        height=60.0,
    )
    hours = verdicts(graded, START, len(gusts) + 3)
    assert [v.grade for v in hours[len(gusts) :]] == [UN] * 3
    for worst in (GO, MA):
        for window in windows(hours, at_worst=worst):
            assert window.grade == max(v.grade for v in window.hours) <= worst
            assert window.margin == min(v.margin for v in window.hours if v.margin is not None)
            assert all(v.grade is not UN for v in window.hours)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.lists(values, min_size=4, max_size=4), min_size=2, max_size=6))
def test_a_site_is_graded_as_the_same_cell_of_a_map(rows: list[list[float]]) -> None:
    flat = np.asarray(rows, np.float32)
    shape = (len(rows), 2, 2)
    field = make_field("gust_at_flight_height", flat.reshape(shape))
    over_map = grade(
        forecast_of({"gust_at_flight_height": field}), book(GUST),
        aircraft=MID, skill=Skill.NOVICE, height=60.0,
    )  # fmt: skip
    for cell in range(4):
        one = grade(
            forecast_of({"gust_at_flight_height": flat[:, cell]}), book(GUST),
            aircraft=MID, skill=Skill.NOVICE, height=60.0,
        )  # fmt: skip
        np.testing.assert_array_equal(over_map.codes.reshape(len(rows), 4)[:, cell], one.codes)
        np.testing.assert_array_equal(over_map.margin.reshape(len(rows), 4)[:, cell], one.margin)


def test_the_reasons_tell_number_limit_and_room() -> None:
    hours = forecast_of({"gust_at_flight_height": [5.0, 7.0, 7.0], "visibility": [9e3] * 3})
    graded = grade(hours, book(GUST, VISIBILITY), aircraft=MID, skill=Skill.NOVICE, height=60.0)
    first = verdicts(graded, START, 1)[0]
    assert first.grade is MA
    assert first.limiting == GUST.id
    reason = first.limiting_reason
    assert reason is not None
    assert (reason.value, reason.limit, reason.limit_word) == (7.0, 6.0, "above")
    assert reason.margin == pytest.approx((8.0 - 7.0) / 8.0)
    assert {r.rule for r in first.reasons} == {GUST.id, VISIBILITY.id}
    assert first.start == datetime(2026, 6, 1, 6, tzinfo=UTC)
