"""Contract: whatever stands in a file of the user's, or of wxgate's own, is read or refused.

Files that are handed in (netCDF, YAML, tables of observations) and those that wxgate keeps for
itself (stored hours, journal, state of a watch, calendar, last question) are spoilt at random. The
outcome is an answer or one of our errors with its exit code; a spoilt file of our own is as good as
none, or refused. Long runs by hand: ``WXGATE_FUZZ=50`` (see ``fuzzing.py``).
"""

from __future__ import annotations

import functools
import json
import os
import sqlite3
import warnings
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import test_watch_config
import xarray as xr
from fuzzing import (
    LONG,
    NUMBERS,
    WORDS,
    answered,
    dumped,
    examples,
    spoilt,
    spoilt_bytes,
    spoilt_text,
)
from hours import demonstration_brief
from hypothesis import given
from hypothesis import strategies as st
from scenario_table import SCENARIOS
from scenarios import dataset_of

from wxgate import changes, places, store
from wxgate.chancepolicy import read_policy
from wxgate.cli import clocks, last
from wxgate.cli.display import display_of
from wxgate.errors import WxgateError
from wxgate.hindsight.archive import reports_in_file
from wxgate.hindsight.observed import observed_from_csv
from wxgate.journal import Journal
from wxgate.learnedbias import read_bias
from wxgate.lessonplan import load_plan
from wxgate.lessons.changes import load_kept
from wxgate.netcdf import read_netcdf
from wxgate.profiles import known_aircraft, load_aircraft, load_pilot, load_site
from wxgate.report.calendar import Slot, update_calendar
from wxgate.rulebook import load_rulebook
from wxgate.sources.endpoints import Entry, load_endpoints
from wxgate.verdict import Grade
from wxgate.watch.config import load_settings
from wxgate.watch.state import opened

pytestmark = pytest.mark.contract

USAGE, DATA, RULES, KEPT = 2, 3, 4, 6
NOW = datetime(2026, 9, 15, 5, tzinfo=UTC)
SHIPPED = places.shipped("rules")


# ---------------------------------------------------------------------- netCDF

UNITS = ["m", "km", "kt", "K", "degC", "Pa", "hPa", "%", "1", "mm", "m s-1", "furlong", "", "m/s/s"]
METHODS = ["time: point", "time: maximum", "time: mean", "time: sum", "time: point time: mean",
           "", "area: mean", "time: minimum (interval: 1 hour)", LONG[:3000]]  # fmt: skip


@functools.cache
def weather() -> xr.Dataset:
    return dataset_of(SCENARIOS[0])


@st.composite
def spoilt_dataset(draw: st.DrawFn) -> xr.Dataset:
    """The weather of a scenario with one to three things wrong about it."""
    found = weather().copy(deep=True)
    for _ in range(draw(st.integers(1, 3))):
        name = draw(st.sampled_from(sorted(map(str, found.variables))))
        variable = found[name]
        deed = draw(st.sampled_from(sorted(_DEEDS)))
        try:
            found = _DEEDS[deed](draw, found, name, variable)
        except (ValueError, TypeError, KeyError, OverflowError, IndexError, RuntimeError):
            continue  # xarray does not let it be done
    return found


def _attribute(draw: st.DrawFn, found: xr.Dataset, name: str, _: xr.DataArray) -> xr.Dataset:
    key = draw(
        st.sampled_from(["units", "cell_methods", "standard_name", "source", "bounds", "positive"])
    )
    values = {"units": UNITS, "cell_methods": METHODS}.get(key, [])
    found[name].attrs[key] = draw(st.sampled_from([*values, *WORDS[1:12], 5, 1.5, [1, 2]]))
    return found


def _values(draw: st.DrawFn, found: xr.Dataset, name: str, variable: xr.DataArray) -> xr.Dataset:
    value = draw(st.sampled_from([np.nan, np.inf, -np.inf, 1e300, -1e300, 9999.0, 0.0, -1.0]))
    return found.assign({name: variable.where(np.arange(variable.size).reshape(variable.shape) % 3,
                                              value)})  # fmt: skip


def _kind(draw: st.DrawFn, found: xr.Dataset, name: str, variable: xr.DataArray) -> xr.Dataset:
    kind = draw(st.sampled_from(["f4", "i2", "i8", "U8", "bool", "f8", "S4"]))
    with np.errstate(invalid="ignore", over="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return found.assign({name: variable.astype(kind).assign_attrs(variable.attrs)})


def _rename(draw: st.DrawFn, found: xr.Dataset, name: str, _: xr.DataArray) -> xr.Dataset:
    names = sorted(map(str, found.variables))
    other = draw(st.sampled_from(["x", "Time", "lat", *names]))
    return found.rename({name: f"{other}_" if other in names else other})


def _crossed(draw: st.DrawFn, found: xr.Dataset, name: str, _: xr.DataArray) -> xr.Dataset:
    other = draw(st.sampled_from(sorted(map(str, found.data_vars))))
    return found.rename({name: "aside"}).rename({other: name}).rename({"aside": other})


def _times(draw: st.DrawFn, found: xr.Dataset, _: str, __: xr.DataArray) -> xr.Dataset:
    step = draw(st.sampled_from([-1, 1, 30, 60, 10**6, -(10**7)]))
    moved = found["time"].values + np.timedelta64(step, "m") * np.arange(found["time"].size)
    return found.assign_coords(time=("time", moved, found["time"].attrs))


def _cut(draw: st.DrawFn, found: xr.Dataset, _: str, __: xr.DataArray) -> xr.Dataset:
    dimension = draw(st.sampled_from(sorted(map(str, found.sizes))))
    size = found.sizes[dimension]
    return found.isel({dimension: slice(0, draw(st.integers(0, size)))})


def _shuffled(draw: st.DrawFn, found: xr.Dataset, _: str, __: xr.DataArray) -> xr.Dataset:
    dimension = draw(st.sampled_from(sorted(map(str, found.sizes))))
    return found.isel({dimension: slice(None, None, -1)})


def _widened(draw: st.DrawFn, found: xr.Dataset, name: str, variable: xr.DataArray) -> xr.Dataset:
    wide = variable.expand_dims(draw(st.sampled_from(["x", "member", "latitude2", "height2"])))
    return found.assign({name: wide.assign_attrs(variable.attrs)})


def _about(draw: st.DrawFn, found: xr.Dataset, _: str, __: xr.DataArray) -> xr.Dataset:
    key = draw(st.sampled_from(["wxgate_provenance", "wxgate_notes", "title", "institution"]))
    origin = [{"source": "s", "title": "t", "run": "2026-09-15T00:00:00+00:00",
               "fetched": "2026-09-15T04:00:00+00:00", "sha256": "0", "cycle_h": 6.0}]  # fmt: skip
    text = json.dumps(draw(spoilt(origin)))
    found.attrs[key] = draw(st.sampled_from([text, text[:9], *WORDS[1:20], 5]))
    return found


def _dropped(_: st.DrawFn, found: xr.Dataset, name: str, __: xr.DataArray) -> xr.Dataset:
    return found.drop_vars(name)


_DEEDS: dict[str, Callable[..., xr.Dataset]] = {
    "attribute": _attribute, "values": _values, "kind": _kind, "rename": _rename,
    "crossed": _crossed, "times": _times, "cut": _cut, "shuffled": _shuffled,
    "widened": _widened, "about": _about, "dropped": _dropped,
}  # fmt: skip


@examples(60)
@given(dataset=spoilt_dataset())
def test_a_spoilt_netcdf_file_is_read_or_refused(tmp_path: Path, dataset: xr.Dataset) -> None:
    path = tmp_path / "f.nc"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            dataset.to_netcdf(path, engine="netcdf4")
    except Exception:  # noqa: BLE001 - it cannot be written at all
        return
    found = answered(lambda: read_netcdf(path, now=NOW), DATA, within_s=20)
    if found is not None:
        for field in found.fields.values():
            assert not np.isinf(field.values).any()
        assert all(note.isprintable() or "\n" not in note for note in found.notes)


def test_a_small_file_that_announces_more_than_any_memory_holds(tmp_path: Path) -> None:
    """Chunks that were never written take no room in the file, and all of it when read."""
    import netCDF4

    path = tmp_path / "bomb.nc"
    with netCDF4.Dataset(path, "w") as made:
        made.createDimension("time", 100_000)
        made.createDimension("x", 100_000)
        made.createVariable("air_temperature", "f8", ("time", "x"), zlib=True, chunksizes=(1, 1000))
    assert path.stat().st_size < 100_000
    with pytest.raises(WxgateError, match="take 80 GB") as caught:
        read_netcdf(path, now=NOW)
    assert caught.value.exit_code == DATA


# ---------------------------------------------------------------------- YAML

STARTER = (SHIPPED / "starter.yaml").read_text(encoding="utf-8")
AIRCRAFT = known_aircraft([SHIPPED / "aircraft"])
BIAS = "bias:\n  - {quantity: wind_speed, add: 0.5 m/s, wind_from: N, cases: 90, independent: 40}\n"
ENDPOINTS = """\
contact: pilot@example.org
usual: {models: [gfs], indices: [swpc], second_opinion: false}
choice: {budget_mb: 20}
gfs:
  order: [mirror]
  runs: {every_h: 6}
  mirrors:
    mirror: {service: bucket, root: "http://127.0.0.1:9/x", costly: true}
"""


def _endpoints(path: Path) -> object:
    """Read, and looked through as the sources look."""
    found = load_endpoints(path)
    top = Entry(found, "")
    for reader in (
        lambda: top.entry("usual").texts("models"), lambda: top.entry("gfs").texts("order"),
        lambda: top.entry("gfs").entry("runs").number("every_h"),
        lambda: top.entry("choice").number("budget_mb"),
        lambda: [one.text("root") for _, one in top.entry("gfs").entries("mirrors")],
    ):  # fmt: skip
        answered(reader, USAGE)
    return found


def _shipped(*parts: str) -> str:
    return SHIPPED.joinpath(*parts).read_text(encoding="utf-8")


YAMLS: dict[str, tuple[str, Callable[[Path], object], tuple[int, ...]]] = {
    "site": (_shipped("sites", "demo-field.yaml"), load_site, (USAGE,)),
    "aircraft": (_shipped("aircraft", "mid-900g.yaml"), load_aircraft, (USAGE,)),
    "pilot": (_shipped("pilots", "novice.yaml"), load_pilot, (USAGE,)),
    "plan": (_shipped("plans", "demo-week.yaml"), load_plan, (USAGE,)),
    "watch": (test_watch_config.GOOD, load_settings, (USAGE,)),
    "rules": (STARTER, lambda path: load_rulebook([path], aircraft=AIRCRAFT), (RULES,)),
    "chances": (_shipped("chances.yaml"), lambda p: read_policy(SHIPPED / "chances.yaml", p),
                (USAGE, RULES)),
    "bias": (BIAS, read_bias, (USAGE,)),
    "endpoints": (ENDPOINTS, _endpoints, (USAGE,)),
    "lessons": (_shipped("lessons.yaml"), lambda path: load_rulebook([path], aircraft=AIRCRAFT),
                (RULES,)),
    "verify": (_shipped("verify.yaml"), lambda path: load_rulebook([path], aircraft=AIRCRAFT),
               (RULES,)),
}  # fmt: skip


@pytest.mark.parametrize("kind", YAMLS)
@examples(40)
@given(data=st.data())
def test_a_spoilt_yaml_file(tmp_path: Path, kind: str, data: st.DataObject) -> None:
    text, load, codes = YAMLS[kind]
    path = tmp_path / "f.yaml"
    path.write_bytes(data.draw(spoilt_text(text)).encode("utf-8", "surrogatepass"))
    answered(lambda: load(path), *codes, within_s=10)


@pytest.mark.parametrize("kind", YAMLS)
def test_yaml_bombs_and_walls_of_text_are_refused_soon(tmp_path: Path, kind: str) -> None:
    text, load, codes = YAMLS[kind]
    doubled = "".join(f"k{n}: &k{n} [{', '.join([f'*k{n - 1}'] * 9)}]\n" for n in range(1, 12))
    head = text.split(":")[0].split("\n")[-1]
    for content in (
        f"k0: &k0 [x, x]\n{doubled}{head}: *k11\n", f"{head}: &a [*a]\n", f"{head}: {LONG * 20}\n",
        "- " * 3000, "[" * 9000, "{a: " * 3000, f"{head}: !!python/object/apply:os.system [id]\n",
        f"{head}: " + "'" * 60_001, "? " * 3000, f"{head}: |\n" + " x\n" * 50_000, "\0", "",
    ):  # fmt: skip
        path = tmp_path / "f.yaml"
        path.write_text(content, encoding="utf-8")
        answered(lambda path=path: load(path), *codes, within_s=5)


@pytest.mark.parametrize(
    "scalar",
    ["2026-13-45", "2026-01-01T99:00:00Z", "0b_", "0x_", "-0b_", "!!int x", "!!float x",
     "!!bool x", "!!timestamp x", "9" * 5000, ".nan", ".inf", "!!binary x", "[1]", "{a: b}"],
)  # fmt: skip
def test_scalars_that_the_yaml_reader_itself_breaks_on(tmp_path: Path, scalar: str) -> None:
    path = tmp_path / "endpoints.yaml"
    path.write_text(f"contact: {scalar}\nchoice: {{budget_mb: {scalar}}}\n")
    answered(lambda: _endpoints(path), USAGE)


@examples(40)
@given(text=spoilt_text("display:\n  units: knots\n  clock: 12\n"))
def test_a_spoilt_display_file(text: str) -> None:
    folder = Path(os.environ["WXGATE_CONFIG"])
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "display.yaml").write_bytes(text.encode("utf-8", "surrogatepass"))
    answered(display_of, USAGE)


# ---------------------------------------------------------------------- observations

TABLE = (
    "time,wind_speed (kt),gust [m/s],visibility (km),air_temperature (degC),other\n"
    "2026-09-15T05:00Z,5,8.1,10,12.5,x\n2026-09-15T06:00+02:00,,M,9,-3,\n"
    '"2026-09-15 07:20Z",12,15,NA,12,"a, b"\n'
)
ARCHIVE = (
    "station,valid,metar\nABNE,2026-09-15 05:50,ABNE 150550Z 24012KT 9999 BKN026 07/04 Q1005\n"
    "ABNE,2026-09-15 06:50,METAR ABNE 150650Z 24015G28KT 0800 FG 07/07 Q1005\n"
)


@examples(80)
@given(text=spoilt_text(TABLE))
def test_a_spoilt_table_of_observations(tmp_path: Path, text: str) -> None:
    path = tmp_path / "t.csv"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    found = answered(lambda: observed_from_csv(path), DATA)
    if found is not None:
        assert not any(np.isinf(v).any() for v in found.fields.values())


@examples(80)
@given(text=spoilt_text(ARCHIVE))
def test_a_spoilt_file_of_reports(tmp_path: Path, text: str) -> None:
    path = tmp_path / "t.csv"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    answered(lambda: reports_in_file(path, near=NOW), DATA)


def test_a_table_of_very_many_lines_is_read_in_bounded_time(tmp_path: Path) -> None:
    """10^5 lines here; 10^6 take ten times as long (measured by hand)."""
    path = tmp_path / "t.csv"
    row = "2026-09-15T05:00Z,5,8\n"
    path.write_text("time,wind_speed (kt),gust (kt)\n" + row * 100_000)
    assert answered(lambda: observed_from_csv(path), DATA, within_s=15) is not None
    blank = "\n" * 200_000
    path.write_text(blank + ARCHIVE.split(",")[-1] + blank)
    assert answered(lambda: reports_in_file(path, near=NOW), DATA, within_s=5) is not None


# ---------------------------------------------------------------------- what wxgate keeps


@functools.cache
def stored_hours() -> dict[str, Any]:
    folder = Path(os.environ["WXGATE_CACHE"]) / "h"
    store.save(folder, "k", demonstration_brief().forecast, at=NOW)
    whole: dict[str, Any] = json.loads((folder / "k.json").read_text())
    body: dict[str, Any] = json.loads(whole["body"])
    body["forecast"]["fields"] = dict(list(body["forecast"]["fields"].items())[:3])
    return body


@examples(60)
@given(data=st.data())
def test_spoilt_hours_with_a_hash_that_fits_are_as_good_as_none(
    tmp_path: Path, data: st.DataObject
) -> None:
    """Whoever can write the folder can also write the hash: nothing but the form protects."""
    import hashlib

    body = dumped(data.draw(spoilt(stored_hours()))).decode()
    whole = {"sha256": hashlib.sha256(body.encode()).hexdigest(), "body": body}
    (tmp_path / "k.json").write_bytes(dumped(whole))
    found = store.load(tmp_path, "k")
    if found is not None:
        assert not any(np.isinf(f.values).any() for f in found.forecast.fields.values())


@examples(40)
@given(content=spoilt_bytes(json.dumps({"format": 2, "briefs": []}).encode()))
def test_a_spoilt_file_of_the_last_briefs(tmp_path: Path, content: bytes) -> None:
    brief = demonstration_brief()
    (tmp_path / f"{changes.last_key(brief)}.json").write_bytes(content)
    changes.load_kept(tmp_path, brief)


@examples(60)
@given(data=st.data())
def test_spoilt_last_briefs_are_no_past(tmp_path: Path, data: st.DataObject) -> None:
    brief = demonstration_brief()
    kept = changes.kept_of(brief)
    kept["hours"] = dict(list(kept["hours"].items())[:2])
    document = data.draw(spoilt({"format": changes.FORMAT, "briefs": [kept]}))
    (tmp_path / f"{changes.last_key(brief)}.json").write_bytes(dumped(document))
    before = changes.load_kept(tmp_path, brief)
    changes.changes(before, brief, oldest=timedelta(days=2))


QUESTION = {"site": "demo-field", "aircraft": "light-249g", "pilot": "novice", "hours": 12,
            "rules": ["/x.yaml"], "lat": 52.0, "lon": -1.5, "zone": "UTC"}  # fmt: skip


@examples(60)
@given(document=spoilt(QUESTION))
def test_a_spoilt_last_question_is_none(document: Any) -> None:
    folder = places.state_folder()
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    (folder / "last-question.json").write_bytes(dumped(document))
    found = last.recall()
    assert found is None or set(found) <= {*last.KEPT}


@examples(60)
@given(document=spoilt({"example.org": 0.5, "example.net": -2.0}))
def test_spoilt_clocks_are_none(document: Any) -> None:
    folder = places.cache_folder()
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    (folder / "clocks.json").write_bytes(dumped(document))
    assert all(isinstance(ahead, timedelta) for ahead in clocks.remembered().values())


LESSONS = {"format": 1, "lessons": {"student-1": {"start": "2026-09-15T08:00:00+00:00",
                                                  "instructor": "i", "margin": 0.2}}}  # fmt: skip


@examples(60)
@given(document=spoilt(LESSONS))
def test_a_spoilt_plan_before(tmp_path: Path, document: Any) -> None:
    (tmp_path / "p.json").write_bytes(dumped(document))
    answered(lambda: load_kept(tmp_path / "p.json"), KEPT)


SLOT = Slot(key="a", title="t", start=NOW + timedelta(hours=3), end=NOW + timedelta(hours=4),
            grade=Grade.GO, text="x", place="p")  # fmt: skip


@examples(50)
@given(data=st.data())
def test_a_spoilt_record_of_the_calendar(tmp_path: Path, data: st.DataObject) -> None:
    record, path = tmp_path / "r.json", tmp_path / "c.ics"
    for file in (record, path):
        file.unlink(missing_ok=True)
    update_calendar(path, record, "p", [SLOT], now=NOW)
    whole = json.loads(record.read_text())
    record.write_bytes(dumped(data.draw(spoilt(whole))))
    before = path.read_bytes()
    done = answered(
        lambda: update_calendar(path, record, "p", [SLOT, ], now=NOW), USAGE
    )  # fmt: skip
    assert done is not None or path.read_bytes() == before
    assert not list(tmp_path.glob(".*partial*"))


@functools.cache
def journal_bytes() -> bytes:
    path = Path(os.environ["WXGATE_STATE"]) / "j.sqlite"
    with Journal(path, at=NOW) as journal:
        journal.add_brief(demonstration_brief())
        journal._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path.read_bytes()


@examples(40)
@given(data=st.data())
def test_a_spoilt_journal_is_set_aside_or_refused(tmp_path: Path, data: st.DataObject) -> None:
    for old in tmp_path.iterdir():
        old.unlink()
    path = tmp_path / "j.sqlite"
    path.write_bytes(data.draw(spoilt_bytes(journal_bytes())))
    for to_read in (True, False):
        answered(lambda to_read=to_read: _read_all(path, to_read), KEPT, within_s=20)


def _read_all(path: Path, to_read: bool) -> None:
    with Journal(path, at=NOW, to_read=to_read) as journal:
        for brief in list(journal.briefs()):
            journal.quantities(brief.id)
        for rows in (journal.hours, journal.readings, journal.deeds, journal.observations):
            list(rows())
        journal.counts()
        journal.faults()


CELLS: list[Any] = [*NUMBERS[:8], *WORDS[:18], None, b"\xff\x00", 1e308]


@examples(60)
@given(data=st.data())
def test_cells_of_a_journal_that_no_wxgate_wrote(tmp_path: Path, data: st.DataObject) -> None:
    for old in tmp_path.iterdir():
        old.unlink()
    path = tmp_path / "j.sqlite"
    path.write_bytes(journal_bytes())
    table = data.draw(st.sampled_from(["brief", "verdict"]))
    change = sqlite3.connect(path)
    columns = [row[1] for row in change.execute(f"PRAGMA table_info({table})")]
    column, value = data.draw(st.sampled_from(columns)), data.draw(st.sampled_from(CELLS))
    try:
        change.execute(f'UPDATE {table} SET "{column}" = ?', [value])  # noqa: S608
        change.commit()
    except (sqlite3.Error, OverflowError, UnicodeEncodeError):
        pass
    finally:
        change.close()
    answered(lambda: _read_all(path, True), KEPT, within_s=20)


@functools.cache
def state_bytes() -> bytes:
    path = Path(os.environ["WXGATE_STATE"]) / "watch" / "w.sqlite"
    with opened(path, NOW) as (state, _):
        with state.transaction():
            state.seen("w/1", NOW)
            state.note("a@example.org", {"w/1 change": "go"}, NOW)
            state.put("a@example.org", {"w/1 change": "go"}, b"mail", NOW)
        state._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path.read_bytes()


@examples(40)
@given(data=st.data())
def test_a_spoilt_state_of_a_watch(tmp_path: Path, data: st.DataObject) -> None:
    for old in tmp_path.iterdir():
        old.unlink()
    path = tmp_path / "w.sqlite"
    path.write_bytes(data.draw(spoilt_bytes(state_bytes())))

    def use() -> None:
        for keep in (False, True):
            with opened(path, NOW, keep=keep) as (state, _), state.transaction():
                state.seen("w/1", NOW)
                state.told("a@example.org")
                state.outbox()
                state.prune(NOW)

    answered(use, KEPT, within_s=20)
