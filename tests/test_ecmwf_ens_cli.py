"""Contract: a brief by ECMWF's ensemble, from the command line to the verdict, by a local server.

The members and their control come from files of their own; all of them grade every hour, and the
stored hours answer again without a network. The weather is invented (``ecmwf_service``).
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import ecmwf_service as service
import pytest
import yaml
from bad_days import KP_FILE, Day, kp_rows
from local_server import LocalServer

pytestmark = pytest.mark.contract

Run = Callable[..., tuple[int, str, str]]
NOW = service.RUN + timedelta(hours=7, minutes=30)
HOURS = 4
#: The hours that are asked, with those beside them that rules look at.
STEPS = range(3, 16, 3)
ALL = service.MEMBERS + 1  # with the control
ASK = ("--lat", 50, "--lon", 10, "--aircraft", "heavy-4kg", "--pilot", "experienced",
       "--hours", HOURS, "--at", f"{NOW:%Y-%m-%dT%H:%MZ}", "--sources", "ecmwf-ens")  # fmt: skip


@pytest.fixture
def day() -> Iterator[Day]:
    """ECMWF's files of a run and the K index on a local server, and a user's configuration."""
    with LocalServer() as server:
        made = Day(server, Path(os.environ["WXGATE_CONFIG"]))
        server.blob(KP_FILE, kp_rows(NOW).encode(), content_type="application/json")
        for step in (0, *STEPS):
            service.serve(server, "/ecmwf", service.make_file(service.RUN, step))
            service.serve(server, "/ecmwf", service.make_ensemble_file(service.RUN, step))
        mirrors = {"aws": {"service": "bucket", "root": server.url("/ecmwf")}}
        file = made.config / "endpoints.yaml"
        entries = yaml.safe_load(file.read_text())
        for name in ("ecmwf", "ecmwf-ens"):
            entries[name] = {"order": ["aws"], "mirrors": mirrors}
        entries["ecmwf-ens"] |= {"members": service.MEMBERS, "least_members": 4}
        file.write_text(yaml.safe_dump(entries))
        yield made


def told(wx: Run, *more: object) -> dict[str, Any]:
    code, out, err = wx("brief", *ASK, "--json", *more)
    assert code == 0, err
    found: dict[str, Any] = json.loads(out)
    return found


def lose(day: Day, *members: int) -> None:
    """The files of the ensemble no longer hold these members."""
    for step in (0, *STEPS):
        whole = service.make_ensemble_file(service.RUN, step)
        kept = tuple(m for m in whole.messages if m[1] not in members)
        service.serve(day.server, "/ecmwf", service.File(whole.run, step, "enfo", kept))


def test_every_member_grades_and_the_stored_hours_answer_again(wx: Run, day: Day) -> None:
    found = told(wx)
    assert found["chances"]["kind"] == "ensemble"
    assert found["chances"]["members"] == ALL
    assert found["chances"]["graded_by"] == "chance"
    assert {p["source"] for p in found["provenance"]} == {"ecmwf-ens", "swpc"}
    assert f"ecmwf-ens: {ALL} of {ALL} members" in found["notes"]
    assert all(hour["reasons"] for hour in found["hours"])
    day.server.forget()
    again = told(wx, "--offline")
    assert day.server.paths() == []
    assert again["hours"] == found["hours"]
    code, out, _ = wx("brief", *ASK)
    assert code == 0
    assert "(ensemble)" in out
    assert "ECMWF" in out


def test_each_room_takes_an_ensemble(wx: Run, day: Day, tmp_path: Path) -> None:
    page = tmp_path / "brief.html"
    code, out, err = wx("page", *ASK, "--out", page)
    assert (code, err) == (0, "")
    assert "ECMWF" in page.read_text()
    code, out, err = wx("explain", f"{NOW:%H}:00", *ASK)
    assert (code, err) == (0, "")
    assert "chance to fly" in out
    assert wx("brief", *ASK)[0] == 0
    code, out, err = wx("field", 3, 5, 2, *ASK[-4:-2])
    assert (code, err) == (0, "")
    code, out, err = wx("lessons", *ASK[:8], *ASK[10:], "--hours", HOURS)
    assert (code, err) == (0, "")
    code, out, err = wx("sheet", *ASK)
    assert (code, err) == (0, "")
    file = tmp_path / "ens.nc"
    code, out, err = wx("fetch", *ASK[:4], *ASK[10:12], "--hours", HOURS, "--source", "ecmwf-ens",
                        "--out", file)  # fmt: skip
    assert code == 0, err
    code, out, err = wx("brief", *ASK[:-2], "--forecast", file, "--json")
    assert code == 0, err
    assert json.loads(out)["chances"]["members"] == ALL


def test_a_dry_run_tells_the_cost_or_that_it_cannot(wx: Run, day: Day) -> None:
    code, out, err = wx("brief", *ASK, "--dry-run")
    assert code == 0, err
    assert "ecmwf-ens" in out, out
    assert not [p for p in day.server.paths() if p.endswith(".grib2")]


def test_a_lost_member_is_told_and_too_few_are_no_forecast(wx: Run, day: Day) -> None:
    lose(day, 2, 4)
    found = told(wx)
    assert found["chances"]["members"] == ALL - 2
    assert any("left out: 2, 4" in note for note in found["notes"])
    lose(day, 2, 3, 4)
    for name in ("CACHE", "STATE"):
        os.environ[f"WXGATE_{name}"] += "-2"
    code, out, err = wx("brief", *ASK)
    assert (code, out) == (3, "")
    assert "members" in err
    assert err.count("\n") == 1


def test_without_a_k_index_no_hour_is_go(wx: Run, day: Day) -> None:
    day.server.blob(KP_FILE, b"[]")
    assert "go" not in {hour["grade"] for hour in told(wx)["hours"]}


def test_beside_a_model_the_stricter_counts(wx: Run, day: Day) -> None:
    words = [*ASK[:-1], "ecmwf-ens,ecmwf"]
    code, out, err = wx("brief", *words, "--json")
    assert code == 0, err
    order = ["go", "marginal", "unknown", "no-go"]
    for hour in json.loads(out)["hours"]:
        worst = max(hour["by_source"].values(), key=order.index)
        assert order.index(hour["grade"]) >= order.index(worst)
        assert set(hour["by_source"]) == {"ecmwf-ens", "ecmwf"}
