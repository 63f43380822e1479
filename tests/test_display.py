"""Units and clock on screen: truth (definitions of the units), law (rounding), contract."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import page_briefs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wxgate.errors import UsageError
from wxgate.observed import Reports
from wxgate.quantities import quantity
from wxgate.report.display import METRIC, WIDTH, Display, Units, make_display, pair, printed
from wxgate.report.disputes import disputed_text
from wxgate.report.observed import report_text, reports_text
from wxgate.report.text import MOST_LINES, brief_text
from wxgate.report.words import clock, hour_mark, reason_text, shown, span, zone
from wxgate.sources.aviation_formats import read_report
from wxgate.verdict import Grade, Reason

truth, law, contract = pytest.mark.truth, pytest.mark.law, pytest.mark.contract

KNOTS, MPH, KMH = (Display(Units(name)) for name in ("knots", "mph", "kmh"))
TWELVE = Display(twelve=True)
LONDON = zone("Europe/London")


# ---------------------------------------------------------------------- numbers


@truth
@pytest.mark.parametrize(
    ("name", "value", "display", "told"),
    [
        # The knot is 1852 m an hour, the mile 1609.344 m, the foot 0.3048 m, the inch 25.4 mm
        # (NIST Special Publication 811, appendix B; from memory), so that 10 m/s are
        # 19.438 kt and 22.369 mph.
        ("gust", 10.0, KNOTS, "19.4 kt"),
        ("gust", 10.0, MPH, "22.4 mph"),
        ("gust", 10.0, KMH, "36.0 km/h"),
        ("gust", 10.0, METRIC, "10.0 m/s"),
        ("ceiling_height", 304.8, KNOTS, "1000 ft"),
        ("ceiling_height", 304.8, MPH, "1000 ft"),
        ("visibility", 4828.032, MPH, "3.0 mi"),
        ("visibility", 804.672, MPH, "0.50 mi"),
        ("visibility", 5000.0, KNOTS, "5.0 km"),
        ("precipitation", 2.54, MPH, "0.100 in"),
        ("air_temperature", 273.15, MPH, "32.0 °F"),
        ("air_temperature", 310.15, MPH, "98.6 °F"),
        ("air_temperature", 310.15, KNOTS, "37.0 °C"),
        ("dew_point_spread", 5.0, MPH, "9.0 °F"),  # a difference: no 32 is added
        ("planetary_k_index", 4.33, MPH, "4.33"),
        ("precipitation_probability", 0.5, MPH, "50%"),
        ("ceiling_clearance", 19940.0, MPH, "none"),
    ],
)
def test_values_in_the_units_of_the_reader(
    name: str, value: float, display: Display, told: str
) -> None:
    assert shown(name, value, display=display) == told


def passed(value: float, word: str, limit: float) -> bool:
    """Whether a value is past a limit, in the plain meaning of the word."""
    return {
        "above": value > limit, "at least": value >= limit,
        "below": value < limit, "at most": value <= limit,
    }[word]  # fmt: skip


numbers = st.floats(-500, 500, allow_nan=False)
words = st.sampled_from(["above", "at least", "below", "at most"])


@law
@given(numbers, numbers, words, st.integers(0, 3), st.integers(0, 3))
def test_rounding_never_moves_a_value_across_its_limit(
    value: float, limit: float, word: str, of_value: int, of_limit: int
) -> None:
    told, held = pair(value, limit, word, (of_value, of_limit))
    assert passed(float(told), word, float(held)) == passed(value, word, limit)
    if abs(value - limit) > 0.01:  # not so near that it must be told by more digits
        assert float(told) == pytest.approx(value, abs=0.5 * 10**-of_value + 1e-9)
        assert float(held) == pytest.approx(limit, abs=10**-of_limit + 1e-9)


@law
@given(st.floats(-1e-3, 1e-3), numbers, words)
def test_nor_where_they_nearly_touch(gap: float, limit: float, word: str) -> None:
    value = limit + gap
    told, held = pair(value, limit, word, (1, 1))
    assert passed(float(told), word, float(held)) == passed(value, word, limit)


@law
@given(numbers, words)
def test_a_printed_limit_is_never_laxer_than_the_real_one(limit: float, word: str) -> None:
    _, held = pair(limit + 300, limit, word, (1, 1))
    if word in ("above", "at least"):
        assert float(held) <= limit + 1e-6
    else:
        assert float(held) >= limit - 1e-6


@contract
@pytest.mark.parametrize(
    ("value", "limit", "grade", "told"),
    [
        (10.04, 10.0, Grade.NO_GO, "gust at flight height 10.04 m/s, no-go above 10.00 m/s"),
        (10.0, 10.0, Grade.MARGINAL, "gust at flight height 10.0 m/s, no-go above 10.0 m/s"),
        (9.96, 10.0, Grade.GO, "gust at flight height 10.0 m/s, no-go above 10.0 m/s"),
        (12.3, 10.0, Grade.NO_GO, "gust at flight height 12.3 m/s, no-go above 10.0 m/s"),
    ],
)
def test_a_reason_shows_as_many_digits_as_it_takes(
    value: float, limit: float, grade: Grade, told: str
) -> None:
    reason = Reason("gust", "gust_at_flight_height", grade, value, limit, Grade.NO_GO, "above",
                    "m s-1", None, "", "", "practice")  # fmt: skip
    assert reason_text(reason) == told


@contract
def test_no_minus_before_nought() -> None:
    assert printed(-0.04, 1) == "0.0"
    assert printed(-0.06, 1) == "-0.1"


# ---------------------------------------------------------------------- the clock


@truth
@pytest.mark.parametrize(
    ("utc", "told", "mark"),
    [
        # NIST, "Times of Day FAQs": 12 a.m. and 12 p.m. are ambiguous; 12 noon and 12 midnight
        # are what should be written (from memory).
        (0, "12:00 midnight", "mn"), (1, "1:00 am", " 1"), (11, "11:00 am", "11"),
        (12, "12:00 noon", "nn"), (13, "1:00 pm", " 1"), (23, "11:00 pm", "11"),
    ],
)  # fmt: skip
def test_a_clock_of_twelve_hours(utc: int, told: str, mark: str) -> None:
    when = datetime(2026, 1, 15, utc, tzinfo=UTC)
    assert clock(when, LONDON, display=TWELVE) == told
    assert hour_mark(when, LONDON, display=TWELVE) == mark
    assert clock(when, LONDON) == hour_mark(when, LONDON) + ":00" == f"{utc:02d}:00"


@contract
def test_half_past_midnight_is_am() -> None:
    when = datetime(2026, 1, 15, 0, 30, tzinfo=UTC)
    assert clock(when, LONDON, display=TWELVE) == "12:30 am"
    assert clock(when + timedelta(hours=12), LONDON, display=TWELVE) == "12:30 pm"


@contract
def test_a_span_on_the_twelve_hour_clock() -> None:
    start = datetime(2026, 7, 1, 9, tzinfo=UTC)
    told = span(start, start + timedelta(hours=2), LONDON, display=TWELVE)
    assert told == "Wed 1 Jul 10:00 am-12:00 noon BST"


# ---------------------------------------------------------------------- the brief


@contract
@pytest.mark.parametrize("display", [Display(u, t) for u in Units for t in (False, True)], ids=str)
def test_the_brief_fits_in_every_display(display: Display) -> None:
    for made in (page_briefs.holes(), page_briefs.ten_days(), page_briefs.long_day(),
                 page_briefs.short_day(), page_briefs.disputed(), page_briefs.unknown(),
                 page_briefs.hostile()):  # fmt: skip
        lines = brief_text(made, display=display).splitlines()
        assert max(map(len, lines)) <= WIDTH
        assert len(lines) <= MOST_LINES


@law
@given(
    notes=st.integers(0, 6),
    loosened=st.integers(0, 4),
    quarrel=st.booleans(),
    hours=st.sampled_from([1, 3, 24, 36, 60, 120]),
    gone=st.booleans(),
)
@settings(max_examples=25, deadline=None)
def test_the_brief_fits_however_much_there_is_to_tell(
    notes: int, loosened: int, quarrel: bool, hours: int, gone: bool
) -> None:
    start = datetime(2026, 10, 24, 23, tzinfo=UTC)
    much = "what is told at such length that no line of eighty letters holds the whole of it"
    first = page_briefs.weather(hours, start).with_notes(*(f"{n} {much}" for n in range(notes)))
    if gone:
        first = page_briefs.with_hole(first, "visibility", 0, 999)
    several = [page_briefs.named(first, "NOAA")]
    if quarrel:
        several.append(page_briefs.named(page_briefs.weather(hours, start, rough=2.0), "ECMWF"))
    made = page_briefs.brief_of(*several, start=start, hours=hours)
    made = replace(made, rulebook=replace(made.rulebook, loosened=(much,) * loosened))
    text = brief_text(made)
    lines = text.splitlines()
    assert len(lines) <= MOST_LINES
    assert max(map(len, lines)) <= WIDTH
    assert lines[1].startswith(made.grade.word.upper())
    assert ("Rules: " in text) == bool(loosened), "what is loosened is never left out"
    assert "Missing: visibility" in text or "Missing: in all hours visibility" in text or not gone
    assert lines[-1].endswith("the pilot decides.")


@contract
def test_the_units_of_the_strip_are_named_and_rounded_up() -> None:
    # Arithmetic on the definition of the knot.
    start = datetime(2026, 6, 1, 6, tzinfo=UTC)
    made = page_briefs.brief_of(page_briefs.weather(12, start), start=start, hours=12)
    text = brief_text(made, display=KNOTS)
    assert "gust in kt at flight height" in text
    first = next(line for line in text.splitlines() if line.startswith("gust"))
    gusts = [r.value for r in made.hours[0].reasons if r.quantity == "gust_at_flight_height"]
    number = max(g for g in gusts if g is not None) / (1852 / 3600)
    assert 0 <= int(first.split()[1]) - number < 1


@truth
def test_a_report_of_an_airport_in_the_units_of_the_reader() -> None:
    # By definition: what the report itself says in knots and feet (24018G30KT, OVC015).
    now = datetime(2026, 11, 25, 16, tzinfo=UTC)
    report = read_report("EGXX 251550Z 24018G30KT 4000 OVC015 10/05 Q1015", now, 12.0)
    assert report is not None
    told = report_text(report, now, display=KNOTS)
    assert "wind 18.0 kt, gust 30.0 kt, visibility 4.0 km, ceiling 1500 ft" in told
    reports = Reports((report,))
    start = now.replace(hour=6)
    made = page_briefs.brief_of(page_briefs.weather(12, start), start=start, hours=12)
    made = replace(made, reports=reports, now=now)
    assert "gust 30.0 kt" in " ".join(brief_text(made, display=KNOTS).split())
    assert told in " ".join(reports_text(made, display=KNOTS).split())


@contract
def test_disputed_hours_are_told_on_the_clock_asked_for() -> None:
    made = page_briefs.disputed()
    told = disputed_text(made, LONDON, display=TWELVE)
    assert re.search(r"\d [ap]m-", told)
    assert re.search(r" \d\d:\d\d-\d\d:\d\d", disputed_text(made, LONDON))
    line = next(n for n in brief_text(made, display=TWELVE).splitlines() if "Disputed" in n)
    assert line.removeprefix("Disputed: ") in told


# ---------------------------------------------------------------------- where it comes from


@contract
@pytest.mark.parametrize(
    ("environment", "units", "twelve"),
    [
        ({}, "metric", False),
        # LANG is often that of whoever set up the computer: it says nothing of the reader.
        ({"LANG": "en_US.UTF-8", "LC_ALL": "en_US.UTF-8"}, "metric", False),
        ({"LC_MEASUREMENT": "en_US.UTF-8"}, "mph", False),
        ({"LC_TIME": "en_US.UTF-8"}, "metric", True),
        ({"LC_MEASUREMENT": "de_DE.UTF-8", "LC_TIME": "en_GB"}, "metric", False),
        ({"LC_MEASUREMENT": "C", "LC_TIME": ""}, "metric", False),
    ],
)
def test_the_locale_counts_where_it_says_it_of_this_very_thing(
    environment: dict[str, str], units: str, twelve: bool
) -> None:
    assert make_display(None, None, environment) == Display(Units(units), twelve)
    assert make_display("knots", "24", environment) == KNOTS, "what is asked for wins"


@contract
def test_unknown_words_are_refused() -> None:
    with pytest.raises(UsageError, match="metric, kmh, knots, mph"):
        make_display("furlongs", None)
    with pytest.raises(UsageError, match="12 or 24"):
        make_display(None, "13")


@contract
def test_options_and_file_on_the_command_line(wx: Callable[..., tuple[int, str, str]]) -> None:
    assert "mph" in wx("brief", "--demo", "--units", "mph")[1]
    assert "10:00 am-12:00 noon BST" in wx("brief", "--demo", "--clock", "12")[1]
    assert wx("brief", "--demo", "--units", "furlongs")[0] == 2
    folder = Path(os.environ["WXGATE_CONFIG"])
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "display.yaml").write_text("units: knots\nclock: 12\n")
    _, out, _ = wx("brief", "--demo")
    assert "kt" in out
    assert "10:00 am" in out
    assert "m/s" in wx("brief", "--demo", "--units", "metric")[1]
    (folder / "display.yaml").write_text("units: knotts\nclok: 12\n")
    code, out, err = wx("brief", "--demo")
    assert code == 2
    assert "display.yaml:1" in err
    assert "display.yaml:2" in err
    assert "GO" not in out


@law
def test_grades_do_not_depend_on_the_display(wx: Callable[..., tuple[int, str, str]]) -> None:
    told = {wx("brief", "--demo", "--json", "--units", u)[1] for u in Units}
    assert len(told) == 1


@contract
def test_every_unit_on_screen_is_one_that_converts() -> None:
    from wxgate.quantities import QUANTITIES
    from wxgate.units import UNITS

    for display in (METRIC, KMH, KNOTS, MPH):
        for name in QUANTITIES:
            row = quantity(name)
            assert UNITS[display.unit(row)].dimension == UNITS[row.units].dimension
