"""Law: what is done at once, or not at all, for the sake of time comes to the same.

Each is held against the plain way: one number, one hour, one brief after the other.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hours import MID, SITE, forecast_of
from hypothesis import example, given, settings
from hypothesis import strategies as st

from wxgate.brief import make_brief
from wxgate.errors import UsageError
from wxgate.forecast import Forecast, Provenance, hours_axis, make_field
from wxgate.grade import grade
from wxgate.hindsight import Observed, Pairs, pair_up
from wxgate.hindsight import pairs as pairing
from wxgate.journal import Journal, Selection
from wxgate.profiles import Pilot, Skill
from wxgate.quantities import Kind
from wxgate.rulebook import Amount, Condition, Rule, Rulebook, Word
from wxgate.verdict import Grade
from wxgate.verify.category import flip_flop, flip_flops

pytestmark = pytest.mark.law

GO, MA, UN, NO = Grade.GO, Grade.MARGINAL, Grade.UNKNOWN, Grade.NO_GO
WORDS = {Word.ABOVE: lambda v, x: v > x, Word.AT_LEAST: lambda v, x: v >= x,
         Word.BELOW: lambda v, x: v < x, Word.AT_MOST: lambda v, x: v <= x}  # fmt: skip

# ---------------------------------------------------------------------- the worse end, found first


def plainly(
    values: list[float], hour: int, rule: Rule, mild: float, worst: float, *, point: bool
) -> tuple[Grade, bool, float]:
    """Grade, whether a value is missing, and the margin: every instant looked at by itself."""
    instants = range(hour - rule.before, hour + rule.after + 1 + point)
    seen = [values[i] if 0 <= i < len(values) else math.nan for i in instants]
    passed = [
        NO if WORDS[rule.word](v, worst) else MA if WORDS[rule.word](v, mild) else GO for v in seen
    ]
    missing = any(math.isnan(v) for v in seen)
    rooms = [(worst - v if rule.word.upward else v - worst) / (abs(worst) or 1.0) for v in seen]
    margin = math.nan if missing else min(min(room, 1.0) for room in rooms)
    return max([*passed, UN] if missing else passed), missing, margin


@settings(deadline=None, max_examples=150)
@given(
    values=st.lists(st.one_of(st.just(math.nan), st.sampled_from([0.0, 5.0, 7.5, 10.0, 39.0]),
                              st.floats(0, 40, width=32)), min_size=1, max_size=9),
    word=st.sampled_from(list(Word)), before=st.integers(0, 3), after=st.integers(0, 3),
    point=st.booleans(), limit=st.sampled_from([0.0, 7.5, 10.0]),
)  # fmt: skip
@example([10.0, math.nan, 3.0], Word.ABOVE, 0, 0, True, 7.5)
def test_the_worst_of_an_hour_held_against_a_limit_is_the_worst_of_its_instants(
    values: list[float], word: Word, before: int, after: int, point: bool, limit: float
) -> None:
    mild = max(limit - 2.5, 0.0) if word.upward else limit + 2.5
    limits = {MA: Amount.of(mild), NO: Amount.of(limit)}
    rule = Rule("r", "gust_at_flight_height", word, limits, before=before, after=after)
    kind = Kind.POINT if point else Kind.MAXIMUM
    forecast = forecast_of({rule.quantity: values}, kinds={rule.quantity: kind})
    graded = grade(forecast, Rulebook("x", (rule,)), aircraft=MID, skill=Skill.NOVICE, height=60.0)
    [outcome] = graded.outcomes
    for hour in range(len(values)):
        code, missing, margin = plainly(values, hour, rule, mild, limit, point=point)
        assert (outcome.codes[hour], outcome.missing[hour]) == (code, missing)
        assert outcome.margin[hour] == pytest.approx(margin, rel=1e-6, nan_ok=True)


def test_codes_and_margins_are_the_same_where_no_outcome_is_kept() -> None:
    random = np.random.default_rng(1)
    gusts = np.where(random.random((9, 3, 4)) < 0.2, np.nan, random.uniform(0, 12, (9, 3, 4)))
    forecast = forecast_of({
        "gust_at_flight_height": make_field("gust_at_flight_height", gusts),
        "wind_speed": make_field("wind_speed", random.uniform(0, 12, 9)),  # time alone
    })  # fmt: skip
    when = (Condition(quantity="gust_at_flight_height", word=Word.ABOVE, figure=5.0),)
    rules = (
        Rule("w", "wind_speed", Word.ABOVE, {NO: Amount.of(8.0)}, when=when),
        Rule("g", "gust_at_flight_height", Word.ABOVE, {MA: Amount.of(6.0), NO: Amount.of(9.0)}),
    )
    about = {"aircraft": MID, "skill": Skill.NOVICE, "height": 60.0}
    kept = grade(forecast, Rulebook("x", rules), **about)
    gone = grade(forecast, Rulebook("x", rules), keep_outcomes=False, **about)
    assert (len(kept.outcomes), gone.outcomes) == (2, ())
    np.testing.assert_array_equal(gone.codes, kept.codes)
    np.testing.assert_array_equal(gone.margin, kept.margin)
    worst = np.maximum(*(outcome.codes for outcome in kept.outcomes))
    np.testing.assert_array_equal(kept.codes, worst)


# ---------------------------------------------------------------------- many briefs at once


def journal_of_many(file: Path) -> tuple[Journal, Observed]:
    """Briefs of two heights and two hemispheres around the end of a month, one after the other."""
    random = np.random.default_rng(3)
    first = datetime(2026, 4, 29, 6, tzinfo=UTC)
    time = hours_axis(first, 24 * 5)
    wind = random.uniform(0, 14, time.size)
    whole = Forecast(time, {
        name: make_field(name, wind * more)
        for name, more in (("wind_speed", 1.0), ("gust", 1.4), ("visibility", 900.0))
    })  # fmt: skip
    journal = Journal(file, at=first)
    for n in range(12):
        made = first + timedelta(hours=7 * n)
        run = Provenance("test", "test", made - timedelta(hours=4), made, "0" * 64, cycle_h=6.0)
        journal.add_brief(make_brief(
            [replace(whole, provenance=(run,))], RULES, aircraft=MID,
            site=replace(SITE, latitude=50.0 if n % 3 else -33.0),
            pilot=Pilot("novice", "novice", Skill.NOVICE), height=60.0 if n % 2 else 30.0,
            now=made, hours=24 if n % 5 else 9,
        ))  # fmt: skip
    names = ("gust", "visibility", "ceiling_height", "air_temperature", "dew_point_temperature",
             "precipitation", "wind_from_direction")  # fmt: skip
    seen = np.where(random.random(time.size) < 0.2, np.nan, random.uniform(0, 14, time.size))
    nothing = {name: np.full(time.size, np.nan) for name in names}
    return journal, Observed("XXXX", time, {**nothing, "wind_speed": seen})


RULES = Rulebook("months", (
    Rule("winter", "wind_speed", Word.ABOVE, {MA: Amount.of(4.0), NO: Amount.of(6.0)},
         when=(Condition(months=frozenset({11, 12, 1, 2, 3, 4}), seasonal=True),)),
    Rule("any", "gust", Word.ABOVE, {MA: Amount.of(9.0), NO: Amount.of(12.0)}, before=1, after=1),
))  # fmt: skip


@pytest.mark.parametrize("at_once", [2, 5, 256])
def test_verdicts_of_many_briefs_pair_as_those_of_one_after_the_other(
    at_once: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal, observed = journal_of_many(tmp_path / "journal.sqlite")

    def paired(count: int) -> Pairs:
        monkeypatch.setattr(pairing, "AT_ONCE", count)
        return pair_up(journal, observed, RULES, which=Selection(), aircraft=MID,
                       skill=Skill.NOVICE)  # fmt: skip

    with journal:
        alone, together = paired(1), paired(at_once)
    assert len(alone) > 100
    # The rule of winter speaks in one hemisphere in April and in the other in May.
    assert len({(h, bool(n)) for h, n in zip(alone.height, alone.forecast == NO, strict=True)}) == 4
    for name in (field.name for field in fields(Pairs)):
        one, other = getattr(alone, name), getattr(together, name)
        if isinstance(one, dict):
            assert one.keys() == other.keys()
            assert all(np.array_equal(one[k], other[k], equal_nan=True) for k in one)
        else:
            np.testing.assert_array_equal(one, other, err_msg=name)


def test_many_flip_flops_are_those_of_each() -> None:
    runs = np.random.default_rng(1).integers(0, 3, (40, 6)).astype(float)
    np.testing.assert_array_equal(flip_flops(runs), [flip_flop(row) for row in runs])
    with pytest.raises(UsageError):
        flip_flop(runs)


# ---------------------------------------------------------------------- what is not loaded


@pytest.mark.parametrize(
    ("words", "unwanted"),
    [
        (["--version"], ["numpy", "pydantic", "yaml", "wxgate.cli.brief"]),
        (["--help"], ["numpy", "pydantic", "yaml", "xarray"]),
    ],
)
def test_version_and_help_load_no_numbers(words: list[str], unwanted: list[str]) -> None:
    code = (
        "import atexit, json, sys\n"
        f"atexit.register(lambda: print(json.dumps([n for n in {unwanted} if n in sys.modules])))\n"
        f"sys.argv = {['wxgate', *words]!r}\n"
        "from wxgate.cli.main import run; run()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "wxgate" in done.stdout
    assert json.loads(done.stdout.splitlines()[-1]) == []
