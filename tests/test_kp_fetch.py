"""Truth, law and contract: the planetary K index laid on hours, and fetched.

The service is a local server. The marks are set per test.
"""

from __future__ import annotations

import hashlib
import json
import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from math import nan
from pathlib import Path

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given
from local_server import Fault, LocalServer

from wxgate.cache import Cache
from wxgate.errors import DataError
from wxgate.forecast import Forecast, hours_axis
from wxgate.http import Client
from wxgate.quantities import Kind
from wxgate.sources import swpc
from wxgate.sources.base import Request, Toolbox
from wxgate.sources.endpoints import load_endpoints
from wxgate.sources.kslots import lay
from wxgate.sources.swpc import with_nowcast
from wxgate.sources.swpc_formats import KINDS, Slot

truth, law, contract = pytest.mark.truth, pytest.mark.law, pytest.mark.contract

NEW_YEAR = (Path(__file__).parent / "authorities/swpc_3-day-forecast_20241231.txt").read_bytes()


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)


def dumped(found: object) -> bytes:
    return json.dumps(found).encode()


starts = st.integers(0, 5).map(lambda i: utc(2026, 4, 25) + timedelta(hours=3 * i))
slots = st.builds(Slot, starts, st.sampled_from([0.0, 2.33, 4.67, 9.0]), st.sampled_from(KINDS))


# ------------------------------------------------------------------------------- laid on hours


@truth
def test_a_slot_holds_for_its_three_hours() -> None:
    """Eight three-hour UT blocks, 00-03 ... 21-24 (NGDC, ngdc.noaa.gov, read 2026-11)."""
    found = lay([Slot(utc(2026, 4, 25, 3), 4.67, "observed")], hours_axis(utc(2026, 4, 25, 1), 6))
    np.testing.assert_array_equal(
        found.values, np.array([nan, nan, 4.67, 4.67, 4.67, nan, nan], dtype=np.float32)
    )
    assert found.kind is Kind.MAXIMUM


@contract
def test_a_gap_stays_missing_and_zero_is_a_value() -> None:
    slots = [Slot(utc(2026, 4, 25), 0.0, "observed"), Slot(utc(2026, 4, 25, 6), 9.0, "predicted")]
    found = lay(slots, hours_axis(utc(2026, 4, 25), 8))
    np.testing.assert_array_equal(found.values, [0, 0, 0, nan, nan, nan, 9, 9, 9])
    assert found.origins == ("observed", "estimated", "predicted")
    assert found.origin is not None
    assert [found.origins[i] for i in found.origin[[0, 6]]] == ["observed", "predicted"]


@law
@given(st.lists(slots, max_size=6), st.integers(0, 59))
def test_every_hour_has_the_largest_slot_that_overlaps_it(some: list[Slot], shift: int) -> None:
    """Against the definition hour by hour, also for slots that do not begin on the hour."""
    moved = [Slot(s.start + timedelta(minutes=shift), s.kp, s.kind) for s in some]
    found = lay(moved, hours_axis(utc(2026, 4, 25), 20)).values
    for i, value in enumerate(found):
        start = utc(2026, 4, 25) + timedelta(hours=i)
        over = [s.kp for s in moved if s.start < start + timedelta(hours=1) and s.end > start]
        np.testing.assert_array_equal(value, np.float32(max(over, default=nan)))


@contract
def test_a_young_estimate_counts_for_no_less_than_the_slot_before() -> None:
    day = utc(2026, 4, 25)
    whole = Slot(day, 5.33, "estimated")
    young = Slot(day + timedelta(hours=3), 0.33, "estimated")
    now = day + timedelta(hours=3, minutes=10)
    assert with_nowcast((), (whole, young), now)[-1].kp == 5.33
    assert with_nowcast((), (whole, young), now + timedelta(hours=3))[-1].kp == 0.33
    known = Slot(young.start, 2.0, "predicted")
    assert with_nowcast((known,), (whole, young), now)[-1] == known


# ------------------------------------------------------------------------------- fetched

NOW = utc(2026, 4, 25, 17, 11)
FORECAST = "/products/noaa-planetary-k-index-forecast.json"
OBSERVED = "/products/noaa-planetary-k-index.json"
MINUTES = "/json/planetary_k_index_1m.json"
TEXT = "/text/3-day-forecast.txt"


def rows(first: datetime, count: int, kind: str, kp: float = 2.33) -> list[dict[str, object]]:
    return [
        {"time_tag": f"{first + timedelta(hours=3 * i):%Y-%m-%dT%H:%M:%S}", "kp": kp,
         "observed": kind, "noaa_scale": None}
        for i in range(count)
    ]  # fmt: skip


WHOLE = dumped(
    rows(utc(2026, 4, 24), 13, "observed")
    + rows(utc(2026, 4, 25, 15), 3, "estimated", 3.0)
    + rows(utc(2026, 4, 26), 24, "predicted", 0)
)
THREE_DAYS = (
    NEW_YEAR.replace(b"2024 Dec 31", b"2026 Apr 25")
    .replace(b"Dec 31-Jan 02 2025", b"Apr 25-Apr 27 2026")
    .replace(b"Dec 31       Jan 01       Jan 02", b"Apr 25       Apr 26       Apr 27")
)


class Bench:
    """The service at a local server, a cache, and a count of what was asked."""

    def __init__(self, server: LocalServer, cache: Cache | None, root: str | None = None) -> None:
        self.server, self.cache = server, cache
        self.endpoints = load_endpoints()
        self.endpoints["swpc"] = {
            **self.endpoints["swpc"], "root": server.url("") if root is None else root
        }  # fmt: skip

    def fetch(
        self, now: datetime = NOW, *, start: datetime | None = None, hours: int = 24,
        offline: bool = False, wanted: frozenset[str] | None = None,
    ) -> Forecast:  # fmt: skip
        tools = Toolbox(
            self.endpoints,
            self.cache,
            lambda service: Client(
                service, user_agent="test", sleep=lambda _: None, jitter=random.Random(1)
            ),
            lambda done, of, what: None,
            offline,
        )
        return swpc.fetch(Request(52.0, -1.5, start or now, hours, now, wanted), tools)


@pytest.fixture
def server() -> Iterator[LocalServer]:
    with LocalServer() as running:
        running.blob(FORECAST, WHOLE, content_type="application/json")
        yield running


@pytest.fixture
def bench(server: LocalServer, tmp_path: Path) -> Bench:
    return Bench(server, Cache(tmp_path / "cache"))


def index(forecast: Forecast) -> np.ndarray:
    return forecast.fields["planetary_k_index"].values


@contract
def test_one_request_gives_the_hours_and_where_they_come_from(bench: Bench) -> None:
    found = bench.fetch(start=utc(2026, 4, 25, 14), hours=12)
    np.testing.assert_array_equal(
        index(found), np.array([2.33] + [3.0] * 9 + [0.0] * 3, dtype=np.float32)
    )
    origin = found.fields["planetary_k_index"].origin
    assert origin is not None
    assert origin.tolist() == [0] + [1] * 9 + [2] * 3
    assert bench.server.paths() == [FORECAST]
    assert found.notes == ()
    (told,) = found.provenance
    assert (told.source, told.run, told.fetched) == ("swpc", None, NOW)
    assert told.sha256 == hashlib.sha256(WHOLE).hexdigest()
    assert "public domain" in told.licence
    assert "Space Weather Prediction Center" in told.credit


@contract
def test_hours_beyond_the_forecast_are_missing(bench: Bench) -> None:
    found = index(bench.fetch(hours=100))
    last = utc(2026, 4, 29)  # the last slot ends here
    before = hours_axis(NOW, 100) < np.datetime64(last.replace(tzinfo=None))
    np.testing.assert_array_equal(np.isnan(found), ~before)
    with pytest.raises(DataError, match="there is no K index between 2026-05-05"):
        bench.fetch(start=utc(2026, 5, 5))


@contract
def test_not_asked_when_not_wanted(bench: Bench) -> None:
    found = bench.fetch(wanted=frozenset({"air_temperature"}))
    assert dict(found.fields) == {}
    assert found.provenance == ()
    assert bench.server.paths() == []


@contract
def test_no_faster_than_every_five_minutes_and_then_with_the_etag(bench: Bench) -> None:
    bench.fetch(NOW)
    bench.fetch(NOW + timedelta(seconds=299))
    assert len(bench.server.paths()) == 1
    again = bench.fetch(NOW + timedelta(seconds=301))
    assert len(bench.server.paths()) == 2
    assert bench.server.requests[-1].headers["if-none-match"]
    # Unchanged is as good as new: it counts as fetched now, and the five minutes begin anew.
    assert again.provenance[0].fetched == NOW + timedelta(seconds=301)
    bench.fetch(NOW + timedelta(seconds=500))
    assert len(bench.server.paths()) == 2
    bench.server.blob(FORECAST, dumped(rows(utc(2026, 4, 25), 20, "observed", 7.0)))
    assert index(bench.fetch(NOW + timedelta(seconds=602)))[0] == 7.0


@contract
def test_a_copy_from_the_future_is_not_fresh(bench: Bench) -> None:
    """A brief for another time (``--at``) must not keep a later one from asking."""
    bench.fetch(NOW + timedelta(hours=1))
    bench.fetch(NOW)
    assert len(bench.server.paths()) == 2


@contract
def test_without_a_network_the_copy_and_its_age(bench: Bench) -> None:
    with pytest.raises(DataError) as caught:
        bench.fetch(offline=True)
    assert str(caught.value).count("the network is not to be used") == 1
    bench.fetch()
    bench.server.forget()
    later = bench.fetch(NOW + timedelta(hours=5), offline=True)
    assert bench.server.paths() == []
    assert index(later)[0] == np.float32(3.0)
    assert any("copy fetched 5 h ago" in note for note in later.notes)
    assert later.provenance[0].fetched == NOW


@contract
@pytest.mark.parametrize("kind", [Fault.STATUS, Fault.HTML, Fault.EMPTY, Fault.HANG_UP])
def test_a_service_that_fails_leaves_the_copy(bench: Bench, kind: Fault) -> None:
    bench.fetch()
    bench.server.fault("*", kind, status=404)
    found = bench.fetch(NOW + timedelta(minutes=30))
    assert index(found)[0] == np.float32(3.0)
    assert any("the copy fetched 30 min ago is used" in note for note in found.notes)


@contract
@pytest.mark.parametrize("kind", [Fault.STATUS, Fault.HTML, Fault.EMPTY, Fault.HANG_UP])
def test_a_service_that_fails_without_a_copy_is_one_sentence(bench: Bench, kind: Fault) -> None:
    bench.server.fault("*", kind, status=403)
    with pytest.raises(DataError) as caught:
        bench.fetch()
    assert "\n" not in str(caught.value)
    assert caught.value.remedy


@contract
def test_a_service_out_of_reach_is_not_asked_for_every_file(bench: Bench) -> None:
    bench.server.fault("*", Fault.HANG_UP)
    with pytest.raises(DataError):
        bench.fetch()
    assert set(bench.server.paths()) == {FORECAST}


@contract
def test_a_file_without_any_value_is_told(bench: Bench) -> None:
    bench.server.blob(FORECAST, dumped(rows(utc(2026, 4, 25), 3, "observed", -1)))
    bench.server.blob(OBSERVED, dumped(rows(utc(2026, 4, 25), 6, "observed", 1.0)))
    found = bench.fetch(hours=0)
    assert index(found).tolist() == [1.0]
    assert any("forecast: the file holds no value" in note for note in found.notes)


@contract
def test_an_unknown_shape_falls_back_to_the_text_and_says_so(bench: Bench) -> None:
    bench.server.blob(FORECAST, b'{"message": "moved"}')
    bench.server.blob(TEXT, THREE_DAYS, content_type="text/plain")
    bench.server.blob(OBSERVED, dumped(rows(utc(2026, 4, 25), 5, "observed", 1.0)))
    found = bench.fetch(start=utc(2026, 4, 25, 14), hours=8)
    np.testing.assert_array_equal(
        index(found), np.array([1.0, *[6.67] * 3, *[5.33] * 3, 5, 5], dtype=np.float32)
    )
    assert any("an object with message" in note for note in found.notes)


@contract
def test_the_text_alone_will_do(bench: Bench) -> None:
    bench.server.remove(FORECAST)
    bench.server.blob(TEXT, THREE_DAYS, content_type="text/plain")
    found = bench.fetch()
    assert index(found)[0] == np.float32(6.67)
    assert not np.isnan(index(found)).any()
    origin = found.fields["planetary_k_index"].origin
    assert origin is not None
    assert set(origin.tolist()) == {2}


@contract
def test_past_hours_that_the_forecast_lacks_come_from_the_other_files(bench: Bench) -> None:
    bench.server.blob(FORECAST, dumped(rows(utc(2026, 4, 25, 18), 9, "predicted", 2.0)))
    bench.server.blob(OBSERVED, dumped(rows(utc(2026, 4, 25, 9), 2, "observed", 1.0)))
    running = {"12:30": 5.0, "15:30": 3.67, "16:30": 4.33, "17:10": 0.0}
    minutes = [
        {"time_tag": f"2026-04-25T{at}:00", "kp_index": round(kp), "estimated_kp": kp, "kp": "4Z"}
        for at, kp in running.items()
    ]
    bench.server.blob(MINUTES, dumped(minutes))
    found = bench.fetch(start=utc(2026, 4, 25, 11), hours=8)
    np.testing.assert_array_equal(
        index(found), np.array([1, 1, 1, 1, 4.33, 4.33, 4.33, 2, 2], dtype=np.float32)
    )
    assert bench.server.paths() == [FORECAST, OBSERVED, MINUTES]


@contract
def test_what_a_stale_forecast_predicts_is_missing(bench: Bench) -> None:
    """Its last observed slot ended on the 25th at 15 UTC; a day is common practice."""
    day_after = bench.fetch(utc(2026, 4, 26, 14, 59))
    assert day_after.notes == ()
    assert not np.isnan(index(day_after)).any()
    # What it saw itself stays: the hours before, observed and estimated.
    old = bench.fetch(utc(2026, 4, 26, 17, 0), start=utc(2026, 4, 25, 20), hours=24)
    assert any("the forecast is 26 h old" in note for note in old.notes)
    assert np.isnan(index(old)).tolist() == [False] * 4 + [True] * 21
    with pytest.raises(DataError, match="the forecast is 26 h old"):
        bench.fetch(utc(2026, 4, 26, 17, 0))


@contract
def test_the_text_stands_in_for_a_stale_forecast(bench: Bench) -> None:
    """Issued on the 25th at 12:30 UTC, while the forecast file is of the day before."""
    bench.server.blob(FORECAST, dumped(
        rows(utc(2026, 4, 23), 8, "observed") + rows(utc(2026, 4, 24), 24, "predicted", 0)
    ))  # fmt: skip
    bench.server.blob(TEXT, THREE_DAYS, content_type="text/plain")
    found = bench.fetch()
    assert index(found)[0] == np.float32(6.67)
    assert not np.isnan(index(found)).any()


@contract
def test_without_a_cache_it_is_asked_every_time(server: LocalServer) -> None:
    bench = Bench(server, None)
    bench.fetch()
    bench.fetch()
    assert len(server.paths()) == 2


@contract
def test_a_cache_that_cannot_be_used_is_a_note(server: LocalServer, tmp_path: Path) -> None:
    blocked = tmp_path / "a file"
    blocked.write_text("")
    found = Bench(server, Cache(blocked)).fetch()
    assert not np.isnan(index(found)).any()
    assert any("nothing is kept" in note for note in found.notes)


@contract
def test_a_folder_is_read_where_it_lies(server: LocalServer, tmp_path: Path) -> None:
    """The demonstration's way: no copy is kept, so a file that changes is read anew at once."""
    file = tmp_path / FORECAST[1:]
    file.parent.mkdir()
    file.write_bytes(WHOLE)
    bench = Bench(server, Cache(tmp_path / "cache"), root=tmp_path.as_uri())
    assert index(bench.fetch(offline=True))[0] == np.float32(3.0)
    file.write_bytes(dumped(rows(utc(2026, 4, 25), 20, "observed", 7.0)))
    assert index(bench.fetch(offline=True))[0] == 7.0
    assert list(bench.cache.entries() if bench.cache else ()) == []
    assert server.paths() == []


@contract
def test_the_demonstration_through_the_source(server: LocalServer) -> None:
    """From its folder; the quiet day is estimated, the one unsettled slot predicted."""
    folder = Path(__file__).resolve().parents[1] / "cached_forecasts" / "swpc"
    now = utc(2026, 9, 15, 5)
    found = Bench(server, None, root=folder.as_uri()).fetch(now, hours=53)
    values = index(found)
    assert not np.isnan(values).any()
    unsettled = np.flatnonzero(values >= 4)
    hours = found.time[unsettled].astype(str).tolist()
    assert hours == [f"2026-09-16T{hour:02d}:00:00" for hour in (0, 1, 2)]
    assert found.notes == ()
