"""Contract: the live probe, against the local services: what is good holds, what changed is found.

Each change below is one that a service made or might make (the failure modes that users of other
libraries told of, 2025-2026); the probe must point at the line of what changed.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import ecmwf_service
import gfs_service
import hrrr_service
import icon_service
import pytest
import test_aviation
import test_ecmwf
import test_gefs
import test_gfs
import test_gfz
import test_hrrr
import test_icon
import test_metno
import test_nws
import test_openmeteo
from bad_days import Day, good_file, kp_rows
from local_server import Fault, LocalServer, Response
from point_bench import Bench, as_json

from wxgate.cli import probe as cli
from wxgate.errors import DataError, UsageError
from wxgate.profiles import Site
from wxgate.sources.base import Request, Toolbox
from wxgate.sources.probe import ASSUMPTIONS, State, probe

pytestmark = pytest.mark.contract

gfs_stage, hrrr_stage, ecmwf_stage, icon_stage, gefs_stage = (
    module.stage for module in (test_gfs, test_hrrr, test_ecmwf, test_icon, test_gefs)
)  # fmt: skip
stage, members = test_ecmwf.stage, test_ecmwf.members


def look(name: str, tools: Toolbox, now: datetime, place: tuple[float, float]) -> dict[str, str]:
    """Each assumption's sentence, with its state and what was seen."""
    request = Request(*place, now, 2, now)
    found = list(probe(name, request, tools))
    assert [f.text for f in found] == [a.text for a in ASSUMPTIONS[name]]
    return {f.text: f"{f.state}|{f.seen}" for f in found}


def only(found: Mapping[str, str], broken: str, seen: str) -> None:
    """This line alone does not hold, for this reason; what needs it could not be tried."""
    states = {text: told.split("|")[0] for text, told in found.items()}
    (line,) = [text for text, state in states.items() if state == State.BROKEN]
    assert broken in line, found
    assert seen in found[line], found


def holds(found: Mapping[str, str]) -> None:
    assert set(found.values()) == {"holds|"}, found


# ------------------------------------------------------------------------------- models


GFS_CHANGES: dict[str, tuple[Callable[[Any], object], str, str]] = {
    "the path": (
        lambda s: s.endpoints["gfs"].update(files=["v17/{date}/gfs.f{step}"]),
        "is at its address", "none of the newest runs",
    ),
    "the form of sidecars": (
        lambda s: respell(s, lambda text: text.replace(":", ";")),
        "sidecar can be read", "not one of a sidecar",
    ),
    "the name of a field": (
        lambda s: respell(s, lambda text: text.replace(":VIS:", ":VSBY:")),
        "fields of an instant", "VIS surface",
    ),
    "the buckets": (
        lambda s: respell(s, lambda text: text.replace(" acc fcst", " accum fcst")),
        "begin anew every 6 h", "APCP surface",
    ),
    "the name of the terrain": (
        lambda s: respell(s, lambda text: text.replace("SFCR", "ZNOT")),
        "terrain and roughness", "SFCR",
    ),
    "the crop script": (
        lambda s: s.server.handler("/cgi/filter", lambda q: Response(200, b"<html>no such file")),
        "crop script answers", "GRIB",
    ),
    "the crop's cells": (
        lambda s: s.endpoints["gfs"]["crop"].update(cell_deg=0.25),
        "points are those", "degrees",
    ),
}  # fmt: skip


def respell(stage: Any, change: Callable[[str], str]) -> None:
    """All sidecars of the first mirror, told otherwise."""
    for step in test_gfs.STEPS:
        path = gfs_service.file_path(test_gfs.RUN, step)
        text = change(test_gfs.make_file(test_gfs.RUN, step).sidecar)
        stage.server.blob(f"/aws{path}.idx", text.encode(), content_type="text/plain")


def of_gfs(stage: Any) -> dict[str, str]:
    return look("gfs", stage.tools(), test_gfs.NOW, test_gfs.WET)


def test_the_good_gfs_holds(gfs_stage: Any) -> None:
    holds(of_gfs(gfs_stage))
    assert sum("cgi" in path for path in gfs_stage.server.paths()) == 1


@pytest.mark.parametrize("what", GFS_CHANGES)
def test_a_change_of_the_gfs_is_found(gfs_stage: Any, what: str) -> None:
    change, line, seen = GFS_CHANGES[what]
    change(gfs_stage)
    only(of_gfs(gfs_stage), line, seen)


def test_a_field_that_the_crop_leaves_out(gfs_stage: Any) -> None:
    answer = gfs_stage.nomads.answer

    def without(query: dict[str, str]) -> Response | bytes:
        return answer({name: value for name, value in query.items() if name != "var_GUST"})

    gfs_stage.server.handler("/cgi/filter", without)
    only(of_gfs(gfs_stage), "holds all that is read", "GUST surface")


def test_a_ceiling_above_ground_in_place_of_above_the_sea(
    server: LocalServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At 300 m above ground over terrain of 1500 m it would lie 1200 m below ground."""
    import bad_days

    values = {("HGT", "surface"): 1500.0, ("HGT", "cloud ceiling"): 300.0}
    monkeypatch.setattr(bad_days, "_VALUES", {**bad_days._VALUES, **values})
    good_file.cache_clear()
    try:
        day = Day(server, tmp_path / "config")
        day.write("crop", "mirror")
        monkeypatch.setenv("WXGATE_CONFIG", str(tmp_path / "config"))
        from wxgate.cli.tools import toolbox

        found = look("gfs", toolbox(lambda *_: None), bad_days.NOW, bad_days.SITE)
        only(found, "ceilings lie above sea level", "1200 m below ground")
    finally:
        good_file.cache_clear()


def of_hrrr(stage: Any) -> dict[str, str]:
    return look("hrrr", stage.tools(), test_hrrr.NOW, test_hrrr.WEST)


def test_the_good_hrrr_holds(hrrr_stage: Any) -> None:
    holds(of_hrrr(hrrr_stage))


def hrrr_sidecars(stage: Any, change: Callable[[str], str], quarters: bool = False) -> None:
    make = hrrr_service.make_quarters if quarters else hrrr_service.make_file
    path_of = hrrr_service.quarters_path if quarters else hrrr_service.file_path
    for step in test_hrrr.STEPS:
        path = path_of(test_hrrr.RUN, step)
        text = change(make(test_hrrr.RUN, step).sidecar)
        stage.server.blob(f"/aws{path}.idx", text.encode(), content_type="text/plain")


def drop_quarters(stage: Any) -> None:
    for step in test_hrrr.STEPS:
        stage.server.remove(f"/aws{hrrr_service.quarters_path(test_hrrr.RUN, step)}.idx")


HRRR_CHANGES: dict[str, tuple[Callable[[Any], object], str, str]] = {
    "the name of a field": (
        lambda s: hrrr_sidecars(s, lambda text: text.replace(":GUST:", ":GST:")),
        "fields of an instant", "GUST",
    ),
    "the rain of the hour": (
        lambda s: hrrr_sidecars(s, lambda text: text.replace(":APCP:", ":TP:")),
        "rain of the last hour", "APCP",
    ),
    "the largest wind": (
        lambda s: hrrr_sidecars(s, lambda text: text.replace(":WIND:", ":WNDMAX:")),
        "largest wind", "WIND",
    ),
    "the file of quarters": (drop_quarters, "file of quarters", "none of the newest"),
    "the windows of quarters": (
        lambda s: hrrr_sidecars(s, lambda text: text.replace(" min fcst", " minute fcst"), True),
        "told in minutes", "not listed",
    ),
    "the grid": (
        lambda s: s.entry.update(domain={**s.entry["domain"], "central_longitude": -95.0}),
        "points are those", "projection",
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", HRRR_CHANGES)
def test_a_change_of_hrrr_is_found(hrrr_stage: Any, what: str) -> None:
    change, line, seen = HRRR_CHANGES[what]
    change(hrrr_stage)
    only(of_hrrr(hrrr_stage), line, seen)


def of_ecmwf(stage: Any, name: str = "ecmwf") -> dict[str, str]:
    return look(name, stage.tools(), test_ecmwf.NOW, test_ecmwf.WET)


def indices(stage: Any, change: Callable[[dict[str, Any]], dict[str, Any]]) -> None:
    for step in test_ecmwf.STEPS:
        file = ecmwf_service.make_file(test_ecmwf.RUN, step)
        rows = [json.dumps(change(json.loads(row))) for row in file.index.splitlines()]
        path = f"/aws{ecmwf_service.file_path(file)}.index"
        stage.aws.blob(path, "\n".join(rows).encode(), content_type="text/plain")


ECMWF_CHANGES: dict[str, tuple[Callable[[Any], object], str, str]] = {
    "the stream": (
        lambda s: s.endpoints["ecmwf"]["stream"].update(now="deterministic"),
        "is at its address", "none of the newest runs",
    ),
    "the keys of the index": (
        lambda s: indices(s, lambda row: {k.replace("_offset", "offset"): row[k] for k in row}),
        "index can be read", "_offset",
    ),
    "the name of a field": (
        lambda s: indices(s, lambda row: {**row, "param": row["param"].replace("2d", "d2m")}),
        "fields of an instant", "2d",
    ),
    "the name of the total": (
        lambda s: indices(s, lambda row: {**row, "param": row["param"].replace("tp", "tprate")}),
        "totals from the run's start", "tp",
    ),
    "the name of the gust": (
        lambda s: indices(s, lambda row: {**row, "param": "gust" if "fg" in row["param"] else row["param"]}),  # noqa: E501
        "gust goes by a name", "10fg",
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", ECMWF_CHANGES)
def test_a_change_of_ecmwf_is_found(ecmwf_stage: Any, what: str) -> None:
    change, line, seen = ECMWF_CHANGES[what]
    change(ecmwf_stage)
    found = of_ecmwf(ecmwf_stage)
    broken = {text: told for text, told in found.items() if told.startswith(State.BROKEN)}
    assert any(line in text and seen in told for text, told in broken.items()), found


def test_the_good_ecmwf_holds(ecmwf_stage: Any) -> None:
    holds(of_ecmwf(ecmwf_stage))


def test_a_unit_of_rain_that_is_neither(ecmwf_stage: Any) -> None:
    row = next(r for r in ecmwf_service.ROWS if r.param == "tp")
    for step in test_ecmwf.STEPS:
        file = ecmwf_service.make_file(test_ecmwf.RUN, step)
        plain = ecmwf_service.value(row, step)
        other = ecmwf_service.encode_row(row, test_ecmwf.RUN, step, values=plain * 0 + 3e4)
        changed = replace(file, messages=tuple(
            (r, m, other if r is row else message) for r, m, message in file.messages
        ))  # fmt: skip
        ecmwf_service.serve(ecmwf_stage.aws, "/aws", changed)
    only(of_ecmwf(ecmwf_stage), "rain is in metres or millimetres", "the largest is 30000")


def test_the_ensemble_of_ecmwf(members: Any) -> None:
    holds(of_ecmwf(members, "ecmwf-ens"))
    members.endpoints["ecmwf-ens"]["members"] += 1
    only(of_ecmwf(members, "ecmwf-ens"), "all members", " members")


def test_the_ensemble_of_noaa(gefs_stage: Any) -> None:
    def found() -> dict[str, str]:
        return look("gefs", gefs_stage.tools(), test_gefs.NOW, test_gefs.PLACE)

    holds(found())
    gefs_stage.entry["products"]["aloft"]["files"] = ["gone/{member}.f{step}"]
    only(found(), "winds aloft", "none of the newest runs")


def of_icon(stage: Any) -> dict[str, str]:
    return look("icon-eu", stage.tools(), test_icon.NOW, test_icon.NORTH)


def other_grid(stage: Any) -> None:
    cells = icon_service.make_cells(number=63, seed=2)
    row = next(r for r in icon_service.STILL if r.param == "CLAT")
    for run in (test_icon.RUN, test_icon.RUN - timedelta(hours=6)):
        path = "/icon" + icon_service.file_path(row, run, 0)
        stage.server.blob(path, icon_service.message(row, run, 0, cells))


def other_field(stage: Any) -> None:
    for row in icon_service.SINGLE:
        if row.param == "T_2M":
            wrong = next(r for r in icon_service.SINGLE if r.param == "TD_2M")
            path = "/icon" + icon_service.file_path(row, test_icon.RUN, 1)
            stage.server.blob(path, icon_service.message(wrong, test_icon.RUN, 1))


ICON_CHANGES: dict[str, tuple[Callable[[Any], object], str, str]] = {
    "the listing": (
        lambda s: s.server.blob("/icon/p/T_2M/r/", b"<html>moved</html>", content_type="text/html"),
        "runs are listed", "tells no run",
    ),
    "the file's name": (
        lambda s: s.endpoints["icon-eu"].update(file="p/{param}/r/{run}/s/{lead}.grb"),
        "at its address", "not there",
    ),
    "what a file holds": (other_field, "at its address", ""),
    "the grid": (other_grid, "coordinates are of the same grid", "CLAT is on another grid"),
    "a parameter that is withdrawn": (
        lambda s: s.server.remove("/icon" + icon_service.file_path(
            test_icon.ROW["VMAX_10M"], test_icon.RUN, 1)),
        "every parameter", "VMAX_10M",
    ),
}  # fmt: skip


@pytest.fixture
def listed(icon_stage: Any) -> Any:
    """The newest run alone is listed, so that it is the one that is looked at."""
    icon_service.serve_listing(icon_stage.server, "/icon", test_icon.RUN)
    icon_service.serve(icon_stage.server, "/icon", test_icon.RUN, (1,))
    return icon_stage


def test_the_good_icon_holds(listed: Any) -> None:
    holds(of_icon(listed))


@pytest.mark.parametrize("what", ICON_CHANGES)
def test_a_change_of_icon_is_found(listed: Any, what: str) -> None:
    change, line, seen = ICON_CHANGES[what]
    change(listed)
    found = of_icon(listed)
    broken = {text: told for text, told in found.items() if told.startswith(State.BROKEN)}
    assert any(line in text and seen in told for text, told in broken.items()), found


# ------------------------------------------------------------------------------- point services


def spoilt(content: Any, change: Callable[[Any], object]) -> Any:
    copy = json.loads(json.dumps(content))
    change(copy)
    return copy


def meta(content: Any) -> Any:
    return content["properties"]["meta"]


METNO_CHANGES: dict[str, tuple[Callable[[Any], object], str, str]] = {
    "the shape": (lambda c: c["properties"].pop("timeseries"), "form that is known", "timeseries"),
    "a unit": (lambda c: meta(c)["units"].update(wind_speed="knop"), "units are known", "knop"),
    "a name": (
        lambda c: [row["data"]["instant"]["details"].update(air_temperature=None)
                   for row in c["properties"]["timeseries"]],
        "wind, temperature", "air_temperature",
    ),
    "an old update": (
        lambda c: meta(c).update(updated_at="2026-11-01T00:00:00Z"),
        "when it was made", "2026-11-01",
    ),
}  # fmt: skip


def of_metno(bench: Bench) -> dict[str, str]:
    return look("metno", bench.tools(), test_metno.NOW, (47.05, 8.31))


def make_metno(server: LocalServer) -> tuple[Bench, test_metno.Service]:
    service = test_metno.Service(server)
    content = test_metno.sample()
    for row in content["properties"]["timeseries"]:
        row["data"]["instant"]["details"]["dew_point_temperature"] = 4.0
    service.content = json.dumps(content).encode()
    return Bench("metno", server, None, root=test_metno.PATH.rsplit("/", 1)[0]), service


def test_the_good_metno_holds(server: LocalServer) -> None:
    bench, _ = make_metno(server)
    holds(of_metno(bench))


@pytest.mark.parametrize("what", METNO_CHANGES)
def test_a_change_of_metno_is_found(server: LocalServer, what: str) -> None:
    bench, service = make_metno(server)
    change, line, seen = METNO_CHANGES[what]
    service.content = json.dumps(spoilt(json.loads(service.content), change)).encode()
    found = of_metno(bench)
    broken = {text: told for text, told in found.items() if told.startswith(State.BROKEN)}
    assert any(line in text and seen in told for text, told in broken.items()), found


def test_metno_refuses_or_tells_no_dates(server: LocalServer) -> None:
    bench, service = make_metno(server)
    server.handler(test_metno.PATH, lambda query: Response(403))
    only(of_metno(bench), "names a contact", "(403)")
    server.handler(
        test_metno.PATH,
        lambda query: Response(200, service.content, {"Content-Type": "application/json"}),
    )
    only(of_metno(bench), "when to ask again", "Expires, Last-Modified")

    def forgetful(query: dict[str, str]) -> Response:
        good = service(query)
        return replace(good, status=200, content=service.content)

    server.handler(test_metno.PATH, forgetful)
    only(of_metno(bench), "answered with 304", "answers 200")


NWS_CHANGES: dict[str, tuple[Callable[[Any], object], str, str]] = {
    "a unit": (
        lambda c: c["properties"]["windSpeed"].update(uom="wmoUnit:furlong"),
        "units (uom)", "furlong",
    ),
    "a layer": (lambda c: c["properties"].pop("windGust"), "wind, gust", "wind_speed_of_gust"),
    "the form of intervals": (
        lambda c: [v.update(validTime="2026-11-25 18:00/3h")
                   for v in c["properties"]["windSpeed"]["values"]],
        "form that is known", "",
    ),
    "an old update": (
        lambda c: c["properties"].update(updateTime="2026-11-01T00:00:00+00:00"),
        "when it was made", "2026-11-01",
    ),
}  # fmt: skip


def of_nws(bench: Bench) -> dict[str, str]:
    return look("nws", bench.tools(), test_nws.NOW, (39.73921, -104.99))


def test_the_good_nws_holds(server: LocalServer) -> None:
    test_nws.Service(server)
    holds(of_nws(Bench("nws", server, None)))


@pytest.mark.parametrize("what", NWS_CHANGES)
def test_a_change_of_nws_is_found(server: LocalServer, what: str) -> None:
    change, line, seen = NWS_CHANGES[what]
    service = test_nws.Service(server)
    service.grids[test_nws.GRID] = spoilt(test_nws.sample(), change)
    found = of_nws(Bench("nws", server, None))
    broken = {text: told for text, told in found.items() if told.startswith(State.BROKEN)}
    assert any(line in text and seen in told for text, told in broken.items()), found


def test_a_cell_that_is_told_otherwise(server: LocalServer) -> None:
    service = test_nws.Service(server)
    service.point = {"properties": {"office": "BOU", "x": 1, "y": 2}}
    found = of_nws(Bench("nws", server, None))
    assert found["the cell of a point is told"].startswith(State.BROKEN), found


OPENMETEO_CHANGES: dict[str, tuple[Callable[[Any], object], str, str]] = {
    "the shape": (lambda s: setattr(s, "answer", {"hours": []}), "form that is known", "hourly"),
    "a unit": (lambda s: s.units.update(wind_gusts_10m="furlongs"), "units are known", "furlongs"),
    "a name": (lambda s: s.rows.update(visibility=[None] * 24), "wind, gust", "visibility_in_air"),
    "runs": (
        lambda s: [s.server.remove(f"/data/{m}/static/meta.json") for m in test_openmeteo.RUNS],
        "runs of its models", "does not tell",
    ),
}  # fmt: skip


def of_openmeteo(server: LocalServer, **more: Any) -> dict[str, str]:
    bench = Bench("openmeteo", server, None, **{"noncommercial": True, **more})
    return look("openmeteo", bench.tools(), test_openmeteo.NOW, (47.05, 8.31))


def test_the_good_openmeteo_holds(server: LocalServer) -> None:
    test_openmeteo.Service(server)
    holds(of_openmeteo(server))


@pytest.mark.parametrize("what", OPENMETEO_CHANGES)
def test_a_change_of_openmeteo_is_found(server: LocalServer, what: str) -> None:
    change, line, seen = OPENMETEO_CHANGES[what]
    change(test_openmeteo.Service(server))
    found = of_openmeteo(server)
    broken = {text: told for text, told in found.items() if told.startswith(State.BROKEN)}
    assert any(line in text and seen in told for text, told in broken.items()), found


# ------------------------------------------------------------------------------- the K index

KP_NOW = datetime.fromisoformat("2024-05-11T06:00+00:00")
KP_TEXT = """:Product: 3-Day Forecast
:Issued: 2024 May 11 0030 UTC
# Prepared by the U.S. Dept. of Commerce, NOAA, Space Weather Prediction Center
#
A. NOAA Geomagnetic Activity Observation and Forecast

NOAA Kp index breakdown May 11-May 13 2024

             May 11       May 12       May 13
""" + "\n".join(
    f"{h:02d}-{(h + 3) % 24:02d}UT       2.00         2.00         2.00" for h in range(0, 24, 3)
) + "\n\nRationale: none.\n"  # fmt: skip
KP = {
    "forecast": "products/noaa-planetary-k-index-forecast.json",
    "observed": "products/noaa-planetary-k-index.json",
    "one_minute": "json/planetary_k_index_1m.json",
    "three_days": "text/3-day-forecast.txt",
}


def serve_kp(server: LocalServer, **changes: str) -> dict[str, str]:
    rows = json.loads(kp_rows(KP_NOW))
    seen = [
        {"time_tag": r["time_tag"], "Kp": 2.0, "a_running": 7, "station_count": 8}
        for r in rows if r["observed"] == "observed"
    ]  # fmt: skip
    minutes = [
        {"time_tag": f"2024-05-11T05:{m:02d}:00", "kp_index": 2, "estimated_kp": 2.0, "kp": "2Z"}
        for m in range(60)
    ]
    texts = {
        "forecast": json.dumps(rows), "observed": json.dumps(seen),
        "one_minute": json.dumps(minutes), "three_days": KP_TEXT, **changes,
    }  # fmt: skip
    for name, text in texts.items():
        server.blob(f"/{KP[name]}", text.encode(), content_type="application/json")
    return look("swpc", Bench("swpc", server, None).tools(), KP_NOW, (52.0, -1.5))


def test_the_good_swpc_holds(server: LocalServer) -> None:
    holds(serve_kp(server))


@pytest.mark.parametrize(
    ("changes", "line", "seen"),
    [
        ({"forecast": '{"rows": []}'}, "forecast has a form", ""),
        ({"forecast": kp_rows(KP_NOW).replace('"kp"', '"k"')}, "forecast has a form", ""),
        (
            {"forecast": kp_rows(KP_NOW).replace('observed"', 'seen"')},
            "observed and what",
            "observed",
        ),
        ({"forecast": kp_rows(KP_NOW - timedelta(days=3))}, "reaches a day ahead", "ends at"),
        ({"observed": "[]"}, "observed file", ""),
        ({"one_minute": '[{"t": 1}]'}, "one-minute file", ""),
        ({"three_days": "moved"}, "text has its table", ""),
        ({"forecast": kp_rows(KP_NOW, kp=9.0)}, "text and forecast agree", "differ by 7.0"),
    ],
)
def test_a_change_of_swpc_is_found(
    server: LocalServer, changes: dict[str, str], line: str, seen: str
) -> None:
    found = serve_kp(server, **changes)
    broken = {text: told for text, told in found.items() if told.startswith(State.BROKEN)}
    assert any(line in text and seen in told for text, told in broken.items()), found


def of_gfz(server: LocalServer, answer: Any, text: str | None = None) -> dict[str, str]:
    server.handler(test_gfz.PATH, lambda query: as_json(answer))
    now = test_gfz.NOW
    nowcast = (
        f"# a comment\n{now:%Y %m %d} 00.0 01.50 34585.50000 34585.56250  2.667   12 0\n"
        if text is None else text
    )  # fmt: skip
    server.blob("/app/files/Kp_ap_nowcast.txt", nowcast.encode(), content_type="text/plain")
    bench = Bench("gfz", server, None)
    request_at = now - timedelta(hours=2)
    return look("gfz", bench.tools(), request_at, (52.0, -1.5))


def test_the_definitive_index(server: LocalServer) -> None:
    states = [{"odd": "now"}.get(state, state) for state in test_gfz.SAMPLE["status"]]
    good = {**test_gfz.SAMPLE, "status": states}
    holds(of_gfz(server, good))
    renamed = {("kp" if name == "Kp" else name): value for name, value in good.items()}
    only(of_gfz(server, renamed), "lists have the form", "Kp")
    quick = {**good, "status": ["quick"] * len(good["status"])}
    only(of_gfz(server, quick), "states are known", "quick")
    only(of_gfz(server, good, "moved\n"), "nowcast text", "")


def of_aviation(server: LocalServer, rows: Any) -> dict[str, str]:
    server.handler(test_aviation.METARS, lambda _: as_json(rows))
    server.handler("/api/data/taf", lambda _: as_json([]))
    bench = Bench("aviation", server, None, root="/api/data")
    return look("aviation", bench.tools(), test_aviation.NOW, (47.05, 8.31))


def test_airport_reports(server: LocalServer) -> None:
    told = int(test_aviation.NOW.timestamp()) - 600
    rows = [{**row, "obsTime": told} for row in test_aviation.ROWS]
    holds(of_aviation(server, rows))
    assert "form" in str(of_aviation(server, {"metars": rows}))
    only(of_aviation(server, {"metars": rows}), "form that is known", "")
    renamed = [{("report" if k == "rawOb" else k): v for k, v in row.items()} for row in rows]
    only(of_aviation(server, renamed), "names that are known", "raw text")
    old = [{**row, "obsTime": 1_000_000_000} for row in rows]
    found = of_aviation(server, old)
    assert found["reports are of today"].startswith(State.BROKEN), found
    bad = [{**row, "rawOb": f"METAR {row['icaoId']} 251550Z NIL"} for row in rows]
    found = of_aviation(server, bad)
    assert found["most raw texts can be read"].startswith(State.BROKEN), found
    server.remove("/api/data/taf")
    server.handler(test_aviation.METARS, lambda _: as_json(rows))
    bench = Bench("aviation", server, None, root="/api/data")
    gone = look("aviation", bench.tools(), test_aviation.NOW, (47.05, 8.31))
    only(gone, "list of forecasts", "404")


# ------------------------------------------------------------------------------- the command


def test_every_source_has_a_probe() -> None:
    from wxgate.sources.registry import ENSEMBLES, INDICES, MODELS

    assert set(ASSUMPTIONS) == {*MODELS, *ENSEMBLES, *INDICES, "aviation"}
    for name, rows in ASSUMPTIONS.items():
        assert len({a.text for a in rows}) == len(rows) >= 3, name
        assert all(len(a.text) <= 70 for a in rows), name


@pytest.fixture
def day(server: LocalServer) -> Day:
    import os

    return Day(server, Path(os.environ["WXGATE_CONFIG"]))


PLACE = Site("s", "s", 52.0, -1.5, "UTC")


def test_each_finding_is_a_line_of_80_columns(day: Day, capsys: pytest.CaptureFixture[str]) -> None:
    from bad_days import NOW

    day.write("crop", "mirror")
    cli.tell_probe(PLACE, ["gfs"], now=NOW)
    out = capsys.readouterr().out.splitlines()
    lines = [line for line in out if line.startswith(("  ok ", "  NO ", "   ? "))]
    assert len(lines) == len(ASSUMPTIONS["gfs"])
    assert all(len(line) <= 80 for line in out)
    assert " hold; " in out[-1]
    assert out[-1].endswith(" MB.")
    day.server.blob("/elsewhere", b"")
    day.server.fault("/mirror/*", Fault.HTML)
    with pytest.raises(DataError) as caught:
        cli.tell_probe(PLACE, ["gfs"], now=NOW)
    assert caught.value.exit_code == 3
    out = capsys.readouterr().out.splitlines()
    assert any(line.startswith("  NO ") for line in out)
    assert all(len(line) <= 80 for line in out)


def test_no_service_answers(
    day: Day, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    import yaml
    from bad_days import NOW

    from wxgate.cli import tools

    monkeypatch.setattr(tools, "pause", lambda seconds: None)
    day.write("crop", "mirror")
    file = day.config / "endpoints.yaml"
    elsewhere = {"gfz": {"root": day.server.url("/gfz")}}
    file.write_text(yaml.safe_dump({**yaml.safe_load(file.read_text()), **elsewhere}))
    day.server.fault("/*", Fault.HANG_UP)
    # metno and openmeteo are not asked at all, as nothing is set up for them.
    with pytest.raises(DataError, match="no service answered") as caught:
        cli.tell_probe(PLACE, ["gfs", "swpc", "gfz", "metno", "openmeteo"], now=NOW)
    assert caught.value.exit_code == 3
    assert "  NO " not in capsys.readouterr().out
    with pytest.raises(UsageError, match="no probe"):
        cli.tell_probe(PLACE, ["gsf"], now=NOW)


def test_a_probe_keeps_nothing(day: Day) -> None:
    from bad_days import NOW

    from wxgate import places

    day.write("crop", "mirror")
    cli.tell_probe(PLACE, ["gfs"], now=NOW)
    assert not list(places.cache_folder().rglob("*"))


def test_the_command_of_a_user(
    day: Day, wx: Callable[..., tuple[int, str, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """``wxgate sources --probe``, whose exit code a script can go by."""
    import datetime as dates

    from bad_days import NOW

    class Then(dates.datetime):
        @classmethod
        def now(cls, tz: dates.tzinfo | None = None) -> dates.datetime:
            return NOW.astimezone(tz)

    monkeypatch.setattr(cli, "datetime", Then)
    day.write("crop", "mirror")
    words = ("sources", "--probe", "--sources", "gfs", "--lat", 52.0, "--lon", -1.5)
    code, out, err = wx(*words)
    assert (code, err) == (0, "")
    assert "ok a run of the last day is at its address" in out
    day.server.fault("/cgi/*", Fault.HTML)
    code, out, err = wx(*words)
    assert code == 3
    assert "NO the crop script answers with GRIB" in out
    assert "do not hold" in err
    day.server.fault("/*", Fault.HANG_UP)
    day.server.calm()
    day.server.fault("/*", Fault.HANG_UP)
    code, out, err = wx(*words)
    assert code == 3
    assert "no service answered" in err
