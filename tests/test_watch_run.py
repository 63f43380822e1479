"""Contract: runs of the watch against real mail servers, and everything that can go wrong there.

What is looked up is invented (``watch_world``); config, state, lock, messages and SMTP are real.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from smtp_server import Data, MailServer, Taken, Tls
from watch_world import WATCH, GradeOf, seen_by, utc, write

from wxgate.cli import watching, watchjob
from wxgate.errors import JournalError, UsageError, WxgateError
from wxgate.verdict import Grade
from wxgate.watch.lock import locked

pytestmark = pytest.mark.contract

NOW = utc("2026-06-15T06:10")  # a Monday, 07:10 in London
HOUR = timedelta(hours=1)
PILOT, SECOND = "pilot@example.org", "second@example.org"
SLOTS = "    slots: [{days: every, from: 10:00, to: 12:00}]\n"
GO: GradeOf = lambda _: Grade.GO  # noqa: E731
NO_GO: GradeOf = lambda _: Grade.NO_GO  # noqa: E731


@dataclass
class Bench:
    """A watch file, its mail server, and the weather that each watch sees."""

    folder: Path
    box: MailServer
    monkeypatch: pytest.MonkeyPatch
    weather: dict[str, GradeOf | None] = field(default_factory=dict)
    watches: str = WATCH.format(id="w", site="field", hours=30, to=PILOT, send="{change: true}") + (
        SLOTS
    )
    mail: str = ""
    read: tuple[str, str] | None = None

    def __post_init__(self) -> None:
        self.monkeypatch.setattr("wxgate.report.plots.inline_png", lambda *_, **__: b"invented")
        self.monkeypatch.setattr(watching, "look", self.look)

    def look(self, job: watchjob.Job) -> list[object]:
        return [seen_by(job, w, self.weather.get(w.id, GO)) for w in job.settings.watches]

    def job(self, now: datetime = NOW) -> watchjob.Job:
        if self.read != (self.watches, self.mail):  # reading takes a while, for the rules
            config = write(self.folder, self.box, self.watches, mail=self.mail)
            self.kept = watchjob.read_job(config, now=now, rules=None, demo=False, offline=False)
            self.read = self.watches, self.mail
        return replace(self.kept, now=now)

    def run(self, now: datetime = NOW, **weather: GradeOf | None) -> list[Taken]:
        """The mails of one run that ends without a fault."""
        self.weather |= weather
        self.box.mails.clear()
        watching.run(self.job(now))
        return list(self.box.mails)

    def fails(self, now: datetime = NOW, **weather: GradeOf | None) -> tuple[int, str]:
        """The exit code and the line of a run that ends with one."""
        self.weather |= weather
        self.box.mails.clear()
        with pytest.raises(WxgateError) as told:
            watching.run(self.job(now))
        assert "\n" not in str(told.value)
        return told.value.exit_code, str(told.value)

    @property
    def state(self) -> Path:
        return self.job().stem.with_name(f"{self.job().stem.name}.sqlite")

    @property
    def heartbeat(self) -> dict[str, object]:
        return json.loads(self.state.with_suffix(".json").read_text())


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    with MailServer() as box:
        yield Bench(tmp_path, box, monkeypatch)


def subjects(mails: list[Taken]) -> list[str]:
    return [m.message["Subject"] for m in mails]


def text(mail: Taken) -> str:
    return mail.message.get_body(("plain",)).get_content()  # type: ignore[union-attr]


# ---------------------------------------------------------------------- one mail for one change


def test_one_mail_for_one_change(bench: Bench) -> None:
    first = bench.run()
    assert subjects(first) == [
        "GO Mon 15 Jun 10:00-12:00 BST, The field: first verdict (and 1 more)"
    ]
    assert bench.run() == []
    assert bench.run(NOW + HOUR / 2) == []
    changed = bench.run(NOW + HOUR, w=NO_GO)
    assert len(changed) == 1
    assert changed[0].message["Subject"].startswith("NO-GO Mon 15 Jun 10:00-12:00 BST, The field")
    assert "was GO" in text(changed[0])
    assert "gust at flight height 9.0 m/s at 10:00" in " ".join(text(changed[0]).split())
    assert bench.run(NOW + HOUR) == []
    assert bench.heartbeat["ok"] is True


def test_each_recipient_gets_one_mail_for_all_their_watches(bench: Bench) -> None:
    bench.watches = "".join(
        WATCH.format(id=i, site="field", hours=12, to=to, send="{change: true}") + SLOTS
        for i, to in (("a", PILOT), ("b", f"{PILOT}, {SECOND}"), ("c", SECOND))
    )
    mails = bench.run()
    assert sorted(m.recipient for m in mails) == [PILOT, SECOND]
    assert all(m.message["To"] == m.recipient for m in mails), "nobody sees who else is told"
    assert len({m.message["Message-ID"] for m in mails}) == 2
    again = bench.run(NOW + HOUR, b=NO_GO)
    assert sorted(m.recipient for m in again) == [PILOT, SECOND]
    assert [m.recipient for m in bench.run(NOW + HOUR, a=NO_GO)] == [PILOT]


def test_a_change_that_went_back_before_it_was_told_is_no_news(bench: Bench) -> None:
    bench.run()
    bench.box.stop()
    code, told = bench.fails(NOW + HOUR, w=NO_GO)
    assert code == 7
    assert "cannot be reached" in told
    bench.box.start()
    assert bench.run(NOW + 2 * HOUR, w=GO) == []


def test_late_news_is_never_sent_as_it_was(bench: Bench) -> None:
    bench.run()
    bench.box.stop()
    bench.fails(NOW + HOUR / 4, w=NO_GO)
    bench.box.start()
    three_days = NOW + timedelta(days=3)
    mails = bench.run(three_days, w=NO_GO)
    assert len(mails) == 1
    assert "Mon 15 Jun" not in text(mails[0])
    assert "Thu 18 Jun 10:00-12:00 BST" in text(mails[0])


def test_one_failing_site_never_stops_the_others(bench: Bench) -> None:
    bench.watches = "".join(
        WATCH.format(id=i, site="field", hours=12, to=PILOT, send="{change: true}") + SLOTS
        for i in ("a", "b")
    )
    code, told = bench.fails(a=None)
    assert code == 3
    assert told.count("invented fault") == 1
    assert len(bench.box.mails) == 1
    assert bench.heartbeat["ok"] is False
    assert bench.heartbeat["last_success"] is None


def test_without_a_fresh_verdict_that_is_told_once_and_its_end_too(bench: Bench) -> None:
    bench.run()
    for hours in (1, 3, 5):
        assert bench.fails(NOW + hours * HOUR, w=None)[0] == 3
        assert bench.box.mails == []
    bench.fails(NOW + 6 * HOUR, w=None)
    assert subjects(bench.box.mails) == ["NO FRESH VERDICT since Mon 15 Jun 07:10 BST, The field"]
    assert "do not fly on an earlier verdict" in " ".join(text(bench.box.mails[0]).split())
    bench.fails(NOW + 9 * HOUR, w=None)
    assert bench.box.mails == []
    back = bench.run(NOW + 10 * HOUR, w=GO)
    assert "verdicts are fresh again" in " ".join(text(back[0]).split())
    assert bench.run(NOW + 11 * HOUR) == []


def test_unknown_hours_are_no_fresh_verdict(bench: Bench) -> None:
    bench.run()
    told = bench.run(NOW + HOUR, w=lambda _: Grade.UNKNOWN)
    assert subjects(told)[0].startswith("UNKNOWN Mon 15 Jun 10:00-12:00")
    later = bench.run(NOW + 7 * HOUR, w=lambda _: Grade.UNKNOWN)
    assert any("NO FRESH VERDICT since Mon 15 Jun 07:10" in s for s in subjects(later))


# ---------------------------------------------------------------------- windows


def test_a_window_opens_moves_and_closes(bench: Bench) -> None:
    bench.watches = WATCH.format(id="w", site="field", hours=12, to=PILOT, send="{window: true}")

    def between(first: int, last: int) -> GradeOf:
        return lambda h: Grade.GO if first <= h.hour < last else Grade.NO_GO

    assert bench.run(w=NO_GO) == []
    assert subjects(bench.run(w=between(9, 12))) == [
        "GO Mon 15 Jun 10:00-13:00 BST, The field: a window has opened"
    ]
    assert bench.run(w=between(10, 13)) == [], "it overlaps what was told"
    assert subjects(bench.run(w=between(13, 15))) == [
        "GO Mon 15 Jun 14:00-16:00 BST, The field: the window has moved"
    ]
    closed = bench.run(w=NO_GO)
    assert subjects(closed) == [
        "NO-GO Mon 15 Jun 14:00-16:00 BST, The field: the window has closed"
    ]
    calendar = next(p for p in closed[0].message.walk() if p.get_content_type() == "text/calendar")
    assert "STATUS:CANCELLED" in calendar.get_content()
    assert bench.run(w=NO_GO) == []
    bench.run(w=between(9, 12))
    # Time closes a window without a word.
    assert bench.run(utc("2026-06-15T12:10"), w=between(9, 12)) == []


# ---------------------------------------------------------------------- quiet hours and the clock


def test_quiet_hours_collect_and_a_near_no_go_breaks_them(bench: Bench) -> None:
    bench.watches += "    quiet: {from: 22:00, to: 06:00, break-within: 9 h}\n"
    evening = utc("2026-06-15T20:10")
    bench.run(evening)
    assert bench.run(utc("2026-06-15T23:10"), w=NO_GO) == [], "10 h before the slot"
    assert bench.run(utc("2026-06-15T23:40"), w=lambda _: Grade.MARGINAL) == []
    broken = bench.run(utc("2026-06-16T01:10"), w=NO_GO)
    assert subjects(broken) == ["NO-GO Tue 16 Jun 10:00-12:00 BST, The field: was GO"]
    assert bench.run(utc("2026-06-16T02:10"), w=GO) == [], "a turn to the better waits"
    assert subjects(bench.run(utc("2026-06-16T05:10")))[0].startswith("GO Tue 16 Jun 10:00-12:00")


def test_fixed_times_over_both_changes_of_the_clock(bench: Bench) -> None:
    # Summer time in the United Kingdom in 2026: 29 March 01:00 UTC to 25 October 01:00 UTC
    # (The Summer Time Order 2002, last Sundays of March and October).
    bench.watches = WATCH.format(id="w", site="field", hours=12, to=PILOT, send="{at: [01:30]}")
    for start, sent in (
        ("2026-03-27T12:10", ["2026-03-28T02:10", "2026-03-29T02:10", "2026-03-30T01:10"]),
        ("2026-10-23T12:10", ["2026-10-24T01:10", "2026-10-25T01:10", "2026-10-26T02:10"]),
    ):
        bench.run(utc(start))  # what was due on the day before
        runs = [utc(start) + n * HOUR for n in range(1, 66)]
        got = [now for now in runs if bench.run(now)]
        assert got == [utc(s) for s in sent]


def test_a_clock_set_back_sends_nothing_twice_and_does_not_stop(bench: Bench) -> None:
    bench.watches = (
        WATCH.format(id="w", site="field", hours=30, to=PILOT, send="{change: true, at: [06:00]}")
        + SLOTS
    )
    bench.run(utc("2026-06-15T03:10"))
    assert len(bench.run(utc("2026-06-15T05:10"))) == 1  # 06:10 local
    assert bench.run(utc("2026-06-15T04:10")) == []
    assert bench.run(utc("2026-06-15T05:20")) == []
    # A year ahead by mistake, and back: the next morning's mail comes all the same.
    bench.run(utc("2027-06-15T05:20"))
    bench.run(utc("2026-06-15T05:30"))
    assert len(bench.run(utc("2026-06-16T05:10"))) == 1
    assert len(bench.run(utc("2026-06-16T05:40"), w=NO_GO)) == 1


# ---------------------------------------------------------------------- the mail server


@pytest.mark.parametrize("fault", ["down", "grey", "later", "silent"])
def test_what_was_not_taken_is_sent_later_and_once(bench: Bench, fault: str) -> None:
    box = bench.box
    if fault == "down":
        box.stop()
    elif fault == "grey":
        box.grey[PILOT] = 1
    elif fault == "later":
        box.data, box.data_times = Data.LATER, 1
    else:
        box.delay = 20
        bench.mail = ""
    assert bench.fails()[0] == 7
    assert box.mails == []
    assert bench.heartbeat["mails_waiting"] == 1
    if fault == "down":
        box.start()
    box.delay = 0
    assert len(bench.run(NOW + HOUR / 4)) == 1
    assert bench.run(NOW + HOUR / 2) == []
    assert bench.heartbeat["mails_waiting"] == 0


def test_a_server_that_dies_in_mid_data_gets_the_same_message_again(bench: Bench) -> None:
    bench.box.data, bench.box.data_times = Data.DIE_BEFORE, 10
    code, told = bench.fails()
    assert (code, bench.box.mails) == (7, [])
    assert "not known" in told
    bench.box.data_times = 0
    assert len(bench.run(NOW + HOUR / 4)) == 1
    assert bench.run(NOW + HOUR / 2) == []


def test_a_mail_taken_without_a_word_comes_twice_under_one_id(bench: Bench) -> None:
    bench.box.data, bench.box.data_times = Data.DIE_AFTER, 1
    bench.fails()
    (first,) = bench.box.mails
    (second,) = bench.run(NOW + HOUR / 4)
    assert first.content == second.content
    assert bench.run(NOW + HOUR / 2) == []


def test_after_a_mail_of_unknown_fate_the_newest_state_is_told(bench: Bench) -> None:
    bench.run(w=NO_GO)
    bench.box.data, bench.box.data_times = Data.DIE_AFTER, 1
    bench.fails(NOW + HOUR / 4, w=GO)
    assert len(bench.box.mails) == 1, "they have read GO, and nobody knows"
    # Back to what was surely told: silence would leave them with a GO.
    (mail,) = bench.run(NOW + HOUR / 2, w=NO_GO)
    assert mail.message["Subject"].startswith("NO-GO")


def test_a_refused_recipient_is_told_and_not_tried_for_ever(bench: Bench) -> None:
    bench.watches = (
        WATCH.format(id="w", site="field", hours=12, to=f"{PILOT}, {SECOND}", send="{change: true}")
        + SLOTS
    )
    bench.box.refused.add(SECOND)
    code, told = bench.fails()
    assert code == 7
    assert SECOND in told
    assert "550" in told
    assert [m.recipient for m in bench.box.mails] == [PILOT]
    tried = bench.box.attempts
    for n in range(1, 3):
        assert bench.run(NOW + n * HOUR / 4) == []
    assert bench.box.attempts == tried
    bench.box.refused.clear()
    # Newer news is tried anew.
    assert len(bench.run(NOW + HOUR, w=NO_GO)) == 2


def test_a_refusal_is_told_again_once_a_day(bench: Bench) -> None:
    bench.watches = WATCH.format(
        id="w", site="field", hours=12, to=PILOT, send="{change: true}"
    ) + ("    slots: [{days: [fri], from: 10:00, to: 12:00}]\n")
    friday = utc("2026-06-19T02:10")
    bench.box.refused.add(PILOT)
    bench.fails(friday)
    bench.run(friday + HOUR)
    connection = sqlite3.connect(bench.state)
    with connection:  # as if it had been told a day ago
        connection.execute("UPDATE outbox SET reported = reported - 86400")
    _, told = bench.fails(friday + 2 * HOUR)
    assert "still stands refused" in told
    bench.run(friday + 2 * HOUR)


def test_a_mail_that_breaks_the_server_starves_no_other(bench: Bench) -> None:
    people = ", ".join(f"p{n}@example.org" for n in range(6))
    bench.watches = (
        WATCH.format(id="w", site="field", hours=12, to=people, send="{change: true}") + SLOTS
    )
    bench.box.data, bench.box.data_times = Data.DIE_BEFORE, 1
    bench.fails()
    assert len(bench.box.mails) == 5
    assert [m.recipient for m in bench.run(NOW + HOUR / 4)] == ["p0@example.org"]


def test_a_refused_login_tells_all_and_shows_no_secret(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with MailServer(Tls.STARTTLS, ("pilot", "right")) as box:
        bench = Bench(tmp_path, box, monkeypatch)
        bench.mail = "  user: pilot\n  password-env: MAIL_SECRET\n"
        monkeypatch.setenv("MAIL_SECRET", "hunter2-wrong")
        code, told = bench.fails()
        assert code == 7
        assert "refused the login" in told
        monkeypatch.setenv("MAIL_SECRET", "right")
        (mail,) = bench.run(NOW + HOUR / 4)
        stored = b"".join(p.read_bytes() for p in bench.state.parent.iterdir())
        for secret in ("hunter2-wrong", "right"):
            assert secret not in told
            assert secret.encode() not in mail.content.replace(b"right answer", b"")
            assert secret.encode() not in stored
        monkeypatch.delenv("MAIL_SECRET")
        assert bench.fails(NOW + HOUR, w=NO_GO)[0] == 2
        monkeypatch.setenv("MAIL_SECRET", "right")
        assert len(bench.run(NOW + HOUR)) == 1


@pytest.mark.parametrize(
    ("mode", "kind", "told"),
    [
        (0o600, "file", ""), (0o400, "file", ""), (0o640, "file", "others"),
        (0o604, "file", "others"), (0o600, "link", "link"), (0o600, "folder", "plain file"),
        (0o600, "fifo", "plain file"), (0o600, "missing", "No such file"),
        (0o600, "empty", "no password"), (0o600, "binary", "control"),
    ],
)  # fmt: skip
def test_the_password_file_must_be_private(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, mode: int, kind: str, told: str
) -> None:
    path = tmp_path / "secret"
    with MailServer(Tls.IMPLICIT, ("pilot", "s3cret")) as box:
        bench = Bench(tmp_path, box, monkeypatch)
        bench.mail = "  user: pilot\n  password-file: secret\n"
        contents = {"empty": b"\n", "binary": b"s3\x00cret\xff"}
        if kind == "link":
            (tmp_path / "real").write_bytes(b"s3cret\n")
            (tmp_path / "real").chmod(mode)
            path.symlink_to(tmp_path / "real")
        elif kind == "folder":
            path.mkdir()
        elif kind == "fifo":
            os.mkfifo(path, mode)
        elif kind != "missing":
            path.write_bytes(contents.get(kind, b"s3cret\n"))
            path.chmod(mode)
        if told:
            code, line = bench.fails()
            assert code == 2
            assert told in line
            assert "s3cret" not in line
            with pytest.raises(UsageError, match=told):
                watching.checked(bench.job())
        else:
            assert len(bench.run()) == 1


# ---------------------------------------------------------------------- state, lock, crashes


def test_an_overlapping_run_leaves_the_field_and_a_hanging_one_is_told(bench: Bench) -> None:
    job = bench.job()
    lock = job.stem.with_name(f"{job.stem.name}.lock")
    lock.parent.mkdir(parents=True)
    with locked(lock, NOW):
        assert bench.run(NOW + HOUR) == []
        assert not bench.state.exists()
        code, told = bench.fails(NOW + 6 * HOUR)
        assert code == 6
        assert "another run is under way for 360 min" in told
    assert lock.exists()
    assert len(bench.run(NOW + HOUR)) == 1, "the file alone is no lock"


KILLED = """
import os, signal, sys
sys.path.insert(0, {tests!r})
import pytest
from pathlib import Path
from test_watch_run import Bench, NOW
from smtp_server import MailServer
from wxgate.watch.state import State
box = MailServer.__new__(MailServer)
box.__dict__.update(tls=__import__("smtp_server").Tls.NONE, port={port}, mails=[], ca_file={ca!r})
bench = Bench(Path({folder!r}), box, pytest.MonkeyPatch())
State.{where} = lambda *a, **k: os.kill(os.getpid(), signal.SIGKILL)
bench.run()
"""


@pytest.mark.parametrize(("where", "taken"), [("accepted", 1), ("begin", 0), ("note_fresh", 0)])
def test_killed_at_any_point_nothing_is_lost(bench: Bench, where: str, taken: int) -> None:
    code = KILLED.format(
        tests=str(Path(__file__).parent), port=bench.box.port, ca=str(bench.box.ca_file),
        folder=str(bench.folder), where=where,
    )  # fmt: skip
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
    assert done.returncode == -signal.SIGKILL, done.stderr.decode()
    first = list(bench.box.mails)
    assert len(first) == taken
    (mail,) = bench.run()
    assert all(f.message["Message-ID"] == mail.message["Message-ID"] for f in first)
    assert bench.run() == []


def test_a_state_that_cannot_be_written_sends_nothing(bench: Bench) -> None:
    bench.run()
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, limits[1]))
    try:
        code, told = bench.fails(NOW + HOUR / 4, w=NO_GO)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert (code, bench.box.mails) == (6, [])
    assert "memory cannot be used" in told
    assert len(bench.run(NOW + HOUR / 2)) == 1


def test_a_state_folder_that_is_a_file(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    blocked = bench.folder / "blocked"
    blocked.write_text("")
    monkeypatch.setenv("WXGATE_STATE", str(blocked))
    assert bench.fails()[0] == 6
    assert bench.box.mails == []


@pytest.mark.parametrize("damage", [b"", b"not a database at all" * 400, None])
def test_a_damaged_state_is_told_and_begun_anew_with_one_mail(
    bench: Bench, damage: bytes | None
) -> None:
    bench.run()
    content = bytearray(bench.state.read_bytes())
    if damage is None:
        content[4096:12288] = b"\xff" * 8192
    bench.state.write_bytes(damage if damage is not None else bytes(content))
    for tail in ("-wal", "-shm"):
        Path(f"{bench.state}{tail}").unlink(missing_ok=True)
    if damage == b"":  # an empty file is a new one: nothing tells that it was another
        assert len(bench.run(NOW + HOUR / 4)) == 1
        return
    code, told = bench.fails(NOW + HOUR / 4)
    assert code == 6
    assert "damaged" in told
    (mail,) = bench.box.mails
    assert "memory was lost" in text(mail)
    assert bench.run(NOW + HOUR / 2) == []
    assert len(list(bench.state.parent.glob("*.damaged-*.sqlite"))) == 1


def test_a_file_of_another_program_is_left_alone(bench: Bench) -> None:
    bench.state.parent.mkdir(parents=True)
    with sqlite3.connect(bench.state) as other:
        other.execute("CREATE TABLE theirs (x)")
    assert bench.fails()[0] == JournalError.exit_code
    with sqlite3.connect(bench.state) as other:
        assert other.execute("SELECT count(*) FROM theirs").fetchone() == (0,)


def test_state_and_lock_are_private(bench: Bench) -> None:
    bench.run()
    ours = [p for p in bench.state.parent.iterdir() if p.suffix in (".sqlite", ".lock")]
    assert {p.suffix for p in ours} == {".sqlite", ".lock"}
    for path in ours:
        assert path.stat().st_mode & 0o077 == 0


def test_an_edited_watch_begins_anew(bench: Bench) -> None:
    bench.run()
    job = bench.job(NOW + HOUR)
    craft = replace(job.casts["w"].aircraft, max_wind=1.0)
    other = replace(job, casts={"w": replace(job.casts["w"], aircraft=craft)})
    bench.box.mails.clear()
    watching.run(other)
    assert "first verdict" in " ".join(text(bench.box.mails[0]).split())


def test_who_is_taken_off_the_list_gets_nothing_that_waited(bench: Bench) -> None:
    bench.box.stop()
    bench.fails()
    bench.box.start()
    bench.watches = bench.watches.replace(PILOT, SECOND)
    assert [m.recipient for m in bench.run(NOW + HOUR / 4)] == [SECOND]


# ---------------------------------------------------------------------- the other ways to run


def test_a_dry_run_writes_the_mails_and_changes_nothing(bench: Bench) -> None:
    out = bench.folder / "out"
    lines, failure = watching.dry_run(bench.job(), out)
    assert failure is None
    assert not bench.state.exists()
    (file,) = out.glob("*.eml")
    assert str(file) in lines[-1]
    assert b"Subject: GO Mon 15 Jun" in file.read_bytes()
    bench.run()
    before = bench.state.read_bytes()
    assert watching.dry_run(bench.job(), out) == (["nothing is due."], None)
    bench.weather["w"] = NO_GO
    assert len(watching.dry_run(bench.job(), out)[0]) == 1
    assert bench.state.read_bytes() == before
    assert len(bench.run(w=NO_GO)) == 1, "the dry run told nobody"


def test_a_dry_run_fails_as_the_run_would(bench: Bench) -> None:
    bench.watches = "".join(
        WATCH.format(id=i, site="field", hours=12, to=PILOT, send="{change: true}") + SLOTS
        for i in ("a", "b")
    )
    bench.weather["a"] = None
    lines, failure = watching.dry_run(bench.job(), bench.folder / "out")
    assert failure is not None
    (file,) = (bench.folder / "out").glob("*.eml")
    assert str(file) in lines[-1], "the other watch's mail is written all the same"
    assert (failure.exit_code, str(failure)) == bench.fails()
    assert failure.exit_code == 3


def test_a_mail_that_cannot_be_written_stops_no_other(bench: Bench) -> None:
    bench.watches += WATCH.format(
        id="v", site="field", hours=12, to=SECOND, send="{change: true}"
    ) + (SLOTS)
    whole = "wxgate.report.mail.brief_text"

    def broken(found: object, **_: object) -> str:
        if getattr(found, "hours", ())[0].grade is Grade.NO_GO:
            raise ValueError("invented")
        return "fine"

    bench.monkeypatch.setattr(whole, broken)
    code, told = bench.fails(w=NO_GO)
    assert code == 1
    assert f"mail to {PILOT} could not be written" in told
    assert [m.recipient for m in bench.box.mails] == [SECOND]
    bench.monkeypatch.setattr(whole, lambda *_, **__: "fine")
    assert [m.recipient for m in bench.run()] == [PILOT], "it stayed due"


def test_a_trial_mail_to_each(bench: Bench) -> None:
    bench.watches += WATCH.format(id="v", site="field", hours=9, to=SECOND, send="{window: true}")
    watching.trial(bench.job())
    assert [m.recipient for m in bench.box.mails] == [PILOT, SECOND]
    assert "w: The field" in text(bench.box.mails[0])
    bench.box.refused.add(SECOND)
    with pytest.raises(WxgateError, match=r"second@example\.org: 550"):
        watching.trial(bench.job())
