"""Contract: the journal keeps what was said, whole, whatever happens to its file.

What is asked of the file (a commit is whole or not there; two writers wait for each other) is what
sqlite promises of its write-ahead log (sqlite.org, "Write-Ahead Logging", from memory); the tests
hold the journal to it by killing writers, filling the disk and damaging the file.
"""

from __future__ import annotations

import csv
import multiprocessing
import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hours import demonstration_brief

from wxgate.brief import Brief
from wxgate.errors import JournalError
from wxgate.forecast import to_datetime64
from wxgate.journal import Deed, Done, Journal, Observation, Reading, Selection
from wxgate.journal.schema import VERSION
from wxgate.journal.taken import hour_rows
from wxgate.verdict import Grade

pytestmark = pytest.mark.contract
NOW = datetime(2026, 9, 15, 5, tzinfo=UTC)
Wx = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def brief() -> Brief:
    return demonstration_brief()


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "state" / "journal.sqlite"


def test_a_brief_comes_back_as_it_was_said(brief: Brief, file: Path) -> None:
    real = replace(brief, demonstration=False)
    with Journal(file, at=NOW) as journal:
        number = journal.add_brief(real)
    with Journal(file, at=NOW) as journal:
        (found,) = journal.briefs()
        hours = list(journal.hours(brief=number))
        numbers = journal.quantities(number)
    assert (found.made, found.site, found.aircraft) == (brief.now, "demo-field", "light-249g")
    assert found.rulebook_sha256 == brief.rulebook.hash
    assert [p["sha256"] for p in found.provenance] == [p.sha256 for p in brief.provenance]
    assert found.window == (brief.window.start, brief.window.end)
    assert [(h.start, h.grade, h.limiting) for h in hours] == [
        (v.start, v.grade, v.limiting) for v in brief.hours
    ]
    assert [h.margin for h in hours] == [v.margin for v in brief.hours]
    assert hours[5].lead_h == 5.0
    assert numbers is not None
    for i, verdict in enumerate(brief.hours):
        for reason in verdict.reasons:
            assert numbers.rules[reason.rule] == reason.quantity
            told = numbers.graded.get(reason.rule, (None,) * len(brief.hours))[i]
            assert told == (None if reason.value is None else pytest.approx(reason.value, 1e-5))
    at = int((brief.forecast.time == to_datetime64(brief.hours[4].start)).argmax())
    wind = brief.forecast.fields["wind_speed"].values[at]
    assert numbers.at_start["wind_speed"][4] == pytest.approx(float(wind), rel=1e-5)


def test_invented_briefs_count_only_when_asked_for(brief: Brief, file: Path) -> None:
    with Journal(file, at=NOW) as journal:
        journal.add_brief(brief)
        assert list(journal.briefs()) == []
        assert list(journal.hours()) == []
        assert len(list(journal.hours(Selection(demonstration=True)))) == len(brief.hours)


def test_readings_deeds_and_reports_come_back(file: Path) -> None:
    reading = Reading(
        NOW, "south-meadow", mean=3.2, maximum=5.1, height=2.0, surface="mown field", minutes=2.0,
        sheltered=False, rain=True, visibility=8000.0, grade=Grade.NO_GO, answer="go home",
    )  # fmt: skip
    deed = Deed(NOW, "south-meadow", NOW, NOW + timedelta(minutes=40), Done.CUT_SHORT,
                reason="first drops")  # fmt: skip
    report = Observation("XXXX", NOW, "XXXX 150500Z 24010KT 9999", 12.0)
    with Journal(file, at=NOW) as journal:
        journal.add_reading(reading)
        journal.add_deed(deed)
        assert journal.add_observations([report, report]) == 1
        assert journal.add_observations([report]) == 0
        assert list(journal.readings()) == [reading]
        assert list(journal.deeds(Selection("south-meadow"))) == [deed]
        assert list(journal.deeds(Selection("elsewhere"))) == []
        assert list(journal.observations(station="XXXX")) == [report]
        later = Selection(since=NOW + timedelta(seconds=1))
        assert not [*journal.readings(later), *journal.deeds(later), *journal.observations(later)]
        until = Selection(until=NOW)  # the end of a span is not in it
        assert not [*journal.readings(until), *journal.deeds(until)]


def test_a_time_without_zone_is_refused_and_nothing_is_written(file: Path) -> None:
    with Journal(file, at=NOW) as journal:
        with pytest.raises(JournalError, match="without a zone"):
            journal.add_reading(Reading(datetime(2026, 9, 15, 5), "x"))  # noqa: DTZ001
        assert journal.counts()["reading"] == 0


def test_others_may_not_read_it(brief: Brief, file: Path) -> None:
    with Journal(file, at=NOW) as journal:
        journal.add_brief(brief)
    assert file.stat().st_mode & 0o077 == 0
    assert file.parent.stat().st_mode & 0o077 == 0


# ---------------------------------------------------------------------- a bad day for the file

_WRITER = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from datetime import UTC, datetime
from hours import demonstration_brief
from wxgate.journal import Journal
brief = demonstration_brief()
with Journal(Path(sys.argv[1]), at=datetime.now(UTC)) as journal:
    print("ready", flush=True)
    while True:
        journal.add_brief(brief)
"""


def test_kill_9_while_writing_leaves_whole_entries(brief: Brief, file: Path) -> None:
    here = str(Path(__file__).parent)
    for pause in (0.02, 0.11):
        writer = subprocess.Popen(
            [sys.executable, "-c", _WRITER, str(file), here], stdout=subprocess.PIPE, text=True,
            env=os.environ,
        )  # fmt: skip
        assert writer.stdout is not None
        assert writer.stdout.readline() == "ready\n"
        time.sleep(pause)
        writer.send_signal(signal.SIGKILL)
        writer.wait()
        with Journal(file, at=NOW) as journal:
            assert journal.notes == ()
            assert journal.faults() == ()
            counts = journal.counts()
            assert counts["brief"] > 0
            assert counts["verdict"] == counts["brief"] * len(brief.hours)


def test_a_full_disk_is_a_sentence_and_the_journal_stays_whole(brief: Brief, file: Path) -> None:
    with Journal(file, at=NOW) as journal:
        journal.add_brief(brief)
        used = journal._connection.execute("PRAGMA page_count").fetchone()[0]
        # sqlite then says what it says on a full disk: SQLITE_FULL.
        journal._connection.execute(f"PRAGMA max_page_count = {used + 1}")
        with pytest.raises(JournalError, match=r"full.*Free some space"):
            _add_many(journal, brief, 50)
        assert journal.faults() == ()
        journal._connection.execute("PRAGMA max_page_count = 1000000")
        before = journal.counts()["brief"]
        journal.add_brief(brief)
        counts = journal.counts()
    assert counts["brief"] == before + 1
    assert counts["verdict"] == counts["brief"] * len(brief.hours)


def _add_many(journal: Journal, brief: Brief, times: int) -> None:
    for _ in range(times):
        journal.add_brief(brief)


def _write_many(file: Path, brief: Brief, times: int) -> None:
    with Journal(file, at=NOW) as journal:
        _add_many(journal, brief, times)


def test_two_writers_lose_nothing(brief: Brief, file: Path) -> None:
    context = multiprocessing.get_context("spawn")
    light = replace(brief, forecasts=brief.forecasts)
    writers = [context.Process(target=_write_many, args=(file, light, 15)) for _ in range(2)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join(60)
    assert [writer.exitcode for writer in writers] == [0, 0]
    with Journal(file, at=NOW) as journal:
        assert journal.counts()["brief"] == 30
        assert journal.counts()["verdict"] == 30 * len(brief.hours)
        assert journal.faults() == ()


@pytest.mark.parametrize("damage", ["scribbled", "cut", "no database", "empty"])
def test_a_damaged_journal_is_set_aside_and_told(brief: Brief, file: Path, damage: str) -> None:
    with Journal(file, at=NOW) as journal:
        for _ in range(20):
            journal.add_brief(brief)
            journal.add_reading(Reading(NOW, "x", mean=1.0))
    content = bytearray(file.read_bytes())
    if damage == "scribbled":
        content[100:4096] = b"\xa5" * 3996  # the page that says where everything is
    elif damage == "cut":
        content = content[: len(content) // 3]
    elif damage == "no database":
        content = bytearray(b"this is no journal at all\n" * 1000)
    else:
        content = bytearray()
    file.write_bytes(content)
    try:
        with Journal(file, at=NOW) as journal:
            notes = journal.notes
            journal.add_brief(brief)
            assert journal.counts()["brief"] >= 1
            assert notes or damage in ("empty", "cut")
    except JournalError:
        # A cut file opens, and is found out by the first write at the latest: never a silent loss.
        assert damage == "cut"
        return
    if notes:
        (aside,) = file.parent.glob("journal.damaged-20260915T050000Z.sqlite")
        assert aside.read_bytes() == bytes(content)
        assert "damaged" in notes[0]
        assert aside.name in notes[0]


def test_what_can_be_read_of_a_damaged_journal_is_taken_over(brief: Brief, file: Path) -> None:
    with Journal(file, at=NOW) as journal:
        for i in range(400):
            journal.add_reading(Reading(NOW + timedelta(minutes=i), "x", mean=1.0, notes="n" * 200))
    content = bytearray(file.read_bytes())
    middle = len(content) // 2 // 4096 * 4096
    content[middle : middle + 4096] = b"\xa5" * 4096
    file.write_bytes(content)
    with Journal(file, at=NOW) as journal:  # it opens: the damage is further in
        with pytest.raises(JournalError, match="malformed"):
            list(journal.readings())
        assert journal.faults() != ()
        journal.mend(at=NOW)
        saved = [r.made for r in journal.readings()]
        assert journal.faults() == ()
    # A page of 4096 bytes holds some 16 of these: both sides of the hole are there.
    assert len(saved) > 350
    assert (saved[0], saved[-1]) == (NOW, NOW + timedelta(minutes=399))
    assert (file.parent / "journal.damaged-20260915T050000Z.sqlite").read_bytes() == bytes(content)


def test_another_programs_file_is_left_alone(file: Path) -> None:
    file.parent.mkdir(parents=True)
    with sqlite3.connect(file) as other:
        other.execute("CREATE TABLE brief (note TEXT)")
        other.execute("INSERT INTO brief VALUES ('mine')")
    other.close()
    before = file.read_bytes()
    with pytest.raises(JournalError, match="another program's"):
        Journal(file, at=NOW)
    assert file.read_bytes() == before


def test_a_newer_journal_is_left_alone(file: Path) -> None:
    with Journal(file, at=NOW):
        pass
    with sqlite3.connect(file) as other:
        other.execute(f"PRAGMA user_version = {VERSION + 1}")
    other.close()
    with pytest.raises(JournalError, match=r"newer wxgate.*Update"):
        Journal(file, at=NOW)


def test_a_migration_that_stops_leaves_the_old_version(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Journal(file, at=NOW) as journal:
        journal.add_reading(Reading(NOW, "x", mean=2.0))
    from wxgate.journal import file as journal_file

    broken = (*journal_file.STEPS, "ALTER TABLE reading ADD COLUMN gust REAL; CREATE NONSENSE")
    monkeypatch.setattr(journal_file, "STEPS", broken)
    monkeypatch.setattr(journal_file, "VERSION", VERSION + 1)
    with pytest.raises(JournalError):
        Journal(file, at=NOW)
    monkeypatch.undo()
    with Journal(file, at=NOW) as journal:
        assert [r.mean for r in journal.readings()] == [2.0]


def test_a_folder_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "state").write_text("not a folder")
    with pytest.raises(JournalError) as caught:
        Journal(tmp_path / "state" / "journal.sqlite", at=NOW)
    assert caught.value.exit_code == 6


# ---------------------------------------------------------------------- the command


@pytest.fixture
def filled(brief: Brief) -> Path:
    from wxgate.cli.journal import journal_file

    hostile = replace(brief.site, name='=cmd("x")\n\x1b[31m<b>"\u202e')
    with Journal(journal_file(), at=NOW) as journal:
        journal.add_brief(replace(brief, demonstration=False, site=hostile))
    return journal_file()


def test_the_day_on_one_page(wx: Wx, filled: Path) -> None:
    code, out, _ = wx("journal", "note", "flown", "2026-09-15T10:00", "2026-09-15T10:40",
                      "--aircraft", "light-249g", "--notes", "two batteries")  # fmt: skip
    assert code == 0
    assert "flown at demo-field from 2026-09-15 10:00 BST" in out
    code, out, _ = wx("journal", "day", "2026-09-15")
    assert not re.search(r"\d\.\d{6}", out), "a page for people needs no microseconds"
    assert code == 0
    assert "10:00 go" in out
    assert "two batteries" in out
    assert "airspace, NOTAM" in out
    lines = out.splitlines()
    assert len(lines) <= 60
    assert max(map(len, lines)) <= 80


def test_the_day_in_the_units_and_on_the_clock_asked_for(wx: Wx, filled: Path) -> None:
    # 10 m/s are 19.4 kt, 2 m are 7 ft, 60 m are 197 ft (definitions of the knot and the foot, NIST
    # Special Publication 811, appendix B; from memory).
    afternoon = NOW.replace(hour=14, minute=30)  # 15:30 in British summer time
    with Journal(filled, at=NOW) as journal:
        reading = Reading(afternoon, "demo-field", mean=10.0, height=2.0, temperature=283.15)
        journal.add_reading(reading)
    words = ("journal", "day", "2026-09-15")
    code, out, _ = wx(*words, "--units", "knots", "--clock", "12")
    assert code == 0
    assert "3:30 pm: mean 19.4 kt at 7 ft, 10.0 °C" in out
    assert "up to 197 ft" in " ".join(out.split())
    assert "15:30: mean 10.0 m/s at 2 m, 10.0 °C" in wx(*words)[1]
    assert wx(*words, "--units", "ell")[0] == 2
    _, out, _ = wx("journal", "list", "--clock", "12")
    assert " am " in out or " pm " in out


def test_export_and_read_back(wx: Wx, filled: Path, tmp_path: Path, brief: Brief) -> None:
    import pandas as pd
    import xarray as xr

    for ending in ("csv", "nc", "parquet"):
        for table in ("hours", "briefs", "readings", "deeds", "observations"):
            code, _, err = wx("journal", "export", "--table", table,
                                "--out", tmp_path / f"{table}.{ending}")  # fmt: skip
            assert code == 0, err
    with (tmp_path / "hours.csv").open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines))
    assert [r["grade"] for r in rows] == [v.grade.word for v in brief.hours]
    assert rows[0]["start"] == "2026-09-15T05:00:00Z"
    with (tmp_path / "briefs.csv").open(encoding="utf-8", newline="") as lines:
        (told,) = csv.DictReader(lines)
    assert told["site_name"].startswith("'=cmd")  # no formula when a spreadsheet opens it
    frame = pd.read_parquet(tmp_path / "hours.parquet")
    assert frame["grade"].tolist() == [v.grade.word for v in brief.hours]
    with xr.open_dataset(tmp_path / "hours.nc") as whole:
        assert whole["gust_layer_maximum (gust-soon)"].attrs["units"] == "m s-1"
        assert whole["start"].values[0] == to_datetime64(brief.hours[0].start)


@pytest.mark.parametrize(
    ("day", "hours"), [("2026-03-29", 23), ("2026-10-25", 25), ("2026-09-15", 24)]
)
def test_a_day_has_its_own_length(file: Path, day: str, hours: int) -> None:
    # The days on which the clocks of the United Kingdom change: the last Sundays of March and
    # October (Summer Time Act 1972 as amended, from memory).
    from zoneinfo import ZoneInfo

    from wxgate.cli.journaldays import selection

    with Journal(file, at=NOW) as journal:
        which = selection(journal, None, day, day, "Europe/London", demo=False)
    assert which.since is not None
    assert which.until is not None
    assert which.until - which.since == timedelta(hours=hours)
    assert which.since.astimezone(ZoneInfo("Europe/London")).isoformat()[:16] == f"{day}T00:00"


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("export", "--out", "x.xls"), "endings"),
        (("export", "--out", "x.csv", "--table", "secrets"), "Tables"),
        (("export", "--out", "/nowhere/x.csv"), "cannot be written"),
        (("note", "flow", "10:00"), "flown, cut-short, cancelled"),
        (("note", "flown", "ten"), "not a time"),
        (("note", "flown", "10:00", "09:00"), "not after"),
        (("day", "2026-13-01"), "not a day"),
        (("list", "--zone", "Mars/Olympus"), "not known"),
    ],
)
def test_a_slip_of_the_pen(wx: Wx, filled: Path, words: tuple[str, ...], sentence: str) -> None:
    code, _, err = wx("journal", *words)
    assert code in (2, 6)
    assert sentence in err


# ---------------------------------------------------------------------- a hostile file

CHANGES = (
    "UPDATE verdict SET grade = 9",
    "UPDATE verdict SET margin = 'x', limiting = 7, chance = 'likely'",
    "UPDATE verdict SET start = start - 99999999999999",
    "UPDATE brief SET quantities = x'00'",
    "UPDATE brief SET quantities = 'abc', made = 'x'",
    "UPDATE brief SET provenance = '[1]'",
    "UPDATE brief SET provenance = '[{}]', notes = '[7, null]'",
    "UPDATE brief SET zone = 'Mars'",
    "UPDATE brief SET made = 99999999999999",
    "UPDATE brief SET latitude = 'north', height = 'high'",
    "UPDATE brief SET grade = -1, demonstration = 'no'",
    "UPDATE reading SET grade = 77, mean = 'calm'",
    "DROP TABLE reading",
    "DELETE FROM verdict",
)
LOOKS = (
    (), ("list",), ("day", "2026-09-15", "--site", "demo-field"), ("check",),
    ("export", "--out", "x.csv"), ("export", "--table", "briefs", "--out", "x.nc"),
    ("export", "--table", "readings", "--out", "x.csv"),
)  # fmt: skip


@pytest.mark.parametrize("change", CHANGES)
def test_a_row_that_no_wxgate_wrote_is_a_sentence(
    wx: Wx, filled: Path, tmp_path: Path, change: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with Journal(filled, at=NOW) as journal:
        journal.add_reading(Reading(NOW, "demo-field", mean=1.0))
    with sqlite3.connect(filled) as other:
        other.execute("PRAGMA foreign_keys = OFF")
        other.execute(change)
    other.close()
    (tmp_path / "o.csv").write_text("time,wind_speed (kt)\n2026-09-15T09:51Z,3\n")
    words = [("journal", *look) for look in LOOKS]
    words.append(("verify", "--observations", tmp_path / "o.csv"))
    for line in words:  # "wx" itself refuses a traceback and a fault of the program
        code, _, err = wx(*line)
        assert code in (0, 2, 3, 4, 6), (line, err)
        assert "Exception ignored" not in err


@pytest.mark.parametrize("kind", ["table", "folder", "pipe", "nothing", "other program's", "cut"])
def test_verify_leaves_alone_what_is_no_journal(
    wx: Wx, filled: Path, tmp_path: Path, kind: str
) -> None:
    named, table = tmp_path / "named", tmp_path / "o.csv"
    table.write_text("time,wind_speed (kt)\n2026-09-15T09:51Z,3\n")
    if kind == "table":
        named.write_bytes(table.read_bytes() * 50)
    elif kind == "folder":
        named.mkdir()
    elif kind == "pipe":
        os.mkfifo(named)
    elif kind == "other program's":
        with sqlite3.connect(named) as other:
            other.execute("CREATE TABLE t (a)")
        other.close()
    elif kind == "cut":
        named.write_bytes(filled.read_bytes()[:5000])
    before = named.read_bytes() if named.is_file() else None
    there = sorted(p.name for p in tmp_path.iterdir())
    code, out, err = wx("verify", "--journal", named, "--observations", table)
    assert code in (2, 6), out
    assert str(named) in err
    assert (named.read_bytes() if named.is_file() else None) == before
    # A file that only another program could have made is neither moved nor made.
    assert sorted(p.name.removesuffix("-shm").removesuffix("-wal") for p in tmp_path.iterdir()
                  if not p.name.endswith(("-shm", "-wal"))) == there  # fmt: skip


def test_who_reads_a_journal_leaves_no_file_beside_it(
    wx: Wx, filled: Path, brief: Brief, tmp_path: Path
) -> None:
    named, table = tmp_path / "replayed.sqlite", tmp_path / "o.csv"
    named.write_bytes(filled.read_bytes())
    table.write_text("time,wind_speed (kt)\n2026-09-15T09:51Z,3\n")
    code, _, err = wx("verify", "--journal", named, "--observations", table)
    assert code == 0, err
    assert named.read_bytes() == filled.read_bytes()
    assert sorted(p.name for p in tmp_path.iterdir() if p.is_file()) == [table.name, named.name]
    # One that another is about to write to keeps the files beside it, and what stands in them.
    with Journal(named, at=NOW) as writer:
        writer.add_brief(replace(brief, demonstration=False))
        with Journal(named, at=NOW, to_read=True) as reader:
            assert len(list(reader.briefs())) == 2
        assert len(list(writer.briefs())) == 2


def test_a_journal_on_a_medium_that_cannot_be_written(
    wx: Wx, filled: Path, brief: Brief, monkeypatch: pytest.MonkeyPatch
) -> None:
    # As on a write-protected stick: neither the file nor its folder can be written.
    monkeypatch.setattr(os, "access", lambda path, mode: mode != os.W_OK)
    code, out, _ = wx("journal", "day", "2026-09-15")
    assert code == 0
    assert "can only be read" in out
    assert "GO, Tue 15 Sep 10:00-12:00 BST" in out
    code, _, err = wx("journal", "note", "flown", "2026-09-15T10:00")
    assert code == 6
    assert "readonly" in err
    assert {p.name for p in filled.parent.iterdir()} == {filled.name}


@pytest.mark.parametrize("log", [None, b"", b"x" * 64])
def test_a_full_disk_hides_nothing_that_was_said(
    brief: Brief, file: Path, monkeypatch: pytest.MonkeyPatch, log: bytes | None
) -> None:
    # Seen on a full tmpfs: sqlite then says "disk I/O error" to a reader too.
    with Journal(file, at=NOW) as journal:
        journal.add_brief(brief)
    if log is not None:
        Path(f"{file}-wal").write_bytes(log)
    from wxgate.journal import file as journal_file

    to_read = journal_file._to_read

    def full(path: Path, *, still: bool) -> sqlite3.Connection:
        if not still:
            raise sqlite3.OperationalError("disk I/O error")
        return to_read(path, still=still)

    monkeypatch.setattr(journal_file, "_to_read", full)
    if log:  # what is in the log alone must not go unread in silence
        with pytest.raises(JournalError, match="Free some space"):
            Journal(file, at=NOW, to_read=True)
        return
    with Journal(file, at=NOW, to_read=True) as journal:
        assert journal.counts()["verdict"] == len(brief.hours)


def test_what_was_set_aside_is_never_written_over(brief: Brief, file: Path) -> None:
    for n in range(3):
        with Journal(file, at=NOW) as journal:
            journal.add_reading(Reading(NOW, "x", mean=float(n)))
        file.write_bytes(b"%d no journal at all" % n * 500)
    with Journal(file, at=NOW) as journal:
        assert journal.notes
    aside = {p.name for p in file.parent.glob("*damaged*.sqlite")}
    assert aside == {f"journal.damaged-20260915T050000Z{n}.sqlite" for n in ("", "-2", "-3")}
    assert len({(file.parent / name).read_bytes() for name in aside}) == 3


def test_ctrl_c_while_writing_leaves_whole_entries(
    brief: Brief, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(brief: Brief) -> Iterator[tuple[object, ...]]:
        yield from list(hour_rows(brief))[:9]
        raise KeyboardInterrupt

    with Journal(file, at=NOW) as journal:
        with monkeypatch.context() as patch:
            patch.setattr("wxgate.journal.book.hour_rows", stopped)
            with pytest.raises(KeyboardInterrupt):
                journal.add_brief(brief)
        assert journal.counts() == dict.fromkeys(journal.counts(), 0)
        journal.add_brief(brief)
        assert journal.counts()["verdict"] == len(brief.hours)


def test_another_process_writes_for_long(brief: Brief, file: Path) -> None:
    """Readers do not wait at all; a writer waits, and says so when it was too long."""
    from wxgate.journal import file as journal_file

    with Journal(file, at=NOW) as journal:
        journal.add_brief(brief)
    with sqlite3.connect(file, isolation_level=None) as other:
        other.execute("BEGIN IMMEDIATE")
        other.execute("INSERT INTO observation VALUES ('XXXX', 1, 'x', NULL)")
        begin = time.monotonic()
        with Journal(file, at=NOW) as journal:
            assert len(list(journal.hours(Selection(demonstration=True)))) == len(brief.hours)
        assert time.monotonic() - begin < journal_file.WAIT_S / 4
        other.execute("ROLLBACK")
    other.close()


def test_a_watch_writes_the_same_verdicts_but_once(
    brief: Brief, monkeypatch: pytest.MonkeyPatch
) -> None:
    from wxgate.cli.issued import issued
    from wxgate.cli.journal import journal_file

    real = replace(brief, demonstration=False)
    for minutes in (40, 20, 0):
        now = brief.now + timedelta(minutes=minutes)
        monkeypatch.setattr("wxgate.cli.issued.clock", lambda now=now: now)
        issued(replace(real, now=now), repeated=False)
    other = replace(real.forecasts[0].provenance[0], sha256="f" * 64)
    newer = replace(real.forecasts[0], provenance=(other,))
    issued(replace(real, forecasts=(newer,)), repeated=False)
    with Journal(journal_file(), at=NOW) as journal:
        assert journal.counts()["brief"] == 2
