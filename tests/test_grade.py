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
from wxgate.forecast import Field, Forecast, make_field
from wxgate.grade import Graded, grade, with_age
from wxgate.profiles import Skill
from wxgate.quantities import Kind
from wxgate.rulebook import Condition, Rule, Rulebook, Substitute, Word
from wxgate.rulebook.limits import Amount, ByBand, ShareOf
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
NIGHT = Condition(quantity="solar_elevation_angle", word=Word.BELOW, figure=0.0)
#: Values over the hour, so that the last hour of an axis is whole.
BY_HOUR = {"gust_at_flight_height": Kind.MAXIMUM, "visibility": Kind.MEAN}


def codes(forecast: Forecast, rulebook: Rulebook, height: float = 60.0, **more: float) -> list[int]:
    graded = grade(forecast, rulebook, aircraft=MID, skill=Skill.NOVICE, height=height, **more)
    return graded.codes.tolist()


# ---------------------------------------------------------------------- the two ends of an hour


def test_a_point_value_grades_the_worse_of_the_hours_two_ends() -> None:
    gusts = forecast_of({"gust_at_flight_height": [5.0, 7.0, 9.0, 5.0]})
    # 5-7 marginal, 7-9 no-go, 9-5 no-go, and the last hour has but one end.
    assert codes(gusts, book(GUST)) == [MA, NO, NO, UN]


def test_of_a_value_that_can_be_too_low_the_lower_end_is_the_worse() -> None:
    """5000 to 1500 m is marginal, less is no-go: 9-1 no-go, 1-9 no-go, 9-3 marginal."""
    fog = forecast_of(
        {"visibility": [9e3, 1e3, 9e3, 3e3, np.nan]}, kinds={"visibility": Kind.POINT}
    )
    assert codes(fog, book(VISIBILITY)) == [NO, NO, MA, UN, UN]
    # An end that is past the no-go limit is enough, whatever the missing one was.
    half = forecast_of({"visibility": [1e3, np.nan, 1e3, 9e3]}, kinds={"visibility": Kind.POINT})
    assert codes(half, book(VISIBILITY))[:3] == [NO, NO, NO]


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


@pytest.mark.parametrize(("month", "expected"), [(5, GO), (6, NO), (7, GO)])
def test_a_rule_of_one_month_holds_in_that_month_alone(month: int, expected: Grade) -> None:
    """The hours are of 1 June 2026."""
    of_month = replace(GUST, when=(Condition(months=frozenset({month})),))
    hours = forecast_of(
        {"gust_at_flight_height": [9.0] * 2, "visibility": [9e3] * 2}, kinds=BY_HOUR
    )
    assert codes(hours, book(of_month, VISIBILITY)) == [expected] * 2


@pytest.mark.parametrize(
    ("condition", "expected"),
    [
        (Condition(skills=frozenset({Skill.NOVICE})), NO),
        (Condition(skills=frozenset({Skill.EXPERIENCED})), GO),
        (Condition(aircraft="mass", word=Word.ABOVE, figure=0.5), NO),
        (Condition(aircraft="mass", word=Word.BELOW, figure=0.5), GO),
    ],
)
def test_a_rule_holds_for_the_pilots_and_aircraft_that_it_names(
    condition: Condition, expected: Grade
) -> None:
    """A novice with an aircraft of 0.9 kg."""
    theirs = replace(GUST, when=(condition,))
    hours = forecast_of(
        {"gust_at_flight_height": [9.0] * 2, "visibility": [9e3] * 2}, kinds=BY_HOUR
    )
    assert codes(hours, book(theirs, VISIBILITY)) == [expected] * 2


def test_a_share_of_the_aircrafts_figure_is_of_this_aircraft() -> None:
    """Half of the 12 m/s that it withstands: 6 m/s."""
    half = replace(GUST, limits={NO: ShareOf("max_wind", (0.5,) * 4)})
    gusts = forecast_of({"gust_at_flight_height": [5.9, 6.1]}, kinds=BY_HOUR)
    assert codes(gusts, book(half)) == [GO, NO]


def test_a_quantity_that_does_not_change_is_graded_in_every_hour() -> None:
    high = Rule("high", "flight_height", Word.ABOVE, {NO: Amount.of(100.0)}, source="s")
    hours = forecast_of({"visibility": [9e3] * 3}, kinds=BY_HOUR)
    assert codes(hours, book(VISIBILITY, high), height=120.0) == [NO] * 3
    assert codes(hours, book(VISIBILITY, high), height=90.0) == [GO] * 3


def test_a_limit_that_is_not_known_proves_nothing() -> None:
    """NaN compares as not passed; it must not be read as kept."""
    unsure = replace(GUST, limits={NO: Amount.of(float("nan"))})
    calm = forecast_of({"gust_at_flight_height": [1.0, 1.0]}, kinds=BY_HOUR)
    assert codes(calm, book(unsure)) == [UN, UN]


@pytest.mark.parametrize(
    ("quantity", "word", "limit", "value", "room"),
    [
        ("gust_at_flight_height", Word.ABOVE, 8.0, 6.0, 0.25),
        ("visibility", Word.BELOW, 1500.0, 9000.0, 1.0),  # five times the limit: at most 1
        ("planetary_k_index", Word.AT_LEAST, 6.0, 4.5, 0.5),  # as a share of its scale, 3
        ("planetary_k_index", Word.AT_LEAST, 6.0, 7.5, -0.5),
        ("precipitation", Word.ABOVE, 0.0, 0.5, -0.5),  # of a limit of nothing: in its own unit
    ],
)
def test_room_is_a_share_of_the_limit_or_of_the_scale_and_at_most_one(
    quantity: str, word: Word, limit: float, value: float, room: float
) -> None:
    one = Rule("one", quantity, word, {NO: Amount.of(limit)}, source="s")
    hours = forecast_of({quantity: [value] * 2}, kinds={quantity: Kind.MEAN})
    graded = grade(hours, book(one), aircraft=MID, skill=Skill.NOVICE, height=60.0)
    assert graded.margin.tolist() == pytest.approx([room] * 2)


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


# ---------------------------------------------------------------------- the end that is not there


def test_a_rule_comes_in_at_the_last_hour_whose_other_end_could_bring_it_in() -> None:
    """Contract: a condition that cannot be told brings a rule in. Day at 6 and 7, 8 is not told."""
    hours = forecast_of(
        {
            "gust_at_flight_height": [9.0, 9.0],
            "solar_elevation_angle": [20.0, 20.0],
            "visibility": [9e3, 9e3],
        },
        kinds=BY_HOUR,
    )
    assert codes(hours, book(replace(GUST, when=(NIGHT,)), VISIBILITY)) == [GO, NO]


def test_a_missing_value_of_the_last_hour_is_not_softened_by_one_end() -> None:
    """Contract: what softens must be sure, and the last hour's other end is not told."""
    dry = Condition(quantity="fog_points", word=Word.BELOW, figure=3.0)
    soft = replace(VISIBILITY, missing=MA, missing_when=(dry,))
    hours = forecast_of(
        {
            "visibility": [np.nan, np.nan],
            "fog_points": [0.0, 0.0],
            "gust_at_flight_height": [1.0, 1.0],
        },
        kinds=BY_HOUR,
    )
    assert hours.fields["fog_points"].kind is Kind.POINT
    assert codes(hours, book(GUST, soft)) == [MA, UN]


def test_a_substitute_is_told_in_no_hour_that_did_not_use_it() -> None:
    """Hour 1 has the substitute at its other end; hour 3, the last, is direct as far as is told."""
    field = make_field(
        "gust_at_flight_height", np.array([5.0, 5.0, 5.0, 5.0]),
        origin=np.array([0, 0, 1, 0], np.uint8), origins=("direct", "estimated"),
    )  # fmt: skip
    cap = Substitute("gust_at_flight_height", "estimated", NO, because="b", source="s")
    forecast = forecast_of({"gust_at_flight_height": field})
    assert codes(forecast, book(GUST, substitutes=(cap,))) == [GO, NO, NO, UN]


def test_a_substitute_caps_only_hours_that_used_it_and_meet_its_condition() -> None:
    """By night alone: hours 0 and 1 are dark, 1 and 2 used it, so that 1 is capped."""
    field = Field(
        np.array([5.0, 5.0, 5.0], np.float32), Kind.MAXIMUM,
        origin=np.array([0, 1, 1], np.uint8), origins=("direct", "estimated"),
    )  # fmt: skip
    cap = Substitute("gust_at_flight_height", "estimated", MA, when=(NIGHT,), because="b")
    sun = Field(np.array([-9.0, -9.0, 30.0], np.float32), Kind.MAXIMUM)
    forecast = forecast_of({"gust_at_flight_height": field, "solar_elevation_angle": sun})
    assert codes(forecast, book(GUST, substitutes=(cap,))) == [GO, MA, GO]


# ---------------------------------------------------------------------- by place and earlier run


def test_a_limit_by_band_is_that_of_the_place_and_where_it_is_not_told_the_strictest() -> None:
    """Bands from 0 and 50 degrees with limits 5 and 3; K index 4 lies between the two."""
    bands = ByBand("geomagnetic_latitude", (0.0, 50.0), (Amount.of(5.0), Amount.of(3.0)), True)
    storm = Rule("storm", "planetary_k_index", Word.AT_LEAST, {NO: bands}, because="b", source="s")

    K = {"planetary_k_index": Kind.MEAN}

    def at(**place: Field) -> list[int]:
        hours = forecast_of({"planetary_k_index": [4.0, 4.0]}, kinds=K)
        return codes(hours.with_fields(place), book(storm))

    assert at(geomagnetic_latitude=Field(np.float32(45), Kind.CONSTANT)) == [GO, GO]
    assert at(geomagnetic_latitude=Field(np.float32(-55), Kind.CONSTANT)) == [NO, NO]
    assert at() == [NO, NO]
    # A place that changes from hour to hour is no place: the strictest holds.
    assert at(geomagnetic_latitude=Field(np.full(2, 45, np.float32), Kind.POINT)) == [NO, NO]


@pytest.mark.parametrize("word", [Word.ABOVE, Word.BELOW])
def test_a_point_looks_at_its_neighbours_as_its_cell_of_a_map_does(word: Word) -> None:
    """Law: with hours before (an earlier run's too) and after, a cell is graded as it is alone."""
    random = np.random.default_rng(4)
    now, past = (random.integers(0, 12, (hours, 2, 3)).astype(np.float32) for hours in (6, 3))
    now[2, 0, 0] = past[1, 1, 1] = np.nan
    limits = (9.0, 11.0) if word.upward else (2.0, 1.0)
    around = rule("gust_at_flight_height", word, *limits, before=2, after=1)

    def graded(values: np.ndarray, before: np.ndarray) -> Graded:
        kinds = {"gust_at_flight_height": Kind.MAXIMUM}
        early = START - timedelta(hours=len(past))
        hours = forecast_of({"gust_at_flight_height": values}, kinds=kinds)
        earlier = forecast_of({"gust_at_flight_height": before}, kinds=kinds, start=early)
        whole = replace(hours, earlier=earlier)
        return grade(whole, book(around), aircraft=MID, skill=Skill.NOVICE, height=60.0)

    over_map = graded(now, past)
    for at in np.ndindex(2, 3):
        alone = graded(now[:, *at], past[:, *at])
        np.testing.assert_array_equal(over_map.codes[:, *at], alone.codes)
        np.testing.assert_array_equal(over_map.margin[:, *at], alone.margin)
    # Members of today after a single run of before: each looks back at that one.
    members = graded(now[:, 0], past[:, 0, 0])
    for member in range(3):
        alone = graded(now[:, 0, member], past[:, 0, 0])
        np.testing.assert_array_equal(members.codes[:, member], alone.codes)


@pytest.mark.parametrize("skill", Skill)
@pytest.mark.parametrize("word", [Word.AT_LEAST, Word.AT_MOST])
@pytest.mark.parametrize("quantity", ["air_temperature", "visibility"])  # with a scale, and without
def test_a_point_is_graded_as_its_cell_also_where_a_band_has_no_limit(
    skill: Skill, word: Word, quantity: str
) -> None:
    """Contract: a point equals the same cell of a grid, in grade, room, and in what applies."""
    sign = 1.0 if word.upward else -1.0

    def bands(*each: tuple[float | None, float | None]) -> ByBand:
        amounts = tuple(
            Amount(tuple(None if v is None else sign * v for v in (a, a, b, b))) for a, b in each
        )
        return ByBand("geomagnetic_latitude", (0.0, 20.0, 50.0), amounts, word.upward)

    limits = {
        MA: bands((None, None), (7.0, 7.0), (4.0, 4.0)),
        NO: bands((None, None), (8.0, None), (6.0, 8.0)),
    }
    banded = Rule("banded", quantity, word, limits, because="b", source="s")
    values = sign * np.array([3.0, 5.0, np.nan, 7.5, 8.5], np.float32)
    latitudes = np.array([10.0, 30.0, 55.0, np.nan], np.float32)

    def graded(place: np.ndarray) -> Graded:
        shape = (len(values), *place.shape)
        field = np.broadcast_to(values.reshape((-1,) + (1,) * place.ndim), shape)
        hours = forecast_of({quantity: Field(field, Kind.MEAN)}).with_fields(
            {"geomagnetic_latitude": Field(place, Kind.CONSTANT)}
        )
        return grade(hours, book(banded), aircraft=MID, skill=skill, height=60.0)

    whole = graded(latitudes)
    for cell, latitude in enumerate(latitudes):
        alone = graded(latitude)
        np.testing.assert_array_equal(whole.codes[:, cell], alone.codes)
        np.testing.assert_array_equal(whole.margin[:, cell], alone.margin)
        applying = [o.applies.all() for o in alone.outcomes] or [False]
        assert whole.outcomes[0].applies[:, cell].all() == applying[0]
        assert whole.outcomes[0].applies[:, cell].any() == applying[0]


def test_limits_by_band_over_a_map_grade_an_index_that_has_no_map() -> None:
    """K index 4, the same everywhere, over cells at 45 and 55 degrees with limits 5 and 3."""
    bands = ByBand("geomagnetic_latitude", (0.0, 50.0), (Amount.of(5.0), Amount.of(3.0)), True)
    storm = Rule("storm", "planetary_k_index", Word.AT_LEAST, {NO: bands}, because="b", source="s")
    hours = forecast_of({"planetary_k_index": [4.0, 4.0]}, kinds={"planetary_k_index": Kind.MEAN})
    place = Field(np.array([45.0, 55.0], np.float32), Kind.CONSTANT)
    assert codes(hours.with_fields({"geomagnetic_latitude": place}), book(storm)) == [[GO, NO]] * 2


def looking_back(**of_earlier: object) -> list[int]:
    """Three dry hours from 6 UTC, after an earlier run; rain within two hours before is no-go."""
    rain = Rule(
        "rain", "precipitation", Word.ABOVE, {NO: Amount.of(0.0)}, before=2, because="b", source="s"
    )
    kinds = {"precipitation": Kind.SUM}
    hours = forecast_of({"precipitation": [0.0, 0.0, 0.0]}, kinds=kinds)
    earlier = forecast_of(kinds=kinds, **of_earlier) if of_earlier else None  # type: ignore[arg-type]
    return codes(replace(hours, earlier=earlier), book(rain))


def test_one_end_past_no_go_of_an_hour_of_the_earlier_run_is_enough() -> None:
    """The run of before tells 9 at 5 UTC and nothing at 6: no-go, though the hour is not whole."""
    hours = forecast_of({"gust_at_flight_height": [5.0, 5.0, 5.0]})
    early = forecast_of({"gust_at_flight_height": [9.0, np.nan]}, start=START.replace(hour=5))
    back = replace(GUST, before=1)
    assert codes(replace(hours, earlier=early), book(back)) == [NO, GO, UN]


@pytest.mark.parametrize(
    ("begins", "rain", "expected"),
    [
        (4, [0.0, 0.0], [GO, GO, GO]),
        (4, [0.0, 3.0], [NO, NO, GO]),  # the hour before the axis
        (4, [3.0, 0.0], [NO, GO, GO]),  # two hours before: of the first hour's concern alone
        (3, [3.0, 0.0, 0.0], [GO, GO, GO]),  # three hours before: of no one's
        (4, [0.0, np.nan], [UN, UN, GO]),
        (5, [0.0], [UN, GO, GO]),  # of two hours one is told
        (4, [0.0, 0.0, 3.0], [GO, GO, GO]),  # from 6 UTC on the newer run tells
        (3, [0.0, 0.0], [UN, UN, GO]),  # it ends at 5 UTC: a hole before the axis
        (6, [0.0, 0.0], [UN, UN, GO]),  # it tells no hour before
    ],
)
def test_a_rule_that_looks_back_looks_into_the_earlier_run(
    begins: int, rain: list[float], expected: list[Grade]
) -> None:
    """By hand: hour h is no-go where it rained in h-2, h-1 or h, unknown where that is not told."""
    start = START.replace(hour=begins)
    assert looking_back(fields={"precipitation": rain}, start=start) == expected


def test_without_an_earlier_run_the_hours_before_are_missing() -> None:
    assert looking_back() == [UN, UN, GO]


# ---------------------------------------------------------------------- age


def test_an_hour_ahead_is_counted_from_now_to_its_begin() -> None:
    aged = with_age(forecast_of({"visibility": [9e3] * 3}), START + timedelta(minutes=90))
    assert aged.fields["hours_ahead"].values.tolist() == [-1.5, -0.5, 0.5]
    assert aged.fields["hours_ahead"].kind is not Kind.POINT  # of the begin, not of both ends


@pytest.mark.parametrize("minutes", [0, 30])
def test_a_run_of_this_moment_is_as_old_as_it_is(minutes: int) -> None:
    """Only a run *after* now has no age: one of now or of half an hour ago has."""
    aged = with_age(forecast_of({"visibility": [9e3]}), START + timedelta(minutes=minutes))
    assert aged.fields["forecast_age"].values.tolist() == [minutes / 60]
    assert aged.fields["forecast_age_in_cycles"].values.tolist() == [
        pytest.approx(minutes / 60 / 6)
    ]


def test_a_clock_that_is_behind_makes_the_data_older_never_younger() -> None:
    """Two hours behind: what looks 9 h old, one cycle and a half of 6 h, is 11 h old."""
    behind = replace(
        forecast_of({"visibility": [9e3]}, run=START), attributes={"clock_behind_h": 2.0}
    )
    aged = with_age(behind, START + timedelta(hours=9))
    assert aged.fields["forecast_age"].values.tolist() == [11.0]
    assert aged.fields["forecast_age_in_cycles"].values.tolist() == [pytest.approx(11 / 6)]


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
