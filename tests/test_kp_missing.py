"""Law and contract: a missing or stale K index is never go, as far ahead as one is forecast.

SWPC's forecast holds the day under way and the two after it, so that it always reaches 48 h ahead
(its 3-day text, tests/authorities). Farther ahead nobody forecasts it, and its absence caps
nothing below 60 degrees of geomagnetic latitude: common practice, no source.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bad_days import HOURS, KP_FILE, NOW, SITE, Day, kp_rows
from local_server import LocalServer

from wxgate import places
from wxgate.derive.geomagnetic import STORM_ORIGINS, storm_of
from wxgate.errors import UsageError
from wxgate.forecast import Field, Forecast, Provenance, hours_axis, make_field, to_datetime64
from wxgate.grade import Graded, grade, with_age
from wxgate.lookedup import with_k_index
from wxgate.profiles import Skill, known_aircraft
from wxgate.quantities import Kind
from wxgate.rulebook import Rulebook, load_rulebook
from wxgate.sources.swpc_formats import KINDS
from wxgate.verdict import Grade
from wxgate.windows import verdicts

law = pytest.mark.law
contract = pytest.mark.contract

Run = Callable[..., tuple[int, str, str]]
KP = "planetary_k_index"
RULES = places.shipped("rules")
AIRCRAFT = known_aircraft([RULES / "aircraft"])
LOOK = "look it up before flying"
FAR = 48  #: h


@cache
def rulebook() -> Rulebook:
    """The rules on the K index alone."""
    return load_rulebook([RULES / "practice" / "geomagnetic.yaml"], aircraft=AIRCRAFT)


def graded(kp: Field | None, *, hours: int, latitude: float = 48.0, now: datetime = NOW) -> Graded:
    """Hours from now by the rules on the K index."""
    time = hours_axis(now, hours)
    fields = {
        "geomagnetic_latitude": make_field("geomagnetic_latitude", np.asarray(latitude)),
        "equatorial_scintillation": make_field("equatorial_scintillation", np.zeros(time.shape)),
        "geomagnetic_storm_probability": storm_of(kp, time),
        **({} if kp is None else {KP: kp}),
    }
    told = (Provenance("invented", "invented", now, now, "0" * 64, cycle_h=6.0),)
    return grade(
        with_age(Forecast(time, fields, told), now), rulebook(), aircraft=AIRCRAFT["mid-900g"],
        skill=Skill.EXPERIENCED, height=60.0,
    )  # fmt: skip


def codes(kp: Field | None, **about: Any) -> list[int]:
    """The grades of those hours."""
    return [int(code) for code in graded(kp, **about).codes[:-1]]


# ---------------------------------------------------------------------- by the rules


@law
@pytest.mark.parametrize("kind", [Kind.MAXIMUM, Kind.POINT, Kind.MEAN])
@pytest.mark.parametrize("at", [0, 3, FAR - 1])
def test_a_hole_within_its_reach_is_marginal_and_only_there(kind: Kind, at: int) -> None:
    values = np.full(FAR + 11, 2.0)
    whole = codes(make_field(KP, values, kind=kind), hours=FAR + 10)
    assert whole == [Grade.GO] * (FAR + 10)
    values[at] = np.nan
    holed = codes(make_field(KP, values, kind=kind), hours=FAR + 10)
    # A value at an instant belongs to the hour that it ends as well.
    spoilt = {at, at - 1} if kind is Kind.POINT else {at}
    assert holed == [Grade.MARGINAL if i in spoilt else Grade.GO for i in range(FAR + 10)]


@law
@pytest.mark.parametrize(
    ("latitude", "beyond"),
    [(48.0, Grade.GO), (-59.9, Grade.GO), (60.0, Grade.MARGINAL), (-67.0, Grade.MARGINAL)],
)
@pytest.mark.parametrize("minutes", [0, 59])
def test_without_any_the_first_two_days_are_marginal(
    latitude: float, beyond: Grade, minutes: int
) -> None:
    # The hour under way began before now: with it one more hour lies within 48 h.
    near = FAR + (minutes > 0)
    found = codes(None, hours=FAR + 12, latitude=latitude, now=NOW + timedelta(minutes=minutes))
    assert found == [Grade.MARGINAL] * near + [beyond] * (FAR + 12 - near)


@law
def test_what_is_far_ahead_is_told_as_climatology() -> None:
    field = storm_of(None, hours_axis(NOW, 100))
    assert field.origin is not None
    assert {STORM_ORIGINS[i] for i in field.origin} == {"from climatology, no K index"}
    assert set(field.values.tolist()) == {np.float32(0.11)}
    far = verdicts(graded(None, hours=60), NOW, 60)[50]
    assert far.grade is Grade.GO
    told = "chance of a geomagnetic storm (Kp 5 or more) from climatology, no K index"
    assert told in {reason.note for reason in far.reasons}
    assert "planetary K index is missing" in {reason.note for reason in far.reasons}


@law
def test_the_reason_of_a_near_hour_is_to_look_it_up() -> None:
    near = verdicts(graded(None, hours=60), NOW, 60)[5]
    assert near.grade is Grade.MARGINAL
    assert near.limiting_reason is not None
    assert near.limiting_reason.grade is Grade.MARGINAL
    assert near.limiting_reason.because.startswith(LOOK)
    # Two substitutes of one name: the one that caps is the reason.
    far = verdicts(graded(None, hours=60, latitude=67.0), NOW, 60)[50]
    assert far.limiting_reason is not None
    assert far.limiting_reason.grade is Grade.MARGINAL
    assert "far south" in far.limiting_reason.because


# ---------------------------------------------------------------------- looked up by hand


def laid(kp: float, had: Field | None = None, hours: int = 40) -> Forecast:
    fields = {} if had is None else {KP: had}
    return with_k_index(Forecast(hours_axis(NOW - timedelta(hours=3), hours), fields), kp, NOW)


@law
@pytest.mark.parametrize("kp", [0.0, 3.0, 9.0])
def test_it_counts_from_the_hour_under_way_for_a_day(kp: float) -> None:
    found = laid(kp)
    now = to_datetime64(NOW)
    mine = (found.time >= now) & (found.time < now + np.timedelta64(24, "h"))
    assert mine.sum() == 24
    values = found.fields[KP].values
    np.testing.assert_array_equal(values[mine], np.float32(kp))
    assert np.isnan(values[~mine]).all()
    storm = found.fields["geomagnetic_storm_probability"]
    assert storm.origin is not None
    named = np.array([STORM_ORIGINS[i] for i in storm.origin])
    assert set(named[mine]) == {f"forecast of {'a' if kp >= 5 else 'no'} storm"}
    assert set(named[~mine]) == {"from climatology, no K index"}


@law
def test_a_higher_one_that_was_fetched_stays_with_its_origin() -> None:
    values = np.array([5.0, np.nan] * 20 + [5.0])
    origin = np.full(41, KINDS.index("observed"), np.uint8)
    had = make_field(KP, values, kind=Kind.MAXIMUM, origin=origin, origins=KINDS)
    lower, higher = laid(3.0, had).fields[KP], laid(6.0, had).fields[KP]
    np.testing.assert_array_equal(lower.values[3:27:2], np.float32(3.0))
    np.testing.assert_array_equal(lower.values[4:27:2], np.float32(5.0))
    np.testing.assert_array_equal(higher.values[3:27], np.float32(6.0))
    assert lower.origin is not None
    assert {KINDS[i] for i in lower.origin[4:27:2]} == {"observed"}
    assert {KINDS[i] for i in lower.origin[3:27:2]} == {"predicted"}


@law
@pytest.mark.parametrize("wrong", [-0.1, 9.1, float("nan"), float("inf")])
def test_what_is_no_k_index_is_refused(wrong: float) -> None:
    with pytest.raises(UsageError, match="no K index"):
        laid(wrong)


# ---------------------------------------------------------------------- at the command line

HERE = ("--lat", SITE[0], "--lon", SITE[1])
WHO = ("--aircraft", "mid-900g", "--pilot", "intermediate")
ASK = (*HERE, *WHO, "--at", f"{NOW:%Y-%m-%dT%H:%MZ}", "--hours", HOURS)


@pytest.fixture
def day() -> Iterator[Day]:
    with LocalServer() as server:
        yield Day(server, Path(os.environ["WXGATE_CONFIG"]))


def told(wx: Run, *more: object, ask: tuple[object, ...] = ASK) -> dict[str, Any]:
    code, out, err = wx("brief", *ask, "--json", *more)
    assert code == 0, err
    found: dict[str, Any] = json.loads(out)
    return found


def grades(found: dict[str, Any]) -> set[str]:
    return {hour["grade"] for hour in found["hours"]}


@contract
def test_yesterdays_file_is_marginal_and_its_age_is_told(day: Day, wx: Run) -> None:
    day.server.blob(KP_FILE, kp_rows(NOW - timedelta(hours=30)).encode())
    found = told(wx)
    assert grades(found) == {"marginal"}
    assert any("the forecast is" in note and "old" in note for note in found["notes"])
    _, out, _ = wx("brief", *ASK)
    assert LOOK in " ".join(out.split())


@contract
def test_a_file_that_ends_too_soon_is_marginal_from_there_on(day: Day, wx: Run) -> None:
    rows = json.loads(kp_rows(NOW))
    kept = [row for row in rows if row["time_tag"] < f"{NOW + timedelta(hours=1):%Y-%m-%dT%H}"]
    day.server.blob(KP_FILE, json.dumps(kept).encode())
    until = datetime.fromisoformat(kept[-1]["time_tag"] + "Z") + timedelta(hours=3)
    found = [(h["start"], h["grade"]) for h in told(wx)["hours"]]
    for start, word in found:
        assert word == ("go" if datetime.fromisoformat(start) < until else "marginal")
    assert {word for _, word in found} == {"go", "marginal"}


@contract
def test_what_the_pilot_looked_up_takes_its_place(day: Day, wx: Run, tmp_path: Path) -> None:
    day.server.blob(KP_FILE, b"[]")
    assert grades(told(wx)) == {"marginal"}
    found = told(wx, "--k-index", 2)
    assert grades(found) == {"go"}
    assert any("the pilot's own" in note for note in found["notes"])
    assert any("looked up by the pilot" in p["title"] for p in found["provenance"])
    assert grades(told(wx, "--k-index", 8)) == {"marginal"}
    # What one brief was told is not kept for the next.
    assert grades(told(wx)) == {"marginal"}
    page = tmp_path / "brief.html"
    assert wx("page", *ASK, "--out", page, "--k-index", 2)[1].startswith(f"{page}: GO")
    _, out, _ = wx("explain", "12:00", *ASK, "--k-index", 2)
    assert "planetary K index 2.00" in " ".join(out.split())
    assert LOOK not in " ".join(out.split())


@contract
def test_a_sheet_and_a_lesson_take_it_too(day: Day, wx: Run) -> None:
    day.server.blob(KP_FILE, b"[]")
    for more, word in (((), "marginal"), (("--k-index", 2), "go")):
        code, out, err = wx("lessons", *ASK, "--json", *more)
        assert code == 0, err
        assert {slot["grade"] for slot in json.loads(out)["slots"]} == {word}
        code, out, err = wx("sheet", *ASK, *more)
        assert code == 0, err
        assert out.splitlines()[2].startswith(f"WEATHER: {word.upper()} ")


@contract
def test_of_an_index_by_member_each_has_it() -> None:
    time = hours_axis(NOW, 3)
    values = np.full((time.size, 2), np.nan)
    values[:, 1] = 5.0
    kp = laid(3.0, make_field(KP, values), hours=3).fields[KP]
    assert kp.values[-1].tolist() == [3.0, 5.0]
    assert np.isnan(kp.values[0, 0])  # an hour gone by


@contract
@pytest.mark.parametrize("wrong", ["-1", "9.5", "nan", "three"])
def test_another_number_is_a_fault_of_the_command(day: Day, wx: Run, wrong: str) -> None:
    code, out, err = wx("brief", *ASK, "--k-index", wrong)
    assert (code, out) == (2, "")
    assert "--k-index" in err or "K index" in err


@contract
def test_offline_the_stored_hours_and_the_copy_keep_the_law(day: Day, wx: Run) -> None:
    assert grades(told(wx)) == {"go"}
    assert grades(told(wx, "--offline")) == {"go"}
    later = (*HERE, *WHO, "--at", f"{NOW + timedelta(hours=26):%Y-%m-%dT%H:%MZ}", "--hours", 2)
    assert "go" not in grades(told(wx, "--offline", ask=later))


@contract
def test_what_was_had_the_evening_before_is_not_fresh_in_the_morning(
    day: Day, wx: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("wxgate.cli.issued.clock", lambda: NOW - timedelta(hours=4))
    assert grades(told(wx)) == {"go"}  # for the morning, by --at
    day.server.blob(KP_FILE, kp_rows(NOW, 7.0).encode())
    assert grades(told(wx)) == {"go"}  # asked again at once: the stored hours
    monkeypatch.setattr("wxgate.cli.issued.clock", lambda: NOW)
    later = (*HERE, *WHO, "--at", f"{NOW + timedelta(minutes=6):%Y-%m-%dT%H:%MZ}", "--hours", 2)
    assert grades(told(wx, "--offline", ask=later)) == {"go"}  # there is nothing newer
    assert grades(told(wx, ask=later)) == {"marginal"}


@contract
def test_a_file_without_a_k_index(day: Day, wx: Run, tmp_path: Path) -> None:
    import xarray as xr

    file, without = tmp_path / "whole.nc", tmp_path / "without.nc"
    when = ("--at", f"{NOW:%Y-%m-%dT%H:%MZ}")
    code, _, err = wx("fetch", *HERE, *when, "--hours", HOURS, "--out", file)
    assert code == 0, err
    assert grades(told(wx, "--forecast", file)) == {"go"}
    with xr.open_dataset(file) as whole:
        whole.drop_vars([n for n in whole.variables if str(n).startswith(KP)]).to_netcdf(without)
    found = told(wx, "--forecast", without)
    assert grades(found) == {"marginal"}
    assert grades(told(wx, "--forecast", without, "--k-index", 1)) == {"go"}
