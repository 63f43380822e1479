"""Contract: files that a command writes are there though nobody reads what it prints, and no other
thing than a file ever takes their place; a brief for another time is no verdict of that time."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from wxgate.cli.issued import is_of_now
from wxgate.cli.journal import journal_file
from wxgate.cli.main import READER_GONE

pytestmark = pytest.mark.contract

Run = Callable[..., tuple[int, str, str]]
#: Every command that writes a file that the user names, up to that name. {other} is a good name.
WRITES = {
    "page": ("page", "--demo", "--out"),
    "fetch": ("fetch", "--demo", "--out"),
    "sheet": ("sheet", "--demo", "--out"),
    "sheet --calendar": ("sheet", "--demo", "--calendar"),
    "lessons --sheet": ("lessons", "--demo", "--sheet"),
    "lessons --calendar": ("lessons", "demo-week", "--demo", "--calendar"),
    "journal day": ("journal", "day", "2026-09-15", "--site", "x", "--out"),
    "journal export": ("journal", "export", "--out"),
    "replay": ("replay", "--demo", "--since", "2026-09-15T05:00Z", "--until", "2026-09-15T05:00Z",
               "--out"),
    "verify --offer": ("verify", "--offer"),
}  # fmt: skip
ENDING = {"fetch": ".nc", "lessons --calendar": ".ics", "sheet --calendar": ".ics",
          "journal export": ".csv", "sheet": ".txt", "lessons --sheet": ".txt"}  # fmt: skip


@pytest.mark.parametrize("what", WRITES)
def test_a_folder_that_is_not_there_is_told_as_such(wx: Run, tmp_path: Path, what: str) -> None:
    out = tmp_path / "missing" / "folder" / f"x{ENDING.get(what, '.html')}"
    code, told, err = wx(*WRITES[what], out)
    assert (code, told) == (2, "")
    assert "its folder is not there" in err
    assert str(out) in err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("what", WRITES)
def test_a_folder_or_a_device_is_never_replaced(wx: Run, tmp_path: Path, what: str) -> None:
    folder = tmp_path / f"x{ENDING.get(what, '.html')}"
    folder.mkdir()
    pipe = tmp_path / f"y{ENDING.get(what, '.html')}"
    os.mkfifo(pipe)
    for target in (folder, pipe):
        code, _, err = wx(*WRITES[what], target)
        assert code == 2
        assert "a folder or a device, not a file" in err or "is there already" in err
    assert folder.is_dir()
    assert pipe.is_fifo()


def unread(*words: object) -> tuple[int, str]:
    """The exit code and the errors of a run whose reader has gone before its first line."""
    read, write = os.pipe()
    os.close(read)
    ended = subprocess.run(
        [sys.executable, "-m", "wxgate", *map(str, words)], stdout=write,
        stderr=subprocess.PIPE, text=True, check=False,
    )  # fmt: skip
    os.close(write)
    return ended.returncode, ended.stderr


@pytest.mark.parametrize(
    "words",
    [
        ("lessons", "demo-week", "--demo", "--calendar", "{out}.ics", "--sheet", "{out}.txt"),
        ("lessons", "--demo", "--calendar", "{out}.ics", "--json"),
        ("sheet", "--demo", "--calendar", "{out}.ics"),
        ("sheet", "--demo", "--out", "{out}.txt", "--calendar", "{out}.ics"),
        ("page", "--demo", "--out", "{out}.html"),
        ("fetch", "--demo", "--out", "{out}.nc"),
        ("demo", "--out", "{folder}"),
    ],
    ids=lambda words: " ".join(words[:2]),
)
def test_the_files_are_there_though_nobody_reads(tmp_path: Path, words: tuple[str, ...]) -> None:
    named = [w.format(out=tmp_path / "x", folder=tmp_path) for w in words]
    code, err = unread(*named)
    assert (code, err) == (READER_GONE, "")
    endings = {Path(w).suffix for w in words if w.startswith("{out}")} or {".html"}
    assert {file.suffix for file in tmp_path.iterdir()} == endings


def test_a_file_that_cannot_be_written_is_told_though_nobody_reads(tmp_path: Path) -> None:
    (tmp_path / "x.ics").write_text("no calendar")
    code, err = unread("sheet", "--demo", "--calendar", tmp_path / "x.ics")
    assert (code, "x.ics" in err) == (2, True)


def test_a_reader_that_has_gone_is_no_go_for_no_script() -> None:
    """128 and the number of SIGPIPE, as shells tell of a program that it ends; never 0."""
    assert unread("brief", "--demo", "--exit-verdict") == (141, "")
    assert unread("brief", "--demo") == (141, "")


# ---------------------------------------------------------------------- what is written down


@pytest.fixture
def file(wx: Run, tmp_path: Path) -> Path:
    out = tmp_path / "f.nc"
    assert wx("fetch", "--demo", "--out", out)[0] == 0
    return out


ASK = ("brief", "demo-field", "--aircraft", "light-249g", "--pilot", "novice", "--hours", 6)


@pytest.mark.parametrize("minutes", [-60 * 24 * 30, -30, 30])
def test_a_brief_for_another_time_is_not_journalled(
    wx: Run, file: Path, monkeypatch: pytest.MonkeyPatch, minutes: int
) -> None:
    now = datetime(2026, 9, 15, 6, tzinfo=UTC)
    at = f"{now:%Y-%m-%dT%H:%MZ}"
    # The test's clock would follow --at: here it stands elsewhere.
    monkeypatch.setattr("wxgate.cli.issued.is_of_now", lambda moment: False)
    code, out, err = wx(*ASK, "--at", at, "--forecast", file)
    assert code == 0
    assert out
    assert "not written down" in err
    assert "replay" in err
    assert not journal_file().exists()
    monkeypatch.undo()
    here = now - timedelta(minutes=minutes)
    monkeypatch.setattr("wxgate.cli.issued.clock", lambda: here)
    monkeypatch.setattr("wxgate.cli.issued.BEGAN", here)
    assert not is_of_now(now)
    assert is_of_now(here - timedelta(minutes=5))
    # A watch of many sites has run since long; what it looks at is still of now.
    monkeypatch.setattr("wxgate.cli.issued.BEGAN", here - timedelta(minutes=40))
    assert is_of_now(here - timedelta(minutes=40))


def test_a_brief_of_now_is_journalled_also_where_nobody_reads_it(
    wx: Run, file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from wxgate.cli import brief as command
    from wxgate.cli.terminal import ReaderGoneError
    from wxgate.journal import Journal

    def gone(text: str, **_: object) -> None:
        raise ReaderGoneError

    monkeypatch.setattr(command, "say", gone)
    code, _, err = wx(*ASK, "--at", "2026-09-15T06:00Z", "--forecast", file)
    assert (code, err) == (READER_GONE, "")
    with Journal(journal_file(), at=datetime.now(UTC)) as journal:
        assert journal.counts()["brief"] == 1


@pytest.mark.parametrize("option", ["--site", "--aircraft", "--pilot", "--reason", "--notes"])
@pytest.mark.parametrize("text", ["a\x1b[2J", "a\nb", "a\tb", "\x9b31m", "a\u202eb", "a\u200bb"])
def test_what_hides_in_a_text_is_not_noted(wx: Run, option: str, text: str) -> None:
    words = ["journal", "note", "flown", "10:00", "10:20", "--site", "x", option, text]
    code, out, err = wx(*words)
    assert (code, out) == (2, "")
    assert "cannot be seen" in err
    assert wx("journal", "note", "flown", "10:00", "--site", "Wald ø", "--notes", "größer")[0] == 0
