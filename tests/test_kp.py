"""Truth, law and contract: the planetary K index as its service writes it.

Truth are real files of the service (NOAA SWPC, public domain). The marks are set per test.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import hypothesis.strategies as st
import pytest
from hypothesis import given

from wxgate.errors import DataError
from wxgate.sources.swpc_formats import (
    KINDS,
    Slot,
    merged,
    parse_forecast_json,
    parse_observed_json,
    parse_one_minute_json,
    parse_three_day_text,
)

truth, law, contract = pytest.mark.truth, pytest.mark.law, pytest.mark.contract


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)


def dumped(rows: object) -> bytes:
    return json.dumps(rows).encode()


# ------------------------------------------------------------------------------- JSON, two shapes

ARRAYS = [
    ["time_tag", "kp", "observed", "noaa_scale"],
    ["2026-04-25 09:00:00", "2.33", "observed", None],
    ["2026-04-25 12:00:00", "4.67", "estimated", "G1"],
    ["2026-04-25 15:00:00", "0.00", "predicted", None],
]
OBJECTS = [
    {"time_tag": "2026-04-25T09:00:00", "kp": 2.33, "observed": "observed", "noaa_scale": None},
    {"time_tag": "2026-04-25T12:00:00", "kp": 4.67, "observed": "estimated", "noaa_scale": "G1"},
    {"time_tag": "2026-04-25T15:00:00", "kp": 0, "observed": "predicted", "noaa_scale": None},
]
SLOTS = (
    Slot(utc(2026, 4, 25, 9), 2.33, "observed"),
    Slot(utc(2026, 4, 25, 12), 4.67, "estimated"),
    Slot(utc(2026, 4, 25, 15), 0.0, "predicted"),
)


@contract
@pytest.mark.parametrize("rows", [ARRAYS, OBJECTS], ids=["arrays", "objects"])
def test_both_shapes_say_the_same(rows: list[object]) -> None:
    assert parse_forecast_json(dumped(rows)) == SLOTS


@contract
def test_columns_in_any_order_and_case() -> None:
    turned = [[row[2], row[0], row[3], row[1]] for row in ARRAYS]
    turned[0] = ["Observed", "Time_Tag", "NOAA_Scale", "Kp"]
    assert parse_forecast_json(dumped(turned)) == SLOTS
    assert parse_forecast_json(dumped([{k.upper(): v for k, v in r.items()} for r in OBJECTS])) == (
        SLOTS
    )


@contract
@pytest.mark.parametrize(
    "tag",
    ["2026-04-25T12:00:00", "2026-04-25 12:00:00.000", "2026-04-25T12:00:00Z",
     "2026-04-25T14:00:00+02:00", " 2026-04-25 12:00 "],
)  # fmt: skip
def test_time_tags(tag: str) -> None:
    (slot,) = parse_observed_json(dumped([{"time_tag": tag, "Kp": 1.33}]))
    assert slot == Slot(utc(2026, 4, 25, 12), 1.33, "observed")
    assert slot.start.utcoffset() == timedelta(0)


@contract
def test_the_observed_file_in_both_shapes() -> None:
    """Rows as endpoints notes tell them: old with strings, new since 2026-03-31 (SCN 26-21)."""
    old = [["time_tag", "Kp", "a_running", "station_count"],
           ["2024-05-10 00:00:00.000", "2.33", "9", "8"]]  # fmt: skip
    new = [{"time_tag": "2026-09-27T12:00:00", "Kp": 1.33, "a_running": 5, "station_count": 8}]
    assert parse_observed_json(dumped(old)) == (Slot(utc(2024, 5, 10), 2.33, "observed"),)
    assert parse_observed_json(dumped(new)) == (Slot(utc(2026, 9, 27, 12), 1.33, "observed"),)


@contract
@pytest.mark.parametrize(
    "value", [None, -1, "-1", -1.0, 9.01, "10", "", "nan", "n/a", True, float("nan"), [], 10**400]
)
def test_what_is_missing_is_left_out(value: object) -> None:
    rows = [*OBJECTS, {"time_tag": "2026-04-25T18:00:00", "kp": value, "observed": "predicted"}]
    assert parse_forecast_json(dumped(rows)) == SLOTS


@contract
@pytest.mark.parametrize("value", [0, "0", 0.0, "0.00", 9, "9.00"])
def test_the_ends_of_the_scale_are_values(value: object) -> None:
    (slot,) = parse_observed_json(dumped([{"time_tag": "2026-04-25T18:00:00", "kp": value}]))
    assert slot.kp == float(value)  # type: ignore[arg-type]


@contract
@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"", "no JSON"),
        (b"<html>blocked</html>", "no JSON"),
        (b"[" * 100_000, "no JSON"),
        (b"[]", r"\[\] where a list of rows"),
        (b'{"error": "gone", "code": 404}', "an object with error, code"),
        (b'"2.33"', "2.33"),
        (b"[1, 2]", "1 where a row"),
        (dumped([["2026-04-25 09:00:00", 2.33]]), "first row without names"),
        (dumped([["time_tag", "kp"]]), "no values"),
        (dumped([["time_tag", "kp"], ["2026-04-25 09:00:00"]]), "below the names time_tag, kp"),
        (dumped([["time_tag", "kp"], {"time_tag": "2026-04-25 09:00:00"}]), "below the names"),
        (dumped([{"time_tag": "2026-04-25 09:00:00", "index": 2.33}]), "time_tag, index"),
        (dumped([{"when": "2026-04-25 09:00:00", "kp": 2.33}]), "without time_tag"),
        (dumped([{"time_tag": 1777107600, "kp": 2.33}]), "without time_tag"),
        (dumped([{"time_tag": "yesterday", "kp": 2.33}]), "the time 'yesterday'"),
        (dumped([{"time_tag": "0001-01-01T00:00+10:00", "kp": 2.33}]), "the time '0001"),
    ],
)  # fmt: skip
def test_another_shape_is_told_and_never_guessed(content: bytes, found: str) -> None:
    for parse in (parse_forecast_json, parse_observed_json, parse_one_minute_json):
        with pytest.raises(DataError, match=found) as caught:
            parse(content)
        assert "use another source" in caught.value.remedy


# ------------------------------------------------------------------------------- order and twins

starts = st.integers(0, 5).map(lambda i: utc(2026, 4, 25) + timedelta(hours=3 * i))
slots = st.builds(Slot, starts, st.sampled_from([0.0, 2.33, 4.67, 9.0]), st.sampled_from(KINDS))


@law
@given(st.lists(slots))
def test_one_slot_per_start_and_the_firmest(given_slots: list[Slot]) -> None:
    found = merged(given_slots)
    assert [slot.start for slot in found] == sorted({slot.start for slot in given_slots})
    for slot in found:
        rivals = [one for one in given_slots if one.start == slot.start]
        firmest = min(KINDS.index(one.kind) for one in rivals)
        assert slot == [one for one in rivals if KINDS.index(one.kind) == firmest][-1]


@law
@given(st.permutations(OBJECTS))
def test_the_order_of_the_rows_does_not_matter(rows: list[object]) -> None:
    assert parse_forecast_json(dumped(rows)) == SLOTS


@contract
def test_a_missing_observation_does_not_hide_the_prediction() -> None:
    tag = "2026-04-25T12:00:00"
    rows = [
        {"time_tag": tag, "kp": 3.33, "observed": "predicted"},
        {"time_tag": tag, "kp": None, "observed": "observed"},
    ]
    assert parse_forecast_json(dumped(rows)) == (Slot(utc(2026, 4, 25, 12), 3.33, "predicted"),)


@contract
@pytest.mark.parametrize("word", ["nowcast", None, 3, " Observed "])
def test_a_word_that_is_not_known_claims_the_least(word: object) -> None:
    rows = [{"time_tag": "2026-04-25T12:00:00", "kp": 3.33, "observed": word}]
    expected = "observed" if word == " Observed " else "predicted"
    assert parse_forecast_json(dumped(rows))[0].kind == expected


# ------------------------------------------------------------------------------- real files


@truth
def test_a_real_forecast_file(shared_data: Path) -> None:
    """NOAA SWPC, products/noaa-planetary-k-index-forecast.json, fetched 2026-04-25 17:11 UTC."""
    file = shared_data / "obs/kp/swpc_kp_forecast_fetched_20260425T1711Z.json"
    found = parse_forecast_json(file.read_bytes())
    assert len(found) == 81
    assert found[0] == Slot(utc(2026, 4, 18), 3.33, "observed")
    assert found[2] == Slot(utc(2026, 4, 18, 6), 5.67, "observed")
    assert max(s.start for s in found if s.kind == "observed") == utc(2026, 4, 25, 12)
    assert max(s.start for s in found if s.kind == "estimated") == utc(2026, 4, 25, 21)
    assert found[-1].end == utc(2026, 4, 28, 3)
    # Thirds as decimals: 5- is 4 2/3, 5+ is 5 1/3 (NGDC, read 2026-11), here to two digits.
    thirds = [3 * slot.kp for slot in found]
    assert thirds == pytest.approx([round(third) for third in thirds], abs=0.015)


@truth
def test_a_later_file_keeps_what_was_observed(shared_data: Path) -> None:
    """Independent: two fetches 13 hours apart agree on every slot that both call observed."""
    folder = shared_data / "obs/kp"
    one, two = (
        {s.start: s for s in parse_forecast_json((folder / name).read_bytes())}
        for name in (
            "swpc_kp_forecast_fetched_20260425T1711Z.json",
            "swpc_kp_forecast_fetched_20260426T0629Z.json",
        )
    )
    both = [t for t in one.keys() & two.keys() if one[t].kind == two[t].kind == "observed"]
    assert len(both) == 53
    assert [t for t in both if one[t].kp != two[t].kp] == []


@truth
def test_a_real_one_minute_file(shared_data: Path) -> None:
    """NOAA SWPC, json/planetary_k_index_1m.json, 2026-07-09 04:03 to 10:00 UTC.

    Largest estimates of the minutes, computed by us from the file: 1.00 in 03-06, 2.33 in 06-09 and
    2.00 in 09-12, where the first minutes say 0.00.
    """
    file = shared_data / "obs/kp/swpc_planetary_k_index_1m_20260709.json"
    assert parse_one_minute_json(file.read_bytes()) == (
        Slot(utc(2026, 7, 9, 3), 1.0, "estimated"),
        Slot(utc(2026, 7, 9, 6), 2.33, "estimated"),
        Slot(utc(2026, 7, 9, 9), 2.0, "estimated"),
    )


@truth
def test_a_real_three_day_forecast(shared_data: Path) -> None:
    """NOAA SWPC 3-Day Forecast issued 2025 Dec 23 1230 UTC; read off the file by hand."""
    found = parse_three_day_text(
        (shared_data / "obs/kp/swpc_3-day-forecast_20251223.txt").read_bytes()
    )
    assert found.issued == utc(2025, 12, 23, 12, 30)
    assert len(found.slots) == 24
    assert {s.kind for s in found.slots} == {"predicted"}
    by_start = {s.start: s.kp for s in found.slots}
    assert by_start[utc(2025, 12, 23)] == 3.33
    assert by_start[utc(2025, 12, 23, 12)] == 4.67  # (G1) in the text
    assert by_start[utc(2025, 12, 23, 21)] == 4.0
    assert by_start[utc(2025, 12, 25, 15)] == 1.67
    assert found.slots[-1] == Slot(utc(2025, 12, 25, 21), 2.67, "predicted")


@law
@pytest.mark.parametrize("day", [18, 19, 21, 25, 28])
def test_real_geomagnetic_forecasts(shared_data: Path, day: int) -> None:
    """NOAA SWPC Geomagnetic Forecast, issued at 22:05 for the three days after; no year in it."""
    file = shared_data / f"obs/kp/swpc_3-day-geomag-forecast_202512{day}.txt"
    found = parse_three_day_text(file.read_bytes())
    assert found.issued == utc(2025, 12, day, 22, 5)
    assert found.slots[0].start == utc(2025, 12, day + 1)
    assert len(found.slots) == 24
    assert all(0 <= s.kp <= 9 for s in found.slots)


AUTHORITIES = Path(__file__).parent / "authorities"
NEW_YEAR = (AUTHORITIES / "swpc_3-day-forecast_20241231.txt").read_bytes()


@truth
def test_the_turn_of_the_year() -> None:
    """NOAA SWPC 3-Day Forecast issued 2024 Dec 31 1230 UTC (public archive copy, read 2026-11).

    The year of the title is that of the last day.
    """
    found = parse_three_day_text(NEW_YEAR)
    by_start = {s.start: s.kp for s in found.slots}
    assert by_start[utc(2024, 12, 31, 15)] == 6.67
    assert by_start[utc(2025, 1, 1, 0)] == 5.0
    assert by_start[utc(2025, 1, 2, 21)] == 2.33
    assert len(by_start) == 24


@contract
def test_issued_before_new_year_for_the_days_after_it() -> None:
    text = NEW_YEAR.replace(b"Dec 31  ", b"Jan 03  ").replace(b"Dec 31-Jan 02", b"Jan 01-Jan 03")
    text = text.replace(b"Jan 03       Jan 01       Jan 02", b"Jan 01       Jan 02       Jan 03")
    assert parse_three_day_text(text).slots[0].start == utc(2025, 1, 1)


@contract
@pytest.mark.parametrize(
    ("old", "new", "found"),
    [
        (b":Issued:", b":Printed:", "without its time of issue"),
        (b"Dec 31 1230 UTC", b"Dec 32 1230 UTC", "time of issue"),
        (b"NOAA Kp index breakdown", b"NOAA Ap index", "without a table"),
        (b"             Dec 31       Jan 01       Jan 02\n", b"", "without the dates"),
        (b"Dec 31       Jan 01       Jan 02", b"Dec 31       Feb 30       Jan 02", "Feb 30"),
        (b"breakdown Dec 31-Jan 02 2025", b"breakdown Dec 31-Jan 02 2023", "title of 2023"),
        (b"5.00 (G1)    2.67     \n", b"5.00 (G1)\n", "the row '00-03UT"),
        (b"0.67         3.33         2.00", b"0.67         x.xx         2.00", "the row '03-06UT"),
        (b"0.67         3.33         2.00", b"-1.00        3.33         2.00", "the row '03-06UT"),
        (b"03-06UT", b"04-07UT", "the row '04-07UT"),
        (b"03-06UT", b"00-03UT", "eight slots"),
        (b"21-00UT       5.00 (G1)    3.00         2.33", b"", "eight slots"),
    ],
)  # fmt: skip
def test_a_text_of_another_form_is_told(old: bytes, new: bytes, found: str) -> None:
    assert old in NEW_YEAR
    with pytest.raises(DataError, match=found):
        parse_three_day_text(NEW_YEAR.replace(old, new, 1))


@contract
def test_brackets_and_decimals_are_optional() -> None:
    """Texts before November 2022 have whole numbers (from memory)."""
    plain = NEW_YEAR.replace(b" (G1)", b"").replace(b" (G3)", b"").replace(b"6.67", b"7")
    by_start = {s.start: s.kp for s in parse_three_day_text(plain).slots}
    assert by_start[utc(2024, 12, 31, 15)] == 7.0
