"""Contract: what a file named by the user may be, and what an output may take the place of."""

from __future__ import annotations

import os
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest

from wxgate.wholefile import check_target, read_whole

pytestmark = pytest.mark.contract

Run = Callable[..., tuple[int, str, str]]


def test_a_device_that_never_ends_is_refused() -> None:
    with pytest.raises(OSError, match="a device"):
        read_whole(Path("/dev/zero"))


def test_a_file_and_a_pipe_are_read(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"all of it")
    assert read_whole(tmp_path / "file") == b"all of it"
    ours, theirs = os.pipe()  # as a shell gives with <(...)
    os.write(theirs, b"through")
    os.close(theirs)
    assert read_whole(Path(f"/dev/fd/{ours}")) == b"through"
    os.close(ours)


def test_a_small_file_takes_little_memory(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"small")
    tracemalloc.start()
    read_whole(tmp_path / "file")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 10_000_000


def test_an_output_takes_the_place_of_a_file_only(tmp_path: Path) -> None:
    check_target(tmp_path / "new")
    (tmp_path / "old").touch()
    check_target(tmp_path / "old")
    for other in (tmp_path, Path("/dev/null")):
        with pytest.raises(OSError, match="not a file"):
            check_target(other)


@pytest.mark.parametrize(
    "words",
    [
        ("brief", "--demo", "--aircraft", "/dev/zero"),
        ("brief", "--demo", "--rules", "/dev/zero"),
        ("brief", "--demo", "--chances", "/dev/zero"),
        ("brief", "--demo", "--bias", "/dev/zero"),
        ("brief", "demo-field", "--aircraft", "light-249g", "--pilot", "novice",
         "--forecast", "/dev/zero"),
        ("watch", "/dev/zero", "--check"),
        ("lessons", "/dev/zero"),
    ],
)  # fmt: skip
def test_no_command_reads_a_device(wx: Run, words: tuple[str, ...]) -> None:
    code, out, err = wx(*words)
    assert code in (2, 3, 4)
    assert out == ""
    assert "a device, not a file" in err


@pytest.mark.parametrize("out", [".", "", "x" * 300 + ".nc"])
@pytest.mark.parametrize("command", [("fetch", "--demo"), ("page", "--demo")])
def test_an_output_that_is_no_file(wx: Run, command: tuple[str, ...], out: str) -> None:
    code, told, err = wx(*command, "--out", out)
    assert code in (2, 3), (told, err)
    assert "cannot" in err


@pytest.mark.parametrize(
    "words",
    [
        ("explain", "99999999999999:00", "--demo"),
        ("journal", "day", "0001-01-01", "--site", "demo-field"),
        ("journal", "day", "9999-12-31", "--site", "demo-field"),
    ],
)
def test_a_time_beyond_all_calendars(wx: Run, words: tuple[str, ...]) -> None:
    wx("brief", "--demo")  # so that there is a journal
    code, out, err = wx(*words)
    assert (code, out) == (2, "")
    assert "is not a" in err
