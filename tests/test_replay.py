"""Contract: what the engine would have said, moment by moment, from past forecasts."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from wxgate import places
from wxgate.journal import Journal, Selection

pytestmark = pytest.mark.contract
Wx = Callable[..., tuple[int, str, str]]
SPAN = ("--since", "2026-09-15T05:00Z", "--until", "2026-09-15T14:00Z", "--every", "9")


def test_each_moment_is_told_as_a_brief_would_have(wx: Wx, tmp_path: Path) -> None:
    out = tmp_path / "replay.sqlite"
    code, told, _ = wx("replay", "--demo", *SPAN, "--hours", "24", "--out", out)
    assert code == 0
    lines = told.splitlines()
    assert lines[0] == "2026-09-15 05:00Z go: Tue 15 Sep 10:00-12:00 BST (gfs 15 00Z)"
    assert lines[1].startswith("2026-09-15 14:00Z no-go: no window")
    assert lines[-1] == "2 moments: 1 go, 1 no-go."
    with Journal(out, at=datetime(2026, 9, 15, tzinfo=UTC)) as journal:
        first, second = journal.briefs(Selection(demonstration=True))
        issued = list(journal.hours(Selection(demonstration=True), brief=first.id))
    # With chances, so that they can be verified too.
    assert all(h.chance is not None and 0 < h.chance < 1 for h in issued if h.grade == 0)
    _, brief, _ = wx("brief", "--demo", "--hours", "24")
    assert "GO: Tue 15 Sep 10:00-12:00 BST" in brief
    assert first.made == datetime(2026, 9, 15, 5, tzinfo=UTC)
    assert second.made == datetime(2026, 9, 15, 14, tzinfo=UTC)
    assert [h.start.hour for h in issued if h.grade == 0][:2] == [9, 10]
    code, _, err = wx("replay", "--demo", *SPAN, "--out", out)
    assert code == 2
    assert "there already" in err


def test_nothing_stored_for_today_is_touched(wx: Wx) -> None:
    wx("brief", "--demo")
    before = {p.name: p.read_bytes() for p in (places.cache_folder() / "hours").iterdir()}
    state = sorted(p.name for p in places.state_folder().glob("*"))
    wx("replay", "--demo", *SPAN)
    assert before == {p.name: p.read_bytes() for p in (places.cache_folder() / "hours").iterdir()}
    assert state == sorted(p.name for p in places.state_folder().glob("*"))


def test_files_are_read_some_hours_after_their_run(wx: Wx, tmp_path: Path) -> None:
    file = tmp_path / "forecast.nc"
    assert wx("fetch", "--demo", "--out", file)[0] == 0
    words = ("replay", places.shipped("rules") / "sites" / "demo-field.yaml",
             "--aircraft", "light-249g", "--pilot", "novice", "--forecast", file)  # fmt: skip
    code, told, _ = wx(*words, "--delay", "5")
    assert code == 0
    assert told.startswith("2026-09-15 05:00Z go: Tue 15 Sep 10:00-12:00 BST")
    code, told, _ = wx(*words, "--delay", "30")  # an old run is never go
    assert code == 0
    assert " go:" not in told


@pytest.mark.parametrize(
    ("words", "code", "sentence"),
    [
        (("--demo",), 2, "--since"),
        (("--demo", "--since", "2026-09-15T05:00Z", "--until", "2020-01-01T00:00Z"), 2, "before"),
        (("--demo", "--since", "2000-01-01T00:00Z", "--until", "2026-01-01T00:00Z", "--every", "1"),
         2, "too many"),
        (("--demo", "--since", "yesterday", "--until", "2026-01-01T00:00Z"), 2, "not a time"),
        (("--demo", "--since", "2031-01-01T00:00Z", "--until", "2031-01-01T00:00Z"), 3,
         "no forecast was had"),
        (("--demo", "--forecast", "nowhere.nc"), 3, "cannot be read|cannot read"),
        (("--demo", "--forecast", "x.nc", *SPAN), 2, "both given"),
    ],
)  # fmt: skip
def test_slips(wx: Wx, words: tuple[str, ...], code: int, sentence: str) -> None:
    import re

    found, _, err = wx("replay", *words)
    assert found == code, err
    assert re.search(sentence, err)
