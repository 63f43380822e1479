"""Contract: whatever a weather service sends is read, or refused in one sentence, and soon.

Documents, texts and messages as the services write them are spoilt at random: the outcome is an
answer or a DataError, never another exception. What spoiling does to grades is the matter of
``test_fuzz_grades.py``. Long runs by hand: ``WXGATE_FUZZ=50`` (see ``fuzzing.py``).
"""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import test_gfz
import test_kp
import test_metno
import test_nws
import test_openmeteo
from bad_days import NOW, RUN, SITE, good_file
from fuzzing import WORDS, answered, dumped, examples, spoilt, spoilt_bytes, spoilt_text
from grib2_writer import Grid, Product, message
from hypothesis import given
from hypothesis import strategies as st

from wxgate.forecast import hours_axis, to_datetime64
from wxgate.grib import read_messages
from wxgate.sources import gfz, metno, nws, nwscell, openmeteo
from wxgate.sources import swpc_formats as swpc
from wxgate.sources.aviation import parse_rows
from wxgate.sources.aviation_formats import read_report
from wxgate.sources.aviation_taf import read_taf
from wxgate.sources.base import Request
from wxgate.sources.gribfile import forecast_from_grib
from wxgate.sources.jsonindex import parse_index
from wxgate.sources.kslots import lay
from wxgate.sources.pointjson import Hours
from wxgate.sources.sidecar import merge, parse_sidecar, split_span
from wxgate.strictyaml.characters import is_hidden

pytestmark = pytest.mark.contract

DATA = 3  #: exit code: no usable forecast
HOURS = Hours(hours_axis(test_metno.START, 12))
AUTHORITIES = Path(__file__).with_name("authorities")


def plausible(answer: Any) -> None:
    """What came out is laid on the hours that were asked for, and says nothing that hides."""
    if answer is None:
        return
    for name, field in answer.fields.items():
        assert field.values.shape[:1] in {(), HOURS.time.shape}, name
        assert not np.isinf(field.values).any(), name
    assert not any(map(is_hidden, answer.place))


# ---------------------------------------------------------------------- points

NWS = test_nws.sample()
METNO = test_metno.sample()
NAMES = [*openmeteo.INSTANT, *openmeteo.PRECEDING, "weather_code",
         "wind_speed_10m", "wind_direction_10m", "wind_speed_80m",
         "wind_direction_80m"]  # fmt: skip
OPENMETEO = test_openmeteo.sample(test_openmeteo.START, 12, NAMES)


@examples(150)
@given(spoilt(NWS))
def test_a_spoilt_answer_of_the_national_weather_service(found: Any) -> None:
    def read() -> Any:
        return nws.read_answer(nws._NeverOlder()(dumped(found)), HOURS)

    plausible(answered(read, DATA))


@pytest.mark.parametrize(
    "change",
    [
        {"weather": test_nws.layer(None, (test_nws.at(18, "PT2H"), [{"weather": ["rain"]}]))},
        {"windSpeed": test_nws.layer("wmoUnit:km_h-1", (test_nws.at(18, f"PT{'9' * 5000}H"), 1))},
    ],
    ids=["a list for a word", "a length of 5000 figures"],
)
def test_what_broke_the_reader_of_the_national_weather_service(change: Any) -> None:
    found = test_nws.sample(**change)
    answered(lambda: nws.read_answer(nws._NeverOlder()(dumped(found)), HOURS), DATA)


def test_an_outline_with_a_number_beyond_all_bounds_is_no_place() -> None:
    found = test_nws.sample()
    found["geometry"]["coordinates"][0][0] = [10**400, 1]
    answer = nws.read_answer(found, HOURS)
    assert "point" not in answer.place


@examples(60)
@given(spoilt(test_nws.cell()))
def test_a_spoilt_cell(found: Any) -> None:
    answered(lambda: nwscell.read_cell(dumped(found)), DATA)


@examples(150)
@given(spoilt(METNO))
def test_a_spoilt_answer_of_met_norway(found: Any) -> None:
    plausible(answered(lambda: metno.read_answer(metno._checked(dumped(found)), HOURS), DATA))


@examples(150)
@given(spoilt(OPENMETEO))
def test_a_spoilt_answer_of_open_meteo(found: Any) -> None:
    def read() -> Any:
        return openmeteo.read_answer(
            openmeteo._checked(dumped(found)), HOURS, heights=(10, 80), clearest=24100.0, run=None
        )

    plausible(answered(read, DATA))


@examples(60)
@given(spoilt({"last_run_initialisation_time": 1764028800, "update_interval_seconds": 21600}))
def test_a_spoilt_run_of_open_meteo(found: Any) -> None:
    answered(lambda: openmeteo._read_run(dumped(found)), DATA)


# ---------------------------------------------------------------------- the K index

AXIS = hours_axis(datetime(2026, 4, 25, 9, tzinfo=UTC), 12)
KP = {
    "forecast": (swpc.parse_forecast_json, [test_kp.ARRAYS, test_kp.OBJECTS]),
    "observed": (swpc.parse_observed_json, [test_kp.ARRAYS, test_kp.OBJECTS]),
    "minutes": (swpc.parse_one_minute_json, [test_kp.OBJECTS]),
    "gfz": (gfz.parse_json, [test_gfz.SAMPLE]),
}


@pytest.mark.parametrize("kind", KP)
@examples(80)
@given(data=st.data())
def test_a_spoilt_k_index(kind: str, data: st.DataObject) -> None:
    parse, documents = KP[kind]
    found = data.draw(spoilt(data.draw(st.sampled_from(documents))))
    slots = answered(lambda: parse(dumped(found)), DATA) or ()
    laid = lay(slots, AXIS).values  # the ends of the slots must be times too
    assert not (laid < 0).any()
    assert not (laid > swpc.KP_MAX).any()


@pytest.mark.parametrize(
    ("parse", "content"),
    [
        (swpc.parse_forecast_json, b'[{"time_tag": "9999-12-31T22:00:00", "kp": 3}]'),
        (swpc.parse_observed_json, b'[{"time_tag": "9999-12-31T22:00:00Z", "kp": 3}]'),
        (gfz.parse_json, b'{"Kp": [3], "datetime": ["9999-12-31T22:00:00Z"], "status": ["def"]}'),
        (gfz.parse_nowcast_text, b"9999 12 31 22 22.5 1 1 3.0 5 1"),
    ],
)
def test_a_slot_at_the_end_of_the_calendar_is_no_slot(parse: Any, content: bytes) -> None:
    found = answered(lambda: parse(content), DATA)
    assert not lay(found or (), AXIS).values.any() or np.isnan(lay(found or (), AXIS).values).all()
    if found is not None:
        gfz.unfinished(found, datetime(2026, 4, 25, tzinfo=UTC))


THREE_DAYS = (AUTHORITIES / "swpc_3-day-forecast_20241231.txt").read_text()
NOWCAST = (
    "# comment\n2026 09 17 00.0 01.50 34228.00000 34228.06250  2.667    12 1\n"
    "2026 09 17 03.0 04.50 34228.12500 34228.18750 -1.000    -1 0\n"
)


@examples(120)
@given(spoilt_text(THREE_DAYS))
def test_a_spoilt_text_of_three_days(text: str) -> None:
    found = answered(lambda: swpc.parse_three_day_text(text.encode("utf-8", "replace")), DATA)
    lay(found.slots if found else (), AXIS)


@examples(80)
@given(spoilt_text(NOWCAST))
def test_a_spoilt_nowcast(text: str) -> None:
    found = answered(lambda: gfz.parse_nowcast_text(text.encode("utf-8", "replace")), DATA)
    lay(gfz.unfinished(found or (), test_gfz.NOW), AXIS)


# ---------------------------------------------------------------------- airports

REPORTS = [
    "METAR ABNE 251550Z 24012G25KT 200V280 0800 R24/0600 +TSRA BKN002CB OVC010 M01/M02 Q0985 NOSIG",
    "KABC 251553Z AUTO 00000KT 1 1/2SM BR SCT004 VV002 07/04 A2981 RMK AO2 SLP095 T00720039",
    "SPECI ABFA 251550Z VRB03KT CAVOK 12/10 Q1020=",
]
TAFS = [
    "TAF ABNE 251100Z 2512/2618 24012KT 9999 BKN026 TEMPO 2514/2518 5000 TSRA BKN012CB"
    " BECMG 2520/2522 18005KT PROB30 2602/2606 0400 FG",
    "TAF AMD KABC 251130Z 2512/2612 18010G20KT P6SM SCT030 FM251800 22015KT 2SM RA OVC008",
]
NEAR = datetime(2026, 11, 25, 16, tzinfo=UTC)


@examples(120)
@given(st.sampled_from(REPORTS).flatmap(spoilt_text))
def test_a_spoilt_report(text: str) -> None:
    found = answered(lambda: read_report(text, NEAR, 9.0), DATA)
    if found is not None:
        assert abs(found.time - NEAR) < timedelta(days=32)
        wind = found.says.wind
        assert wind is None or 0 <= wind < 200


@examples(120)
@given(st.sampled_from(TAFS).flatmap(spoilt_text))
def test_a_spoilt_airport_forecast(text: str) -> None:
    found = answered(lambda: read_taf(text, NEAR, 9.0), DATA)
    assert found is None or found.end > found.issued - timedelta(days=40)


ROWS = [
    {"icaoId": "ABNE", "rawOb": REPORTS[0], "lat": 47.1, "lon": 8.4, "reportTime": "2026-11-25"},
    {"icaoId": "KABC", "rawOb": REPORTS[1], "lat": 47.2, "lon": 8.3, "obsTime": 1795622400},
]


@examples(120)
@given(spoilt(ROWS))
def test_spoilt_rows_of_airports(found: Any) -> None:
    for row in answered(lambda: parse_rows(dumped(found)), DATA) or ():
        answered(lambda row=row: read_report(row.raw, row.time or NEAR, 1.0), DATA)
        assert abs(row.latitude) <= 90


# ---------------------------------------------------------------------- which bytes of a file

SIDECAR = (
    "1:0:d=2026061506:UGRD:10 m above ground:7 hour fcst:\n"
    "2:600:d=2026061506:VGRD:10 m above ground:7 hour fcst:\n"
    "2.1:600:d=2026061506:APCP:surface:6-7 hour acc fcst:ENS=+1\n"
    "3:1800:d=2026061506:CAPE:180-0 mb above ground:anl:\n"
)
INDEX = "\n".join(
    json.dumps({
        "domain": "g", "date": "20260615", "time": "0600", "expver": "0001", "class": "od",
        "type": "pf", "stream": "enfo", "step": "7", "levtype": levtype, "param": param,
        "number": "3", "_offset": n * 500, "_length": 500, **more,
    })
    for n, (levtype, param, more) in enumerate(
        [("sfc", "10u", {}), ("pl", "u", {"levelist": "850"}), ("sfc", "tp", {})]
    )
)  # fmt: skip


@examples(120)
@given(spoilt_text(SIDECAR), st.binary(max_size=200))
def test_a_spoilt_sidecar(text: str, content: bytes) -> None:
    lines = answered(lambda: parse_sidecar(text), DATA)
    for span in merge(lines or (), 1000):
        assert span.start >= 0
        assert span.end is None or span.end >= span.start - 1
        answered(lambda span=span: list(split_span(span, content, "here")), DATA)
    assert all(line.window is None or line.window.end_min >= 0 for line in lines or ())


@examples(120)
@given(spoilt_text(INDEX))
def test_a_spoilt_index(text: str) -> None:
    for line in answered(lambda: parse_index(text), DATA) or ():
        assert 0 <= line.start <= (line.end or 0)


# ---------------------------------------------------------------------- GRIB

FILE = good_file(RUN, 7)
GOOD = b"".join(content for _, content in FILE.messages[:6])
WRITTEN = message(
    Product(0, 2, 2, 103, 10, 1),
    Grid(north=53_000_000, west=357_000_000, step=250_000, rows=8, columns=12),
    RUN,
    7,
    np.arange(96.0).reshape(8, 12) % 7,
)


@pytest.mark.parametrize("content", [WRITTEN, GOOD], ids=["written", "served"])
@examples(100)
@given(data=st.data())
def test_a_spoilt_message(content: bytes, data: st.DataObject) -> None:
    spoiled = data.draw(spoilt_bytes(content, reach=260))
    for strict in (True, False):
        fields = answered(lambda s=strict: read_messages(spoiled, skip_strays=not s), DATA) or ()
        for field in fields:
            values = answered(lambda f=field: f.values, DATA)
            assert values is None or not np.isinf(values).any()


@examples(40)
@given(spoilt_bytes(GOOD, reach=600))
def test_a_spoilt_file_handed_in(content: bytes) -> None:
    request = Request(*SITE, start=NOW, hours=3, now=NOW)
    found = answered(lambda: forecast_from_grib([content], request), 2, DATA)
    if found is not None:
        assert found.time[0] == to_datetime64(NOW.replace(minute=0))


@pytest.mark.parametrize("points", [29_999_999, 2**32 - 1])
def test_an_enormous_grid_of_one_value_takes_bounded_time_and_memory(points: int) -> None:
    """Three hundred octets can announce thirty million points, which is 240 MB of doubles."""
    import resource

    at = WRITTEN.index(b"\x00\x00\x00\x48\x03")
    spoiled = bytearray(WRITTEN)
    spoiled[at + 6 : at + 10] = points.to_bytes(4, "big")
    spoiled[at + 30 : at + 38] = points.to_bytes(4, "big") + (1).to_bytes(4, "big")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for field in answered(lambda: read_messages(bytes(spoiled)), DATA) or ():
        answered(lambda f=field: f.values, DATA, within_s=10)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 1_000_000  # kB


@pytest.mark.parametrize("word", WORDS[:20])
def test_words_that_do_harm_are_refused_by_every_reader_of_texts(word: str) -> None:
    raw = word.encode("utf-8", "replace")
    for parse in (gfz.parse_nowcast_text, swpc.parse_three_day_text, gfz.parse_json, parse_rows,
                  swpc.parse_forecast_json, nwscell.read_cell, metno._checked,
                  read_messages):  # fmt: skip
        answered(lambda parse=parse: parse(raw), DATA)
    for read in (parse_sidecar, parse_index):
        answered(lambda read=read: read(word), DATA)
    answered(lambda: read_report(word, NEAR, 1.0), DATA)
    answered(lambda: read_taf(word, NEAR, 1.0), DATA)
