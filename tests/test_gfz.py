"""Truth, law and contract: the planetary K index of GFZ, and how it stands beside NOAA's.

Truth are real files of GFZ (CC BY 4.0, Matzka et al. 2021). The marks are set per test.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from math import nan
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from local_server import Fault, LocalServer, Response
from point_bench import Bench, as_json, ask, dumped, utc

from wxgate.cache import Cache
from wxgate.errors import DataError
from wxgate.forecast import Forecast
from wxgate.sources import gfz
from wxgate.sources.gfz import parse_json, parse_nowcast_text, unfinished
from wxgate.sources.swpc_formats import Slot

truth, law, contract = pytest.mark.truth, pytest.mark.law, pytest.mark.contract

# ------------------------------------------------------------------------------- formats

#: As the notes on the endpoint tell it, the values invented.
SAMPLE: dict[str, Any] = {
    "Kp": [2.667, 0.0, 3.333, 2.333, None, -1],
    "datetime": [f"2026-09-17T{hour:02d}:00:00Z" for hour in (0, 3, 6, 9, 12, 15)],
    "status": ["def", "pre", "now", "odd", "now", "now"],
    "meta": {"license": "CC BY 4.0", "source": "GFZ Potsdam"},
}
SLOTS = (
    Slot(utc(2026, 9, 17, 0), 2.667, "observed"),
    Slot(utc(2026, 9, 17, 3), 0.0, "observed"),
    Slot(utc(2026, 9, 17, 6), 3.333, "estimated"),
    Slot(utc(2026, 9, 17, 9), 2.333, "estimated"),
)


@contract
def test_parallel_lists_and_what_is_missing() -> None:
    assert parse_json(dumped(SAMPLE)) == SLOTS


@contract
@pytest.mark.parametrize("value", [None, -1, -1.0, 9.1, "2.333", True, float("nan"), [2], 10**400])
def test_what_is_no_value_is_left_out(value: object) -> None:
    found = {**SAMPLE, "Kp": [value, *SAMPLE["Kp"][1:]]}
    assert parse_json(dumped(found)) == SLOTS[1:]


@contract
def test_without_states_nothing_is_called_observed() -> None:
    found = {name: rows for name, rows in SAMPLE.items() if name != "status"}
    assert {slot.kind for slot in parse_json(dumped(found))} == {"estimated"}


@contract
@pytest.mark.parametrize(
    "content",
    [b"", b"<html>", b"[]", b"{}", dumped({**SAMPLE, "Kp": "2"}),
     dumped({**SAMPLE, "Kp": [1.0]}), dumped({**SAMPLE, "status": ["now"]}),
     dumped({**SAMPLE, "datetime": ["2026-09-17T00:00:00"] * 6}),
     dumped({**SAMPLE, "datetime": [1789603200] * 6})],
)  # fmt: skip
def test_another_form_is_told(content: bytes) -> None:
    with pytest.raises(DataError, match="could not be read"):
        parse_json(content)


#: The first line is the example of the notes on the endpoint; the last rows of a day yet to come.
TEXT = """\
# PURPOSE: This file distributes the nowcast
#YYY MM DD hh.h hh._m        days      days_m     Kp   ap D
2026 09 09 12.0 13.50 34585.50000 34585.56250  2.667   12 0
2026 09 09 15.0 16.50 34585.62500 34585.68750  0.000    0 1
2026 09 09 18.0 19.50 34585.75000 34585.81250 -1.000   -1 0
2026 09 09 21.0 22.50 34585.87500 34585.93750 -1.000   -1 0
"""


@contract
def test_the_nowcast_text() -> None:
    assert parse_nowcast_text(TEXT.encode()) == (
        Slot(utc(2026, 9, 9, 12), 2.667, "estimated"),
        Slot(utc(2026, 9, 9, 15), 0.0, "observed"),
    )


@contract
@pytest.mark.parametrize(
    "text",
    ["", "# only a comment\n", "<html>\n<body>\n", TEXT + "2026 09 09 12.0\n",
     TEXT.replace("2026 09 09 12.0", "2026 09 31 12.0"), TEXT.replace("2.667", "2o   "),
     TEXT.replace("09 12.0", f"09 {10**15}.0"), TEXT.replace("2026", "20260"),
     "2026 09 09 18.0 19.50 34585.75000 34585.81250 -1.000   -1 0\n"],
)  # fmt: skip
def test_a_text_of_another_form_is_told(text: str) -> None:
    with pytest.raises(DataError, match="could not be read"):
        parse_nowcast_text(text.encode())


@truth
def test_a_real_nowcast_file(shared_data: Path) -> None:
    """GFZ, Kp_ap_Ap_SN_F107_nowcast.txt of 13 February 2024: the last day has six values."""
    file = shared_data / "obs/kp/gfz_Kp_ap_Ap_SN_F107_nowcast.txt"
    found = parse_nowcast_text(file.read_bytes())
    assert len(found) == 24 * 8 - 2
    assert found[0] == Slot(utc(2024, 1, 21), 0.0, "observed")
    assert found[-1] == Slot(utc(2024, 2, 13, 15), 2.667, "estimated")
    by_start = {slot.start: slot for slot in found}
    assert by_start[utc(2024, 1, 22, 21)].kp == 3.333
    # Definitive (D = 1) until the end of January, preliminary (D = 0) from then on.
    assert max(s.start for s in found if s.kind == "observed") == utc(2024, 1, 31, 21)
    assert by_start[utc(2024, 2, 11)] == Slot(utc(2024, 2, 11), 4.333, "estimated")
    # Thirds: 5- is 4 2/3, 5+ is 5 1/3 (NGDC, read 2026-11), to three digits.
    thirds = [3 * slot.kp for slot in found]
    assert thirds == pytest.approx([round(third) for third in thirds], abs=0.0015)


@truth
def test_kp_and_ap_of_the_real_file_belong_together(shared_data: Path) -> None:
    """ap for Kp 0o to 5o: 0 2 3 4 5 6 7 9 12 15 18 22 27 32 39 48 (Bartels 1949; from memory)."""
    table = [0, 2, 3, 4, 5, 6, 7, 9, 12, 15, 18, 22, 27, 32, 39, 48]
    text = (shared_data / "obs/kp/gfz_Kp_ap_Ap_SN_F107_nowcast.txt").read_text()
    found = {slot.start: slot.kp for slot in parse_nowcast_text(text.encode())}
    lines = [line.split() for line in text.splitlines() if line[:1] == "2"]
    checked = 0
    for year, month, day, *rest in lines:
        for eighth, ap in enumerate(rest[12:20]):
            start = utc(int(year), int(month), int(day), 3 * eighth)
            if start in found:
                assert table[round(3 * found[start])] == int(ap)
                checked += 1
    assert checked == len(found)


@truth
def test_the_archive_agrees_with_the_nowcast(shared_data: Path) -> None:
    """Independent: two files of GFZ of different days; equal where both are definitive."""
    one, two = (
        {s.start: s for s in parse_nowcast_text((shared_data / "obs/kp" / name).read_bytes())}
        for name in (
            "gfz_Kp_ap_Ap_SN_F107_nowcast.txt", "gfz_Kp_ap_Ap_SN_F107_since_2024.txt",
        )
    )  # fmt: skip
    both = [t for t in one.keys() & two.keys() if one[t].kind == two[t].kind == "observed"]
    assert len(both) > 50
    assert [t for t in both if one[t].kp != two[t].kp] == []


# ------------------------------------------------------------------------------- what has begun


@contract
def test_the_slot_under_way_is_an_estimate_and_later_ones_are_none() -> None:
    slots = tuple(Slot(utc(2026, 9, 17, h), 1.0, "observed") for h in (6, 9, 12))
    assert unfinished(slots, utc(2026, 9, 17, 10)) == (
        slots[0],
        Slot(utc(2026, 9, 17, 9), 1.0, "estimated"),
    )
    assert unfinished(slots, utc(2026, 9, 17, 15)) == slots


# ------------------------------------------------------------------------------- fetched

NOW = utc(2026, 9, 17, 10, 30)
PATH = "/app/json/"


@pytest.fixture
def server() -> Iterator[LocalServer]:
    with LocalServer() as running:
        running.handler(PATH, answer)
        yield running


def answer(query: dict[str, str]) -> Response:
    """Without its parameters the service answers 500."""
    try:
        start, end = (datetime.strptime(query[n], "%Y-%m-%dT%H:%M:%SZ") for n in ("start", "end"))  # noqa: DTZ007
        good = query["index"] == "Kp" and start < end
    except (KeyError, ValueError):
        good = False
    return as_json(SAMPLE) if good else Response(500)


@pytest.fixture
def bench(server: LocalServer, tmp_path: Path) -> Bench:
    return Bench("gfz", server, Cache(tmp_path / "cache"))


def fetch(bench: Bench, now: datetime = NOW, hours: int = 12, **more: Any) -> Forecast:
    more.setdefault("start", utc(2026, 9, 17, 5))
    return gfz.fetch(ask(now, hours, 52.0, -1.5, **more), bench.tools())


@contract
def test_observed_hours_and_none_ahead(bench: Bench) -> None:
    found = fetch(bench)
    field = found.fields["planetary_k_index"]
    expected = np.array([0.0, *[3.333] * 3, *[2.333] * 3, *[nan] * 6], dtype=np.float32)
    np.testing.assert_array_equal(field.values, expected)
    assert field.origin is not None
    assert field.origin[:7].tolist() == [0] + [1] * 6
    assert field.source == "gfz"
    (told,) = found.provenance
    assert (told.source, told.run, told.fetched) == ("gfz", None, NOW)
    assert told.licence.endswith("(CC BY 4.0)")
    assert "10.5880/Kp.0001" in told.credit
    assert "Matzka" in told.credit
    assert found.notes == ()


@contract
def test_whole_days_are_asked_for_so_that_the_copy_is_found(bench: Bench) -> None:
    fetch(bench)
    assert dict(bench.server.requests[0].query) == {
        "start": "2026-09-15T00:00:00Z", "end": "2026-09-17T23:59:59Z", "index": "Kp"
    }  # fmt: skip
    fetch(bench, NOW + timedelta(minutes=4), start=utc(2026, 9, 17, 6))
    assert len(bench.server.paths()) == 1
    fetch(bench, NOW + timedelta(minutes=6))
    assert len(bench.server.paths()) == 2


@contract
def test_the_old_address_leads_to_the_new_one(bench: Bench) -> None:
    """Their former host answers 301, the query kept."""
    query = "start=2026-09-15T00:00:00Z&end=2026-09-17T23:59:59Z&index=Kp"
    bench.server.handler(
        "/old/app/json/", lambda _: Response(301, b"", {"Location": f"{PATH}?{query}"})
    )
    bench.endpoints["gfz"]["root"] = bench.server.url("/old")
    assert fetch(bench).fields["planetary_k_index"].values[0] == 0.0
    assert bench.server.paths() == ["/old/app/json/", PATH]


@contract
def test_the_text_stands_in(bench: Bench) -> None:
    bench.server.handler(PATH, lambda _: as_json({"message": "moved"}))
    text = TEXT.replace("2026 09 09", "2026 09 17")
    bench.server.blob("/app/files/Kp_ap_nowcast.txt", text.encode(), content_type="text/plain")
    found = fetch(bench, utc(2026, 9, 17, 20), start=utc(2026, 9, 17, 14), hours=5)
    np.testing.assert_array_equal(
        found.fields["planetary_k_index"].values,
        np.array([2.667, 0, 0, 0, nan, nan], dtype=np.float32),
    )
    assert any("no Kp in an object with message" in note for note in found.notes)


@contract
def test_hours_that_are_all_ahead(bench: Bench) -> None:
    with pytest.raises(DataError, match="there is no K index between") as caught:
        fetch(bench, start=NOW + timedelta(hours=5))
    assert "observed" in caught.value.remedy


@contract
def test_not_asked_when_not_wanted(bench: Bench) -> None:
    assert dict(fetch(bench, wanted=frozenset({"air_temperature"})).fields) == {}
    assert bench.server.paths() == []


@contract
@pytest.mark.parametrize("kind", [Fault.HTML, Fault.EMPTY, Fault.HANG_UP, Fault.SHORT_BODY])
def test_broken_answers_are_one_sentence_or_the_copy(bench: Bench, kind: Fault) -> None:
    bench.server.fault("*", kind)
    with pytest.raises(DataError) as caught:
        fetch(bench)
    assert "\n" not in str(caught.value)
    bench.server.calm()
    fetch(bench)
    bench.server.fault("*", kind)
    found = fetch(bench, NOW + timedelta(hours=1))
    assert any("copy fetched 60 min ago" in note for note in found.notes)
