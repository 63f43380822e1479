"""Truth and contract: MET Norway's Locationforecast, from a server that behaves like theirs.

The samples are written from the description of its format, with invented weather, except for the
one of the service's own documentation. The marks are set per test.
"""

from __future__ import annotations

import copy
from datetime import datetime, timedelta
from email.utils import format_datetime
from math import cos, nan, radians, sin
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from local_server import Fault, LocalServer, Response
from point_bench import Bench, agent_of, as_json, ask, dumped, too_fine, utc, values

from wxgate.cache import Cache
from wxgate.errors import DataError
from wxgate.forecast import Forecast, hours_axis
from wxgate.http import Refused, Throttled
from wxgate.quantities import Kind
from wxgate.sources import metno
from wxgate.sources.pointjson import Hours

truth, contract = pytest.mark.truth, pytest.mark.contract

PATH = "/weatherapi/locationforecast/2.0/complete"
NOW = utc(2026, 11, 25, 12, 20)
START = utc(2026, 11, 25, 12)
UPDATED = utc(2026, 11, 25, 11, 4, 26)
RAIN = "lwe_thickness_of_precipitation_amount"
UNITS = {
    "air_temperature": "celsius", "dew_point_temperature": "celsius", "relative_humidity": "%",
    "wind_speed": "m/s", "wind_from_direction": "degrees", "wind_speed_of_gust": "m/s",
    "cloud_area_fraction": "%", "cloud_area_fraction_low": "%", "precipitation_amount": "mm",
    "air_pressure_at_sea_level": "hPa",
}  # fmt: skip


def row(when: datetime, one: float | None, six: float | None, **details: object) -> dict[str, Any]:
    instant = {"air_temperature": 8.5, "relative_humidity": 81.0, "wind_speed": 5.0,
               "wind_from_direction": 270.0, "cloud_area_fraction": 62.5, **details}  # fmt: skip
    data: dict[str, Any] = {"instant": {"details": instant}}
    for name, amount in (("next_1_hours", one), ("next_6_hours", six)):
        if amount is not None:
            data[name] = {"summary": {"symbol_code": "rain"},
                          "details": {"precipitation_amount": amount}}  # fmt: skip
    return {"time": f"{when:%Y-%m-%dT%H:%M:%SZ}", "data": data}


def sample(rows: list[dict[str, Any]] | None = None) -> dict[str, Any]:
    """Hourly for six hours, then every six hours; the last two rows have no rain of an hour."""
    if rows is None:
        rows = [row(START + timedelta(hours=h), 0.2 * h, 3.0) for h in range(6)]
        rows += [row(START + timedelta(hours=h), None, 2.4) for h in (6, 12)]
        rows.append(row(START + timedelta(hours=18), None, None))
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [8.31, 47.05, 430]},
        "properties": {
            "meta": {"updated_at": f"{UPDATED:%Y-%m-%dT%H:%M:%SZ}", "units": dict(UNITS)},
            "timeseries": rows,
        },
    }


class Service:
    """Their manners: contact, four decimals, Expires and Last-Modified to the letter."""

    def __init__(self, server: LocalServer) -> None:
        self.server, self.content, self.status = server, dumped(sample()), 200
        self.modified = format_datetime(UPDATED, usegmt=True)
        self.clock = NOW
        server.handler(PATH, self)

    def __call__(self, query: dict[str, str]) -> Response:
        if "@" not in agent_of(self.server) or too_fine(query, "lat", "lon"):
            return Response(403)
        times = {"Date": format_datetime(self.clock, usegmt=True),
                 "Expires": format_datetime(self.clock + timedelta(minutes=31), usegmt=True),
                 "Last-Modified": self.modified}  # fmt: skip
        if self.server.requests[-1].headers.get("if-modified-since") == self.modified:
            return Response(304, b"", times)
        return Response(self.status, self.content, {"Content-Type": "application/json", **times})


@pytest.fixture
def service(server: LocalServer) -> Service:
    return Service(server)


@pytest.fixture
def bench(server: LocalServer, tmp_path: Path) -> Bench:
    return Bench("metno", server, Cache(tmp_path / "cache"), root=PATH.rsplit("/", 1)[0])


def fetch(bench: Bench, now: datetime = NOW, hours: int = 4, **more: Any) -> Forecast:
    offline = more.pop("offline", False)
    more.setdefault("start", START)
    return metno.fetch(ask(now, hours, 47.05, 8.31, **more), bench.tools(offline=offline))


# ------------------------------------------------------------------------------- values


@truth
def test_the_excerpt_of_their_documentation() -> None:
    """MET Norway, "General point forecast JSON format", docs.api.met.no (read 2026-11)."""
    when = utc(2020, 6, 10, 13)
    details = {"air_pressure_at_sea_level": 1020.5, "air_temperature": 20.7,
               "cloud_area_fraction": 58.0, "cloud_area_fraction_low": 17.7,
               "dew_point_temperature": 9.5, "relative_humidity": 48.6,
               "wind_from_direction": 151.8, "wind_speed": 2.5,
               "wind_speed_of_gust": 6.6}  # fmt: skip
    found = sample([row(when, 0.0, 0.0, **details)])
    fields = metno.read_answer(found, Hours(hours_axis(when, 0))).fields
    got = {name: float(field.values.ravel()[0]) for name, field in fields.items()}
    assert got == pytest.approx(
        {
            "air_temperature": 293.85, "dew_point_temperature": 282.65,
            "relative_humidity": 0.486, "cloud_area_fraction": 0.58,
            "low_type_cloud_area_fraction": 0.177, "wind_speed_of_gust": 6.6,
            # From 151.8 degrees: towards north-north-west.
            "eastward_wind": -2.5 * sin(radians(151.8)), "northward_wind": 2.5 * cos(radians(28.2)),
            RAIN: 0.0, "surface_altitude": 430.0,
        },
        rel=1e-6,
    )  # fmt: skip
    assert got["eastward_wind"] < 0 < got["northward_wind"]


@contract
def test_the_hours_that_are_there_and_no_others(bench: Bench, service: Service) -> None:
    found = fetch(bench, hours=20)
    temperature = values(found, "air_temperature")
    there = [h for h, value in enumerate(temperature) if not np.isnan(value)]
    assert there == [0, 1, 2, 3, 4, 5, 6, 12, 18]
    assert temperature[0] == pytest.approx(281.65)
    wind = found.fields["eastward_wind"]
    assert wind.levels is not None
    assert wind.levels.tolist() == [10.0]
    assert wind.values.shape == (21, 1)
    assert wind.values[0, 0] == pytest.approx(5.0)
    assert found.fields["northward_wind"].values[0, 0] == pytest.approx(0.0, abs=1e-6)


@contract
def test_rain_of_the_next_hour_then_that_of_six_hours_whole_on_each(
    bench: Bench, service: Service
) -> None:
    found = fetch(bench, hours=20)
    expected = [0.0, 0.2, 0.4, 0.6, 0.8, 1.0, *[2.4] * 12, *[nan] * 3]
    np.testing.assert_allclose(values(found, RAIN), expected, rtol=1e-6)
    assert found.fields[RAIN].kind is Kind.SUM


@contract
def test_six_hours_that_began_before_the_first_hour(bench: Bench, service: Service) -> None:
    found = fetch(bench, hours=3, start=START + timedelta(hours=9))
    np.testing.assert_allclose(values(found, RAIN), [2.4] * 4, rtol=1e-6)


@contract
def test_what_it_does_not_tell_stays_missing(bench: Bench, service: Service) -> None:
    """No gust, dew point, visibility, ceiling or pressure at the ground in this answer."""
    found = fetch(bench)
    assert set(found.fields) == {
        "air_temperature", "relative_humidity", "cloud_area_fraction", "eastward_wind",
        "northward_wind", RAIN, "surface_altitude",
    }  # fmt: skip
    assert found.provenance[0].quantities == tuple(found.fields)


@contract
@pytest.mark.parametrize("bad", [None, "8.5", True, float("nan"), [8.5], 10**400])
def test_what_is_no_number_is_missing(bench: Bench, service: Service, bad: object) -> None:
    found = sample()
    found["properties"]["timeseries"][1]["data"]["instant"]["details"]["air_temperature"] = bad
    del found["properties"]["timeseries"][2]["data"]["next_1_hours"]["details"]
    service.content = dumped(found)
    got = fetch(bench)
    np.testing.assert_array_equal(np.isnan(values(got, "air_temperature")), [0, 1, 0, 0, 0])
    # An hour without its own rain falls back on the six hours that begin with it.
    np.testing.assert_allclose(values(got, RAIN), [0, 0.2, 3.0, 0.6, 0.8], rtol=1e-6)


@contract
def test_a_calm_needs_no_direction_and_a_wind_does(bench: Bench, service: Service) -> None:
    calm = row(START, 0, 0, wind_speed=0.0, wind_from_direction=None)
    blind = row(START + timedelta(hours=1), 0, 0, wind_speed=7.0, wind_from_direction=None)
    service.content = dumped(sample([calm, blind]))
    np.testing.assert_array_equal(values(fetch(bench, hours=1), "eastward_wind"), [0.0, nan])


@contract
def test_units_are_converted_from_what_is_told_and_never_assumed(
    bench: Bench, service: Service
) -> None:
    found = sample()
    units = found["properties"]["meta"]["units"]
    units["wind_speed"] = "km/h"
    units["air_temperature"] = "furlong"
    del units["relative_humidity"]
    service.content = dumped(found)
    got = fetch(bench)
    assert values(got, "eastward_wind")[0] == pytest.approx(5 / 3.6)
    assert "air_temperature" not in got.fields
    assert "relative_humidity" not in got.fields
    assert any("'furlong'" in note for note in got.notes)
    assert any("relative_humidity is told in None" in note for note in got.notes)


@contract
def test_provenance_and_staleness(bench: Bench, service: Service) -> None:
    (told,) = fetch(bench).provenance
    assert (told.source, told.run, told.fetched, told.cycle_h) == ("metno", UPDATED, NOW, 6.0)
    assert "MET Norway" in told.credit
    assert "CC BY 4.0" in told.licence
    assert told.place == "point 47.05 N 8.31 E, 430 m"
    assert len(told.sha256) == 64


# ------------------------------------------------------------------------------- manners


@contract
def test_the_address(bench: Bench, service: Service) -> None:
    request = ask(NOW, 2, 47.123456, 368.3, start=START, altitude=429.6)
    metno.fetch(request, bench.tools())
    assert dict(bench.server.requests[-1].query) == {
        "lat": "47.1235", "lon": "8.3", "altitude": "430"
    }  # fmt: skip
    assert "pilot@example.org" in agent_of(bench.server)
    assert "altitude" not in (fetch(bench) and bench.server.requests[-1].query)


@contract
@pytest.mark.parametrize("contact", ["", "  "])
def test_without_a_contact_nothing_is_asked(
    server: LocalServer, service: Service, contact: str
) -> None:
    with pytest.raises(DataError, match="no contact is configured") as caught:
        fetch(Bench("metno", server, None, contact=contact))
    assert "contact:" in caught.value.remedy
    assert server.paths() == []


@contract
def test_not_asked_before_it_expires_then_with_the_exact_date(
    bench: Bench, service: Service
) -> None:
    fetch(bench)
    fetch(bench, NOW + timedelta(minutes=30))
    assert len(bench.server.paths()) == 1
    later = NOW + timedelta(minutes=32)
    service.clock = later
    again = fetch(bench, later)
    assert bench.server.requests[-1].headers["if-modified-since"] == service.modified
    assert len(bench.server.paths()) == 2  # one GET, no HEAD before it
    assert [seen.method for seen in bench.server.requests] == ["GET", "GET"]
    assert again.provenance[0].fetched == later
    # Unchanged, with a new Expires: the wait begins anew.
    fetch(bench, later + timedelta(minutes=30))
    assert len(bench.server.paths()) == 2


@contract
def test_expires_is_measured_by_the_clock_of_the_service(bench: Bench, service: Service) -> None:
    """A computer whose clock is three hours slow waits no longer for it."""
    service.clock = NOW + timedelta(hours=3)
    fetch(bench)
    fetch(bench, NOW + timedelta(minutes=32))
    assert len(bench.server.paths()) == 2


@contract
def test_without_expires_five_minutes(server: LocalServer, bench: Bench) -> None:
    server.handler(PATH, lambda query: as_json(sample()))
    fetch(bench)
    fetch(bench, NOW + timedelta(minutes=4))
    assert len(server.paths()) == 1
    fetch(bench, NOW + timedelta(minutes=6))
    assert len(server.paths()) == 2


@contract
def test_two_places_do_not_share_a_copy(bench: Bench, service: Service) -> None:
    fetch(bench)
    metno.fetch(ask(NOW, 2, 47.06, 8.31, start=START), bench.tools())
    assert len(bench.server.paths()) == 2


@contract
def test_beta_is_told(bench: Bench, service: Service) -> None:
    service.status = 203
    found = fetch(bench)
    assert any("beta" in note for note in found.notes)
    assert not np.isnan(values(found, "air_temperature")).any()


@contract
def test_outside_the_coverage(bench: Bench, service: Service) -> None:
    bench.server.fault(PATH, Fault.STATUS, status=422)
    with pytest.raises(DataError, match="outside what MET Norway covers"):
        fetch(bench)
    assert len(bench.server.paths()) == 1


@contract
def test_refused_is_not_repeated(bench: Bench) -> None:
    bench.server.fault(PATH, Fault.STATUS, status=403)
    with pytest.raises(DataError, match="refused") as caught:
        fetch(bench)
    assert "contact" in caught.value.remedy
    assert not isinstance(caught.value, Refused)
    assert len(bench.server.paths()) == 1


@contract
def test_throttled_waits_as_told_and_gives_up(bench: Bench, service: Service) -> None:
    bench.server.fault(PATH, Fault.STATUS, status=429, headers={"Retry-After": "7"}, times=1)
    fetch(bench)
    assert max(bench.slept) == pytest.approx(7, abs=0.2)
    bench.server.fault(PATH, Fault.STATUS, status=429)
    with pytest.raises(Throttled):
        metno.fetch(ask(NOW, 2, 60.0, 10.0, start=START), bench.tools())
    kept = fetch(bench, NOW + timedelta(hours=2), hours=2)
    assert any("copy fetched" in note for note in kept.notes)
    assert kept.provenance[0].run == UPDATED


@contract
def test_offline_the_copy_answers_without_a_contact(bench: Bench, service: Service) -> None:
    with pytest.raises(DataError, match="not kept"):
        fetch(bench, offline=True)
    fetch(bench)
    bench.endpoints["contact"] = ""
    found = fetch(bench, NOW + timedelta(hours=3), offline=True)
    assert any("copy fetched 3 h ago" in note for note in found.notes)
    assert len(bench.server.paths()) == 1


@contract
def test_a_cache_that_cannot_be_used(server: LocalServer, service: Service, tmp_path: Path) -> None:
    blocked = tmp_path / "a file"
    blocked.write_text("")
    bench = Bench("metno", server, Cache(blocked), root=PATH.rsplit("/", 1)[0])
    assert any("nothing is kept" in note for note in fetch(bench).notes)
    fetch(Bench("metno", server, None, root=PATH.rsplit("/", 1)[0]))
    assert len(server.paths()) == 2


@contract
@pytest.mark.parametrize(
    "spoil",
    [
        lambda found: found.pop("properties"),
        lambda found: found["properties"].pop("timeseries"),
        lambda found: found["properties"]["meta"].pop("units"),
        lambda found: found["properties"]["meta"].pop("updated_at"),
        lambda found: found["properties"]["meta"].update(updated_at="2026-11-25T11:04:26"),
        lambda found: found["properties"]["timeseries"].append({"time": 1764072000, "data": {}}),
        lambda found: found["properties"]["timeseries"].append("row"),
    ],
)
def test_another_form_is_told_and_leaves_the_copy(
    bench: Bench, service: Service, spoil: Any
) -> None:
    found = copy.deepcopy(sample())
    spoil(found)
    good, service.content = service.content, dumped(found)
    with pytest.raises(DataError, match="could not be read"):
        fetch(bench)
    service.content = good
    fetch(bench)
    service.content, service.modified = dumped(found), "Wed, 25 Nov 2026 13:00:00 GMT"
    later = NOW + timedelta(hours=1)
    kept = fetch(bench, later)
    assert any("copy fetched 60 min ago" in note for note in kept.notes)


@contract
@pytest.mark.parametrize(
    "kind", [Fault.HTML, Fault.HTML_IN_DISGUISE, Fault.EMPTY, Fault.SHORT_BODY, Fault.HANG_UP]
)
def test_broken_answers_are_one_sentence(bench: Bench, service: Service, kind: Fault) -> None:
    bench.server.fault(PATH, kind)
    with pytest.raises(DataError) as caught:
        fetch(bench)
    assert "\n" not in str(caught.value)
    assert list(bench.cache.entries() if bench.cache else ()) == []


@contract
def test_gzip_is_asked_for_and_read(bench: Bench, service: Service) -> None:
    bench.server.fault(PATH, Fault.GZIP)
    assert not np.isnan(values(fetch(bench), "air_temperature")).any()
    assert bench.server.requests[-1].headers["accept-encoding"] == "gzip"


@contract
def test_nothing_for_these_hours(bench: Bench, service: Service) -> None:
    with pytest.raises(DataError, match="it has nothing between"):
        fetch(bench, start=START + timedelta(days=20))


@contract
def test_only_what_is_wanted(bench: Bench, service: Service) -> None:
    found = fetch(bench, wanted=frozenset({"air_temperature"}))
    assert set(found.fields) == {"air_temperature"}
