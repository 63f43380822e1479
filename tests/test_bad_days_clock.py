"""Contract: a computer's clock that is off makes no forecast fresh, at the command line.

Services tell their time in every answer (RFC 9110, 6.6.1). The day is that of ``bad_days``; the
server's clock is moved, which to wxgate is the same as its own being off the other way.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from pathlib import Path

import numpy as np
import pytest
from bad_days import HOURS, KP_FILE, NOW, SITE, Day, kp_rows
from local_server import LocalServer, Response

from wxgate import places
from wxgate.forecast import CLOCK_BEHIND_H, Forecast, Provenance, hours_axis
from wxgate.grade import with_age
from wxgate.http import Meter, server_time
from wxgate.sources.clock import clock_note, with_clock

pytestmark = pytest.mark.contract

Run = Callable[..., tuple[int, str, str]]
ASK = (
    "--lat", SITE[0], "--lon", SITE[1], "--aircraft", "mid-900g", "--pilot", "intermediate",
    "--at", f"{NOW:%Y-%m-%dT%H:%MZ}", "--hours", HOURS,
)  # fmt: skip
HOUR = timedelta(hours=1)


@pytest.fixture
def day() -> Iterator[Day]:
    with LocalServer() as server:
        yield Day(server, Path(os.environ["WXGATE_CONFIG"]))


def shift(day: Day, by: timedelta) -> None:
    """Every answer of the crop script and of the K index bears a Date that is off by so much."""

    def dated(answer: Response | bytes) -> Response:
        plain = Response(content=answer) if isinstance(answer, bytes) else answer
        date = format_datetime(datetime.now(UTC) + by, usegmt=True)
        return Response(plain.status, plain.content, {**plain.headers, "Date": date})

    day.server.handler("/cgi/filter", lambda query: dated(day.nomads.answer(query)))
    day.server.remove(KP_FILE)
    day.server.handler(
        KP_FILE,
        lambda query: dated(
            Response(200, kp_rows(NOW).encode(), {"Content-Type": "application/json"})
        ),
    )


def brief(wx: Run, *more: object) -> tuple[list[str], str]:
    code, out, err = wx("brief", *ASK, "--json", *more)
    assert code == 0, err
    told = json.loads(out)
    return [hour["grade"] for hour in told["hours"]], " ".join(told["notes"])


@pytest.mark.parametrize(
    ("ahead_h", "grade", "told"),
    [
        (0.0, "go", ""),
        (0.9, "go", ""),
        # The run is 5 h old by our clock: 7 h is a bit over one cycle of six, 17 h over two.
        (2.0, "go", "clock is 2.0 h behind"),
        (12.0, "marginal", "clock is 12.0 h behind"),
        (24.0, "marginal", "clock is 24.0 h behind"),
        (24.0 * 3, "unknown", "clock is 3 days behind"),
        (-1.1, "go", "clock is 1.1 h ahead of"),
        (-24.0, "go", "clock is 24.0 h ahead of"),
    ],
)
def test_a_clock_that_is_off_is_told_and_one_behind_makes_data_older(
    day: Day, wx: Run, ahead_h: float, grade: str, told: str
) -> None:
    shift(day, ahead_h * HOUR)
    found, notes = brief(wx)
    assert found == [grade] * HOURS
    assert told in notes
    assert ("clock" in notes) == bool(told)
    if told:
        assert told in " ".join(wx("brief", *ASK)[1].split())


def test_what_is_kept_remembers_the_clock(day: Day, wx: Run) -> None:
    shift(day, 3 * 24 * HOUR)
    assert brief(wx)[0] == ["unknown"] * HOURS
    # From the stored hours, then from the kept messages alone, without any answer that has a date.
    assert brief(wx, "--offline")[0] == ["unknown"] * HOURS
    shutil.rmtree(places.cache_folder() / "hours")
    found, notes = brief(wx, "--offline")
    assert found == ["unknown"] * HOURS
    assert "3 days behind" in notes
    # A file that was fetched looks as old as it is.
    out = places.cache_folder().parent / "f.nc"
    assert wx("fetch", *ASK[:4], *ASK[8:], "--out", out)[0] == 0
    assert brief(wx, "--forecast", out)[0] == ["unknown"] * HOURS
    # Once it is set right, and a service has been heard, that is forgotten.
    shift(day, timedelta(0))
    shutil.rmtree(places.cache_folder())
    assert brief(wx)[0] == ["go"] * HOURS
    shutil.rmtree(places.cache_folder() / "hours")
    assert brief(wx, "--offline")[0] == ["go"] * HOURS


@pytest.mark.parametrize(
    "content", ["", "[", "null", "[1]", '{"h": "x"}', '{"h": 1e400}', "[" * 9999]
)
def test_a_memory_of_the_clock_that_rotted_is_none(day: Day, wx: Run, content: str) -> None:
    assert brief(wx)[0] == ["go"] * HOURS
    shutil.rmtree(places.cache_folder() / "hours")
    (places.cache_folder() / "clocks.json").write_text(content)
    assert brief(wx, "--offline")[0] == ["go"] * HOURS


def test_without_a_run_the_clock_is_named(day: Day, wx: Run) -> None:
    day.nomads.files.clear()
    shift(day, -30 * 24 * HOUR)
    code, out, err = wx("brief", *ASK)
    assert (code, out) == (3, "")
    assert "clock is 30 days ahead of" in err


@pytest.mark.parametrize(
    ("headers", "when"),
    [
        ({"date": "Sun, 06 Nov 1994 08:49:37 GMT"}, datetime(1994, 11, 6, 8, 49, 37, tzinfo=UTC)),
        # The obsolete forms that RFC 9110 5.6.7 has a recipient read as well.
        ({"date": "Sunday, 06-Nov-94 08:49:37 GMT"}, datetime(1994, 11, 6, 8, 49, 37, tzinfo=UTC)),
        ({"date": "Sun Nov  6 08:49:37 1994"}, datetime(1994, 11, 6, 8, 49, 37, tzinfo=UTC)),
        (
            {"date": "Sun, 06 Nov 1994 08:49:37 GMT", "age": "3600"},
            datetime(1994, 11, 6, 9, 49, 37, tzinfo=UTC),
        ),
        ({"date": "Thu, 29 Feb 2024 23:59:60 GMT"}, None),
        ({"date": "Sun, 29 Feb 2026 00:00:00 GMT"}, None),
        ({"date": "tomorrow"}, None),
        ({"date": "Sun, 06 Nov 1994 08:49:37 GMT", "age": "9" * 30}, None),
        ({}, None),
    ],
)
def test_the_time_of_a_server(headers: dict[str, str], when: datetime | None) -> None:
    assert server_time(headers) == when  # the example of RFC 9110, 5.6.7


def test_of_several_clocks_the_one_furthest_ahead_counts() -> None:
    plain = Forecast(hours_axis(NOW, 1), {})
    ahead = {"a.example": -5 * HOUR, "b.example": 3 * HOUR, "c.example": timedelta(0)}
    told = with_clock(plain, ahead)
    assert told.attributes == {CLOCK_BEHIND_H: 3.0}
    assert "3.0 h behind that of b.example" in told.notes[0]
    assert "5.0 h ahead of" in str(clock_note({"a.example": -5 * HOUR}))
    assert with_clock(plain, {"a.example": HOUR}) is plain
    assert with_clock(plain, {}) is plain


def test_an_age_grows_by_what_the_clock_is_behind() -> None:
    made = Provenance("gfs", "", NOW - 5 * HOUR, NOW, "", cycle_h=6.0)
    plain = Forecast(hours_axis(NOW, 2), {}, (made,))
    late = with_clock(plain, {"a.example": 13 * HOUR})
    age, cycles = (with_age(late, NOW).fields[n].values[0] for n in AGES)
    assert (age, cycles) == (18.0, 3.0)
    # A run that lies ahead of our clock stays without an age, whatever the others say.
    assert all(np.isnan(with_age(late, NOW - 6 * HOUR).fields[n].values).all() for n in AGES)


AGES = ("forecast_age", "forecast_age_in_cycles")


def test_the_meter_counts_what_came() -> None:
    meter = Meter(lambda: NOW)
    meter.answered("http://a.example/x", {"date": format_datetime(NOW + HOUR, usegmt=True)})
    meter.answered("http://a.example/x", {})
    meter.received(7)
    assert (meter.requests, meter.bytes_received, meter.ahead) == (2, 7, {"a.example": HOUR})
