"""Contract: whatever stands on the command line or in the environment, the answer is an answer.

Every command, every option, with words that do harm: one exit code of those that are documented,
one message in plain letters, no traceback, soon, and nothing left half-written. The commands and
their options are asked of Typer itself, so that a new one is tried without a line here. No network:
all that could ask one is told to stay offline. Long runs by hand: ``WXGATE_FUZZ=50``.
"""

from __future__ import annotations

import contextlib
import io
import os
import subprocess
import sys
import time
import typing
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import typer.main
from fuzzing import TIMES, WORDS, examples
from hypothesis import given
from hypothesis import strategies as st
from scenario_table import SCENARIOS
from scenarios import write_file

from wxgate.cli import main, tools

pytestmark = pytest.mark.contract

#: Those that the command line documents, with those of --exit-verdict.
DOCUMENTED = {0, 2, 3, 4, 5, 6, 7, 10, 11, 12}
MILLION = "y" * 1_000_000
TEXTS = [w for w in WORDS if "\0" not in w] + [
    MILLION, "\udcff\udcfe", "--", "-", "-1", "--help", "=", "nan", "NaN m", "1e400 m", "-inf m/s",
    "٣ m", "１２ m", "10 m\n", "0 m", "-5 m", "1e-300 m", "999999999999 m", "m", "10", "2026-02-30",
    "2026-09-15T25:00Z", "9999-12-31T23:59Z", "0000-01-01T00:00Z", "1969-12-31T23:59:59Z",
    "2026-09-15T05:00", "2026-09-15", "now", "25:61", "-1:00", "24:00", "00:00", "/", "/dev/null",
    "/proc/self/mem", "/nonexistent/x.yaml", "x.yaml", "~", "~nobody/x", "*", "$(id)", "gfs,gfs",
    "gfs,", ",", "GFS", "Europe/../../etc/passwd", "UTC\n", "/etc/localtime", "Mars/Base", "é",
    "\u202e", "🚁" * 50, "1" * 400, "1.7976931348623157e308", "0.0000001", "+5", "1,5", "0b11",
]  # fmt: skip
#: Never asked for: they reach for a network, wait for a person, or only print.
NOT_ASKED = {"--help", "--check", "--test", "--probe", "--online", "--install-completion",
             "--show-completion", "--schema", "--reports"}  # fmt: skip


@dataclass(frozen=True)
class World:
    """Files that make a good question."""

    folder: Path
    site: Path
    forecast: Path
    at: str
    watch: Path


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> World:
    import test_watch_config

    folder = tmp_path_factory.mktemp("world")
    scenario = SCENARIOS[0]
    (folder / "site.yaml").write_text(scenario.site_text())
    nobody = test_watch_config.GOOD.replace("mail.example.org", "127.0.0.1").replace("587", "1")
    (folder / "watch.yaml").write_text(nobody)
    at = f"{scenario.at(scenario.hours[0]):%Y-%m-%dT%H:%MZ}"
    return World(folder, folder / "site.yaml", write_file(scenario, folder / "f.nc"), at,
                 folder / "watch.yaml")  # fmt: skip


@pytest.fixture(autouse=True)
def patient(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(tools, "pause", lambda seconds: None)
    monkeypatch.chdir(tmp_path)


@cache
def commands() -> dict[str, Any]:
    """Every command by its words, as Typer made it."""
    found: dict[str, Any] = {}

    def walk(group: Any, words: str) -> None:
        for name, command in group.commands.items():
            here = f"{words} {name}".strip()
            if hasattr(command, "commands"):
                walk(command, here)
            else:
                found[here] = command

    walk(typer.main.get_command(main.build([])), "")
    return found


def good(command: str, world: World) -> dict[str, list[object]]:
    """The options and arguments of a good question, by name."""
    names = {p.name for p in commands()[command].params}
    options = {o for p in commands()[command].params for o in p.opts}
    told: dict[str, list[object]] = {}
    usual: dict[str, object] = {
        "--aircraft": "light-249g", "--pilot": "novice", "--forecast": world.forecast,
        "--at": world.at, "--hours": 3, "--out": world.folder / "out" / "o.html",
    }  # fmt: skip
    if command in ("verify", "replay", "fetch", "demo"):
        usual.pop("--forecast")
    for option, value in usual.items():
        if option in options:
            told[option] = [option, value]
    if "--offline" in options:
        told["--offline"] = ["--offline"]
    first: dict[str, object] = {
        "site": world.site, "hour": "09:00", "reading": "3", "config": world.watch,
        "file": world.folder / "out" / "new.yaml", "done": "flown", "start": "10:00",
        "which_day": "2026-10-19", "day": "2026-10-19",
    }  # fmt: skip
    for name in ("hour", "reading", "config", "file", "done", "start", "which_day", "day", "site"):
        arguments = {p.name for p in commands()[command].params if not p.opts[0].startswith("-")}
        if name in names & arguments:
            told[name] = [first[name]]
    return told


def ask(words: list[str]) -> tuple[int, str, str]:
    """Run one command line in this process."""
    out, err = io.StringIO(), io.StringIO()
    before, sys.argv = sys.argv, ["wxgate", *words]
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            try:
                main.run()
                code = 0
            except SystemExit as end:
                code = int(end.code or 0)
    finally:
        sys.argv = before
    return code, out.getvalue(), err.getvalue()


def check(words: list[str], world: World, within_s: float = 30.0) -> None:
    start = time.process_time()
    code, out, err = ask(words)
    shown = [w[:60] for w in words]
    assert time.process_time() - start < within_s, shown
    assert code in DOCUMENTED, (code, shown, err[:500])
    assert "Traceback" not in out + err, shown
    assert "fault of the program" not in err, (shown, err[:500])
    assert code == 0 or code in (10, 11, 12) or err.strip(), shown
    ours = err if err.startswith("wxgate:") else ""
    assert all(c == "\n" or c.isprintable() for c in out + ours), shown
    assert len(ours) < 100_000, shown
    left = [p.name for f in (world.folder, Path.cwd()) for p in f.rglob("*.partial*")]
    assert not left, (shown, left)


@examples(140)
@given(data=st.data())
def test_one_word_that_does_harm(world: World, data: st.DataObject) -> None:
    (world.folder / "out").mkdir(exist_ok=True)
    command = data.draw(st.sampled_from(sorted(commands())))
    told = good(command, world)
    params = [p for p in commands()[command].params if not set(p.opts) & NOT_ASKED]
    if not params:
        return
    for param in data.draw(st.lists(st.sampled_from(params), min_size=1, max_size=2)):
        word = data.draw(st.sampled_from(TEXTS))
        option = param.opts[0]
        if not option.startswith("-"):
            told[option] = [word]
        elif param.is_flag:
            told[option] = [option]
        else:
            told[option] = [f"{option}={word}"]
    words = [str(w) for parts in told.values() for w in parts]
    check([*command.split(), *words], world)


def numbers() -> list[tuple[str, str]]:
    """Every option of every command that takes a number, by what its function says."""
    found = []
    for command in sorted(commands()):
        hints = typing.get_type_hints(commands()[command].callback)
        for param in commands()[command].params:
            kinds = {hints.get(param.name), *typing.get_args(hints.get(param.name))}
            if {int, float} & kinds and param.opts[0].startswith("-"):
                found.append((command, param.opts[0]))
    return found


@pytest.mark.parametrize(
    "value", ["nan", "inf", "-inf", "1e300", "-1e-300", "99999999999999999999"]
)
def test_every_number_beyond_all_bounds(world: World, value: str) -> None:
    (world.folder / "out").mkdir(exist_ok=True)
    assert len(numbers()) > 20
    for command, option in numbers():
        if command == "demo" or {option} & NOT_ASKED:
            continue
        told = good(command, world) | {option: [f"{option}={value}"]}
        check([*command.split(), *(str(w) for parts in told.values() for w in parts)], world)


#: By hand all of them; the first finds the most.
WALLS = ["9" * 5000, "\udcff", "", "/", "~nobody/x", "\n", "é" * 300][: None if TIMES > 1 else 1]


@pytest.mark.parametrize("word", WALLS)
def test_every_text_that_is_a_wall(world: World, word: str) -> None:
    """Every option and argument that takes a text or a path, one at a time."""
    (world.folder / "out").mkdir(exist_ok=True)
    known = set(numbers())
    for command in sorted(set(commands()) - {"demo"}):
        for param in commands()[command].params:
            option = param.opts[0]
            if (command, option) in known or set(param.opts) & NOT_ASKED:
                continue
            if option.startswith("-") and param.is_flag:
                continue
            given = [f"{option}={word}"] if option.startswith("-") else [word]
            told = good(command, world) | {option: given}
            check([*command.split(), *(str(w) for parts in told.values() for w in parts)], world)


@examples(40)
@given(words=st.lists(st.sampled_from([*TEXTS, "brief", "rules", "journal", "--demo"]), max_size=4))
def test_any_words_at_all(world: World, words: list[str]) -> None:
    if not {"--demo", "-", "--"} & set(words):  # a demonstration takes long, and is tried elsewhere
        check([*words, "--offline"] if words[:1] == ["brief"] else words, world)


ENVIRONMENT = ["WXGATE_CACHE", "WXGATE_CONFIG", "WXGATE_STATE", "NO_COLOR", "COLUMNS", "TERM",
               "LANG",
               "LC_ALL", "TZ", "HOME", "XDG_CACHE_HOME", "XDG_CONFIG_HOME", "XDG_STATE_HOME",
               "http_proxy", "https_proxy", "WXGATE_DEBUG"]  # fmt: skip


@examples(40)
@given(data=st.data())
def test_environment_variables_that_do_harm(world: World, data: st.DataObject) -> None:
    before = dict(os.environ)
    try:
        for name in data.draw(st.lists(st.sampled_from(ENVIRONMENT[:-1]), min_size=1, max_size=3)):
            value = data.draw(st.sampled_from([t for t in TEXTS if "\ud800" not in t]))
            os.environ[name] = value[:100_000]
        words = [str(w) for parts in good("brief", world).values() for w in parts]
        check(["brief", *words], world)
    finally:
        os.environ.clear()
        os.environ.update(before)


@contextlib.contextmanager
def started(words: list[Any], environment: dict[str, str]) -> Iterator[Any]:
    yield subprocess.run(
        [sys.executable, "-m", "wxgate", *words], capture_output=True, timeout=60, check=False,
        env={**os.environ, **environment},
    )  # fmt: skip


@pytest.mark.parametrize(
    ("words", "environment"),
    [
        (["brief", b"\xff\xfe", "--aircraft", b"\x80", "--pilot", "novice", "--offline"], {}),
        (["brief", "--lat=nan", "--lon=inf", "--aircraft", "x" * 99_000, "--pilot", "\x1b[2J"], {}),
        (["rules", "check", b"\xff.yaml"], {"LANG": "C", "LC_ALL": "C", "PYTHONUTF8": "0"}),
        (["field", "３", "5"], {"PYTHONIOENCODING": "ascii"}),
    ],
)  # fmt: skip
def test_real_processes(words: list[Any], environment: dict[str, str]) -> None:
    with started(words, environment) as ended:
        assert ended.returncode in DOCUMENTED, ended.stderr[-500:]
        assert b"Traceback" not in ended.stderr
        assert b"\x1b[2J" not in ended.stderr
        assert b"fault of the program" not in ended.stderr
        assert len(ended.stderr) < 10_000
