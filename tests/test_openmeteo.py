"""Contract: Open-Meteo's forecast for a point, from a server that speaks its format.

The samples are written from the description of the format, with invented weather.
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from math import nan, sqrt
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from local_server import Fault, LocalServer, Response
from point_bench import Bench, as_json, ask, utc, values

from wxgate.cache import Cache
from wxgate.errors import DataError
from wxgate.forecast import Forecast
from wxgate.http import Throttled
from wxgate.quantities import Kind
from wxgate.sources import openmeteo

pytestmark = pytest.mark.contract

PATH = "/v1/forecast"
NOW = utc(2026, 11, 25, 12, 20)
START = utc(2026, 11, 25, 12)
DAY = utc(2026, 11, 25)
RAIN = "lwe_thickness_of_precipitation_amount"
RUNS = {"dwd_icon": utc(2026, 11, 25, 6), "ncep_gfs013": utc(2026, 11, 25, 0)}

#: Units as the service spells them when metres per second are asked for.
UNITS = {
    "time": "unixtime", "temperature_2m": "°C", "dew_point_2m": "°C",
    "relative_humidity_2m": "%", "surface_pressure": "hPa", "visibility": "m",
    "cloud_cover": "%", "cloud_cover_low": "%", "cape": "J/kg", "boundary_layer_height": "m",
    "wind_gusts_10m": "m/s", "precipitation": "mm", "weather_code": "wmo code",
}  # fmt: skip
STEADY = {
    "temperature_2m": 8.5, "dew_point_2m": 4.0, "relative_humidity_2m": 73,
    "surface_pressure": 965.2, "visibility": 52000.0, "cloud_cover": 80, "cloud_cover_low": 25,
    "cape": 120.0, "boundary_layer_height": 640.0, "weather_code": 3,
}  # fmt: skip


def sample(first: datetime, hours: int, names: list[str], **rows: list[Any]) -> dict[str, Any]:
    """Each name with a steady value; gusts and rain count the hours since midnight.

    Winds blow from the west with 5 m/s at 10 m and 10 m/s above; the service does not have 100 m.
    """
    times = [first + timedelta(hours=h) for h in range(hours)]
    hourly: dict[str, list[Any]] = {"time": [int(t.timestamp()) for t in times]}
    units = {"time": "unixtime"}
    for name in names:
        units[name] = UNITS.get(name, "°" if "direction" in name else "m/s")
        if name in ("wind_gusts_10m", "precipitation"):
            hourly[name] = [float(h) for h in range(hours)]
        elif name.startswith("wind_speed"):
            hourly[name] = [5.0 if name.endswith("_10m") else 10.0] * hours
        elif name.startswith("wind_direction"):
            hourly[name] = [270] * hours
        else:
            hourly[name] = [STEADY[name]] * hours
        if name.endswith("_100m"):
            hourly[name] = [None] * hours
    hourly |= rows
    return {"latitude": 47.06, "longitude": 8.3, "elevation": 433.0, "utc_offset_seconds": 0,
            "generationtime_ms": 0.2, "timezone": "GMT", "timezone_abbreviation": "GMT",
            "hourly_units": units, "hourly": hourly}  # fmt: skip


class Service:
    """Their manners: what is asked for is what comes, for whole days; errors are 400 with JSON."""

    def __init__(self, server: LocalServer) -> None:
        self.server = server
        self.rows: dict[str, list[Any]] = {}
        self.units: dict[str, Any] = {}
        self.answer: Any = None
        server.handler(PATH, self)
        for model, run in RUNS.items():
            meta = {"last_run_initialisation_time": int(run.timestamp()),
                    "update_interval_seconds": 21600}  # fmt: skip
            server.handler(f"/data/{model}/static/meta.json", lambda _, meta=meta: as_json(meta))

    def __call__(self, query: dict[str, str]) -> Response:
        if self.answer is not None:
            return as_json(self.answer)
        good = {"wind_speed_unit": "ms", "timezone": "GMT", "timeformat": "unixtime"}
        if any(query.get(name) != value for name, value in good.items()):
            return as_json({"error": True, "reason": "the test wants other parameters"}, 400)
        first = datetime.fromisoformat(f"{query['start_date']}T00:00Z")
        last = datetime.fromisoformat(f"{query['end_date']}T00:00Z") + timedelta(days=1)
        hours = int((last - first) / timedelta(hours=1))
        found = sample(first, hours, query["hourly"].split(","), **self.rows)
        found["hourly_units"] |= self.units
        return as_json(found)


@pytest.fixture
def service(server: LocalServer) -> Service:
    return Service(server)


@pytest.fixture
def bench(server: LocalServer, service: Service, tmp_path: Path) -> Bench:
    return Bench("openmeteo", server, Cache(tmp_path / "cache"), noncommercial=True)


def fetch(bench: Bench, now: datetime = NOW, hours: int = 4, **more: Any) -> Forecast:
    offline = more.pop("offline", False)
    more.setdefault("start", START)
    return openmeteo.fetch(ask(now, hours, 47.05, 8.31, **more), bench.tools(offline=offline))


def asked(bench: Bench) -> list[dict[str, str]]:
    return [dict(seen.query) for seen in bench.server.requests if seen.path == PATH]


# ------------------------------------------------------------------------------- values


def test_values_in_canonical_units(bench: Bench) -> None:
    found = fetch(bench)
    steady = {
        "air_temperature": 281.65, "dew_point_temperature": 277.15, "relative_humidity": 0.73,
        "surface_air_pressure": 96520.0, "cloud_area_fraction": 0.8,
        "low_type_cloud_area_fraction": 0.25, "convective_available_potential_energy": 120.0,
        "atmosphere_boundary_layer_thickness": 640.0,
    }  # fmt: skip
    for name, value in steady.items():
        np.testing.assert_allclose(values(found, name), [value] * 5, rtol=1e-6, err_msg=name)
    assert values(found, "surface_altitude") == pytest.approx([433.0])


def test_gust_and_rain_belong_to_the_hour_before_their_time(bench: Bench) -> None:
    """The value told for 13 UTC is that of the hour from 12 to 13 UTC."""
    found = fetch(bench)
    gust = found.fields["wind_speed_of_gust"]
    assert gust.kind is Kind.MAXIMUM
    np.testing.assert_array_equal(gust.values, [13, 14, 15, 16, 17])
    assert found.fields[RAIN].kind is Kind.SUM
    np.testing.assert_array_equal(values(found, RAIN), [13, 14, 15, 16, 17])


def test_the_last_hour_of_a_day_has_its_gust_too(bench: Bench) -> None:
    """Its value stands at midnight, in the next day, which is asked for as well."""
    found = fetch(bench, hours=11)
    assert asked(bench)[0]["end_date"] == "2026-11-26"
    np.testing.assert_array_equal(values(found, RAIN)[-2:], [23, 24])


def test_winds_at_heights_and_none_where_the_model_has_none(bench: Bench) -> None:
    found = fetch(bench)
    wind = found.fields["eastward_wind"]
    assert wind.levels is not None
    assert wind.levels.tolist() == [10, 80, 120, 180]
    np.testing.assert_allclose(wind.values, [[5, 10, 10, 10]] * 5, rtol=1e-6)
    np.testing.assert_allclose(found.fields["northward_wind"].values, 0, atol=1e-5)


def test_one_missing_wind_is_missing_there_alone(bench: Bench, service: Service) -> None:
    service.rows = {"wind_direction_80m": [225 if h != 13 else None for h in range(24)]}
    found = fetch(bench)
    speed = 10 / sqrt(2)
    np.testing.assert_allclose(
        found.fields["northward_wind"].values[:, 1], [speed, nan, speed, speed, speed], rtol=1e-5
    )


def test_visibility_is_capped(bench: Bench, service: Service) -> None:
    service.rows = {"visibility": [100000.0 if h % 2 else 800.0 for h in range(24)]}
    np.testing.assert_array_equal(
        values(fetch(bench), "visibility_in_air"), [800, 24140, 800, 24140, 800]
    )


def test_null_is_missing(bench: Bench, service: Service) -> None:
    service.rows = {
        "visibility": [None] * 24,
        "cape": [None if h == 14 else 100.0 for h in range(24)],
        "wind_gusts_10m": [None] * 24,
        "precipitation": [None if h == 14 else 0.5 for h in range(24)],
    }
    found = fetch(bench)
    assert "visibility_in_air" not in found.fields
    assert "wind_speed_of_gust" not in found.fields
    np.testing.assert_array_equal(
        values(found, "convective_available_potential_energy"), [100, 100, nan, 100, 100]
    )
    np.testing.assert_array_equal(values(found, RAIN), [0.5, nan, 0.5, 0.5, 0.5])


def test_weather_codes(bench: Bench, service: Service) -> None:
    """WMO code table 4677, as far as the service uses it: 61 rain, 66 freezing rain, 75 snow."""
    codes = {12: 61, 13: 66, 14: 75, 15: None, 16: 3}
    service.rows = {"weather_code": [codes.get(h, 0) for h in range(24)]}
    found = fetch(bench)
    np.testing.assert_array_equal(values(found, "categorical_rain"), [1, 0, 0, nan, 0])
    np.testing.assert_array_equal(values(found, "categorical_freezing_rain"), [0, 1, 0, nan, 0])
    np.testing.assert_array_equal(values(found, "categorical_snow"), [0, 0, 1, nan, 0])


@pytest.mark.parametrize(
    ("unit", "speed"), [("km/h", 13 / 3.6), ("mp/h", 13 * 0.44704), ("kn", 13 * 1852 / 3600)]
)
def test_units_are_those_told_and_not_those_asked_for(
    bench: Bench, service: Service, unit: str, speed: float
) -> None:
    service.units = {"wind_gusts_10m": unit}
    assert values(fetch(bench), "wind_speed_of_gust")[0] == pytest.approx(speed, rel=1e-6)


@pytest.mark.parametrize("unit", ["undefined", None, "°C"])
def test_a_unit_that_does_not_fit_makes_it_missing(
    bench: Bench, service: Service, unit: object
) -> None:
    service.units = {"wind_gusts_10m": unit}
    found = fetch(bench)
    assert "wind_speed_of_gust" not in found.fields
    assert any("wind_gusts_10m is told in" in note for note in found.notes)


def test_a_row_of_another_length_is_missing(bench: Bench, service: Service) -> None:
    service.rows = {"temperature_2m": [8.5] * 23}
    assert "air_temperature" not in fetch(bench).fields


# ------------------------------------------------------------------------------- manners


def test_not_asked_unless_the_use_is_declared(server: LocalServer, service: Service) -> None:
    bench = Bench("openmeteo", server, None)
    assert bench.endpoints["openmeteo"]["noncommercial"] is False
    with pytest.raises(DataError, match="non-commercial use only") as caught:
        fetch(bench)
    assert "noncommercial: true" in caught.value.remedy
    assert server.paths() == []


def test_the_address(bench: Bench) -> None:
    request = ask(NOW, 4, 47.0500001, 368.31, start=START, altitude=429.6)
    openmeteo.fetch(request, bench.tools())
    (query,) = asked(bench)
    names = query.pop("hourly").split(",")
    assert query == {
        "latitude": "47.05", "longitude": "8.31", "models": "best_match", "elevation": "430",
        "wind_speed_unit": "ms", "timezone": "GMT", "timeformat": "unixtime",
        "cell_selection": "land", "start_date": "2026-11-25", "end_date": "2026-11-25",
    }  # fmt: skip
    assert len(names) == len(set(names))
    for height in (10, 80, 100, 120, 180):
        assert {f"wind_speed_{height}m", f"wind_direction_{height}m"} <= set(names)


def test_credit_with_a_visible_link_and_the_oldest_run(bench: Bench) -> None:
    (told,) = fetch(bench).provenance
    assert re.search(r"Open-Meteo\.com \(https://open-meteo\.com/\)", told.credit)
    assert "CC BY 4.0" in told.licence
    assert "non-commercial" in told.licence
    assert (told.run, told.cycle_h) == (RUNS["ncep_gfs013"], 6.0)
    assert told.place == "point 47.06 N 8.30 E, 433 m"


def test_a_run_that_cannot_be_told_is_no_run(bench: Bench) -> None:
    """Its age is then missing, which the staleness rules see."""
    bench.server.remove("/data/ncep_gfs013/static/meta.json")
    found = fetch(bench)
    (told,) = found.provenance
    assert (told.run, told.cycle_h) == (None, None)
    assert any("the run of ncep_gfs013 could not be told" in note for note in found.notes)


def test_the_next_hour_finds_the_copy(bench: Bench) -> None:
    fetch(bench)
    fetch(bench, NOW + timedelta(minutes=14), start=START + timedelta(hours=1))
    assert len(asked(bench)) == 1
    fetch(bench, NOW + timedelta(minutes=16))
    assert len(asked(bench)) == 2


def test_an_error_is_told_once(bench: Bench, service: Service) -> None:
    bench.server.fault(PATH, Fault.STATUS, status=400)
    with pytest.raises(DataError, match="refused the request"):
        fetch(bench)
    assert len(asked(bench)) == 1


def test_an_error_with_200_is_told_in_its_words(bench: Bench, service: Service) -> None:
    service.answer = {"error": True, "reason": "Cannot initialize WeatherVariable"}
    with pytest.raises(DataError, match="Cannot initialize WeatherVariable"):
        fetch(bench)


def test_throttled(bench: Bench) -> None:
    bench.server.fault(PATH, Fault.STATUS, status=429, times=1)
    fetch(bench)
    assert bench.slept
    bench.server.fault(PATH, Fault.STATUS, status=429)
    kept = fetch(bench, NOW + timedelta(hours=1))
    assert any("copy fetched 60 min ago" in note for note in kept.notes)
    with pytest.raises(Throttled):
        fetch(bench, start=START + timedelta(days=2))


@pytest.mark.parametrize(
    "spoil",
    [
        lambda found: found.pop("hourly"),
        lambda found: found.pop("hourly_units"),
        lambda found: found["hourly"].update(time=["2026-11-25T12:00"]),
        lambda found: found["hourly"].update(time=[1764072000.5]),
        lambda found: found["hourly"].update(time=[True]),
        lambda found: found["hourly"].update(time=[10**30]),
        lambda found: found["hourly"].update(time=[10**12]),
    ],
)
def test_another_form_is_told(bench: Bench, service: Service, spoil: Any) -> None:
    found = sample(DAY, 24, ["temperature_2m"])
    spoil(found)
    service.answer = found
    with pytest.raises(DataError, match="could not be read"):
        fetch(bench)


@pytest.mark.parametrize("kind", [Fault.HTML, Fault.EMPTY, Fault.HANG_UP, Fault.SHORT_BODY])
def test_broken_answers_are_one_sentence(bench: Bench, kind: Fault) -> None:
    bench.server.fault("*", kind)
    with pytest.raises(DataError) as caught:
        fetch(bench)
    assert "\n" not in str(caught.value)


def test_nothing_for_these_hours(bench: Bench, service: Service) -> None:
    service.answer = sample(DAY - timedelta(days=9), 24, ["temperature_2m"])
    with pytest.raises(DataError, match="it has nothing between"):
        fetch(bench)


def test_offline(bench: Bench) -> None:
    fetch(bench)
    bench.server.forget()
    found = fetch(bench, NOW + timedelta(hours=5), offline=True)
    assert bench.server.paths() == []
    assert found.provenance[0].run == RUNS["ncep_gfs013"]
    assert found.provenance[0].fetched == NOW
