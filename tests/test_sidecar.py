"""Truth: sidecars of real runs, and the lines that are picked from them."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import pytest

from wxgate.errors import DataError
from wxgate.sources.dialect import find_line
from wxgate.sources.endpoints import Entry, load_endpoints
from wxgate.sources.hourly import run_at_or_before, runs_to_try, steps_of_schedule
from wxgate.sources.sidecar import Span, Window, merge, parse_sidecar, parse_window
from wxgate.sources.wanted import read_wanted

pytestmark = pytest.mark.truth


def read(shared_data: Path, name: str) -> list:
    return parse_sidecar((shared_data / "forecast" / "index" / name).read_text(), name)


def listed(shared_data: Path) -> list[tuple[str, int, str]]:
    """File, number of lines and run of every complete sidecar, by the folder's own list."""
    rows = []
    for row in (shared_data / "forecast" / "PROVENANCE.tsv").read_text().splitlines():
        cells = row.split("\t")
        if cells[0].endswith(".idx"):
            count, _, rest = cells[10].partition(" lines")
            rows.append((cells[0], int(count), rest.rpartition("d=")[2]))
    return rows


def test_every_real_sidecar_is_read_whole(shared_data: Path) -> None:
    # Independent: lines and runs as the list of files tells them.
    rows = listed(shared_data)
    assert len(rows) == 20
    for name, count, run in rows:
        lines = read(shared_data, name.removeprefix("index/"))
        assert len(lines) == count
        assert {f"{line.run:%Y%m%d%H}" for line in lines} == {run}
        assert [line.number for line in lines] == [str(n + 1) for n in range(count)]
        assert lines[-1].end is None
        # Each message begins where the one before ends.
        assert all(a.end == b.start - 1 for a, b in pairwise(lines))


def test_counts_of_the_gfs_and_sizes_of_its_messages(shared_data: Path) -> None:
    """Endpoint notes, A.3 and A.5, read 2026-11: real lines of f007 and bytes of its messages."""
    f007 = read(shared_data, "20250801/gfs.t00z.pgrb2.0p25.f007.idx")
    f000 = read(shared_data, "20250801/gfs.t00z.pgrb2.0p25.f000.idx")
    assert (len(f007), len(f000)) == (743, 696)
    line = f007[587]
    assert (line.number, line.start) == ("588", 422898981)
    assert line.label == "UGRD:10 m above ground:7 hour fcst"
    # Thousands of bytes, as the table rounds them.
    sizes = {(x.element, x.level, x.window_text): (x.end or 0) - x.start + 1 for x in f007[:-1]}
    for key, kilobytes in {
        ("UGRD", "10 m above ground", "7 hour fcst"): 984,
        ("GUST", "surface", "7 hour fcst"): 630,
        ("VIS", "surface", "7 hour fcst"): 723,
        ("TMP", "2 m above ground", "7 hour fcst"): 523,
        ("APCP", "surface", "6-7 hour acc fcst"): 249,
        ("HPBL", "surface", "7 hour fcst"): 1490,
    }.items():
        assert sizes[key] / 1000 == pytest.approx(kilobytes, abs=5)


def wanted() -> tuple:
    return read_wanted(Entry(load_endpoints(), "").entry("gfs"))


def test_everything_that_is_wanted_is_in_a_real_sidecar(shared_data: Path) -> None:
    # Read off the real sidecar by hand.
    lines = read(shared_data, "20250801/gfs.t00z.pgrb2.0p25.f007.idx")
    found = {w: find_line(lines, w, 7) for w in wanted()}
    assert [w.element for w, line in found.items() if line is None] == []
    rain = next(line for w, line in found.items() if w.element == "APCP")
    assert (rain.number, rain.window_text) == ("596", "6-7 hour acc fcst")
    assert {line.level for w, line in found.items() if w.quantity == "air_temperature"} == {
        "2 m above ground"
    }
    f000 = read(shared_data, "20250801/gfs.t00z.pgrb2.0p25.f000.idx")
    there = [w for w in wanted() if w.exists_at(0)]
    assert all(find_line(f000, w, 0) is not None for w in there)
    assert not any(find_line(f000, w, 0) for w in wanted() if not w.exists_at(0))


def test_the_bucket_of_a_step_at_which_runs_reset_anew(shared_data: Path) -> None:
    # Read off the real sidecar by hand.
    lines = read(shared_data, "20221014/gfs.t06z.pgrb2.0p25.f021.idx")
    rain = next(w for w in wanted() if w.element == "APCP")
    line = find_line(lines, rain, 21)
    assert line is not None
    assert line.window_text == "18-21 hour acc fcst"


@pytest.mark.parametrize(
    ("text", "window"),
    [
        ("anl", Window(0, 0, None)),
        ("7 hour fcst", Window(420, 420, None)),
        ("6-7 hour ave fcst", Window(360, 420, 0)),
        ("6-7 hour acc fcst", Window(360, 420, 1)),
        ("7-8 hour max fcst", Window(420, 480, 2)),
        ("18-24 hour min fcst", Window(1080, 1440, 3)),
        ("0-1 day acc fcst", Window(0, 1440, 1)),
        ("0-2 day acc fcst", Window(0, 2880, 1)),
        ("15 min fcst", Window(15, 15, None)),
        ("0-15 min ave fcst", Window(0, 15, 0)),
        ("6-7 hour fcst", None),
        ("7 hour acc fcst", None),
        ("7 hour fcst valid", None),
        ("", None),
    ],
)
def test_windows(text: str, window: Window | None) -> None:
    """Spellings of the endpoint notes, A.3 and B.3, read 2026-11."""
    assert parse_window(text) == window


def sidecar(*rows: str) -> list:
    return parse_sidecar("\n".join(rows), "here")


def test_an_ensembles_extra_field_and_long_elements_are_kept() -> None:
    """Lines of a real GEFS sidecar (endpoint notes, C.2) and of A.3, read 2026-11."""
    lines = sidecar(
        "1:0:d=2025080100:VIS:surface:15 hour fcst:ENS=+1",
        "2:50:d=2025080100:var discipline=0 center=7 local_table=1 parmcat=16 parm=201:surface:"
        "15 hour fcst:",
    )
    assert lines[0].extra == ("ENS=+1",)
    assert lines[1].element.startswith("var discipline=0")
    assert lines[0].label == "VIS:surface:15 hour fcst:ENS=+1"


@pytest.mark.law
def test_fields_of_one_message_share_its_bytes() -> None:
    lines = sidecar(
        "1:0:d=2025080100:TMP:surface:anl:",
        "2.1:100:d=2025080100:UGRD:surface:anl:",
        "2.2:100:d=2025080100:VGRD:surface:anl:",
        "3:250:d=2025080100:VIS:surface:anl:",
    )
    assert [(x.start, x.end) for x in lines] == [(0, 99), (100, 249), (100, 249), (250, None)]
    assert merge(lines[1:3], 10) == [Span(100, 249, tuple(lines[1:3]))]


@pytest.mark.law
def test_neighbours_join_when_the_gap_is_small() -> None:
    lines = sidecar(*(f"{n}:{n * 100}:d=2025080100:E{n}:surface:anl:" for n in range(10)))
    spans = merge([lines[7], lines[0], lines[1], lines[4], lines[9]], 200)
    assert [(s.start, s.end) for s in spans] == [(0, 199), (400, 499), (700, None)]
    assert [(s.start, s.end) for s in merge([lines[0], lines[3]], 201)] == [(0, 399)]


@pytest.mark.law
@pytest.mark.parametrize(
    "text",
    [
        "", "\n\n", "<html><body>blocked</body></html>", "1:0:d=2025080100:TMP",
        "1:x:d=2025080100:TMP:surface:anl:", "1:0:d=2025990100:TMP:surface:anl:",
        "1:0:2025080100:TMP:surface:anl:",
        "1:50:d=2025080100:TMP:surface:anl:\n2:10:d=2025080100:VIS:surface:anl:",
    ],
)  # fmt: skip
def test_what_is_no_sidecar_is_an_error(text: str) -> None:
    with pytest.raises(DataError, match="sidecar"):
        parse_sidecar(text, "here")


# -------------------------------------------------------------------------------- timetables

SCHEDULE = ((120, 1), (384, 3))


def test_steps_are_hourly_to_120_and_three_hourly_to_384() -> None:
    """Endpoint notes, A.2, read 2026-11."""
    assert steps_of_schedule(SCHEDULE, 4, 7) == [4, 5, 6, 7]
    assert steps_of_schedule(SCHEDULE, 118, 125) == [118, 119, 120, 123, 126]
    assert steps_of_schedule(SCHEDULE, 121, 122) == [120, 123]
    assert steps_of_schedule(SCHEDULE, 380, 400) == [378, 381, 384]
    assert steps_of_schedule(SCHEDULE, -1, 5) == []
    assert len(steps_of_schedule(SCHEDULE, 0, 384)) == 121 + 88


@pytest.mark.law
def test_runs_are_tried_from_the_newest_that_can_be_there() -> None:
    def at(day: int, hour: int, minute: int = 0) -> datetime:
        return datetime(2026, 3, day, hour, minute, tzinfo=UTC)

    assert run_at_or_before(at(1, 5, 59), 6) == at(1, 0)
    assert run_at_or_before(at(1, 6), 6) == at(1, 6)
    limits = {"every_h": 6, "first_step_after_h": 3.4, "give_up_after_h": 24}
    assert runs_to_try(at(2, 9, 30), at(2, 9), **limits) == [
        at(2, 6), at(2, 0), at(1, 18), at(1, 12), at(1, 6)
    ]  # fmt: skip
    assert runs_to_try(at(2, 9, 20), at(2, 9), **limits)[0] == at(2, 0)
    # A run that begins after the first hour wanted cannot tell of it.
    assert runs_to_try(at(2, 9, 30), at(2, 5), **limits)[0] == at(2, 0)
