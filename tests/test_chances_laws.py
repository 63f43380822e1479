"""Law: chances never rise by knowing less or by stricter limits; a flip flips, half does not."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from hours import MID, SITE, START, demonstration_brief, forecast_of
from hypothesis import example, given, settings
from hypothesis import strategies as st
from test_grade import book, rule

from wxgate.brief import make_brief
from wxgate.chancegrade import smallest_change
from wxgate.chancepolicy import Policy
from wxgate.chances import Chances
from wxgate.forecast import Forecast, make_field
from wxgate.grade import grade
from wxgate.profiles import Pilot, Skill
from wxgate.quantities import Kind, quantity
from wxgate.rulebook import Rulebook, Word
from wxgate.verdict import Grade
from wxgate.weathers import default_policy, make_chances
from wxgate.windows import verdicts

pytestmark = pytest.mark.law

HOURS = [START + timedelta(hours=n) for n in range(4)]
winds = st.lists(st.floats(0, 14, width=32), min_size=5, max_size=5)
pilot = Pilot(id="p", name="invented", skill=Skill.NOVICE)


def a_book(marginal: float = 5.0, no_go: float = 8.0) -> Rulebook:
    return book(
        rule("wind_speed_at_flight_height", Word.ABOVE, marginal, no_go),
        rule("gust_at_flight_height", Word.ABOVE, marginal + 1, no_go + 2),
    )


def weather(wind: list[float]) -> Forecast:
    """Gusts of 1.3 times the wind."""
    values = np.asarray(wind, np.float32)
    return forecast_of({"wind_speed_at_flight_height": values,
                        "gust_at_flight_height": values * np.float32(1.3)})  # fmt: skip


def chances_of(forecasts: list[Forecast], rulebook: Rulebook, policy: Policy | None = None
               ) -> Chances:  # fmt: skip
    return make_chances(forecasts, rulebook, site=SITE, aircraft=MID, skill=Skill.NOVICE,
                        height=60.0, now=START, policy=policy)  # fmt: skip


def never_above(found: Chances, other: Chances, hours: list[datetime] = HOURS) -> None:
    """Every chance of ``found``, hour or session, is at most that of ``other``; None is least."""
    for n, start in enumerate(hours):
        for end in hours[n:]:
            pair = [c.session(start, end + timedelta(hours=1)) for c in (found, other)]
            low, high = (-1.0 if p is None else p for p in pair)
            assert low <= high + 1e-12
    if found.hour(hours[0]) is not None:
        assert found.session(hours[0], hours[0] + timedelta(hours=1)) == found.hour(hours[0])


def with_wind(**changed: object) -> Policy:
    policy = default_policy()
    wind = {**policy.sections["wind"], **changed}
    return replace(policy, sections={**policy.sections, "wind": wind})


def of_members(values: np.ndarray) -> Forecast:
    """(time, member) winds, gusts 1.3 times as strong; a source whose members are not dressed."""
    made = {
        name: make_field(name, (values * factor).astype(np.float32))
        for name, factor in (("wind_speed_at_flight_height", 1), ("gust_at_flight_height", 1.3))
    }
    return replace(forecast_of(made), attributes={"grid": {"dims": ("member",)}})  # type: ignore[arg-type]


@settings(max_examples=40, deadline=None)
@given(winds, st.floats(0.3, 1.0))
def test_stricter_limits_never_raise_a_chance(wind: list[float], factor: float) -> None:
    plain = chances_of([weather(wind)], a_book())
    never_above(chances_of([weather(wind)], a_book(5 * factor, 8 * factor)), plain)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0, 7.875, width=32), min_size=5, max_size=5), st.floats(1, 3))
def test_a_wider_spread_below_the_limit_never_raises_a_chance(
    wind: list[float], factor: float
) -> None:
    errors = [e * factor for e in default_policy().sections["wind"]["error"]]
    forecast, rules = weather(wind), book(rule("wind_speed_at_flight_height", Word.ABOVE, 5, 8))
    plain = chances_of([forecast], rules)
    never_above(chances_of([forecast], rules, with_wind(error=errors)), plain)


@settings(max_examples=40, deadline=None)
@given(winds, st.integers(0, 4), st.sampled_from(
    ["wind_speed_at_flight_height", "gust_at_flight_height"]))  # fmt: skip
def test_a_missing_value_never_raises_a_chance(wind: list[float], at: int, name: str) -> None:
    forecast = weather(wind)
    holed = forecast.fields[name].values.copy()
    holed[at] = np.nan
    less = forecast.with_fields({name: forecast.fields[name].with_values(holed)})
    never_above(chances_of([less], a_book()), chances_of([forecast], a_book()))


def test_no_quantity_of_the_shipped_rules_raises_a_chance_by_going_missing() -> None:
    """Advisory quantities (``missing: note``) are left out: their rulebook says that they may."""
    brief = demonstration_brief()
    base = brief.forecasts[0]
    noted = {r.quantity for r in brief.rulebook.rules if r.missing is None}
    rules = [r for r in brief.rulebook.rules if r.quantity not in noted]
    assert len(rules) > 30
    hours = [brief.now + timedelta(hours=n) for n in (2, 5, 8)]

    def made(forecast: Forecast) -> Chances:
        return make_chances(
            [forecast], brief.rulebook, site=brief.site, aircraft=brief.aircraft,
            skill=brief.pilot.skill, height=brief.height, now=brief.now,
        )  # fmt: skip

    plain = made(base)
    assert any(plain.hour(h) is not None for h in hours)
    for name in sorted({r.quantity for r in rules} - {"flight_height"}):
        had = base.get(name)
        if had is None or had.kind is Kind.CONSTANT:
            continue
        gone = base.with_fields({name: had.with_values(np.full_like(had.values, np.nan))})
        never_above(made(gone), plain, hours)
        left_out = replace(base, fields={k: v for k, v in base.fields.items() if k != name})
        never_above(made(left_out), plain, hours)


@settings(max_examples=40, deadline=None)
@given(winds, st.integers(1, 40), st.randoms(use_true_random=False))
def test_one_member_repeated_and_members_permuted(
    wind: list[float], count: int, random: object
) -> None:
    same = np.repeat(np.asarray(wind, np.float32)[:, None], count, axis=1)
    found = chances_of([of_members(same)], a_book())
    plain = grade(weather(wind), a_book(), aircraft=MID, skill=Skill.NOVICE, height=60.0).codes
    assert (found.codes == plain[:, None]).all()
    mixed = same * np.linspace(0.5, 1.5, count)[None, :]
    order = list(range(count))
    random.shuffle(order)  # type: ignore[attr-defined]
    one, other = (chances_of([of_members(m)], a_book()) for m in (mixed, mixed[:, order]))
    never_above(one, other)
    never_above(other, one)


@settings(max_examples=40, deadline=None)
@given(winds, st.sampled_from(list(Skill)), st.booleans(), st.floats(0, 120))
def test_the_grade_by_chance_is_never_better_than_by_limits(
    wind: list[float], skill: Skill, holes: bool, age_h: float
) -> None:
    values = np.asarray(wind, np.float32)
    if holes:
        values[2] = np.nan
    forecast = forecast_of({"wind_speed_at_flight_height": values,
                            "gust_at_flight_height": values * np.float32(1.3)},
                           run=START - timedelta(hours=age_h))  # fmt: skip
    who = {"site": SITE, "aircraft": MID, "pilot": replace(pilot, skill=skill), "height": 60.0,
           "now": START, "hours": 4}  # fmt: skip
    limits = make_brief([forecast], a_book(), **who)
    chance = make_brief([forecast], a_book(), by_chance=True, **who)
    for a, b in zip(limits.hours, chance.hours, strict=True):
        assert b.grade >= a.grade


@settings(max_examples=25, deadline=None)
@given(winds, st.lists(st.booleans(), min_size=3, max_size=3), st.integers(2, 12))
def test_a_longer_session_is_never_surer_where_forecasts_speak_for_some_hours(
    wind: list[float], both: list[bool], count: int
) -> None:
    """Members that are absent from some hours must not drop out of the session."""
    base = of_members(np.repeat(np.asarray(wind)[:, None], count, 1) * np.linspace(0.4, 1.6, count))
    seconds = base.time.astype("datetime64[s]").astype(np.int64)
    cut = 1 + sum(both)
    until = {"from": int(seconds[0]), "until": int(seconds[cut])}
    short = replace(base, attributes={**base.attributes, **until})
    found = chances_of([base, short], a_book())
    for n in range(4):
        shares = [found.session(HOURS[n], h + timedelta(hours=1)) for h in HOURS[n:]]
        told = [-1.0 if s is None else s for s in shares]
        assert all(a >= b - 1e-12 for a, b in itertools.pairwise(told))


# ---------------------------------------------------------------------- never go when it should not


@pytest.mark.parametrize("count", [1, 2, 3])
def test_few_members_are_never_go(count: int) -> None:
    made = make_brief([of_members(np.full((5, count), 1.0))], a_book(), site=SITE, aircraft=MID,
                      pilot=replace(pilot, skill=Skill.EXPERIENCED), height=60.0, now=START,
                      hours=3)  # fmt: skip
    assert {v.grade for v in made.hours} == {Grade.MARGINAL}
    assert "too early to say go" in made.hours[0].reasons[-1].note


@pytest.mark.parametrize("holes", [1, 5, 29, 30])
def test_members_with_holes_are_never_go(holes: int) -> None:
    values = np.full((5, 30), 1.0)
    values[:, :holes] = np.nan
    made = make_brief([of_members(values)], a_book(), site=SITE, aircraft=MID, pilot=pilot,
                      height=60.0, now=START, hours=3)  # fmt: skip
    assert all(v.grade >= Grade.UNKNOWN for v in made.hours)


def test_ensembles_of_different_length_leave_no_hour_out() -> None:
    long, short = of_members(np.full((6, 31), 1.0)), of_members(np.full((3, 40), 1.0))
    made = make_brief([short, long], a_book(), site=SITE, aircraft=MID, pilot=pilot, height=60.0,
                      now=START, hours=5)  # fmt: skip
    assert made.chances is not None
    assert made.chances.session(HOURS[0], HOURS[3]) is not None
    assert made.chances.hour(START + timedelta(hours=9)) is None
    short_gust = of_members(np.full((6, 31), 1.0))
    gust = short_gust.fields["gust_at_flight_height"]
    lacking = short_gust.with_fields({"gust_at_flight_height": gust.with_values(
        np.full_like(gust.values, np.nan))})  # fmt: skip
    made = make_brief([lacking], a_book(), site=SITE, aircraft=MID, pilot=pilot, height=60.0,
                      now=START, hours=5)  # fmt: skip
    assert all(v.grade >= Grade.UNKNOWN for v in made.hours)
    assert made.chances is not None
    assert made.chances.hour(START) is None


def test_a_run_of_years_ago_is_no_endless_draw() -> None:
    old = forecast_of(
        {"wind_speed_at_flight_height": np.full(5, 1.0)}, run=START.replace(year=1950)
    )
    found = chances_of([old], a_book())
    assert found.too_early(0)
    assert found.grade(0) is not Grade.GO


def test_nothing_is_told_of_chances_without_a_forecast() -> None:
    from wxgate.errors import DataError

    with pytest.raises(DataError):
        chances_of([], a_book())


# ---------------------------------------------------------------------- what would flip it


def moved(forecast: Forecast, name: str, by: float) -> Forecast:
    found = forecast.fields[name]
    return forecast.with_fields({name: found.with_values(found.values + np.float32(by))})


@settings(max_examples=60, deadline=None)
@given(winds, st.floats(0.9, 2.0), st.floats(500, 20000))
@example([0.0] * 5, 1.0, 5000.0)
def test_a_flip_flips_and_half_of_it_does_not(
    wind: list[float], factor: float, visibility: float
) -> None:
    values = np.asarray(wind, np.float32)
    forecast = forecast_of({
        "wind_speed_at_flight_height": values,
        "gust_at_flight_height": values * np.float32(factor),
        "visibility": np.full(5, visibility, np.float32),
    })  # fmt: skip
    rules = book(*a_book().rules, rule("visibility", Word.BELOW, 5000.0, 1500.0))

    def graded(of: Forecast) -> list[Grade]:
        found = grade(of, rules, aircraft=MID, skill=Skill.NOVICE, height=60.0)
        return [v.grade for v in verdicts(found, START, 4)]

    whole = verdicts(
        grade(forecast, rules, aircraft=MID, skill=Skill.NOVICE, height=60.0), START, 4
    )
    for n, hour in enumerate(whole):
        found = smallest_change(hour)
        if found is None:
            assert hour.grade is not Grade.GO
            continue
        name, change = found
        # A hair beyond the limit, as float32 tells it.
        # On the limit itself the way beyond it is the way that the rule forbids.
        way = np.sign(change) or (-1.0 if name == "visibility" else 1.0)
        hair = way * 1e-4 * max(abs(change), quantity(name).scale or 10.0)
        beyond = 1e-3 * 10.0 ** (name == "visibility") * way + hair
        assert graded(moved(forecast, name, change + beyond))[n] != hour.grade
        if abs(change) > 2.5 * abs(beyond):
            assert graded(moved(forecast, name, change / 2))[n] == hour.grade


def test_flips_hold_on_the_demonstration() -> None:
    brief = demonstration_brief()
    checked = 0
    from wxgate.chancegrade import _conditions

    asked = _conditions(brief.rulebook)

    def grades(forecast: Forecast) -> list[Grade]:
        found = grade(forecast, brief.rulebook, aircraft=brief.aircraft, skill=brief.pilot.skill,
                      height=brief.height, latitude=brief.site.latitude)  # fmt: skip
        return [v.grade for v in verdicts(found, brief.now, 36)]

    for n, hour in enumerate(brief.hours):
        found = smallest_change(hour, asked)
        if found is None:
            continue
        names = [found[0]]
        if found[0] in ("gust_at_flight_height", "gust_layer_maximum"):
            names = ["gust_at_flight_height", "gust_layer_maximum"]
        forecast, half = brief.forecasts[0], brief.forecasts[0]
        for name in names:
            forecast = moved(forecast, name, found[1] * 1.001 + 1e-4 * np.sign(found[1]))
            half = moved(half, name, found[1] / 2)
        assert grades(forecast)[n] != hour.grade, (n, found)
        assert grades(half)[n] == hour.grade, (n, found)
        checked += 1
    assert checked >= 3  # most hours of its day have several reasons, and say so
