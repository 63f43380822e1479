"""Law and contract: the gridpoint forecast of the US National Weather Service, from a local server.

The samples are written from the description of the format, with invented weather. The marks are
set per test.
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from math import nan
from pathlib import Path
from typing import Any

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given
from local_server import Fault, LocalServer, Response
from point_bench import Bench, agent_of, as_json, ask, utc, values

from wxgate.cache import Cache
from wxgate.errors import DataError
from wxgate.forecast import Forecast
from wxgate.quantities import Kind
from wxgate.sources import nws

law, contract = pytest.mark.law, pytest.mark.contract

NOW = utc(2026, 11, 25, 18, 20)
START = utc(2026, 11, 25, 18)
UPDATED = "2026-11-25T17:02:11+00:00"
POINT, GRID = "/points/39.7392,-104.99", "/gridpoints/BOU/62,60"
RAIN = "lwe_thickness_of_precipitation_amount"


def layer(uom: str | None, *rows: tuple[str, object]) -> dict[str, Any]:
    found: dict[str, Any] = {
        "values": [{"validTime": when, "value": value} for when, value in rows]
    }
    return found if uom is None else {"uom": uom, **found}


def at(hour: int, length: str, day: int = 25) -> str:
    return f"2026-11-{day}T{hour:02d}:00:00+00:00/{length}"


def sample(**changes: Any) -> dict[str, Any]:
    none = [{"coverage": None, "weather": None, "intensity": None}]
    freezing = [{"coverage": "chance", "weather": "freezing_rain", "intensity": "light"},
                {"coverage": "likely", "weather": "snow", "intensity": "light"}]  # fmt: skip
    properties = {
        "updateTime": UPDATED,
        "validTimes": "2026-11-25T11:00:00+00:00/P7DT14H",
        "elevation": {"unitCode": "wmoUnit:m", "value": 1655.06},
        "temperature": layer("wmoUnit:degC", (at(17, "PT2H"), 5.0), (at(19, "P1DT6H"), -1.5)),
        "dewpoint": layer("wmoUnit:degC", (at(18, "PT1H"), 1.0), (at(19, "PT1H"), None),
                          (at(20, "PT6H"), 0.0)),
        "relativeHumidity": layer("wmoUnit:percent", (at(18, "PT6H"), 71)),
        "windSpeed": layer("wmoUnit:km_h-1", (at(18, "PT3H"), 12.96), (at(21, "PT3H"), 36)),
        "windDirection": layer("wmoUnit:degree_(angle)", (at(18, "PT6H"), 180)),
        "windGust": layer("wmoUnit:km_h-1", (at(18, "PT3H"), 36), (at(21, "PT3H"), 54)),
        "skyCover": layer("wmoUnit:percent", (at(18, "PT6H"), 40)),
        "visibility": layer("wmoUnit:m", (at(18, "PT2H"), 16093.44)),
        "ceilingHeight": {"values": []},
        "quantitativePrecipitation": layer("wmoUnit:mm", (at(18, "PT2H"), 1.0),
                                           (at(20, "PT6H"), 3.81)),
        "probabilityOfPrecipitation": layer("wmoUnit:percent", (at(18, "PT6H"), 60)),
        "weather": layer(None, (at(18, "PT2H"), none), (at(20, "PT2H"), freezing)),
        **changes,
    }  # fmt: skip
    ring = [[-105.0, 39.73], [-105.0, 39.75], [-104.98, 39.75], [-104.98, 39.73], [-105.0, 39.73]]
    return {"type": "Feature", "geometry": {"type": "Polygon", "coordinates": [ring]},
            "properties": properties}  # fmt: skip


def problem(kind: str, title: str, status: int, detail: str) -> dict[str, Any]:
    return {
        "correlationId": "1a2b3c4", "title": title, "status": status, "detail": detail,
        "type": f"https://api.weather.gov/problems/{kind}", "instance": "/requests/1a2b3c4",
    }  # fmt: skip


def cell(x: int = 62) -> dict[str, Any]:
    url = f"https://api.weather.gov/gridpoints/BOU/{x},60"
    about = {"gridId": "BOU", "gridX": x, "gridY": 60, "cwa": "BOU", "forecastGridData": url}
    return {"properties": about}


class Service:
    """Their manners: who is calling, 301 for trailing zeros, 400 for a query."""

    def __init__(self, server: LocalServer) -> None:
        self.server = server
        self.point: Any = cell()
        self.grids: dict[str, Any] = {GRID: sample()}
        for path in ("/points/39.7392,-104.9900", POINT):
            server.handler(path, self._points)
        server.handler(GRID, self._grid)

    def _points(self, query: dict[str, str]) -> Response:
        seen = self.server.requests[-1]
        if re.search(r"\.\d*0(?:,|$)", seen.path):
            return Response(301, b"", {"Location": POINT})
        return self._answer(query, self.point)

    def _grid(self, query: dict[str, str]) -> Response:
        return self._answer(query, self.grids.get(self.server.requests[-1].path))

    def _answer(self, query: dict[str, str], found: Any) -> Response:
        if "@" not in agent_of(self.server):
            return Response(403)
        if query:
            return as_json(problem("BadRequest", "Bad Request", 400, "unknown parameter"), 400)
        return Response(404) if found is None else as_json(found)


@pytest.fixture
def service(server: LocalServer) -> Service:
    return Service(server)


@pytest.fixture
def bench(server: LocalServer, service: Service, tmp_path: Path) -> Bench:
    return Bench("nws", server, Cache(tmp_path / "cache"))


def fetch(bench: Bench, now: datetime = NOW, hours: int = 5, **more: Any) -> Forecast:
    offline = more.pop("offline", False)
    more.setdefault("start", START)
    return nws.fetch(ask(now, hours, 39.73921, -104.99, **more), bench.tools(offline=offline))


# ------------------------------------------------------------------------------- values


@contract
def test_merged_hours_are_expanded_and_converted(bench: Bench) -> None:
    found = fetch(bench)
    np.testing.assert_allclose(values(found, "air_temperature"), [278.15, *[271.65] * 5], rtol=1e-6)
    np.testing.assert_allclose(values(found, "northward_wind"), [3.6] * 3 + [10.0] * 3, rtol=1e-6)
    np.testing.assert_allclose(values(found, "eastward_wind"), [0.0] * 6, atol=1e-5)
    np.testing.assert_allclose(values(found, "relative_humidity"), [0.71] * 6, rtol=1e-6)
    np.testing.assert_allclose(values(found, "cloud_area_fraction"), [0.4] * 6, rtol=1e-6)
    assert values(found, "surface_altitude") == pytest.approx([1655.06])


@contract
def test_null_and_hours_that_no_interval_holds_are_missing(bench: Bench) -> None:
    found = fetch(bench)
    np.testing.assert_allclose(
        values(found, "dew_point_temperature"), [274.15, nan, *[273.15] * 4], rtol=1e-6
    )
    np.testing.assert_allclose(
        values(found, "visibility_in_air"), [16093.44] * 2 + [nan] * 4, rtol=1e-6
    )
    assert "ceiling_height" not in found.fields
    assert "precipitation_probability" not in found.fields


@contract
def test_a_sum_is_laid_whole_on_each_hour_of_its_interval(bench: Bench) -> None:
    found = fetch(bench, hours=9)
    np.testing.assert_allclose(values(found, RAIN), [1.0, 1.0, *[3.81] * 6, nan, nan], rtol=1e-6)
    assert found.fields[RAIN].kind is Kind.SUM


@contract
def test_a_sum_without_a_value_is_missing_also_beside_another(
    bench: Bench, service: Service
) -> None:
    rain = layer("wmoUnit:mm", (at(18, "PT1H"), None), ("2026-11-25T18:30:00+00:00/PT1H", 2.0))
    service.grids[GRID] = sample(quantitativePrecipitation=rain)
    np.testing.assert_array_equal(values(fetch(bench, hours=2), RAIN), [nan, 2.0, nan])


@contract
def test_the_gust_counts_at_the_instant_and_so_in_both_hours(bench: Bench) -> None:
    gust = fetch(bench).fields["wind_speed_of_gust"]
    assert gust.kind is Kind.POINT
    np.testing.assert_allclose(gust.values, [10.0] * 3 + [15.0] * 3, rtol=1e-6)


@contract
def test_what_falls(bench: Bench) -> None:
    found = fetch(bench)
    expected = [0, 0, 1, 1, nan, nan]
    np.testing.assert_array_equal(values(found, "categorical_freezing_rain"), expected)
    np.testing.assert_array_equal(values(found, "categorical_snow"), expected)
    np.testing.assert_array_equal(values(found, "categorical_rain"), [0, 0, 0, 0, nan, nan])


@contract
@pytest.mark.parametrize(
    ("uom", "speed"),
    [
        ("wmoUnit:km_h-1", 3.6),
        ("unit:km_h-1", 3.6),
        ("unit:m_s-1", 12.96),
        ("wmoUnit:m_s-1", 12.96),
    ],
)
def test_units_are_what_uom_says(bench: Bench, service: Service, uom: str, speed: float) -> None:
    changed = sample()
    changed["properties"]["windSpeed"]["uom"] = uom
    service.grids[GRID] = changed
    assert values(fetch(bench), "northward_wind")[0] == pytest.approx(speed)


@contract
@pytest.mark.parametrize("uom", [None, "wmoUnit:warp", "wmoUnit:degC", 3])
def test_a_unit_that_does_not_fit_makes_it_missing(
    bench: Bench, service: Service, uom: object
) -> None:
    changed = sample()
    changed["properties"]["windGust"]["uom"] = uom
    service.grids[GRID] = changed
    found = fetch(bench)
    assert "wind_speed_of_gust" not in found.fields
    assert any("windGust is told in" in note for note in found.notes)


@contract
@pytest.mark.parametrize("gone", ["windDirection", "temperature", "weather", "elevation"])
def test_a_layer_that_is_not_there(bench: Bench, service: Service, gone: str) -> None:
    changed = sample()
    del changed["properties"][gone]
    service.grids[GRID] = changed
    found = fetch(bench)
    lost = {
        "windDirection": "eastward_wind", "temperature": "air_temperature",
        "weather": "categorical_snow", "elevation": "surface_altitude",
    }  # fmt: skip
    assert lost[gone] not in found.fields


@contract
@pytest.mark.parametrize(
    ("text", "hours"),
    [("PT1H", 1), ("PT6H", 6), ("P1D", 24), ("P1DT6H", 30), ("P1W", 168), ("PT90M", 1.5),
     ("PT5400S", 1.5)],
)  # fmt: skip
def test_durations(text: str, hours: float) -> None:
    """ISO 8601 durations without years and months, which have no fixed length."""
    start, end = nws.interval(f"2026-11-25T18:00:00+00:00/{text}")
    assert start == START
    assert end == START + timedelta(hours=hours)
    assert nws.interval(f"2026-11-25T11:00:00-07:00/{text}")[0] == START


@contract
@pytest.mark.parametrize(
    "text",
    ["", "2026-11-25T18:00:00+00:00", "2026-11-25T18:00:00+00:00/", "2026-11-25T18:00:00+00:00/P",
     "2026-11-25T18:00:00+00:00/PT", "2026-11-25T18:00:00/PT1H", "yesterday/PT1H",
     "2026-11-25T18:00:00+00:00/P1M", "2026-11-25T18:00:00+00:00/P9999999D",
     f"2026-11-25T18:00:00+00:00/PT{10**15}H", None, 7],
)  # fmt: skip
def test_an_interval_of_another_form_is_told(text: object) -> None:
    with pytest.raises(DataError, match="could not be read"):
        nws.interval(text)


@law
@given(st.lists(st.sampled_from([0.0, 1.0, 7.5, None]), min_size=1, max_size=12))
def test_merging_equal_hours_changes_nothing(hourly: list[float | None]) -> None:
    """The service merges equal neighbours; read back, they are the hours they were."""
    from wxgate.forecast import hours_axis
    from wxgate.sources.pointjson import Hours

    rows: list[tuple[str, object]] = []
    begin = 0
    for i, value in enumerate(hourly):
        if i + 1 == len(hourly) or hourly[i + 1] != value:
            when = START + timedelta(hours=begin)
            rows.append((f"{when.isoformat()}/PT{i + 1 - begin}H", value))
            begin = i + 1
    found = sample(temperature=layer("wmoUnit:degC", *rows))
    hours = Hours(hours_axis(START, len(hourly)))
    got = nws.read_answer(found, hours).fields["air_temperature"].values
    expected = [nan if v is None else v + 273.15 for v in hourly] + [nan]
    np.testing.assert_allclose(got, expected, rtol=1e-6)


# ------------------------------------------------------------------------------- manners


@contract
def test_two_requests_without_trailing_zeros_or_query(bench: Bench) -> None:
    found = fetch(bench)
    assert bench.server.paths() == [POINT, GRID]
    for seen in bench.server.requests:
        assert dict(seen.query) == {}
        assert "application/geo+json" in seen.headers["accept"]
        assert "pilot@example.org" in seen.headers["user-agent"]
    assert bench.slept == []
    (told,) = found.provenance
    assert told.run == utc(2026, 11, 25, 17, 2, 11)
    assert (told.source, told.cycle_h, told.fetched) == ("nws", 12.0, NOW)
    assert told.licence.endswith("public domain")
    assert "does not endorse" in told.credit
    assert told.place == "point 39.74 N 104.99 W, 1655 m"


@contract
def test_the_cell_is_kept_for_days_and_the_forecast_for_minutes(bench: Bench) -> None:
    fetch(bench)
    fetch(bench, NOW + timedelta(minutes=9))
    assert bench.server.paths() == [POINT, GRID]
    fetch(bench, NOW + timedelta(hours=4))
    assert bench.server.paths() == [POINT, GRID, GRID]
    fetch(bench, NOW + timedelta(days=4), start=START, hours=1)
    assert bench.server.paths()[3:] == [POINT, GRID]


@contract
def test_a_cell_that_moved_is_looked_up_anew(bench: Bench, service: Service) -> None:
    bench.server.handler("/gridpoints/BOU/63,60", service._grid)
    service.grids = {}
    with pytest.raises(DataError, match="not there"):
        fetch(bench)  # the cell is kept, its forecast is not
    bench.server.forget()
    service.grids = {"/gridpoints/BOU/63,60": sample()}
    service.point = cell(63)
    assert values(fetch(bench), "air_temperature")[0] == pytest.approx(278.15)
    assert bench.server.paths() == [GRID, POINT, "/gridpoints/BOU/63,60"]


@contract
def test_an_expired_grid_keeps_the_copy(bench: Bench, service: Service) -> None:
    fetch(bench)
    service.grids = {}
    bench.server.handler(GRID, lambda query: as_json(
        problem("ForecastGridExpired", "Forecast Grid Expired", 503, "expired"), 503
    ))  # fmt: skip
    found = fetch(bench, NOW + timedelta(hours=2))
    assert any("copy fetched 2 h ago" in note for note in found.notes)
    assert found.provenance[0].run == utc(2026, 11, 25, 17, 2, 11)
    assert values(found, "air_temperature")[0] == pytest.approx(278.15)


@contract
def test_a_second_try_comes_no_sooner_than_five_seconds(bench: Bench) -> None:
    bench.server.fault(GRID, Fault.STATUS, status=500, times=1)
    fetch(bench)
    assert bench.server.paths() == [POINT, GRID, GRID]
    assert sum(bench.slept) >= 4.9


@contract
def test_a_problem_in_place_of_a_forecast_is_told_in_its_words(
    bench: Bench, service: Service
) -> None:
    service.grids[GRID] = problem("ForecastGridExpired", "Forecast Grid Expired", 200, "expired")
    with pytest.raises(DataError, match="Forecast Grid Expired"):
        fetch(bench)


@contract
def test_an_older_copy_of_the_network_does_not_replace_the_newer(
    bench: Bench, service: Service
) -> None:
    fetch(bench)
    older = sample(temperature=layer("wmoUnit:degC", (at(12, "P1D"), 30.0)))
    older["properties"]["updateTime"] = "2026-11-25T11:00:00+00:00"
    service.grids[GRID] = older
    found = fetch(bench, NOW + timedelta(hours=1))
    assert values(found, "air_temperature")[0] == pytest.approx(278.15)
    assert found.provenance[0].run == utc(2026, 11, 25, 17, 2, 11)
    assert any("older than the one of" in note for note in found.notes)
    # And it is not kept: the next newer one is taken.
    newer = sample()
    newer["properties"]["updateTime"] = "2026-11-25T19:30:00+00:00"
    service.grids[GRID] = newer
    later = fetch(bench, NOW + timedelta(hours=2))
    assert later.provenance[0].run == utc(2026, 11, 25, 19, 30)
    assert later.notes == ()


@contract
def test_outside_the_country(bench: Bench, service: Service) -> None:
    service.point = None
    with pytest.raises(DataError, match="outside what the US National Weather Service covers"):
        fetch(bench)
    assert bench.server.paths() == [POINT]


@contract
@pytest.mark.parametrize(
    "wrong",
    [{"gridId": "../x", "gridX": 1, "gridY": 2}, {"gridId": "BOU", "gridX": "1", "gridY": 2},
     {"gridId": "BOU", "gridX": True, "gridY": 2}, {}, None],
)  # fmt: skip
def test_a_cell_of_another_form_is_never_followed(
    bench: Bench, service: Service, wrong: object
) -> None:
    service.point = {"properties": wrong}
    with pytest.raises(DataError, match="could not be read"):
        fetch(bench)
    assert bench.server.paths() == [POINT]


@contract
@pytest.mark.parametrize(
    "change",
    [{"updateTime": None}, {"updateTime": "soon"},
     {"temperature": layer("wmoUnit:degC", ("today", 1.0))},
     {"quantitativePrecipitation": layer("wmoUnit:mm", (at(18, "1H"), 1.0))}],
)  # fmt: skip
def test_another_form_is_told_and_leaves_the_copy(
    bench: Bench, service: Service, change: dict[str, Any]
) -> None:
    fetch(bench)
    service.grids[GRID] = sample(**change)
    found = fetch(bench, NOW + timedelta(hours=1))
    assert any("could not be read" in note for note in found.notes)
    assert values(found, "air_temperature")[0] == pytest.approx(278.15)


@contract
@pytest.mark.parametrize("kind", [Fault.HTML, Fault.EMPTY, Fault.HANG_UP, Fault.SHORT_BODY])
def test_broken_answers_are_one_sentence(bench: Bench, kind: Fault) -> None:
    bench.server.fault("*", kind)
    with pytest.raises(DataError) as caught:
        fetch(bench)
    assert "\n" not in str(caught.value)
    assert "outside" not in str(caught.value)


@contract
def test_offline(bench: Bench) -> None:
    with pytest.raises(DataError, match="not kept"):
        fetch(bench, offline=True)
    fetch(bench)
    bench.server.forget()
    found = fetch(bench, NOW + timedelta(hours=6), offline=True)
    assert bench.server.paths() == []
    assert any("copy fetched 6 h ago" in note for note in found.notes)


@contract
def test_a_redirect_is_not_followed(bench: Bench) -> None:
    bench.server.fault(GRID, Fault.REDIRECT, status=301, location="/elsewhere")
    with pytest.raises(DataError, match="redirected"):
        fetch(bench)
    assert bench.server.paths() == [POINT, GRID]
