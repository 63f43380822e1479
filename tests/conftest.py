"""Shared fixtures: the folder of real files, which tests read in place."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

SHARED = Path(__file__).resolve().parents[2] / "shared" / "data"


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """The folder of real forecast, index, Kp, METAR and mast files."""
    if not SHARED.is_dir():
        pytest.skip("the shared data folder is not beside the checkout")
    return SHARED


@pytest.fixture(autouse=True)
def own_folders(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each test has cache and configuration folders of its own, and no colour."""
    base = tmp_path_factory.mktemp("home")
    monkeypatch.setenv("WXGATE_CACHE", str(base / "cache"))
    monkeypatch.setenv("WXGATE_CONFIG", str(base / "config"))
    monkeypatch.setenv("NO_COLOR", "1")


@pytest.fixture
def wx(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[int, str, str]]:
    """Run ``wxgate`` with these words; its exit code, standard output and standard error."""
    from wxgate.cli import main, tools

    monkeypatch.setattr(tools, "pause", lambda seconds: None)

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
    """Mark every test that reads the shared folder."""
    for item in items:
        if "shared_data" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.shared)


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item):  # type: ignore[no-untyped-def]
    """With WXGATE_REQUIRE_SHARED set (CI), a test that needs the shared folder must not skip."""
    outcome = yield
    report = outcome.get_result()
    if report.skipped and os.environ.get("WXGATE_REQUIRE_SHARED") and "shared" in item.keywords:
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped although the shared folder is required"
