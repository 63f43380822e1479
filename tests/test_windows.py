"""Law: windows are what their hours allow, and the best one is chosen as it is said to be."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from hours import MID, START, forecast_of

from wxgate.forecast import make_field
from wxgate.grade import grade
from wxgate.profiles import Skill
from wxgate.quantities import Kind
from wxgate.rulebook import Amount, Condition, Rule, Rulebook, Substitute, Word
from wxgate.verdict import Grade, Reason, Verdict
from wxgate.windows import best_window, strictest, verdicts, windows

pytestmark = pytest.mark.law


def hours(text: str, margins: list[float] | None = None) -> list[Verdict]:
    """Hours from letters: g go, m marginal, n no-go, u unknown."""
    grades = {"g": Grade.GO, "m": Grade.MARGINAL, "n": Grade.NO_GO, "u": Grade.UNKNOWN}
    found = []
    for i, letter in enumerate(text):
        start = START + timedelta(hours=i)
        margin = 0.5 if margins is None else margins[i]
        grade = grades[letter]
        reason = Reason("r", "visibility", grade, 1.0, 2.0, grade, "below", "m", margin, "", "", "")
        found.append(Verdict(start, start + timedelta(hours=1), grade, (reason,), margin, "r"))
    return found


def spans(found) -> list[tuple[int, int]]:  # type: ignore[no-untyped-def]
    return [(int((w.start - START).total_seconds() // 3600), int(w.length_h)) for w in found]


def test_windows_are_the_longest_runs() -> None:
    assert spans(windows(hours("nggmggun"))) == [(1, 2), (4, 2)]
    assert spans(windows(hours("nggmggun"), at_worst=Grade.MARGINAL)) == [(1, 5)]
    assert spans(windows(hours("nggmgun"), minimum_h=2)) == [(1, 2)]
    assert spans(windows(hours("unun"))) == []
    assert spans(windows(hours("ngn"))) == [(1, 1)]
    assert spans(windows([])) == []


@pytest.mark.parametrize("worst", [Grade.UNKNOWN, Grade.NO_GO])
def test_a_window_of_worse_hours_cannot_be_asked_for(worst: Grade) -> None:
    with pytest.raises(ValueError, match="nothing else"):
        windows(hours("g"), at_worst=worst)


def test_go_comes_before_marginal_and_room_before_time() -> None:
    assert spans([best_window(hours("mmmmng"))]) == [(5, 1)]
    assert spans([best_window(hours("ggng", [0.2, 0.2, 0, 0.6]))]) == [(3, 1)]
    assert spans([best_window(hours("gng", [0.50, 0, 0.51]))]) == [(0, 1)], "ties go to the earlier"
    assert spans([best_window(hours("gnmm"), minimum_h=2)]) == [(2, 2)]
    assert spans([best_window(hours("gng", [0.50, 0, 0.56]))]) == [(2, 1)], "a step of 0.05 apart"
    assert best_window(hours("nnuu")) is None


def test_an_hour_without_a_margin_has_no_room() -> None:
    alone = hours("gng")
    bare = Verdict(alone[0].start, alone[0].end, Grade.GO, (), None, None)
    assert spans([best_window([bare, *alone[1:]])]) == [(2, 1)]


def limited_by(letters: str, margins: list[float], rules: str) -> list[Verdict]:
    return [
        replace(hour, limiting=rule)
        for hour, rule in zip(hours(letters, margins), rules, strict=True)
    ]


@pytest.mark.parametrize(
    ("letters", "margins", "expected"),
    [
        ("ggg", [0.5, 0.2, 0.4], "b"),  # of one grade: the hour with the least room
        ("gmg", [0.1, 0.6, 0.3], "b"),  # the worst grade before the least room
        ("mgm", [0.3, 0.1, 0.2], "c"),
    ],
)
def test_a_window_is_limited_by_what_limits_its_tightest_hour(
    letters: str, margins: list[float], expected: str
) -> None:
    (window,) = windows(limited_by(letters, margins, "abc"), at_worst=Grade.MARGINAL)
    assert window.limiting == expected


def test_a_window_of_hours_that_nothing_limits_names_no_rule() -> None:
    alone = hours("g")[0]
    (window,) = windows([Verdict(alone.start, alone.end, Grade.GO, (), None, None)])
    assert window.limiting == ""


# ---------------------------------------------------------------------- verdicts and their reasons

NIGHT = Condition(quantity="solar_elevation_angle", word=Word.BELOW, figure=0.0)
#: No-go above 8 m/s (12 by night), below 1500 m: figures of this test alone.
LIMITS = {Grade.MARGINAL: Amount.of(6.0), Grade.NO_GO: Amount.of(8.0)}
GUST = Rule(
    "gust", "gust_at_flight_height", Word.ABOVE, LIMITS,
    because="gusts upset", source="a test", layer="practice",
)  # fmt: skip
SIGHT = Rule("sight", "visibility", Word.BELOW, {Grade.NO_GO: Amount.of(1500.0)}, source="a test")


def told(
    fields: dict[str, object],
    *rules: Rule,
    at: timedelta = timedelta(0),
    substitutes: tuple[Substitute, ...] = (),
    length: int = 1,
) -> tuple[Verdict, ...]:
    graded = grade(
        forecast_of(fields, kinds={"visibility": Kind.MEAN}),  # type: ignore[arg-type]
        Rulebook("test", rules, substitutes), aircraft=MID, skill=Skill.NOVICE, height=60.0,
    )  # fmt: skip
    return verdicts(graded, START + at, length)


def test_verdicts_tile_the_time_from_the_full_hour_on_also_beyond_the_forecast() -> None:
    """Contract: an hour is [start, end); one that is not reached is unknown, without a reason."""
    found = told({"visibility": [9e3, 9e3]}, SIGHT, at=timedelta(minutes=-80), length=5)
    hour = timedelta(hours=1)
    assert [v.start for v in found] == [START + n * hour for n in range(-2, 3)]
    assert [v.end for v in found] == [v.start + hour for v in found]
    outside = Grade.UNKNOWN
    assert [v.grade for v in found] == [outside, outside, Grade.GO, Grade.GO, outside]
    assert [len(v.reasons) for v in found] == [0, 0, 1, 1, 0]


def test_a_reason_says_all_that_its_rule_says() -> None:
    (hour,) = told({"gust_at_flight_height": [7.0, 7.0]}, GUST)
    (reason,) = hour.reasons
    assert reason == Reason(
        rule="gust", quantity="gust_at_flight_height", grade=Grade.MARGINAL, value=7.0, limit=6.0,
        limit_grade=Grade.MARGINAL, limit_word="above", unit="m s-1", margin=0.125,
        because="gusts upset", source="a test", layer="practice", note="",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("gust", "limit", "beyond"),
    [
        (5.0, 6.0, Grade.MARGINAL),  # go: the limit that comes first
        (7.0, 6.0, Grade.MARGINAL),  # marginal: the one that was passed
        (9.0, 8.0, Grade.NO_GO),
    ],
)
def test_a_reason_names_the_limit_that_was_passed_or_comes_first(
    gust: float, limit: float, beyond: Grade
) -> None:
    (hour,) = told({"gust_at_flight_height": [gust, gust]}, GUST)
    assert (hour.reasons[0].limit, hour.reasons[0].limit_grade) == (limit, beyond)


def test_a_missing_value_shows_no_number_unless_its_other_end_is_past_no_go() -> None:
    """5 at one end does not tell the hour; 9 does, for it is no-go whatever the other end is."""
    (half,) = told({"gust_at_flight_height": [5.0, np.nan]}, GUST)
    assert (half.grade, half.reasons[0].value, half.reasons[0].margin) == (
        Grade.UNKNOWN, None, None
    )  # fmt: skip
    assert half.margin is None
    assert half.reasons[0].note.endswith("at flight height is missing")
    (past,) = told({"gust_at_flight_height": [9.0, np.nan]}, GUST)
    assert (past.grade, past.reasons[0].value) == (Grade.NO_GO, 9.0)


def test_a_rule_that_does_not_apply_to_an_hour_says_so_and_one_that_does_says_nothing() -> None:
    day_and_night = {
        "gust_at_flight_height": [7.0] * 3, "visibility": [9e3] * 3,
        "solar_elevation_angle": [20.0, 10.0, -9.0],
    }  # fmt: skip
    by_day, by_night = told(day_and_night, replace(GUST, when=(NIGHT,)), SIGHT, length=2)
    assert [r.note for r in by_day.reasons] == ["does not apply to this hour", ""]
    assert [r.note for r in by_night.reasons] == ["", ""]
    assert [by_day.grade, by_night.grade] == [Grade.GO, Grade.MARGINAL]


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
@pytest.mark.parametrize(
    ("gust", "sight", "limiting"),
    [
        # Room by hand: (8 - gust) / 8 and (sight - 1500) / 1500, at most 1.
        (2.0, 1800.0, "sight"),  # both go: 0.75 and 0.2
        (5.0, 2700.0, "gust"),  # both go: 0.375 and 0.8
        (7.0, 1501.0, "gust"),  # marginal before go, for all that the sight has less room
        (8.5, 600.0, "sight"),  # both no-go: -0.06 and -0.6
        (np.nan, 1501.0, "gust"),  # unknown before go
    ],
)
def test_the_worst_grade_limits_and_of_equal_ones_the_least_room(
    gust: float, sight: float, limiting: str, order: tuple[int, int]
) -> None:
    rules = [(GUST, SIGHT)[n] for n in order]
    (hour,) = told({"gust_at_flight_height": [gust] * 2, "visibility": [sight] * 2}, *rules)
    assert hour.limiting == limiting


def test_a_substitute_that_was_used_is_told_with_the_value_that_it_gave() -> None:
    estimated = make_field(
        "gust_at_flight_height", np.array([5.0, 5.0]),
        origin=np.array([1, 1], np.uint8), origins=("direct", "estimated"),
    )  # fmt: skip
    cap = Substitute(
        "gust_at_flight_height", "estimated", Grade.MARGINAL,
        because="less is known", source="a test", layer="practice",
    )  # fmt: skip
    (hour,) = told({"gust_at_flight_height": estimated}, GUST, substitutes=(cap,))
    reason = hour.reasons[1]
    assert (reason.rule, reason.quantity, reason.unit) == (
        "gust_at_flight_height: estimated", "gust_at_flight_height", "m s-1"
    )  # fmt: skip
    assert (reason.grade, reason.value, reason.margin) == (Grade.MARGINAL, 5.0, None)
    assert (reason.limit, reason.limit_grade, reason.limit_word) == (None, None, "")
    assert (reason.because, reason.source, reason.layer) == ("less is known", "a test", "practice")
    assert reason.note.endswith(" estimated")


# ---------------------------------------------------------------------- several sources


def test_of_several_sources_the_strictest_counts_and_each_is_told() -> None:
    """Of unequal grades the worse, of equal ones the one with less room, whichever comes first."""
    told = {"one": hours("gmg", [0.1, 0.9, 0.4]), "two": hours("ngg", [0.9, 0.1, 0.3])}
    for order in (("one", "two"), ("two", "one")):
        found = strictest({name: told[name] for name in order})
        assert [(v.grade, v.margin) for v in found] == [
            (Grade.NO_GO, 0.9), (Grade.MARGINAL, 0.9), (Grade.GO, 0.3)
        ]  # fmt: skip
        assert [dict(v.by_source) for v in found] == [
            {"one": Grade.GO, "two": Grade.NO_GO},
            {"one": Grade.MARGINAL, "two": Grade.GO},
            {"one": Grade.GO, "two": Grade.GO},
        ]


def test_an_hour_without_room_is_the_strictest_of_its_grade() -> None:
    alone = hours("g", [0.0])[0]
    bare = replace(alone, margin=None, limiting="bare")
    assert strictest({"one": [alone], "two": [bare]})[0].limiting == "bare"


def test_verdicts_on_other_hours_are_not_compared() -> None:
    with pytest.raises(ValueError, match="same hours"):
        strictest({"one": hours("gg")[:1], "two": hours("gg")[1:]})
    with pytest.raises(ValueError, match="shorter"):
        strictest({"one": hours("gg"), "two": hours("g")})
