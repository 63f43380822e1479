"""Truth, law and contract: the spread of the weathers, told everywhere. The marks are per test."""

from __future__ import annotations

import json
import os
import re
import sqlite3
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import test_changes
from bad_days import NOW as FETCH_NOW
from bad_days import RUN, Day, good_file
from hours import MID, SITE, START, demonstration_brief, forecast_of
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from local_server import LocalServer
from test_changes import NOW, PLACE, brief
from test_grade import book, rule

from wxgate.brief import Brief, make_brief
from wxgate.chances import Chances
from wxgate.changes import Changes, Moved
from wxgate.forecast import Forecast
from wxgate.grade import with_age
from wxgate.journal import Journal, Selection
from wxgate.journal.schema import APPLICATION_ID, STEPS
from wxgate.profiles import Pilot, Skill
from wxgate.quantities import quantity
from wxgate.report.chance import amount, chance_parts, turn_text
from wxgate.report.display import Display, Units
from wxgate.report.explain import explain_text
from wxgate.report.json import brief_json
from wxgate.report.page import page_html
from wxgate.report.panels import panels, wind_panel
from wxgate.report.plots import MOST_BYTES, inline_png
from wxgate.report.spread import between
from wxgate.rulebook import Word
from wxgate.spread import MOST, NAMES, SHARES, Kept, quantiles, spread_of, thinned
from wxgate.weathers import default_policy, make_chances

truth, law, contract = pytest.mark.truth, pytest.mark.law, pytest.mark.contract
Wx = Callable[..., tuple[int, str, str]]
file = test_changes.file  # the fixture
KNOTS = Display(Units.KNOTS, twelve=True)
BOOK = book(rule("wind_speed_at_flight_height", Word.ABOVE, 5.0, 8.0))
NOVICE = Pilot(id="p", name="invented", skill=Skill.NOVICE)
numbers = arrays(np.float32, st.tuples(st.integers(1, 4), st.integers(1, 40)),
                 elements=st.floats(-50, 50, width=32))  # fmt: skip


def weather(run: datetime = START, **fields: float | list[float]) -> Forecast:
    """Five instants; a number is the same at each."""
    return forecast_of(
        {n: np.full(5, v) if isinstance(v, float) else np.array(v) for n, v in fields.items()},
        run=run,
    )


def chances_of(*forecasts: Forecast, **more: Any) -> Chances:
    return make_chances(forecasts, BOOK, site=SITE, aircraft=MID, skill=Skill.NOVICE, height=60.0,
                        now=START, **more)  # fmt: skip


def with_chances(*forecasts: Forecast) -> Brief:
    return make_brief(forecasts, BOOK, site=SITE, aircraft=MID, pilot=NOVICE, height=60.0,
                      now=START, hours=4, policy=default_policy())  # fmt: skip


@pytest.fixture(scope="module")
def demo() -> Brief:
    """The demonstration with its chances."""
    made = demonstration_brief()
    return make_brief(
        made.forecasts, made.rulebook, site=made.site, aircraft=made.aircraft, pilot=made.pilot,
        height=made.height, now=made.now, hours=36, minimum_h=made.minimum_h, demonstration=True,
        policy=default_policy(),
    )  # fmt: skip


# ---------------------------------------------------------------------- quantiles


@truth
@settings(deadline=None)
@given(numbers, st.integers(0, 2**32 - 1))
def test_quantiles_are_those_of_numpy(values: np.ndarray, seed: int) -> None:
    """Independent: numpy.quantile, inverted_cdf (definition 1 of Hyndman and Fan 1996)."""
    count = values.shape[-1]
    same = quantiles(values, np.full(count, 1 / count))
    whole = np.quantile(values, SHARES, axis=-1, method="inverted_cdf")
    assert np.array_equal(same, np.moveaxis(whole, 0, -1))
    # Sums of powers of two are exact, so that no share falls on either side by rounding.
    weights = 2.0 ** np.random.default_rng(seed).integers(0, 6, count)
    for row, told in zip(values, quantiles(values, weights), strict=True):
        theirs = np.quantile(row, SHARES, weights=weights, method="inverted_cdf")
        assert np.array_equal(told, theirs)


@law
@settings(deadline=None)
@given(numbers, st.integers(0, 2**32 - 1))
def test_quantiles_rise_lie_within_and_know_no_order_of_members(
    values: np.ndarray, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    count = values.shape[-1]
    weights = rng.integers(1, 8, count).astype(float)
    told = quantiles(values, weights)
    assert (np.diff(told, axis=-1) >= 0).all()
    assert (told >= values.min(-1, keepdims=True)).all()
    assert (told <= values.max(-1, keepdims=True)).all()
    order = rng.permutation(count)
    assert np.array_equal(told, quantiles(values[:, order], weights[order]))
    # A point is the cell of a grid; a weather that does not speak is as good as none.
    for row, one in zip(values, told, strict=True):
        assert np.array_equal(quantiles(row[None], weights)[0], one)
    silent = np.concatenate([values, np.full((len(values), 1), np.float32(1e6))], axis=1)
    there = np.ones(silent.shape, bool)
    there[:, -1] = False
    assert np.array_equal(told, quantiles(silent, np.append(weights, 3.0), there))


@law
@settings(deadline=None)
@given(numbers, st.data())
def test_one_that_lacks_its_value_leaves_no_spread(values: np.ndarray, data: st.DataObject) -> None:
    row = data.draw(st.integers(0, values.shape[0] - 1))
    member = data.draw(st.integers(0, values.shape[1] - 1))
    holed = values.copy()
    holed[row, member] = np.nan
    told = quantiles(holed, np.ones(values.shape[1]))
    assert np.isnan(told[row]).all()
    others = np.delete(np.arange(len(values)), row)
    assert np.array_equal(told[others], quantiles(values, np.ones(values.shape[1]))[others])


@law
@settings(max_examples=25, deadline=None)
@given(st.integers(MOST + 1, 5000), st.integers(0, 99))
def test_of_many_weathers_a_bounded_number_is_kept_at_even_ranks(count: int, seed: int) -> None:
    """Ranks 0, 1, 2, ... as values: the quantile's error in weathers is read off."""
    ranks = np.random.default_rng(seed).permutation(count).astype(np.float32)[None]
    few = thinned(ranks)
    assert few.shape == (1, MOST)
    off = quantiles(few, np.ones(MOST)) - quantiles(ranks, np.ones(count))
    assert np.abs(off).max() <= count / MOST
    holed = ranks.copy()
    holed[0, 3] = np.nan
    assert np.isnan(thinned(holed)).all()


@law
def test_memory_does_not_grow_beyond_the_bound() -> None:
    assert Kept.empty(10, 10_000).there.shape == (10, MOST)
    policy = default_policy()
    sized = replace(policy, sections={
        **policy.sections, "members": {**policy.sections["members"], "count": 2000}})  # fmt: skip
    found = chances_of(weather(wind_speed_at_flight_height=5.0), policy=sized)
    assert found.members == 2000
    assert found.quantiles("wind_speed_at_flight_height", START) is not None


# ---------------------------------------------------------------------- of forecasts


@truth
def test_the_spread_of_an_error_model_is_that_of_the_normal_law() -> None:
    """At 30 m/s no cut shows: the outer tenths of a normal law lie 1.2816 deviations out.

    scipy.stats.norm.ppf; tolerance three standard errors of a quantile of 2000 draws.
    """
    from scipy.stats import norm

    from wxgate.errormodel import wind_error

    policy = default_policy()
    sized = replace(policy, sections={
        **policy.sections, "members": {**policy.sections["members"], "count": 2000}})  # fmt: skip
    forecast = weather(wind_speed_at_flight_height=30.0)
    s = float(wind_error(with_age(forecast, START), SITE, policy, 60.0)[0])
    told = chances_of(forecast, policy=sized).quantiles("wind_speed_at_flight_height", START)
    error = (
        s * np.sqrt(np.array(SHARES) * (1 - np.array(SHARES)) / 2000) / norm.pdf(norm.ppf(SHARES))
    )
    assert told is not None
    assert (np.abs(np.array(told) - (30 + s * norm.ppf(SHARES))) < 3 * error).all()


@law
def test_an_hour_that_one_source_lacks_has_no_spread_and_the_others_keep_theirs() -> None:
    whole = weather(wind_speed_at_flight_height=5.0, visibility=9000.0)
    holed = weather(
        START - timedelta(hours=6), wind_speed_at_flight_height=[5.0, np.nan, 5.0, 5.0, 5.0]
    )
    found = chances_of(whole, holed)
    at = [START + timedelta(hours=n) for n in range(4)]
    told = [found.quantiles("wind_speed_at_flight_height", one) is not None for one in at]
    assert told == [True, False, True, True]
    assert found.quantiles("visibility", START) is None  # the other does not tell it at all
    assert found.quantiles("no such thing", START) is None
    assert found.quantiles("visibility", START - timedelta(days=9)) is None


@law
def test_a_quantity_that_is_the_same_in_all_members_has_no_known_spread() -> None:
    members = np.linspace(3, 7, 11)[None] + np.zeros((5, 1))
    forecast = weather(planetary_k_index=2.0).with_fields(
        {"wind_speed_at_flight_height": replace(
            weather(wind_speed_at_flight_height=1.0).fields["wind_speed_at_flight_height"],
            values=members.astype(np.float32))}
    )  # fmt: skip
    forecast = replace(forecast, attributes={"grid": {"dims": ("member",)}})
    found = chances_of(forecast)
    assert found.kind == "ensemble"
    assert found.quantiles("planetary_k_index", START) is None
    told = found.quantiles("wind_speed_at_flight_height", START)
    assert told == pytest.approx((3.4, 5.0, 6.6))  # the 2nd, 6th and 10th of eleven


@law
@settings(max_examples=20, deadline=None)
@given(st.lists(st.floats(0, 20), min_size=5, max_size=5), st.floats(0, 1))
def test_pooled_the_spread_lies_between_those_of_the_parts(wind: list[float], worth: float) -> None:
    parts = []
    for add in (0.0, 4.0):
        kept = Kept.empty(5, 11)
        made = np.array(wind)[:, None] + add + np.linspace(-1, 1, 11)
        field = weather(wind_speed=1.0).fields["wind_speed"]
        forecast = weather(gust=1.0).with_fields(
            {"wind_speed": replace(field, values=made.astype(np.float32))}
        )
        kept.add(forecast, np.ones(5, bool), np.arange(5))
        parts.append(kept)
    low, high = (spread_of([p], [1.0])["wind_speed"] for p in parts)
    both = spread_of(parts, [1 - worth, worth] if 0 < worth < 1 else [1.0, 1.0])["wind_speed"]
    assert ((both >= low) & (both <= high)).all()
    assert "gust" not in spread_of(parts, [1.0, 1.0])  # it has no members


# ---------------------------------------------------------------------- told


@contract
def test_the_plots_draw_the_band_and_say_it(demo: Brief) -> None:
    for display, unit in ((Display(), "m/s"), (KNOTS, "kt")):
        panel = wind_panel(demo, display=display)
        gust = panel.lines[0]
        assert gust.lower is not None
        assert gust.upper is not None
        assert demo.chances is not None
        row = quantity("gust_at_flight_height")
        for n, verdict in enumerate(demo.hours):
            told = demo.chances.quantiles("gust_at_flight_height", verdict.start)
            assert told is not None
            assert gust.lower[n] == pytest.approx(display.number(row, told[0]))
            assert gust.upper[n] == pytest.approx(display.number(row, told[-1]))
        worst = int(np.argmax(gust.values))
        ends = f"{gust.lower[worst]:.1f} to {gust.upper[worst]:.1f} {unit}"
        assert f"8 of 10 weathers {ends}" in panel.told
        assert panel.high >= np.nanmax(gust.upper)
    for panel in panels(demo):
        for line in panel.lines:
            assert (line.held == "8 of 10 weathers") == (line.name in NAMES)
    assert len(inline_png(demo)) <= MOST_BYTES
    assert inline_png(demo) != inline_png(replace(demo, chances=None))


@contract
def test_the_page_says_the_band_in_words_beside_every_plot_and_hour(demo: Brief) -> None:
    text = page_html(demo, display=KNOTS)
    whole = ET.fromstring(re.sub(r"<!DOCTYPE html>|<(meta|link)[^>]*>", "", text))  # noqa: S314
    drawn = 0
    for figure in whole.iter("figure"):
        bands = [e for e in figure.iter("polygon") if e.get("class", "").startswith("band")]
        [desc] = figure.iter("desc")
        told = "".join(figure.find("p[@class]").itertext())  # type: ignore[union-attr]
        assert bool(bands) == ("8 of 10 weathers" in (desc.text or ""))
        assert bool(bands) == ("8 of 10 weathers" in told)
        drawn += bool(bands)
    assert drawn == 7
    assert text.count("8 of 10 weathers lie within: gust at flight height") == len(demo.hours)
    plain = page_html(replace(demo, chances=None), display=KNOTS)
    assert "of 10 weathers" not in plain


@contract
def test_sources_without_chances_keep_their_band_and_its_name() -> None:
    two = [weather(wind_speed_at_flight_height=w, gust_at_flight_height=w + 2) for w in (3.0, 6.0)]
    made = make_brief(two, BOOK, site=SITE, aircraft=MID, pilot=NOVICE, height=60.0, now=START,
                      hours=4)  # fmt: skip
    told = wind_panel(made).told
    assert "the sources 5.0 to 8.0 m/s" in told
    assert "band: the sources" in page_html(made)


@contract
def test_a_band_that_is_not_known_where_the_line_is_says_so() -> None:
    earlier = weather(
        START - timedelta(hours=6), wind_speed_at_flight_height=[5.0, np.nan, 5.0, 5.0, 5.0]
    )
    made = make_brief(
        [weather(wind_speed_at_flight_height=[4.0, 6.0, 4.0, 4.0, 4.0])], BOOK, site=SITE,
        aircraft=MID, pilot=NOVICE, height=60.0, now=START, hours=4, policy=default_policy(),
        lagged=[earlier],
    )  # fmt: skip
    assert "largest 6.0 m/s at Mon 1 Jun 07:00, 8 of 10 weathers not known" in panels(made)[1].told


@contract
def test_json_has_the_quantiles_in_the_quantitys_own_unit(demo: Brief) -> None:
    told = brief_json(demo)
    assert demo.chances is not None
    for hour, verdict in zip(told["hours"], demo.hours, strict=True):
        assert set(hour["spread"]) == set(NAMES)
        for name, found in hour["spread"].items():
            theirs = demo.chances.quantiles(name, verdict.start)
            assert (found is None) == (theirs is None)
            if found is not None:
                assert tuple(found.values()) == pytest.approx(theirs, rel=1e-5)
    warm = told["hours"][6]["spread"]["air_temperature"]
    assert 280 < warm["p10"] < warm["p50"] < warm["p90"] < 300  # K
    assert brief_json(replace(demo, chances=None))["hours"][0]["spread"] is None


@contract
def test_explain_tells_the_quantiles_of_both_ends_of_its_hour(demo: Brief) -> None:
    hour = demo.hours[4]
    text = " ".join(explain_text(demo, hour, display=KNOTS).split())
    assert demo.chances is not None
    ends = [demo.chances.quantiles("gust_at_flight_height", at) for at in (hour.start, hour.end)]
    assert None not in ends
    row = quantity("gust_at_flight_height")
    told = "; ".join(", ".join(f"{KNOTS.number(row, v):.1f} kt" for v in end or ()) for end in ends)
    assert f"gust_at_flight_height: {told}" in text


@contract
def test_between_says_none_and_one_number_for_two_alike() -> None:
    assert between("ceiling_clearance", 300.0, 20000.0) == "300 m to none"
    assert between("ceiling_clearance", 20000.0, 20000.0) == "none"
    assert between("wind_speed", 3.0, 3.01) == "3.0 m/s"
    warm = between("air_temperature", 283.15, 293.15, display=Display(Units.MPH))
    assert warm == "50.0 to 68.0 °F"


# ---------------------------------------------------------------------- journal


@pytest.fixture
def kept(demo: Brief, tmp_path: Path) -> Path:
    path = tmp_path / "journal.sqlite"
    with Journal(path, at=demo.now) as journal:
        journal.add_brief(replace(demo, demonstration=False))
    return path


@contract
def test_the_journal_keeps_the_spread(demo: Brief, kept: Path) -> None:
    with Journal(kept, at=demo.now) as journal:
        found = journal.spread(1)
    assert found is not None
    assert found.shares == SHARES
    assert demo.chances is not None
    for name, columns in found.at_start.items():
        for n, verdict in enumerate(demo.hours):
            theirs = demo.chances.quantiles(name, verdict.start)
            told = tuple(column[n] for column in columns)
            assert told == ((None,) * 3 if theirs is None else pytest.approx(theirs, rel=1e-4))
        assert {len(column) for column in columns} == {len(demo.hours) + 1}


@contract
def test_the_export_tells_the_spread_beside_each_verdict(
    demo: Brief, kept: Path, tmp_path: Path
) -> None:  # fmt: skip
    import xarray as xr

    from wxgate.journal.export import export

    out = tmp_path / "hours.nc"
    with Journal(kept, at=demo.now) as journal:
        export(journal, out, table="hours", which=Selection())
    assert demo.chances is not None
    told = [demo.chances.quantiles("gust", v.start) for v in demo.hours]
    assert any(told)
    with xr.open_dataset(out) as whole:
        for n, share in enumerate(("p10", "p50", "p90")):
            column = whole[f"at start: gust ({share})"]
            assert column.attrs["units"] == "m s-1"
            ours = [np.nan if one is None else one[n] for one in told]
            np.testing.assert_allclose(column.values, ours, rtol=1e-4)


def older(path: Path, kept: Path) -> None:
    """A journal of the first version with the brief of another, as the first version wrote it."""
    with sqlite3.connect(path) as old:
        for statement in STEPS[0].split(";"):
            old.execute(statement)
        old.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        old.execute("PRAGMA user_version = 1")
        old.execute("ATTACH ? AS new", (str(kept),))
        columns = ", ".join(f'"{row[1]}"' for row in old.execute("PRAGMA main.table_info(brief)"))
        old.execute(f"INSERT INTO main.brief SELECT {columns} FROM new.brief")  # noqa: S608
        old.execute("INSERT INTO main.verdict SELECT * FROM new.verdict")
    old.close()


@contract
def test_a_journal_of_the_first_version_is_read_renewed_and_saved(
    demo: Brief, kept: Path, tmp_path: Path
) -> None:
    path = tmp_path / "old.sqlite"
    older(path, kept)
    before = path.read_bytes()
    with Journal(path, at=demo.now, to_read=True) as journal:
        assert len(list(journal.briefs())) == 1
        assert journal.spread(1) is None
        assert journal.quantities(1) is not None
    assert path.read_bytes() == before
    with Journal(path, at=demo.now) as journal:  # damaged or not: what was there is taken over
        assert journal.spread(1) is None
        journal.add_brief(demo)
        assert journal.spread(2) is not None
    again = tmp_path / "again.sqlite"
    older(again, kept)
    with Journal(again, at=demo.now) as journal:
        older(tmp_path / "third.sqlite", kept)
        (tmp_path / "third.sqlite").replace(again)
        journal.mend(at=demo.now)
        assert [b.made for b in journal.briefs()] == [demo.now]
        assert len(list(journal.hours())) == len(demo.hours)


@contract
def test_a_spread_that_no_wxgate_wrote_is_a_sentence(demo: Brief, kept: Path) -> None:
    import zlib

    from wxgate.errors import JournalError

    for content in (b"x", zlib.compress(b"{}"), zlib.compress(
        json.dumps({"shares": [0.1, 0.9], "at_start": {"gust": [[1.0]]}}).encode())):  # fmt: skip
        with sqlite3.connect(kept) as other:
            other.execute("UPDATE brief SET spread = ?", (content,))
        other.close()
        with Journal(kept, at=demo.now) as journal, pytest.raises(JournalError):
            journal.spread(1)


@contract
def test_the_journal_knows_by_what_a_brief_was_graded(demo: Brief, tmp_path: Path) -> None:
    with Journal(tmp_path / "j.sqlite", at=demo.now) as journal:
        for by_chance in (False, True):
            journal.add_brief(replace(demo, demonstration=False, by_chance=by_chance))
        assert [b.graded_by for b in journal.briefs()] == ["limits", "chance"]


# ---------------------------------------------------------------------- words of the reader


@contract
@pytest.mark.parametrize(("name", "change", "display", "words"), [
    ("gust_at_flight_height", 1.2, Display(), "1.2 m/s"),
    ("gust_at_flight_height", 1.2, KNOTS, "2.4 kt"),  # 2.3326 rounded up, so that it is enough
    ("gust_at_flight_height", -1.2, Display(Units.MPH), "2.7 mph"),  # 2.6843
        ("visibility", 1234.0, Display(), "1.3 km"),
    ("air_temperature", 1.5, Display(), "1.5 K"),
    ("air_temperature", 1.5, Display(Units.MPH), "2.7 °F"),  # 1.5 * 9 / 5
    ("dew_point_spread", 1.5, Display(Units.MPH), "2.7 °F"),
])  # fmt: skip
def test_a_change_is_told_in_the_units_on_screen_and_is_enough(
    name: str, change: float, display: Display, words: str
) -> None:
    """By hand: 1 kt is 1852/3600 m/s, 1 mi is 1609.344 m (NIST SP 811, B.8)."""
    assert amount(name, change, display=display) == words


@contract
def test_on_its_limit_the_way_beyond_is_told() -> None:
    """A value of 5.0 keeps a limit of "above 5"; the least more turns it, and none less."""
    made = with_chances(weather(wind_speed_at_flight_height=5.0))
    chance = made.hours[0].chance
    assert chance is not None
    assert turn_text(chance) == "wind at flight height 0.1 m/s more"
    low = book(rule("visibility", Word.BELOW, 5000.0, 1500.0))
    made = make_brief([weather(visibility=5000.0)], low, site=SITE, aircraft=MID, pilot=NOVICE,
                      height=60.0, now=START, hours=4, policy=default_policy())  # fmt: skip
    chance = made.hours[0].chance
    assert chance is not None
    assert turn_text(chance) == "visibility 0.01 km less"


@contract
def test_what_would_turn_it_follows_units_and_clock(wx: Wx, demo: Brief) -> None:
    words = ("--demo", "--units", "knots", "--clock", "12")
    told = "; ".join(chance_parts(demo, display=KNOTS))
    assert re.search(r"11:00 am turns with strongest gust up to flight height 2\.\d kt more", told)
    code, out, err = wx("explain", "11:00", *words)
    assert code == 0, err
    flat = " ".join(out.split())
    turned = flat.partition("what would turn the grade: ")[2]
    assert re.match(r"strongest gust up to flight height 2\.\d kt more", turned)
    assert "Weathers: 1, 5 and 9 of 10 are at most" in flat


@contract
def test_since_the_last_follows_units_tells_its_age_and_is_bounded(
    wx: Wx,
    file: Callable[..., Path],
    tmp_path: Path,
) -> None:
    def ask(hours: float, wind: float, *more: object) -> str:
        at = ("--at", f"{NOW + timedelta(hours=hours):%Y-%m-%dT%H:%MZ}")
        code, out, err = wx("brief", *PLACE, *at, "--forecast", file(wind, 6 - hours), *more)
        assert code == 0, err
        return " ".join(out.split()).partition("Since the last: ")[2]

    assert ask(0, 12.0) == ""
    told = ask(2, 10.0, "--units", "knots", "--clock", "12")
    assert re.match(r".* at \d\d?:00 am -\d\.\d kt; made 2 h before this one", told), told
    assert ask(5, 3.0, "--chances", bounds(tmp_path, 2)) == ""  # the last is 3 h old
    assert "made 1 h before" in ask(6, 12.0, "--chances", bounds(tmp_path, 2))


@contract
def test_the_page_tells_what_moved_in_the_readers_units(demo: Brief) -> None:
    moved = Moved("gust_at_flight_height", demo.hours[4].start, 1.2)
    found = Changes((demo.hours[4].start, demo.hours[6].end), None, 2, 0, moved,
                    demo.now - timedelta(hours=30))  # fmt: skip
    page = page_html(replace(demo, since=found), display=KNOTS)
    told = " ".join(re.sub("<[^>]*>", "", page).replace("\u2060", "").split())
    assert "Since the last: the window was Tue 15 Sep 10:00 am–1:00 pm BST, is none" in told
    assert "gust at flight height at 10:00 am +2.3 kt; made 30 h before this one." in told
    assert brief_json(replace(demo, since=found))["since_made"] == "2026-09-13T23:00:00Z"
    assert "Since the last" not in page_html(demo)


def bounds(folder: Path, hours: float) -> Path:
    path = folder / f"bounds-{hours:g}.yaml"
    path.write_text(f"earlier: {{because: b, source: s, brief_hours: {hours:g}}}\n")
    return path


@contract
def test_the_bound_that_ships_is_two_days() -> None:
    assert default_policy().number("earlier", "brief_hours") == 48
    assert default_policy().number("earlier", "run_hours") == 48


# ---------------------------------------------------------------------- one set of options


WATCH = """
mail: {host: localhost, port: 25, security: none, from: wxgate@example.org}
stale-after: 6 h
watches:
  - id: w
    site: site.yaml
    aircraft: light-249g
    pilot: novice
    height: 60 m
    hours: 24
    to: [pilot@example.org]
    send: {window: true}
"""
BIAS = "bias:\n  - {quantity: wind_speed, add: 3 m/s, cases: 300, independent: 100}\n"


@pytest.fixture
def bias(tmp_path: Path) -> Path:
    path = tmp_path / "bias.yaml"
    path.write_text(BIAS)
    return path


@contract
def test_explain_answers_by_chance_and_with_a_bias_and_earlier_runs(
    wx: Wx,
    file: Callable[..., Path],
    bias: Path,
) -> None:
    at = ("--at", f"{NOW:%Y-%m-%dT%H:%MZ}", "--forecast", file(6.5, 3))
    code, out, err = wx("explain", "10:00", *PLACE, *at)
    assert code == 0, err
    plain = re.search(r"chance to fly: (\d+) of 100", out)
    assert not re.search(r"^(go|marginal|no-go) +chance: ", out, re.MULTILINE)
    code, out, err = wx("explain", "10:00", *PLACE, *at, "--grade-by", "chance", "--bias", bias,
                        "--earlier", file(9.0, 12))  # fmt: skip
    assert code == 0, err
    found = re.search(r"chance to fly: (\d+) of 100", out)
    assert plain is not None
    assert found is not None
    assert int(found[1]) < int(plain[1])
    # The chance is a rule among the others.
    assert re.search(r"^(go|marginal|no-go) +chance: ", out, re.MULTILINE)


@contract
def test_a_file_of_too_old_a_run_is_no_weather_and_told(
    wx: Wx,
    file: Callable[..., Path],
    tmp_path: Path,
) -> None:
    bound, old = tmp_path / "bound.yaml", file(1.0, 12)
    words = ("brief", *PLACE, "--at", f"{NOW:%Y-%m-%dT%H:%MZ}", "--forecast", file(6.5, 3),
             "--json", "--chances", bound)  # fmt: skip
    found = {}
    for hours, more in ((48, ()), (11, ("--earlier", old)), (12, ("--earlier", old))):
        bound.write_text(f"earlier: {{because: b, source: s, run_hours: {hours}}}\n")
        code, out, err = wx(*words, *more)
        assert code == 0, err
        told = json.loads(out)
        found[hours] = [h["chance"] and h["chance"]["flyable"] for h in told["hours"]]
        assert any(f"{old.name}: its run is too old" in n for n in told["notes"]) == (hours == 11)
    assert found[11] == found[48]
    assert found[12] != found[48]


@contract
@pytest.mark.parametrize("command", ["page", "sheet"])
def test_page_and_sheet_take_the_same_words(
    wx: Wx,
    file: Callable[..., Path],
    bias: Path,
    tmp_path: Path,
    command: str,
) -> None:
    out = tmp_path / "out.html"
    words = ("--at", f"{NOW:%Y-%m-%dT%H:%MZ}", "--forecast", file(6.5, 3), "--grade-by", "chance",
             "--earlier", file(9.0, 12), "--bias", bias, "--out", out)  # fmt: skip
    code, _, err = wx(command, *PLACE, *words)
    assert code == 0, err
    if command == "page":
        assert "chances with a learned bias" in out.read_text()
        assert "time-lagged runs" in out.read_text()


@contract
def test_lessons_take_the_same_words(
    wx: Wx,
    file: Callable[..., Path],
    bias: Path,
) -> None:
    words = ("lessons", *PLACE, "--at", f"{NOW:%Y-%m-%dT%H:%MZ}", "--forecast", file(6.5, 3),
             "--minutes", 20, "--json")  # fmt: skip
    found = {}
    for name, more in (
        ("plain", ()), ("bias", ("--bias", bias)), ("runs", ("--earlier", file(9.0, 12))),
    ):  # fmt: skip
        code, out, err = wx(*words, *more)
        assert code == 0, err
        found[name] = max((slot["chance"] for slot in json.loads(out)["slots"]), default=0.0)
    # More wind, learned or of the run before, leaves no slot as sure as it was.
    assert max(found["bias"], found["runs"]) < found["plain"]
    code, _, err = wx(*words, "--bias", bias.with_name("nowhere.yaml"))
    assert (code, "nowhere.yaml" in err) == (2, True)


@contract
def test_replay_takes_the_files_before_as_earlier_runs(
    wx: Wx,
    file: Callable[..., Path],
    bias: Path,
    tmp_path: Path,
) -> None:
    files = [w for f in (file(3.0, 12), file(6.5, 6)) for w in ("--forecast", f)]
    notes = {}
    for name, more in (("plain", ()), ("more", ("--lagged", "1", "--bias", bias))):
        out = tmp_path / f"{name}.sqlite"
        code, _, err = wx("replay", *PLACE, *files, "--delay", "4", "--out", out, *more)
        assert code == 0, err
        with Journal(out, at=NOW, to_read=True) as journal:
            briefs = list(journal.briefs())
            notes[name] = [[h.chance for h in journal.hours(brief=b.id)] for b in briefs]
            said = [any("learned bias" in n for n in b.notes) for b in briefs]
        assert said == [bool(more)] * 2
    assert notes["plain"][1] != notes["more"][1]


@contract
def test_the_field_asks_the_same_question(
    wx: Wx,
    file: Callable[..., Path],
    bias: Path,
) -> None:
    from wxgate.cli.last import recall

    earlier = file(9.0, 12)
    brief(wx, "--forecast", file(6.5, 3), "--grade-by", "chance", "--bias", bias,
          "--earlier", earlier)  # fmt: skip
    told = recall()
    assert told is not None
    assert (told["bias"], told["earlier"], told["lagged"]) == (bias, [earlier], 0)
    code, _, err = wx("field", "2", "3", "4", "--at", f"{NOW:%Y-%m-%dT%H:%MZ}")
    assert code == 0, err


@contract
@pytest.mark.parametrize("lost", ["chances", "bias", "earlier"])
def test_a_file_of_chances_that_is_gone_leaves_the_field_its_answer(
    wx: Wx, file: Callable[..., Path], bias: Path, tmp_path: Path, lost: str
) -> None:
    chances = tmp_path / "own-chances.yaml"
    chances.write_text("members: {count: 50, because: invented, source: invented}\n")
    files = {"chances": chances, "bias": bias, "earlier": file(9.0, 12)}
    options = [word for name, path in files.items() for word in (f"--{name}", path)]
    on_field = ("field", "2", "3", "4", "--at", f"{NOW:%Y-%m-%dT%H:%MZ}")
    brief(wx, "--forecast", file(6.5, 3), *options)
    kept = files[lost].read_bytes()
    files[lost].unlink()
    code, out, err = wx(*on_field)
    assert (code, err.count("is gone")) == (0, 1), err
    assert str(files[lost]) in err
    assert out
    # Where the chances grade, it would be another question.
    files[lost].write_bytes(kept)
    brief(wx, "--forecast", file(6.5, 3), *options, "--grade-by", "chance")
    files[lost].unlink()
    assert wx(*on_field)[0] == (3 if lost == "earlier" else 2)


@contract
def test_a_forecast_file_that_is_gone_is_an_error_on_the_field(
    wx: Wx, file: Callable[..., Path]
) -> None:
    newest = file(6.5, 3)
    brief(wx, "--forecast", newest)
    newest.unlink()
    code, _, err = wx("field", "2", "3", "4", "--at", f"{NOW:%Y-%m-%dT%H:%MZ}")
    assert code != 0
    assert newest.name in err


@contract
def test_a_watch_asks_for_earlier_runs(tmp_path: Path) -> None:
    from wxgate.cli.watchjob import look, read_job

    (tmp_path / "site.yaml").write_text(
        "site: {id: f, name: Field, latitude: 45.0, longitude: 10.0, zone: Europe/Rome}\n"
    )
    (tmp_path / "watch.yaml").write_text(
        WATCH.replace("light-249g", "heavy-4kg").replace("hours: 24", "hours: 4")
        + "    lagged: 1\n"
    )
    with LocalServer() as server:
        day = Day(server, Path(os.environ["WXGATE_CONFIG"]))
        day.serve(good_file(RUN - timedelta(hours=6), step) for step in range(21))
        job = read_job(tmp_path / "watch.yaml", now=FETCH_NOW, rules=None, demo=False,
                       offline=False)  # fmt: skip
        found = look(job)[0]
    assert found.brief is not None, found.fault
    assert found.brief.chances is not None
    assert found.brief.chances.kind == "time-lagged runs"


@contract
def test_a_watch_takes_the_same_words_and_tells_their_faults(wx: Wx, tmp_path: Path) -> None:
    from wxgate.cli.watchjob import look, read_job

    (tmp_path / "bias.yaml").write_text(BIAS)
    (tmp_path / "site.yaml").write_text(
        "site: {id: f, name: Field, latitude: 52.0, longitude: -1.5, zone: Europe/London}\n"
    )
    config = tmp_path / "watch.yaml"
    config.write_text(WATCH)
    plain = look(read_job(config, now=demonstration_brief().now, rules=None, demo=True,
                          offline=True))[0].brief  # fmt: skip
    config.write_text(WATCH + "    grade-by: chance\n    bias: bias.yaml\n")
    found = look(read_job(config, now=demonstration_brief().now, rules=None, demo=True,
                          offline=True))[0].brief  # fmt: skip
    assert plain is not None
    assert found is not None
    assert (plain.by_chance, found.by_chance) == (False, True)
    assert any("learned bias" in note for note in found.notes)
    config.write_text(WATCH + "    grade-by: luck\n    lagged: 9\n    bias: nowhere.yaml\n")
    code, _, err = wx("watch", config, "--check")
    assert code == 2
    assert "watch.yaml:13" in err
    assert "watch.yaml:14" in err
    config.write_text(WATCH + "    chances: neither.yaml\n    bias: nowhere.yaml\n")
    code, _, err = wx("watch", config, "--check")
    assert code == 2
    for line, name in ((13, "neither.yaml"), (14, "nowhere.yaml")):
        assert re.search(rf"watch\.yaml:{line}\D.*{name}", err)
