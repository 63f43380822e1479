"""Contract: by the command line: what moved since the last brief, earlier runs, bias and costs."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import gefs_service
import numpy as np
import pytest
import yaml
from bad_days import NOW as FETCH_NOW
from bad_days import RUN, Day, good_file
from hours import MID, SITE, START, forecast_of
from local_server import LocalServer
from test_grade import book, rule

from wxgate import verify
from wxgate.brief import make_brief
from wxgate.changes import changes, flip_flop_index, grades_by_run, kept_of, load_kept, save_kept
from wxgate.forecast import Forecast, Provenance
from wxgate.learnedbias import Bias, Row, read_bias
from wxgate.netcdf import write_netcdf
from wxgate.profiles import Pilot, Skill
from wxgate.rulebook import Word
from wxgate.verdict import Grade
from wxgate.weathers import default_policy

pytestmark = pytest.mark.contract

Result = tuple[int, str, str]
Run = Callable[..., Result]
PLACE = ("--lat", "50", "--lon", "8", "--zone", "Europe/Berlin", "--aircraft", "mid-900g",
         "--pilot", "experienced", "--hours", "6", "--height", "20 m")  # fmt: skip
NOW = START  # 06:00 UTC, 08:00 in Berlin
DAY = timedelta(days=1)


def weather(wind: float, run: datetime, hours: int = 18) -> Forecast:
    """Fair, with a 10 m wind from the west; the file begins 3 h before NOW."""
    count, start = hours + 1, NOW - timedelta(hours=3)

    def flat(value: float) -> np.ndarray:
        return np.full(count, value)

    made = forecast_of({
        "eastward_wind": flat(wind), "northward_wind": flat(0.0),
        "wind_speed_of_gust": flat(wind * 1.4), "air_temperature": flat(288.15),
        "dew_point_temperature": flat(280.15), "visibility_in_air": flat(20000.0),
        "surface_air_pressure": flat(101000.0),
        "lwe_thickness_of_precipitation_amount": flat(0.0),
        "cloud_area_fraction": flat(0.2), "low_type_cloud_area_fraction": flat(0.1),
        "precipitation_neighbourhood_fraction": flat(0.0),
        "precipitation_neighbourhood_maximum": flat(0.0),
        "convective_available_potential_energy": flat(10.0),
        "planetary_k_index": flat(2.0), "ceiling_height": flat(20000.0),
    }, start=start, run=run)  # fmt: skip
    levels = np.array([10.0])
    fields = {
        n: replace(made.fields[n], values=made.fields[n].values[:, None], levels=levels)
        for n in ("eastward_wind", "northward_wind")
    }
    about = Provenance("gfs", "an invented model", run, run, "0" * 64, cycle_h=6.0)
    return replace(made.with_fields(fields), provenance=(about,))


@pytest.fixture
def file(tmp_path: Path) -> Callable[..., Path]:
    def write(wind: float, hours_old: float = 6) -> Path:
        run = NOW - timedelta(hours=hours_old)
        path = tmp_path / f"wind-{wind:g}-{hours_old:g}.nc"
        write_netcdf(weather(wind, run), path, place=(50.0, 8.0))
        return path

    return write


def brief(wx: Run, *words: object) -> dict[str, Any]:
    code, out, err = wx("brief", *PLACE, "--at", f"{NOW:%Y-%m-%dT%H:%MZ}", *words, "--json")
    assert code == 0, err
    found: dict[str, Any] = json.loads(out)
    return found


# ---------------------------------------------------------------------- since the last brief


def test_what_moved_is_told_in_local_time_and_in_the_units_asked_for(
    wx: Run, file: Callable[..., Path]
) -> None:
    at = ("--at", f"{NOW:%Y-%m-%dT%H:%MZ}")
    first = wx("brief", *PLACE, *at, "--forecast", file(3.0, 12))
    assert "Since the last" not in first[1]
    code, out, _ = wx("brief", *PLACE, *at, "--forecast", file(11.0, 6))
    assert code == 0
    flat = " ".join(out.split())
    assert "Since the last: the window was Mon 1 Jun 08:00-14:00 CEST" in flat
    assert "6 h worse" in flat
    assert " m/s" in flat.partition("Since the last")[2]
    _, out, _ = wx("brief", *PLACE, *at, "--forecast", file(3.0, 3))
    told = " ".join(out.split()).partition("Since the last: ")[2]
    assert "6 h better" in told
    assert "changed grade 2 times in 3 runs" in told


def test_how_far_the_limiting_number_moved(wx: Run, file: Callable[..., Path]) -> None:
    """A wind of 10 after one of 12 m/s: 2 m/s are 3.9 kt at 10 m, aloft more."""
    for units, unit, least in (("metric", "m/s", 2.0), ("knots", "kt", 3.9)):
        at = ("--at", f"{NOW:%Y-%m-%dT%H:%MZ}", "--units", units)
        wx("brief", *PLACE, *at, "--forecast", file(12.0, 6))
        _, out, _ = wx("brief", *PLACE, *at, "--forecast", file(10.0, 3))
        told = " ".join(out.split()).partition("Since the last: ")[2]
        found = re.match(rf".*? at \d\d:\d\d -(\d+\.\d) {unit}", told)
        assert found is not None, told
        assert least <= float(found[1]) < 2 * least


def test_the_same_brief_again_tells_of_no_change(wx: Run, file: Callable[..., Path]) -> None:
    path = file(3.0)
    brief(wx, "--forecast", path)
    assert brief(wx, "--forecast", path)["since"] == []


def test_a_damaged_memory_is_as_good_as_none(
    wx: Run, file: Callable[..., Path], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("WXGATE_STATE", str(tmp_path / "state"))
    brief(wx, "--forecast", file(3.0))
    [kept] = (tmp_path / "state" / "briefs").glob("*.json")
    whole = json.loads(kept.read_text())
    one = whole["briefs"][0]
    spoilt_briefs = [{}, {**one, "window": [1, 2]}, {**one, "now": "soon"}, {**one, "hours": 3}]
    texts = [json.dumps({**whole, "briefs": [brief]}) for brief in spoilt_briefs]
    for spoilt in ("", "{}", "[1]", *texts):
        kept.write_text(spoilt)
        assert brief(wx, "--forecast", file(3.0))["since"] == []


def test_the_last_eight_are_kept_and_the_turns_are_those_of_the_library(tmp_path: Path) -> None:
    """Changes of mind by hand; their index against ``scores`` (wxgate.verify.flip_flop)."""
    rules = book(rule("wind_speed_at_flight_height", Word.ABOVE, 5.0, 8.0))
    pilot = Pilot(id="p", name="invented", skill=Skill.NOVICE)

    def made(wind: float, run: datetime) -> Any:
        forecast = forecast_of({"wind_speed_at_flight_height": np.full(5, wind)}, run=run)
        return make_brief([forecast], rules, site=SITE, aircraft=MID, pilot=pilot, height=60.0,
                          now=NOW, hours=3)  # fmt: skip

    kept: list[dict[str, Any]] = []
    winds = [3, 6, 3, 3, 9, 3]
    for n, wind in enumerate(winds):
        one = made(wind, NOW - timedelta(hours=len(winds) - n))
        save_kept(tmp_path, one, kept)
        again = load_kept(tmp_path, one)
        found = changes(again[:-1], one, oldest=DAY)
        kept = again
    assert found is not None
    assert (found.turns, found.runs) == (4, 6)
    said = [float(g) for g in grades_by_run(kept[:-1], one)]
    assert said == [Grade.GO, Grade.MARGINAL, Grade.GO, Grade.GO, Grade.NO_GO, Grade.GO]
    assert flip_flop_index(said) == pytest.approx(verify.flip_flop(said))
    for _ in range(12):
        save_kept(tmp_path, one, load_kept(tmp_path, one))
    assert len(load_kept(tmp_path, one)) == 8
    assert changes([kept_of(one)], one, oldest=DAY).worse == 0  # type: ignore[union-attr]


# ---------------------------------------------------------------------- earlier runs


def test_files_of_earlier_runs_are_weathers_but_grade_nothing(
    wx: Run, file: Callable[..., Path]
) -> None:
    newest, older = file(3.0, 0), file(20.0, 6)
    plain = brief(wx, "--forecast", newest)
    both = brief(wx, "--forecast", newest, "--earlier", older)
    assert both["chances"]["kind"] == "time-lagged runs"
    assert [h["grade"] for h in both["hours"]] == [h["grade"] for h in plain["hours"]]
    # Weights .5 and .3 (science notes 4.2): the newest alone flies, so about .5 / .8 are left.
    share = both["hours"][2]["chance"]["flyable"] / plain["hours"][2]["chance"]["flyable"]
    assert share == pytest.approx(0.625, abs=0.06)  # half the weathers each: sampling error


def test_what_is_no_earlier_run_is_refused(wx: Run, file: Callable[..., Path]) -> None:
    for words in (("--earlier", file(3.0, 0)), ("--lagged", "1")):
        code, _, err = wx("brief", *PLACE, "--at", f"{NOW:%Y-%m-%dT%H:%MZ}",
                          "--forecast", file(3.0, 6), *words)  # fmt: skip
        assert code == 2
        assert "earlier" in err


# ---------------------------------------------------------------------- a learned bias


def bias_text(add: str, independent: int = 80, more: str = "", name: str = "wind_speed") -> str:
    return (f"bias:\n  - quantity: {name}\n    add: {add}\n{more}"
            f"    cases: {independent * 3}\n    independent: {independent}\n")  # fmt: skip


@pytest.mark.parametrize(
    ("add", "independent", "told", "effect"),
    [("2.500 m s-1", 80, "chances with a learned bias", -1),
     ("-2.500 m s-1", 80, "chances with a learned bias", 1),
     ("-2.500 m s-1", 40, "would make it weaker on 40 independent cases, 60 needed", 0),
     ("2.500 m s-1", 5, "5 independent cases, 20 needed", 0)],
)  # fmt: skip
def test_a_learned_bias_moves_the_chances_only(
    wx: Run, file: Callable[..., Path], tmp_path: Path, add: str, independent: int, told: str,
    effect: int,
) -> None:  # fmt: skip
    learned = tmp_path / "bias.yaml"
    learned.write_text(bias_text(add, independent))
    plain = brief(wx, "--forecast", file(6.5))
    found = brief(wx, "--forecast", file(6.5), "--bias", learned)
    assert any(told in note for note in found["notes"])
    assert [h["grade"] for h in found["hours"]] == [h["grade"] for h in plain["hours"]]
    one, other = (b["hours"][2]["chance"]["flyable"] for b in (found, plain))
    assert np.sign(round(one - other, 6)) == effect


@pytest.mark.parametrize("text", [
    "bias: 3\n", "bias:\n  - quantity: wind\n    add: 1 m/s\n    cases: 9\n    independent: 9\n",
    bias_text("1"), bias_text("1 K"), bias_text("nan m/s"), bias_text("900 m/s"),
    bias_text("1 m/s", more="    wind_from: up\n"), bias_text("1 m/s") + "more: 1\n",
    bias_text("1 m/s") + bias_text("2 m/s").partition("\n")[2],
    bias_text("1 m/s").replace("cases: 240", "cases: 2"), "", "bias:\n",
])  # fmt: skip
def test_a_faulty_bias_file_is_refused(wx: Run, tmp_path: Path, text: str) -> None:
    path = tmp_path / "bias.yaml"
    path.write_text(text)
    code, _, err = wx("brief", "--demo", "--bias", path)
    assert code == 2
    assert "bias.yaml" in err


def test_a_bias_of_a_sector_holds_there_and_the_careful_one_where_nobody_knows() -> None:
    blow = np.array([0.0, 200.0, 270.0, np.nan])
    forecast = forecast_of({"wind_speed": np.full(4, 5.0), "gust": np.full(4, 8.0),
                            "wind_from_direction": blow})  # fmt: skip
    rows = (Row("wind_speed", 0.5, None, 300, 100), Row("wind_speed", 2.0, "W", 300, 100))
    found = Bias(rows).corrected(forecast, default_policy())
    assert found.fields["wind_speed"].values == pytest.approx([5.5, 5.5, 7.0, 7.0])
    assert found.fields["gust"].values == pytest.approx([8.0] * 4)


def test_what_verify_offers_can_be_read(tmp_path: Path) -> None:
    from types import SimpleNamespace

    from wxgate.hindsight.findings import QuantityError
    from wxgate.report.hindsight import offered_bias

    error = QuantityError(cases=90, independent=30.0, bias=1.0, rmse=1.0, crps=1.0, learned=0.6)
    whole = SimpleNamespace(quantities={"wind_speed": error, "air_temperature": error})
    offered = SimpleNamespace(whole=whole, by_direction={"NW": {"wind_speed": error}})
    path = tmp_path / "offered.yaml"
    path.write_text(offered_bias(offered))  # type: ignore[arg-type]
    rows = read_bias(path).rows
    assert [(r.quantity, r.add, r.sector) for r in rows] == [
        ("wind_speed", -0.6, None), ("air_temperature", -0.6, None), ("wind_speed", -0.6, "NW")
    ]  # fmt: skip


# ---------------------------------------------------------------------- the user's own costs


def test_the_users_costs_decide(wx: Run, file: Callable[..., Path], tmp_path: Path) -> None:
    """Science notes 8.4: C 60, M 12, r .1 and L 200 give .90 / .40; L 600 gives .975 / .60."""
    for loss, go_from, no_go in ((200, 0.90, 0.40), (600, 0.975, 0.60)):
        policy = tmp_path / f"costs-{loss}.yaml"
        policy.write_text(
            "thresholds:\n  because: mine\n  source: mine\n"
            f"  experienced: {{loss: {loss}, cancel: 60, prepare: 12, spoiled: 0.1}}\n"
        )
        found = brief(wx, "--forecast", file(3.0), "--chances", policy, "--grade-by", "chance")
        assert found["chances"]["graded_by"] == "chance"
        assert found["chances"]["go_from"] == pytest.approx(go_from, abs=2e-3)
        assert found["chances"]["no_go_below"] == pytest.approx(no_go, abs=2e-3)


@pytest.mark.parametrize("line", [
    "{loss: -200, cancel: 60, prepare: 12, spoiled: 0.1}",
    "{loss: 200, cancel: -60, prepare: 12, spoiled: 0.1}",
    "{loss: 50, cancel: 60, prepare: 12, spoiled: 0.1}",
    "{loss: 200, cancel: 60, prepare: 0, spoiled: 0.1}",
    "{loss: 61, cancel: 60, prepare: 59, spoiled: 0}",
    "{go_from: 0.01, no_go_below: 0.001}", "{go_from: 0.9, no_go_below: 0}",
    "{go_from: 0.5, no_go_below: 0.9}", "{go_from: nan, no_go_below: 0.1}", "{go_from: 0.9}",
])  # fmt: skip
def test_absurd_costs_are_refused(wx: Run, tmp_path: Path, line: str) -> None:
    policy = tmp_path / "costs.yaml"
    policy.write_text(f"thresholds:\n  because: b\n  source: s\n  novice: {line}\n")
    code, _, err = wx("brief", "--demo", "--chances", policy, "--grade-by", "chance")
    assert code == 2
    assert "costs.yaml:4" in err


@pytest.mark.parametrize("text", [
    "wind: {because: b, source: s, error: [0, 0, 0, 0, 0, 0, -1]}\n",
    "wind: {because: b, source: s, error: [3, 2, 1, 1, 1, 1, 1]}\n",
    "wind: {because: b, source: s, hours: [0, 6], error: [1]}\n",
    "members: {because: b, source: s, run_weights: []}\n",
    "members: {because: b, source: s, run_weights: [0, 0.5]}\n",
    "members: {because: b, source: s, count: 1}\n",
    "members: {because: b, source: s, hourly_correlation: 1}\n",
    "resolution: {because: b, source: s, hours: [0, 24], share: [0.1, 0.01]}\n",
])  # fmt: skip
def test_absurd_figures_are_refused(wx: Run, tmp_path: Path, text: str) -> None:
    policy = tmp_path / "costs.yaml"
    policy.write_text(text)
    code, _, err = wx("brief", "--demo", "--chances", policy)
    assert code == 2
    assert "costs.yaml" in err


# ---------------------------------------------------------------------- ensembles


@pytest.fixture
def services() -> Iterator[Day]:
    """GFS and the K index of a day, and GEFS of the same run, on a local server."""
    with LocalServer() as server:
        day = Day(server, Path(os.environ["WXGATE_CONFIG"]))
        for member in gefs_service.MEMBERS[:21]:
            for product in ("s", "b"):
                for step in range(0, 16, 3):
                    made = gefs_service.make_file(RUN, member, product, step)
                    gefs_service.serve(server, "/gefs", made)
        file = day.config / "endpoints.yaml"
        entries = yaml.safe_load(file.read_text())
        entries["gefs"] = {"order": ["aws"], "mirrors": {
            "aws": {"service": "bucket", "root": server.url("/gefs")}}}  # fmt: skip
        file.write_text(yaml.safe_dump(entries))
        yield day


def test_earlier_runs_are_fetched_and_answer_again_without_a_network(wx: Run) -> None:
    with LocalServer() as server:
        day = Day(server, Path(os.environ["WXGATE_CONFIG"]))
        day.serve(good_file(RUN - timedelta(hours=6), step) for step in range(21))
        where = ("--lat", "45", "--lon", "10", "--aircraft", "heavy-4kg", "--pilot", "experienced",
                 "--hours", "4", "--at", f"{FETCH_NOW:%Y-%m-%dT%H:%MZ}", "--json")  # fmt: skip
        plain = json.loads(wx("brief", *where)[1])
        code, out, err = wx("brief", *where, "--lagged", "1")
        assert code == 0, err
    found = json.loads(out)
    assert plain["chances"]["kind"] == "error model"
    assert found["chances"]["kind"] == "time-lagged runs"
    assert [h["grade"] for h in found["hours"]] == [h["grade"] for h in plain["hours"]]
    code, out, err = wx("brief", *where, "--lagged", "1", "--offline")
    assert code == 0, err
    assert json.loads(out)["chances"]["kind"] == "time-lagged runs"
    code, out, err = wx("brief", *where, "--lagged", "4", "--offline")
    assert code == 0, err
    assert any("earlier runs" in note for note in json.loads(out)["notes"])


def test_an_ensemble_alone_and_beside_a_model(wx: Run, services: Day) -> None:
    where = ("--lat", "45", "--lon", "10", "--aircraft", "heavy-4kg", "--pilot", "experienced",
             "--hours", "4", "--at", f"{FETCH_NOW:%Y-%m-%dT%H:%MZ}")  # fmt: skip
    code, out, err = wx("brief", *where, "--sources", "gefs", "--json")
    assert code == 0, err
    alone = json.loads(out)
    assert alone["chances"]["kind"] == "ensemble"
    assert alone["chances"]["members"] == 21
    assert alone["chances"]["graded_by"] == "chance"
    assert all(h["chance"] is None or 0 < h["chance"]["flyable"] < 1 for h in alone["hours"])
    code, out, err = wx("brief", *where, "--sources", "gefs,gfs", "--json")
    assert code == 0, err
    mixed = json.loads(out)
    assert mixed["chances"]["members"] == 21 + 50
    assert {p["source"] for p in mixed["provenance"]} >= {"gefs", "gfs"}
    for one, both in zip(alone["hours"], mixed["hours"], strict=True):
        order = ["go", "marginal", "unknown", "no-go"]
        assert order.index(both["grade"]) >= order.index(both["by_source"]["gefs"])
        assert one["start"] == both["start"]
    code, out, _ = wx("brief", *where, "--sources", "gefs")
    assert code == 0
    assert "(ensemble)" in out
