"""Shared fixtures: the folder of real files, which tests read in place, and a browser."""

from __future__ import annotations

import os

# Before numpy loads: small matrices on several threads are slower, and many tests run side by side.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from local_server import LocalServer

SHARED = Path(__file__).resolve().parents[2] / "shared" / "data"


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """The folder of real forecast, index, Kp, METAR and mast files."""
    if not SHARED.is_dir():
        pytest.skip("the shared data folder is not beside the checkout")
    return SHARED


@pytest.fixture
def server() -> Iterator[LocalServer]:
    """A local server with nothing on it yet."""
    from local_server import LocalServer

    with LocalServer() as running:
        yield running


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A headless Chromium, one for all tests; they skip where there is none."""
    from chromium import chromium

    with chromium(tmp_path_factory.mktemp("chromium")) as driver:
        yield driver


@pytest.fixture(autouse=True)
def own_folders(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each test has cache and configuration folders of its own, and no colour."""
    base = tmp_path_factory.mktemp("home")
    monkeypatch.setenv("WXGATE_CACHE", str(base / "cache"))
    monkeypatch.setenv("WXGATE_CONFIG", str(base / "config"))
    monkeypatch.setenv("WXGATE_STATE", str(base / "state"))
    monkeypatch.setenv("NO_COLOR", "1")


@pytest.fixture
def wx(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[int, str, str]]:
    """Run ``wxgate`` with these words; its exit code, standard output and standard error."""
    from datetime import UTC, datetime

    from wxgate.cli import issued, main, tools

    monkeypatch.setattr(tools, "pause", lambda seconds: None)

    def clock() -> datetime:
        """The moment of ``--at`` is today, so that a brief for it is written down."""
        try:
            return datetime.fromisoformat(sys.argv[sys.argv.index("--at") + 1]).astimezone(UTC)
        except (ValueError, IndexError):
            return datetime.now(UTC)

    monkeypatch.setattr(issued, "clock", clock)

    def run(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["wxgate", *map(str, words)])
        capsys.readouterr()
        try:
            main.run()
            code = 0
        except SystemExit as end:
            code = int(end.code or 0)
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        assert "fault of the program" not in err, err
        assert all(c == "\n" or c.isprintable() for c in out + err), "a control character"
        return code, out, err

    return run


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark every test that reads the shared folder, or that needs a browser."""
    for item in items:
        if "shared_data" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.shared)
        if "browser" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.chromium)


#: In CI these variables say what must be there: a test that skips for want of it is a failure.
REQUIRED = {"WXGATE_REQUIRE_SHARED": "shared", "WXGATE_REQUIRE_CHROMIUM": "chromium"}


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item):  # type: ignore[no-untyped-def]
    """A test that skips although what it needs is required (CI) has failed."""
    outcome = yield
    report = outcome.get_result()
    for variable, mark in REQUIRED.items():
        if report.skipped and os.environ.get(variable) and mark in item.keywords:
            report.outcome = "failed"
            report.longrepr = f"{item.nodeid} was skipped although {variable} is set"
