"""Contract: what a terminal narrower than 80 columns shows, what a shell completes, and the help.

Terminals are real ones (pty) of a given width; everything else (a pipe, a file) has 80 columns.
"""

from __future__ import annotations

import fcntl
import os
import pty
import re
import struct
import subprocess
import sys
import termios
from collections.abc import Callable
from pathlib import Path

import pytest

from wxgate import places
from wxgate.cli.main import COMMANDS
from wxgate.report.words import CAUTIONS, room_left

pytestmark = pytest.mark.contract

Run = Callable[..., tuple[int, str, str]]
CONTROL = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]|\r")
SCREENS = (("brief", "--demo"), ("brief", "--demo", "--clock", "12"), ("lessons", "--demo"),
           ("lessons", "demo-week", "--demo"), ("field", "3", "5", "2", "--demo"),
           ("explain", "13:00", "--demo"))  # fmt: skip


def at_a_terminal(columns: int, words: tuple[str, ...]) -> str:
    """What a command prints to a terminal of this width; the bar of downloads goes elsewhere."""
    leader, follower = pty.openpty()
    fcntl.ioctl(follower, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    environment = {k: v for k, v in os.environ.items() if k != "COLUMNS"}
    child = subprocess.Popen(
        [sys.executable, "-m", "wxgate", *words], stdin=follower, stdout=follower,
        stderr=subprocess.DEVNULL, env=environment | {"TERM": "xterm-256color"},
    )  # fmt: skip
    os.close(follower)
    told = b""
    while True:
        try:
            piece = os.read(leader, 65536)
        except OSError:  # the other end is closed
            break
        if not piece:
            break
        told += piece
    os.close(leader)
    assert child.wait() == 0
    return CONTROL.sub("", told.decode())


@pytest.mark.parametrize("words", SCREENS, ids=" ".join)
@pytest.mark.parametrize("columns", [40, 57])
def test_nothing_is_wider_than_the_terminal(columns: int, words: tuple[str, ...]) -> None:
    told = at_a_terminal(columns, words)
    wide = [line for line in told.splitlines() if len(line) > columns]
    assert not [line for line in wide if " " in line.strip()], "only a word may be longer"
    joined = " ".join(told.split())
    assert all(caution in joined for caution in CAUTIONS)


@pytest.mark.parametrize("columns", [20, 80, 200])
def test_the_width_is_held_between_40_and_80(columns: int, wx: Run) -> None:
    told = at_a_terminal(columns, ("brief", "--demo"))
    widest = max(map(len, told.splitlines()))
    assert widest <= max(40, min(columns, 80))
    if columns >= 80:
        assert told == wx("brief", "--demo")[1], "a pipe has 80 columns"


def test_a_narrow_strip_tells_every_hour_and_its_grade_and_gust(wx: Run) -> None:
    def row(text: str, start: str) -> list[str]:
        lines = [line[7:] for line in text.splitlines() if line.startswith(start)]
        return " ".join(lines).split()

    wide = wx("brief", "--demo")[1]
    narrow = at_a_terminal(50, ("brief", "--demo"))
    for start in ("Tue 15 ", "Wed 16 ", "gust   ", "       "):
        assert row(narrow, start) == row(wide, start)
    assert len(row(wide, "gust   ")) == 36


def completed(line: str) -> list[str]:
    words = line.split(" ")
    environment = os.environ | {
        "_WXGATE_COMPLETE": "complete_bash", "COMP_WORDS": line, "COMP_CWORD": str(len(words) - 1),
    }  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-c", "import sys; sys.argv = ['wxgate'];"
         "from wxgate.cli.main import run; run()"],
        env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert not done.stderr
    return done.stdout.split()


@pytest.mark.parametrize(
    ("line", "offered"),
    [
        ("wxgate brief --aircraft li", ["light-249g"]),
        ("wxgate brief --pilot ", ["experienced", "first-flight", "intermediate", "novice"]),
        ("wxgate page dem", ["demo-field"]),
        ("wxgate lessons dem", ["demo-week", "demo-field"]),
        ("wxgate brief --sources gfs,ec", ["gfs,ecmwf", "gfs,ecmwf-ens"]),
        ("wxgate rules show --pilot n", ["novice"]),
        ("wxgate journal note f", ["flown"]),
    ],
)  # fmt: skip
def test_a_shell_completes_what_ships(line: str, offered: list[str]) -> None:
    assert completed(line) == offered


def test_a_shell_completes_the_users_own() -> None:
    folder = places.config_folder() / "aircraft"
    folder.mkdir(parents=True)
    (folder / "lightest.yaml").write_text("not: read")
    assert completed("wxgate brief --aircraft li") == ["light-249g", "lightest"]
    folder.parent.chmod(0o777)
    assert completed("wxgate brief --aircraft li") == [], "and complains of nothing"


def test_completion_needs_no_heavy_import() -> None:
    code = ("import sys; from wxgate.cli import complete; complete.aircraft('');"
            " complete.sources('g'); print([m for m in ('numpy', 'yaml', 'xarray', 'requests')"
            " if m in sys.modules])")  # fmt: skip
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "xarray" not in done.stdout
    assert "requests" not in done.stdout


@pytest.mark.parametrize(
    "words",
    [(n,) for n in COMMANDS] + [("rules", "check"), ("journal", "note"), ("cache", "prune")],
)
def test_the_help_shows_no_type_of_python(words: tuple[str, ...], wx: Run) -> None:
    told = wx(*words, "--help")[1]
    assert not re.search(r"<\w+>|<list", told)
    assert max(map(len, told.splitlines())) <= 80


@pytest.mark.parametrize(
    ("margin", "told"),
    [(0.14, "14%"), (0.0, "0%"), (0.004, "0%"), (-0.002, "-1%"), (-0.38, "-38%")],
)
def test_a_limit_that_is_passed_leaves_no_room(margin: float, told: str) -> None:
    assert room_left(margin) == told


def test_a_full_disk_is_told_as_such(tmp_path: Path) -> None:
    """A limit on the size of files stands for the disk: the netCDF library names neither."""
    code = ("import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (20000, 20000));"
            "from datetime import UTC, datetime; import numpy as np;"
            "from hours import forecast_of; from wxgate.netcdf import write_netcdf;"
            "from pathlib import Path;"
            "rain = {'precipitation': [0.0] * 5000};"
            "write_netcdf(forecast_of(rain), Path(sys.argv[1]))")  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "f.nc")], capture_output=True, text=True,
        cwd=Path(__file__).parent, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert "cannot write the file (File too large)" in done.stderr
    assert list(tmp_path.iterdir()) == []
