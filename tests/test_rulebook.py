"""Law: what must hold for every rulebook, whatever its figures, order, layers and units."""

from __future__ import annotations

import math
import os
import random
import subprocess
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rule_texts import pack, rule, shipped_aircraft, write

from wxgate import places
from wxgate.errors import RulebookError
from wxgate.profiles import Aircraft, Skill
from wxgate.quantities import QUANTITIES, quantity
from wxgate.rulebook import Amount, ByBand, Condition, Rule, Rulebook, Word, load_rulebook, passes
from wxgate.rulebook.limits import FigureOf, Limit
from wxgate.rulebook.proof import NOTE, Fleet, Instant, Proof, check_order, outcome, run_proofs
from wxgate.strictyaml import Faults, Place
from wxgate.units import convert
from wxgate.verdict import Grade

pytestmark = pytest.mark.law

AIRCRAFT = shipped_aircraft()
MID = AIRCRAFT["mid-900g"]
DEFAULT = load_rulebook([places.shipped("rules") / "practice"], aircraft=AIRCRAFT)
ORDER = {word: n for n, word in enumerate(("does not apply", "note", "go", "marginal", "unknown",
                                           "no-go"))}  # fmt: skip
slow_io = settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def load_texts(folder: Path, texts: list[str]) -> Rulebook:
    return load_rulebook(
        [write(folder, text, f"r{n}.yaml") for n, text in enumerate(texts)], aircraft=AIRCRAFT
    )


# ---------------------------------------------------------------------- words


@pytest.mark.parametrize(
    ("word", "below", "at", "above"),
    [
        (Word.ABOVE, False, False, True),
        (Word.AT_LEAST, False, True, True),
        (Word.BELOW, True, False, False),
        (Word.AT_MOST, True, True, False),
    ],
)
def test_each_word_at_its_edge(word: Word, below: bool, at: bool, above: bool) -> None:
    assert [passes(word, v, 5.0) for v in (4.9, 5.0, 5.1)] == [below, at, above]
    assert list(word.compare(np.array([4.9, 5.0, 5.1]), 5.0)) == [below, at, above]


@given(st.sampled_from(Word), st.floats(allow_nan=False))
def test_nan_is_past_every_limit(word: Word, limit: float) -> None:
    assert passes(word, math.nan, limit)
    assert passes(word, 1.0, math.nan)


# ---------------------------------------------------------------------- every rule, random hours


def rules() -> st.SearchStrategy[Rule]:
    return st.sampled_from(DEFAULT.rules)


@st.composite
def moments(draw: st.DrawFn, found: Rule) -> tuple[Skill, Aircraft, dict[str, float], int | None]:
    """A pilot, an aircraft, and the rest of the hour with holes in it."""
    names = {c.quantity for c in (*found.when, *found.missing_when) if c.quantity}
    names |= {limit.quantity for limit in found.limits.values() if isinstance(limit, ByBand)}
    others = {}
    for name in sorted(names):
        row = quantity(name)
        low, high = max(row.low, -200.0), min(row.high, 400.0)
        others[name] = draw(st.one_of(st.just(math.nan), st.floats(low, high)))
    present = {name: value for name, value in others.items() if draw(st.booleans())}
    month = draw(st.one_of(st.none(), st.integers(1, 12)))
    craft = draw(st.sampled_from(list(AIRCRAFT.values())))
    return draw(st.sampled_from(Skill)), craft, present, month


def values_of(name: str) -> st.SearchStrategy[float]:
    row = quantity(name)
    return st.floats(row.low, row.high)


@settings(max_examples=600, deadline=None)
@given(st.data())
def test_a_worse_value_never_betters_a_grade(data: st.DataObject) -> None:
    found = data.draw(rules())
    skill, craft, others, month = data.draw(moments(found))
    two = sorted(data.draw(st.tuples(values_of(found.quantity), values_of(found.quantity))))
    better, worse = two if found.word.upward else reversed(two)
    told = [
        outcome(found, Instant(value, skill, craft, others, month)) for value in (better, worse)
    ]
    assert ORDER[told[0]] <= ORDER[told[1]]


@settings(max_examples=600, deadline=None)
@given(st.data())
def test_a_missing_value_never_gives_go(data: st.DataObject) -> None:
    found = data.draw(rules())
    skill, craft, others, month = data.draw(moments(found))
    told = outcome(found, Instant(math.nan, skill, craft, others, month))
    assert told != "go"
    if told == NOTE:
        assert quantity(found.quantity).advisory


@settings(max_examples=400, deadline=None)
@given(st.data())
def test_what_else_is_missing_never_betters_a_grade(data: st.DataObject) -> None:
    """A hole in what conditions and bands look at: the rule applies, and by its strictest band."""
    found = data.draw(rules())
    skill, craft, others, month = data.draw(moments(found))
    value = data.draw(values_of(found.quantity))
    whole = outcome(found, Instant(value, skill, craft, others, month))
    holes = dict.fromkeys(others, math.nan)
    assert ORDER[whole] <= ORDER[outcome(found, Instant(value, skill, craft, holes, None))]


@given(st.sampled_from(DEFAULT.rules), st.sampled_from(sorted(AIRCRAFT)))
def test_less_skill_never_loosens_a_limit(found: Rule, craft_id: str) -> None:
    """The skill table rises; a rule may ask only some skills (daylight), but none asks more of
    the experienced within one rule."""
    craft = AIRCRAFT[craft_id]
    for limit in found.limits.values():
        resolved = [limit.resolve(skill, craft, lambda _: 55.0) for skill in Skill]
        free = math.inf if found.word.upward else -math.inf
        numbers = [free if v is None else float(v) for v in resolved]
        rising = sorted(numbers, reverse=not found.word.upward)
        assert numbers == rising


# ---------------------------------------------------------------------- marginal and no-go

SPEEDS = st.integers(1, 400).map(lambda n: n / 10)
SHARES = st.integers(1, 100)


@slow_io
@given(marginal=SPEEDS, no_go=SPEEDS)
def test_plain_limits_are_taken_only_in_their_order(
    tmp_path: Path, marginal: float, no_go: float
) -> None:
    between = f"{(marginal + no_go) / 2} m/s"
    text = pack(rule(marginal=f"{marginal} m/s", no_go=f"{no_go} m/s", between=between))
    if marginal > no_go:
        with pytest.raises(RulebookError) as caught:
            load_texts(tmp_path, [text])
        assert any("is laxer than" in line for line in caught.value.faults)
    elif marginal < no_go:
        load_texts(tmp_path, [text])


@slow_io
@given(
    low=st.lists(SHARES, min_size=4, max_size=4), high=st.lists(SHARES, min_size=4, max_size=4),
    cap=SPEEDS,
)  # fmt: skip
def test_shares_are_taken_only_in_order_for_everyone_known(
    tmp_path: Path, low: list[int], high: list[int], cap: float
) -> None:
    def limit(shares: list[int], at_most: str) -> str:
        table = ", ".join(f"{s}: {v} %" for s, v in zip(Skill, shares, strict=True))
        return f"{{share-of: max_wind, by-skill: {{{table}}}{at_most}}}"

    text = pack(rule(marginal=limit(low, ""), no_go=limit(high, f", but-at-most: {cap} m/s")))
    # The check done again by hand: marginal must not lie beyond no-go for any skill and aircraft.
    laxer = any(
        a / 100 * craft.max_wind > min(b / 100 * craft.max_wind, cap)
        for craft in AIRCRAFT.values()
        for a, b in zip(low, high, strict=True)
    )
    try:
        load_texts(tmp_path, [text])
        faults: tuple[str, ...] = ()
    except RulebookError as error:
        faults = error.faults
    assert any("is laxer than" in line for line in faults) == laxer


def test_unknown_stands_between_marginal_and_no_go(tmp_path: Path) -> None:
    text = pack(rule()).replace("    missing: unknown", "    unknown: 20 m/s\n    missing: unknown")
    with pytest.raises(RulebookError) as caught:
        load_texts(tmp_path, [text])
    assert any("unknown above 20 is laxer than no-go above 10" in f for f in caught.value.faults)


NOWHERE = Place("r.yaml", 1, 1)
LIMITED = {Grade.NO_GO: Amount.of(1500.0)}


@pytest.mark.parametrize(
    ("condition", "wrong", "who"),
    [
        (Condition(skills=frozenset({Skill.FIRST_FLIGHT})), "marginal", "novice"),
        (Condition(aircraft="mass", word=Word.BELOW, figure=0.5), "unknown", "light-249g"),
    ],
)
def test_a_proof_is_tried_with_everyone_whom_the_softening_tells_apart(
    condition: Condition, wrong: str, who: str
) -> None:
    """The proof names no one, so it must hold for all: it does not for the one named here."""
    soft = Rule(
        "sight",
        "visibility",
        Word.BELOW,
        LIMITED,
        missing=Grade.MARGINAL,
        missing_when=(condition,),
    )
    faults = Faults()
    run_proofs(soft, [Proof(NOWHERE, math.nan, wrong)], NOWHERE, Fleet(AIRCRAFT), faults)
    assert any(f"the proof says {wrong!r}" in line and who in line for line in faults.report())


def by_band(low: float, high: float) -> ByBand:
    return ByBand("geomagnetic_latitude", (0.0, 50.0), (Amount.of(low), Amount.of(high)), True)


@pytest.mark.parametrize(
    ("marginal", "no_go", "laxer"),
    [
        (by_band(5.0, 4.0), by_band(8.0, 6.0), False),
        (by_band(5.0, 7.0), by_band(8.0, 6.0), True),  # in the far band alone
        (by_band(8.0, 4.0), by_band(7.0, 6.0), True),  # in the near one; the strictest are in order
        (Amount.of(7.0), by_band(8.0, 6.0), True),
        (Amount.of(6.0), by_band(8.0, 6.0), False),  # at once is not too late
        (by_band(5.0, 7.0), Amount.of(6.0), True),
    ],
)
def test_limits_are_in_order_in_every_band(marginal: Limit, no_go: Limit, laxer: bool) -> None:
    limits = {Grade.MARGINAL: marginal, Grade.NO_GO: no_go}
    storm = Rule("storm", "planetary_k_index", Word.AT_LEAST, limits)
    faults = Faults()
    check_order(storm, NOWHERE, Fleet(AIRCRAFT), faults)
    assert any("is laxer than" in line for line in faults.report()) == laxer


@pytest.mark.parametrize("concerned", Skill)
def test_limits_are_in_order_for_everyone_whom_the_rule_concerns(concerned: Skill) -> None:
    """Out of order for the novice alone: a fault of a rule for novices, of no other's."""
    limits = {Grade.MARGINAL: Amount((1.0, 9.0, 1.0, 1.0)), Grade.NO_GO: Amount.of(8.0)}
    when = (Condition(skills=frozenset({concerned})),)
    gust = Rule("gust", "gust_at_flight_height", Word.ABOVE, limits, when)
    faults = Faults()
    check_order(gust, NOWHERE, Fleet(AIRCRAFT), faults)
    assert bool(len(faults)) == (concerned is Skill.NOVICE)


# ---------------------------------------------------------------------- order and layers


@slow_io
@given(seed=st.integers(0, 10_000))
def test_the_order_of_files_and_rules_is_irrelevant(tmp_path: Path, seed: int) -> None:
    shuffle = random.Random(seed)
    rules_of = {
        "law": [rule("law-a", "6 m/s"), rule("law-b", "4 m/s", between="7 m/s")],
        "operator": [rule("own-a", "3 m/s"), rule("law-a", "5 m/s"), rule("own-b", "2 m/s")],
    }
    straight = load_texts(tmp_path / "a", [pack(*r, layer=n) for n, r in rules_of.items()])
    texts = []
    for name, found in rules_of.items():
        shuffled = shuffle.sample(found, len(found))
        texts.append(pack(*shuffled, layer=name))
    shuffle.shuffle(texts)
    other = load_texts(tmp_path / "b", texts)
    assert other.hash == straight.hash
    assert {r.id for r in other.rules} == {r.id for r in straight.rules}
    value = shuffle.uniform(0, 12)
    assert worst(other.rules, value) == worst(straight.rules, value)


def worst(found: tuple[Rule, ...], value: float) -> str:
    told = [outcome(r, Instant(value, Skill.NOVICE, MID)) for r in found]
    return max(told, key=ORDER.__getitem__)


def test_the_hash_tells_every_change(tmp_path: Path) -> None:
    base = load_texts(tmp_path, [pack(rule())]).hash
    for old, new in (
        ("5 m/s", "5.1 m/s"), ("it is so", "it is not so"), ("id: gust", "id: gusts"),
        ("layer: operator", "layer: site"), ("word: above", "word: at least"),
        ("    missing: unknown", "    neighbours: {after: 1 h}\n    missing: unknown"),
    ):  # fmt: skip
        assert load_texts(tmp_path, [pack(rule()).replace(old, new)]).hash != base


def test_a_later_layer_can_only_tighten(tmp_path: Path) -> None:
    law = pack(rule("gust", "5 m/s", "10 m/s"), layer="law")
    laxer = pack(rule("gust", "20 m/s", "30 m/s", between="25 m/s"), layer="operator")
    both = load_texts(tmp_path, [law, laxer])
    assert [r.id for r in both.rules] == ["gust", "operator/gust"]
    assert worst(both.rules, 7.0) == "marginal"
    stricter = pack(rule("gust", "2 m/s", "3 m/s", between="2.5 m/s"), layer="operator")
    assert worst(load_texts(tmp_path, [law, stricter]).rules, 7.0) == "no-go"


LOOSE = "    loosens: {rule: gust, because: the big aircraft}\n"


def test_loosening_replaces_the_rule_and_is_told(tmp_path: Path) -> None:
    base = pack(rule(), layer="practice")
    own = pack(rule("own", "8 m/s", "12 m/s", "9 m/s", LOOSE), layer="operator")
    both = load_texts(tmp_path, [base, own])
    assert [r.id for r in both.rules] == ["own"]
    assert both.loosened == ("gust (practice) loosened by operator: the big aircraft",)
    assert both.rules[0].loosened == both.loosened[0]
    assert worst(both.rules, 7.0) == "go"


def test_loosening_over_two_layers_leaves_the_last(tmp_path: Path) -> None:
    base = pack(rule(), layer="practice")
    pilot = pack(rule("gust", "6 m/s", "11 m/s", "9 m/s", LOOSE), layer="pilot")
    own = pack(rule("gust", "8 m/s", "12 m/s", "9 m/s", LOOSE), layer="operator")
    three = load_texts(tmp_path, [base, pilot, own])
    assert [(r.id, r.layer) for r in three.rules] == [("gust", "operator")]


@pytest.mark.parametrize(
    ("base_layer", "own_layer", "target", "told"),
    [
        ("law", "operator", "gust", "law is never loosened"),
        ("operator", "pilot", "gust", "which no earlier layer has"),
        ("pilot", "pilot", "gust", "which no earlier layer has"),
        ("practice", "operator", "gusts", "did you mean 'gust'?"),
    ],
)
def test_loosening_that_is_refused(
    tmp_path: Path, base_layer: str, own_layer: str, target: str, told: str
) -> None:
    base = pack(rule(), layer=base_layer)
    loose = LOOSE.replace("gust", target)
    own = pack(rule("own", "8 m/s", "12 m/s", "9 m/s", loose), layer=own_layer)
    with pytest.raises(RulebookError) as caught:
        load_texts(tmp_path, [base, own])
    assert any(told in line for line in caught.value.faults), caught.value.faults


def test_a_rule_is_not_loosened_by_one_on_another_quantity(tmp_path: Path) -> None:
    base = pack(rule(), layer="practice")
    own = pack(rule("own", more=LOOSE), layer="operator").replace(
        "gust_at_flight_height", "wind_speed"
    )
    with pytest.raises(RulebookError) as caught:
        load_texts(tmp_path, [base, own])
    assert any("is on wind_speed above" in line for line in caught.value.faults)


def test_one_id_twice_in_a_layer_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RulebookError) as caught:
        load_texts(tmp_path, [pack(rule()), pack(rule())])
    assert any("a second time in the layer operator" in line for line in caught.value.faults)


# ---------------------------------------------------------------------- units

SAME_SPEED = (("10 m/s", "36 km/h"), ("20 kt", "37.04 km/h"), ("20 kt", "20 knots"),
              ("8.9408 m/s", "20 mph"), ("15.24 m/s", "3000 ft/min"))  # fmt: skip


@pytest.mark.parametrize(("one", "other"), SAME_SPEED)
def test_equal_limits_in_other_units_are_the_very_same(
    tmp_path: Path, one: str, other: str
) -> None:
    first = load_texts(tmp_path, [pack(rule(no_go=one))])
    second = load_texts(tmp_path, [pack(rule(no_go=other))])
    assert first.hash == second.hash
    assert first.rules[0].limits == second.rules[0].limits


@slow_io
@given(speed=st.integers(51, 400), units=st.sampled_from(["kt", "km/h", "mph", "ft/s", "ft/min"]))
def test_any_limit_in_any_unit_is_the_same_limit(tmp_path: Path, speed: int, units: str) -> None:
    written = convert(speed / 10, "m/s", units)
    first = load_texts(tmp_path, [pack(rule(no_go=f"{speed / 10} m/s", between="5.05 m/s"))])
    second = load_texts(tmp_path, [pack(rule(no_go=f"{written!r} {units}", between="5.05 m/s"))])
    assert first.rules[0].limits == second.rules[0].limits


def test_a_difference_is_not_a_temperature(tmp_path: Path) -> None:
    text = pack(rule()).replace("gust_at_flight_height", "dew_point_spread")
    for old, new in (("5 m/s", "3 degC"), ("10 m/s", "5.4 degF"), ("0.1 m/s", "1 K"),
                     ("140 m/s", "70 K"), ("7 m/s", "3 K"), ("no-go: 5.4 degF", "no-go: 9 degF"),
                     ("3 K, grade", "4 K, grade")):  # fmt: skip
        text = text.replace(old, new)
    limits = load_texts(tmp_path, [text]).rules[0].limits
    # 3 degC are 3 K and 9 degF are 5 K when they are differences.
    assert limits == {Grade.MARGINAL: Amount.of(3.0), Grade.NO_GO: Amount.of(5.0)}


# ---------------------------------------------------------------------- the user's own aircraft


def test_an_aircraft_of_the_user_never_makes_a_good_file_fail(tmp_path: Path) -> None:
    """Whatever it can do, also under an id that ships: the proofs are tried with the reference."""
    weak = replace(MID, id="weak", max_wind=3.0, rain_rate=0.05, max_takeoff_altitude=None)
    own = {"weak": weak, MID.id: replace(weak, id=MID.id)}
    again = load_rulebook([places.shipped("rules") / "practice"], aircraft=AIRCRAFT, own=own)
    assert again.hash == DEFAULT.hash
    text = pack(rule(no_go="{figure-of: max_wind}")) + (
        "      - {value: 4 m/s, aircraft: weak, grade: no-go}\n"
    )
    path = write(tmp_path, text.replace("marginal: 5 m/s", "marginal: 2 m/s"))
    assert load_rulebook([path], aircraft=AIRCRAFT, own=own).rules
    with pytest.raises(RulebookError) as caught:
        load_rulebook([path], aircraft=AIRCRAFT)
    assert "'weak'" in caught.value.faults[0]


# ---------------------------------------------------------------------- limits by band

BANDS = ByBand(
    "geomagnetic_latitude",
    (0.0, 20.0, 50.0),
    (Amount.of(8.0), Amount((7.0, 7.0, None, None)), Amount.of(4.0)),
    upward=True,
)


@given(st.lists(st.floats(-90, 90), min_size=1, max_size=20))
def test_a_grid_has_the_limit_of_each_of_its_points(latitudes: list[float]) -> None:
    grid = np.array(latitudes, np.float32)
    for skill in (Skill.NOVICE, Skill.EXPERIENCED):
        whole = BANDS.resolve(skill, MID, lambda _: grid)
        for place, limit in zip(grid, np.asarray(whole), strict=True):
            alone = BANDS.resolve(skill, MID, lambda _, p=place: p)
            assert (math.inf if alone is None else alone) == limit


@given(st.floats(-90, 90))
def test_where_the_place_is_not_known_the_strictest_band_holds(latitude: float) -> None:
    for skill in Skill:
        known = BANDS.resolve(skill, MID, lambda _: latitude)
        for nothing in (None, math.nan):
            strict = BANDS.resolve(skill, MID, lambda _, n=nothing: n)
            assert strict == 4.0
            assert known is None or strict <= known


def test_bands_are_of_the_size_north_and_south_alike() -> None:
    for latitude, limit in ((19.9, 8.0), (20.0, 7.0), (-20.0, 7.0), (-67.0, 4.0)):
        assert BANDS.resolve(Skill.NOVICE, MID, lambda _, x=latitude: x) == limit


#: The strictest band lies in the middle; experienced pilots have no limit in the first.
MIDDLE = (Amount((9.0, 9.0, 9.0, None)), Amount.of(4.0), Amount.of(7.0))


def test_nothing_of_the_shipped_files_is_lost_on_the_way() -> None:
    """Every rule, substitute and figure that a plain YAML reader finds is in the rulebook."""
    folder = places.shipped("rules") / "practice"
    files = [yaml.safe_load(p.read_text(encoding="utf-8")) for p in sorted(folder.glob("*.yaml"))]
    substitutes, practice, rules, layers = set(), set(), set(), set()
    for content in files:
        head = content["rulebook"]
        layers.add(f"{head['layer']}: {head['name']} {head['version']}")
        rules |= {r["id"] for r in content.get("rules") or ()}
        practice |= set(content.get("practice") or ())
        for entry in content.get("substitutes") or ():
            origins = entry["origin"] if isinstance(entry["origin"], list) else [entry["origin"]]
            substitutes |= {(entry["quantity"], origin) for origin in origins}
    assert substitutes
    assert {(s.quantity, s.origin) for s in DEFAULT.substitutes} == substitutes
    assert {r.id for r in DEFAULT.rules} == rules
    assert set(DEFAULT.practice) == practice
    assert all(content["rulebook"]["name"] in DEFAULT.name for content in files)
    assert set(DEFAULT.layers) == layers


def test_a_figure_that_the_maker_does_not_publish_is_no_limit() -> None:
    bare = Aircraft("a", "a", 1.0, 10.0, 0.5, 263.15, 313.15, 10.0)
    assert FigureOf("max_takeoff_altitude", 5.0).resolve(Skill.NOVICE, bare, lambda _: None) is None
    told = replace(bare, max_takeoff_altitude=3000.0)
    assert FigureOf("max_takeoff_altitude", 5.0).resolve(Skill.NOVICE, told, lambda _: None) == 3005


@pytest.mark.parametrize("upward", [True, False])
def test_the_strictest_band_is_found_wherever_it_lies_and_on_either_side(upward: bool) -> None:
    """Of maxima the smallest is the strictest, of minima (here with a minus) the largest."""
    sign = 1.0 if upward else -1.0
    bands = ByBand(
        "geomagnetic_latitude",
        (0.0, 20.0, 50.0),
        tuple(Amount(tuple(None if v is None else sign * v for v in a.values)) for a in MIDDLE),
        upward,
    )
    for skill, first in ((Skill.NOVICE, 9.0), (Skill.EXPERIENCED, None)):
        told = [bands.resolve(skill, MID, lambda _, x=x: x) for x in (10, 30, 60, math.nan, None)]
        assert told == [first and sign * first, sign * 4.0, sign * 7.0, sign * 4.0, sign * 4.0]
        whole = bands.resolve(skill, MID, lambda _: np.array([10.0, 30.0, 60.0, math.nan]))
        none = sign * (math.inf if first is None else first)
        assert np.asarray(whole).tolist() == [none, sign * 4.0, sign * 7.0, sign * 4.0]


# ---------------------------------------------------------------------- conditions


def test_seasons_are_six_months_apart_across_the_equator() -> None:
    summer = Condition(months=frozenset({4, 5, 6, 7, 8, 9}), seasonal=True)
    assert summer.months_at(52.0) == {4, 5, 6, 7, 8, 9}
    assert summer.months_at(-34.0) == {10, 11, 12, 1, 2, 3}
    assert Condition(months=frozenset({4})).months_at(-34.0) == {4}
    # South begins at the equator, which itself has the seasons as they are written.
    assert summer.months_at(0.0) == summer.months
    assert summer.months_at(0.5) == summer.months
    assert summer.months_at(-0.5) == {10, 11, 12, 1, 2, 3}


@given(st.floats(-90, 90), st.sampled_from(Word))
def test_a_condition_counts_as_met_where_it_cannot_be_told(figure: float, word: Word) -> None:
    condition = Condition(quantity="solar_elevation_angle", word=word, figure=figure)
    array = np.array([np.nan, figure - 1, figure, figure + 1])
    cautious = condition.met(array)
    assert bool(cautious[0]) is True
    assert not condition.met(array, if_missing=False)[0]
    assert list(cautious[1:]) == list(word.compare(array[1:], figure))


def test_a_condition_on_the_aircraft_holds_for_an_aircraft_without_the_figure() -> None:
    slow = Condition(aircraft="slow_airspeed", word=Word.BELOW, figure=7.0)
    bare = Aircraft("a", "a", 1.0, 10.0, 0.5, 263.15, 313.15, 10.0)
    assert [slow.for_whom(Skill.NOVICE, c) for c in (AIRCRAFT["light-249g"], MID, bare)] == [
        True, False, True,
    ]  # fmt: skip


def test_each_kind_of_condition_is_read(tmp_path: Path) -> None:
    when = """\
    when:
      - skills: [novice]
      - {quantity: flight_height, above: 100 ft}
      - {size-of: geomagnetic_latitude, at least: 60 degree}
      - {aircraft: mass, below: 500 g}
      - {months: [December, January]}
      - {season: [June]}
"""
    text = pack(rule(more=when)).replace(
        "grade: go}", "skill: novice, aircraft: light-249g, month: January, grade: does not apply}"
    )
    both = ", skill: novice, aircraft: light-249g, "
    text = text.replace("m/s, grade: marginal", f"m/s{both}grade: marginal")
    text = text.replace("m/s, grade: no-go", f"m/s{both}grade: no-go")
    text = text.replace("missing, grade", f"missing{both}grade")
    text += f"      - {{value: 1 m/s{both}grade: go}}\n"
    found = load_texts(tmp_path, [text]).rules[0].when
    assert found == (
        Condition(skills=frozenset({Skill.NOVICE})),
        Condition(quantity="flight_height", word=Word.ABOVE, figure=30.48),
        Condition(quantity="geomagnetic_latitude", word=Word.AT_LEAST, figure=60.0, absolute=True),
        Condition(aircraft="mass", word=Word.BELOW, figure=0.5),
        Condition(months=frozenset({12, 1})),
        Condition(months=frozenset({6}), seasonal=True),
    )


# ---------------------------------------------------------------------- personal minima


def test_locked_minima_tell_when_they_were_last_changed(tmp_path: Path) -> None:
    text = pack(rule(), layer="pilot").replace("  about:", "  locked: 2026-11-01\n  about:")
    path = write(tmp_path, text)
    noon = 1_761_998_400  # 2025-11-01 12:00 UTC
    os.utime(path, (noon, noon))
    book = load_rulebook([path], aircraft=AIRCRAFT)
    assert book.changed == date(2025, 11, 1)
    assert book.minima[0].locked == date(2026, 11, 1)
    assert "after the lock" not in book.minima[0].text
    late = noon + 2 * 365 * 86400
    os.utime(path, (late, late))
    assert "after the lock" in load_rulebook([path], aircraft=AIRCRAFT).minima[0].text
    assert DEFAULT.changed is None


# ---------------------------------------------------------------------- speed


def test_loading_rules_imports_nothing_heavy() -> None:
    code = (
        "import sys; from wxgate import places, profiles, rulebook\n"
        "r = places.shipped('rules')\n"
        "a = profiles.known_aircraft([r / 'aircraft'])\n"
        "rulebook.load_rulebook([r / 'practice'], aircraft=a)\n"
        "profiles.load_site(r / 'sites' / 'demo-field.yaml')\n"
        "heavy = {'xarray', 'pandas', 'metpy', 'pint', 'scipy', 'eccodes', 'requests'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_every_quantity_has_a_dimension_that_limits_can_be_written_in() -> None:
    from wxgate.rulebook.read_limit import read_limit
    from wxgate.rulebook.read_parts import figure_of_row
    from wxgate.strictyaml import Place, Scalar

    for row in QUANTITIES.values():
        middle = row.low if row.low > 0 else min(row.high, 1.0)
        faults = Faults()
        limit = read_limit(
            Scalar(f"{middle} {row.units}", Place("f", 1, 1)), row, Word.ABOVE, faults
        )
        assert limit == Amount.of(pytest.approx(middle)), (row.name, faults.report())
        assert figure_of_row(row).units == row.units
