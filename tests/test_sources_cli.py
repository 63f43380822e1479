"""Contract: ``wxgate sources``, ``--reports`` and the second K index, against local services."""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import bad_days
import pytest
import yaml
from bad_days import NOW, RUN, SITE, Day, kp_rows
from local_server import Fault, LocalServer, Response

from wxgate.sources.registry import ENSEMBLES, INDICES, MODELS

pytestmark = pytest.mark.contract

Result = tuple[int, str, str]
Run = Callable[..., Result]
FIELD = ("--lat", SITE[0], "--lon", SITE[1])
WHO = ("--aircraft", "mid-900g", "--pilot", "intermediate")
AT = ("--at", f"{NOW:%Y-%m-%dT%H:%MZ}")
EVERY = [*MODELS, *ENSEMBLES, *INDICES]


@pytest.fixture
def day() -> Iterator[Day]:
    with LocalServer() as server:
        yield Day(server, Path(os.environ["WXGATE_CONFIG"]))


def configure(day: Day, **more: Any) -> None:
    file = day.config / "endpoints.yaml"
    entries = yaml.safe_load(file.read_text())
    for name, entry in more.items():
        entries[name] = {**entries.get(name, {}), **entry}
    file.write_text(yaml.safe_dump(entries))


# ---------------------------------------------------------------------- wxgate sources


def test_without_a_site_every_source_with_its_terms(wx: Run) -> None:
    code, out, err = wx("sources")
    assert (code, err) == (0, "")
    assert max(map(len, out.splitlines())) <= 80
    for name in EVERY:
        assert f"\n{name}: " in out
    told = json.loads(wx("sources", "--json")[1])["sources"]
    assert [one["name"] for one in told] == EVERY
    assert all(one["licence"] and one["credit"] for one in told)


@pytest.mark.parametrize(
    ("place", "first", "passed", "outside"),
    [
        ((40.0, -100.0), "hrrr", {"ecmwf"}, {"icon-d2", "icon-eu"}),
        ((50.0, 8.0), "gfs", {"icon-d2", "icon-eu", "ecmwf"}, {"hrrr", "nws"}),
        ((-17.0, 179.99), "gfs", {"ecmwf"}, {"hrrr", "icon-eu", "icon-d2", "nws"}),
    ],
)
def test_for_a_site_what_is_asked_and_why_not(
    wx: Run, place: tuple[float, float], first: str, passed: set[str], outside: set[str]
) -> None:
    asks = ("sources", "--lat", place[0], "--lon", place[1], *AT)
    code, out, err = wx(*asks)
    assert (code, err) == (0, "")
    assert max(map(len, out.splitlines())) <= 80
    code, text, _ = wx(*asks, "--json")
    told = {one["name"]: one for one in json.loads(text)["sources"]}
    assert list(told) == EVERY
    assert told[first]["why"] == "first"
    assert told["gfs"]["asked"] is True
    for name in passed:
        assert not told[name]["asked"]
        assert "over the budget" in told[name]["why"]
        assert told[name]["plan"]["errands"][0]["bytes"] > 60e6
    for name in outside:
        assert told[name]["covers"] is False
        assert "outside" in told[name]["why"]


def test_a_larger_budget_is_another_choice(wx: Run) -> None:
    asks = ("sources", "--lat", 50, "--lon", 8, *AT, "--budget", 900, "--json")
    told = {one["name"]: one for one in json.loads(wx(*asks)[1])["sources"]}
    assert told["icon-d2"]["why"] == "first"
    assert told["gfs"]["asked"] is False


def test_check_asks_each_place_once_and_tells_who_answers(day: Day, wx: Run) -> None:
    with socket.socket() as closed:  # a port at which nobody listens
        closed.bind(("127.0.0.1", 0))
        port = closed.getsockname()[1]
        silent = {"service": "bucket", "root": f"http://127.0.0.1:{port}/m"}
        day.write("crop", "mirror", "silent")
        configure(day, gfs={
            "order": ["crop", "mirror", "silent"],
            "mirrors": {"mirror": {"service": "bucket", "root": day.server.url("/mirror")},
                        "silent": silent},
        })  # fmt: skip
        code, out, err = wx("sources", *FIELD, *AT, "--check", "--sources", "gfs,swpc")
        assert (code, err) == (0, "")
        [crop, mirror, kp] = [seen.path for seen in day.server.requests]
        assert sorted((crop, mirror, kp)) == sorted(
            ("/cgi/filter", gfs_sidecar(), bad_days.KP_FILE)
        )
        told = json.loads(
            wx("sources", *FIELD, *AT, "--check", "--sources", "gfs,swpc", "--json")[1]
        )["sources"]
    answers = {a["place"]: a for one in told for a in one["answers"]}
    assert answers["crop"]["answers"] is True
    assert answers["mirror"]["told"] == "answers"
    assert answers["silent"]["answers"] is False
    assert "ecmwf" not in out


def gfs_sidecar() -> str:
    import gfs_service

    step = (NOW - RUN).seconds // 3600 + 1
    return f"/mirror{gfs_service.file_path(RUN, step)}.idx"


@pytest.mark.parametrize(
    ("kind", "status", "told"),
    [(Fault.STATUS, 404, "has not what is expected"), (Fault.STATUS, 403, "(403)"),
     (Fault.STATUS, 503, "(503)"), (Fault.HTML, 200, "web page"), (Fault.HANG_UP, 200, "broke")],
)  # fmt: skip
def test_check_tells_what_is_wrong(day: Day, wx: Run, kind: Fault, status: int, told: str) -> None:
    day.server.fault("/kp/*", kind, status=status)
    code, out, err = wx("sources", *FIELD, *AT, "--check", "--sources", "swpc")
    assert (code, err) == (0, "")
    now = next(line for line in out.splitlines() if "now: " in line)
    assert told in " ".join(out.split()), now


def test_check_offline_asks_nobody(day: Day, wx: Run) -> None:
    code, out, _ = wx("sources", *FIELD, *AT, "--check", "--offline")
    assert code == 0
    assert "offline: not asked" in out
    assert day.server.requests == []


@pytest.mark.parametrize(
    ("words", "told"),
    [(("--check",), "no site was given"), (("--sources", "hrr"), "Did you mean 'hrrr'"),
     (("nowhere.yaml",), "nowhere.yaml"), (("--lat", 95, "--lon", 0), "no place on the Earth")],
)  # fmt: skip
def test_bad_words_are_a_sentence(wx: Run, words: tuple[object, ...], told: str) -> None:
    code, out, err = wx("sources", *words)
    assert (code, out) == (2, "")
    assert told in err


# ---------------------------------------------------------------------- airports beside the brief

METAR = "EGXX 151050Z 24010KT 9999 FEW040 SCT012 18/05 Q1016"
GUSTY = "EGYY 151020Z 25012G27KT 6000 -RA BKN012 16/14 Q1010"


def airports(day: Day, *rows: tuple[str, float, float], status: int = 200) -> None:
    def answer(query: dict[str, str]) -> Response:
        found = [
            {"icaoId": raw.split()[0], "rawOb": raw, "lat": lat, "lon": lon,
             "obsTime": int(NOW.timestamp()) - 600}
            for raw, lat, lon in rows
        ]  # fmt: skip
        return Response(status, json.dumps(found).encode(), {"Content-Type": "application/json"})

    day.server.handler("/awc/metar", answer)
    day.server.handler("/awc/taf", lambda query: Response(204, b""))
    configure(day, aviation={"root": day.server.url("/awc")},
              services={"awc": {"connections": 1}})  # fmt: skip


def test_the_nearest_report_stands_beside_the_forecast(day: Day, wx: Run) -> None:
    airports(day, (GUSTY, 52.3, -1.5), (METAR, 52.1, -1.6))
    code, out, err = wx("brief", *FIELD, *WHO, *AT, "--hours", 4, "--reports")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert len(lines) < 20
    assert max(map(len, lines)) <= 80
    # 10 kt are 5.1 m/s (1 kt = 1852 m/h, SI brochure 8th edition, table 8; from memory).
    assert "METAR: EGXX, 13 km away, 10 min old, wind 5.1 m/s" in out
    told = json.loads(wx("brief", *FIELD, *WHO, *AT, "--hours", 4, "--reports", "--json")[1])
    first, second = told["airports"]["reports"]
    assert (first["station"], second["station"]) == ("EGXX", "EGYY")
    assert second["gust"] == pytest.approx(27 * 1852 / 3600, abs=0.01)
    # Rain at the next field caps the hour under way; no report speaks for the hours to come.
    assert [h["grade"] for h in told["hours"]] == ["no-go", "go", "go", "go"]
    explained = wx("explain", "12:00", *FIELD, *WHO, *AT, "--hours", 4, "--reports")[1]
    assert GUSTY in " ".join(explained.split())
    # Who does not ask for them is told nothing of them.
    assert "METAR" not in wx("brief", *FIELD, *WHO, *AT, "--hours", 4)[1]


@pytest.mark.parametrize("status", [403, 500, 503])
def test_airports_that_do_not_answer_are_a_note(day: Day, wx: Run, status: int) -> None:
    airports(day, status=status)
    code, out, err = wx("brief", *FIELD, *WHO, *AT, "--hours", 4, "--reports")
    assert (code, err) == (0, "")
    assert "METAR: airport reports: " in out
    assert "\nGO: " in out


def test_no_airport_within_reach_is_told(day: Day, wx: Run) -> None:
    airports(day)
    out = wx("brief", *FIELD, *WHO, *AT, "--hours", 4, "--reports")[1]
    assert "METAR: no airport within reach reports." in out


# ---------------------------------------------------------------------- a second K index


def second_index(day: Day, kp: float, status: int = 200) -> None:
    def answer(query: dict[str, str]) -> Response:
        hour = f"{NOW:%Y-%m-%dT}{NOW.hour // 3 * 3:02d}:00:00Z"
        found = {"Kp": [kp], "datetime": [hour], "status": ["now"]}
        return Response(status, json.dumps(found).encode(), {"Content-Type": "application/json"})

    day.server.handler("/gfz/app/json/", answer)
    configure(day, usual={"indices": ["swpc", "gfz"]}, gfz={"root": day.server.url("/gfz")},
              services={"gfz": {"connections": 1}})  # fmt: skip


def k_of_now(wx: Run) -> tuple[float, dict[str, Any]]:
    code, out, err = wx("brief", *FIELD, *WHO, *AT, "--hours", 4, "--json")
    assert code == 0, err
    told = json.loads(out)
    reasons = told["hours"][0]["reasons"]
    return max(r["value"] for r in reasons if r["quantity"] == "planetary_k_index"), told


@pytest.mark.parametrize(("other", "counts", "noted"), [(4.67, 4.67, True), (2.33, 2.33, False),
                                                        (0.33, 2.0, True)])  # fmt: skip
def test_the_higher_of_two_indices_is_graded(
    day: Day, wx: Run, other: float, counts: float, noted: bool
) -> None:
    # The slot under way: the one service predicts it, the other estimates it.
    day.server.blob(bad_days.KP_FILE, kp_rows(NOW.replace(hour=9), 2.0).encode(),
                    content_type="application/json")  # fmt: skip
    second_index(day, other)
    value, told = k_of_now(wx)
    assert value == pytest.approx(counts)
    assert any("the higher counts" in note for note in told["notes"]) is noted
    assert {"swpc", "gfz"} <= {p["source"] for p in told["provenance"]}


def test_a_second_index_that_fails_is_a_note(day: Day, wx: Run) -> None:
    second_index(day, 4.0, status=500)
    value, told = k_of_now(wx)
    assert value == pytest.approx(2.0)
    assert any(note.startswith("gfz: ") for note in told["notes"])


def test_no_second_opinion_where_none_is_wanted(day: Day, wx: Run) -> None:
    second_index(day, 8.0)
    configure(day, usual={"second_opinion": False})
    assert k_of_now(wx)[0] == pytest.approx(2.0)
    assert not any(seen.path.startswith("/gfz") for seen in day.server.requests)


def test_a_first_index_that_fails_is_stood_in_for(day: Day, wx: Run) -> None:
    second_index(day, 3.0)
    day.server.fault("/kp/*", Fault.STATUS, status=500)
    value, told = k_of_now(wx)
    assert value == pytest.approx(3.0)
    assert any(note.startswith("swpc: ") for note in told["notes"])
