"""Truth, law and contract: reports and forecasts of airports, and the service that lists them.

Truth are real reports (NOAA, public domain) beside what others made of them. Reports without a
source are written for the test, each with one known difficulty. The marks are set per test.
"""

from __future__ import annotations

import csv
import json
import re
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import hypothesis.strategies as st
import pytest
from hypothesis import given, settings
from local_server import Fault, LocalServer, Response
from point_bench import Bench, agent_of, as_json, ask, dumped, utc

from wxgate.cache import Cache
from wxgate.errors import DataError
from wxgate.quantities import NO_CEILING
from wxgate.sources import aviation
from wxgate.sources.aviation import box_around, nearest_forecasts, nearest_reports, parse_rows
from wxgate.sources.aviation_formats import Report, Weather, read_report, read_weather, resolve
from wxgate.sources.aviation_taf import read_taf

truth, law, contract = pytest.mark.truth, pytest.mark.law, pytest.mark.contract

KT, SM, FT = 1852 / 3600, 1609.344, 0.3048
NOW = utc(2026, 11, 25, 16)


def report(raw: str, near: datetime = NOW) -> Report:
    found = read_report(raw, near, 3.0)
    assert found is not None
    return found


# ------------------------------------------------------------------------------- real reports


@truth
def test_the_service_new_schema(shared_data: Path) -> None:
    """KTYS, 14 January 2026: the raw text beside what the service itself made of it."""
    # Independent: the service's own decoding of its own report.
    content = (shared_data / "obs/metar/awc_metar_KTYS_20260114.json").read_bytes()
    (row,) = parse_rows(content)
    (theirs,) = json.loads(content)
    found = report(row.raw, row.time or NOW)
    assert found.station == theirs["icaoId"]
    assert found.time == utc(2026, 1, 14, 22, 53) == row.time
    agrees(found.says, theirs)
    assert found.says.visibility_bound == "at least"
    assert found.says.ceiling == pytest.approx(2600 * FT)
    assert found.gust_below == pytest.approx(22 * KT)


@truth
def test_the_service_old_schema(shared_data: Path) -> None:
    """LEJR, 27 October 2023: no prefix, nulls, times with a blank."""
    # Independent: the service's own decoding of its own report.
    content = (shared_data / "obs/metar/awc_metar_LEJR_20231027_oldschema.json").read_bytes()
    (row,) = parse_rows(content)
    (theirs,) = json.loads(content)
    found = report(row.raw, row.time or NOW)
    assert (found.station, found.time) == ("LEJR", utc(2023, 10, 27, 15, 30))
    agrees(found.says, theirs)
    assert (found.says.visibility, found.says.visibility_bound) == (10000.0, "at least")
    assert found.says.ceiling == NO_CEILING  # few at 5000 ft make none


def agrees(says: Weather, theirs: dict[str, Any]) -> None:
    """Whole knots and degrees; the JSON has tenths of a degree from the remarks."""
    assert says.wind == pytest.approx(theirs["wspd"] * KT)
    assert says.direction == theirs["wdir"]
    assert says.gust is None
    assert says.temperature == pytest.approx(theirs["temp"] + 273.15, abs=0.5)
    assert says.dew_point == pytest.approx(theirs["dewp"] + 273.15, abs=0.5)


@truth
def test_reports_beside_their_climate_archive(shared_data: Path) -> None:
    """NOAA NCEI, GHCNh: the report stands in the remarks of a row of decoded values.

    Wind in m/s to 0.1, visibility in km, cloud base in m, all decoded by NCEI.
    """
    # Independent: decoded by NCEI.
    checked = 0
    for name in ("USW00013967", "USW00024135"):
        file = shared_data / f"obs/metar/GHCNh_{name}_por.psv"
        for row in csv.DictReader(file.read_text().splitlines(), delimiter="|"):
            match = re.search(r"(?:METAR|SPECI) K.*", row["remarks"] or "")
            if match is None or row["Year"] == "1931":  # a row of 1931 with a report of today
                continue
            when = utc(*(int(row[part]) for part in ("Year", "Month", "Day", "Hour", "Minute")))
            found = report(match[0], when)
            says = found.says
            assert found.time == when
            wind = float(row["wind_speed"]) if row["wind_speed"] else None
            assert says.wind == (None if wind is None else pytest.approx(wind, abs=0.06))
            assert says.direction == (float(row["wind_direction"]) if wind else None)
            gust = float(row["wind_gust"]) if row["wind_gust"] else None
            assert says.gust == (None if gust is None else pytest.approx(gust, abs=0.06))
            assert says.visibility == pytest.approx(float(row["visibility"]) * 1000, abs=1)
            assert says.temperature == pytest.approx(float(row["temperature"]) + 273.15, abs=0.51)
            layers = [
                float(row[f"sky_cover_baseht_{n}"])
                for n in (1, 2, 3)
                if row.get(f"sky_cover_{n}", "")[:3] in ("BKN", "OVC")
            ]
            if layers:
                assert says.ceiling == pytest.approx(min(layers), abs=0.6)
            else:
                assert says.ceiling == NO_CEILING
            checked += 1
    assert checked == 8


@truth
def test_reports_beside_an_archive_of_airports(shared_data: Path) -> None:
    """Iowa Environmental Mesonet, asos.py: knots, statute miles, feet."""
    # Independent: decoded by the archive.
    file = shared_data / "obs/metar/iem_asos_real_lines.csv"
    rows = list(csv.DictReader(file.read_text().splitlines()))
    assert len(rows) == 2
    for row in rows:
        when = datetime.fromisoformat(f"{row['valid']}+00:00")
        found = report(row["metar"], when)
        says = found.says
        assert found.time == when
        assert says.wind == pytest.approx(float(row["sknt"]) * KT)
        assert says.direction == float(row["drct"])
        assert says.visibility == pytest.approx(float(row["vsby"]) * SM)
        ceilings = [float(row[f"skyl{n}"]) * FT for n in "123" if row[f"skyc{n}"] in ("BKN", "OVC")]
        assert says.ceiling == pytest.approx(min(ceilings))
        assert says.weather == ("DZ",)


@truth
def test_a_real_collective(shared_data: Path) -> None:
    """NWS, SAUS70 KWBC 081400: every report of it, values read by hand from the text."""
    text = (shared_data / "obs/metar/metar_collective1.txt").read_text()
    raws = [" ".join(one.split()) for one in text.split("METAR\n", 1)[1].split("=")[:-1]]
    near = utc(2026, 6, 8, 14)
    found = [read_report(raw, near, 0.0) for raw in raws]
    there = [one for one in found if one is not None]
    assert len(found) == 14
    by_station = {one.station: one.says for one in reversed(there)}
    miami = by_station["KMIA"]
    assert miami.wind == pytest.approx(32 * KT)
    assert miami.gust == pytest.approx(45 * KT)
    assert miami.visibility == pytest.approx(SM / 2)
    assert miami.visibility_bound == "exact"
    assert miami.ceiling == pytest.approx(1600 * FT)
    assert miami.weather == ("+FC", "+TSRA", "BR")
    alone = by_station["KALO"]
    assert alone.temperature == pytest.approx(269.15)
    assert alone.dew_point == pytest.approx(266.15)
    squall = by_station["KEST"]
    assert (squall.gust, squall.weather) == (pytest.approx(61 * KT), ("VCTS", "SQ"))
    ames = by_station["KAMW"]
    assert (ames.wind, ames.direction, ames.ceiling) == (0.0, None, NO_CEILING)
    # One without anything in it says nothing; one whose time is damaged is none.
    assert by_station["QQQQ"] == Weather(None, None, None, None, "exact", None, (), None, None)
    assert sum(one is None for one in found) == 1


# ------------------------------------------------------------------------------- difficulties

VISIBILITIES = [
    ("KDEN 251600Z 02010KT 1/16SM R35L/1000V1200FT FZFG VV001 M01/M02 A2954", SM / 16, "exact"),
    ("KXYZ 251530Z 24010KT 1 1/2SM BR OVC005 10/09 A2990", 1.5 * SM, "exact"),
    ("KABC 251530Z 00000KT M1/4SM FG VV002 10/10 A3000", SM / 4, "less than"),
    ("KABC 251530Z VRB02KT P6SM SKC 10/05 A3000", 6 * SM, "at least"),
    ("CYYZ 251500Z 24010KT 15SM FEW030 10/05 A3000", 15 * SM, "at least"),
    ("KABC 251530Z 24010KT 9SM FEW030 10/05 A3000", 9 * SM, "exact"),
    ("LEJR 251530Z 24011KT 220V280 9999 FEW050 22/13 Q1015", 10000, "at least"),
    ("EGXX 251550Z AUTO 24011KT CAVOK 22/13 Q1015 NOSIG", 10000, "at least"),
    ("LSZH 251520Z 24010KT 9999NDV NSC 10/05 Q1010 BECMG 0500 FG", 10000, "at least"),
    ("LFPG 251530Z 24010KT 0300 R27L/0600N R26R/P1500 FG VV/// 05/05 Q1020 TEMPO 0200", 300,
     "exact"),
    ("EKCH 251520Z 24010KT 2000 1200NW BR OVC008 10/09 Q1010", 1200, "exact"),
    ("EDDK 251350Z AUTO 25004KT 9999 3100 SHRA BKN036 17/14 Q1013", 3100, "exact"),
    ("FIMP 251000Z 04006KT 4000E -SHRA FEW008 26/23 Q1014", 4000, "exact"),
    ("EDHI 250720Z 24004KT 2500 100NW R05/0300V0800U PRFG BR VV/// 13/13 Q1011", 2500, "exact"),
    ("EDDF 251520Z AUTO VRB02KT //// // ////// 10/09 Q1010", None, "exact"),
    ("KGYR 252147Z 12006KT 1/0SM FEW100 41/14 A2992", None, "exact"),
    ("KABC 251530Z 12006KT 41/14 A2992", None, "exact"),
    ("KBMI 251456Z COR 10SM 10005KT SCT055 OVC065 23/22 A3000", 10 * SM, "at least"),
]  # fmt: skip


@contract
@pytest.mark.parametrize(("raw", "metres", "bound"), VISIBILITIES)
def test_visibility(raw: str, metres: float | None, bound: str) -> None:
    """Among them those on which MetPy's parser has failed (its users' threads, read 2026-11)."""
    says = report(raw).says
    assert says.visibility == (None if metres is None else pytest.approx(metres))
    assert says.visibility_bound == bound


WINDS = [
    ("24011KT", 11 * KT, 240, None), ("24011G25KT", 11 * KT, 240, 25 * KT),
    ("24005G12MPS", 5, 240, 12), ("24020KMH", 20 / 3.6, 240, None),
    ("24020G54KMH", 20 / 3.6, 240, 15), ("VRB02KT", 2 * KT, None, None),
    ("00000KT", 0, None, None), ("240100G115KT", 100 * KT, 240, 115 * KT),
    ("/////KT", None, None, None), ("KT", None, None, None), ("///05KT", 5 * KT, None, None),
    ("24010", None, None, None), ("24011G//KT", None, None, None), ("36010KT", 10 * KT, 360, None),
]  # fmt: skip


@contract
@pytest.mark.parametrize(("group", "wind", "direction", "gust"), WINDS)
def test_wind(group: str, wind: float | None, direction: float | None, gust: float | None) -> None:
    says = report(f"METAR ABCD 251530Z AUTO {group} 9999 FEW020 10/05 Q1010").says
    assert says.wind == (None if wind is None else pytest.approx(wind))
    assert says.direction == direction
    assert says.gust == (None if gust is None else pytest.approx(gust))
    assert says.visibility == 10000.0  # what stands behind the wind is not lost with it


CEILINGS = [
    ("FEW010 BKN020 OVC030", 2000 * FT), ("OVC008/// ", 800 * FT), ("BKN014CB", 1400 * FT),
    ("FEW008 SCT010 SCT015 FEW020CB BKN050", 5000 * FT), ("VV002", 200 * FT),
    ("FEW001 VV001", 100 * FT), ("BKN000", 0.0), ("VV///", None), ("VV//", None),
    ("BKN/// OVC050", None), ("//////CB BKN020", None), ("//////", None), ("", None),
    ("SKY OBS", None), ("CLR", NO_CEILING), ("SKC", NO_CEILING), ("NSC", NO_CEILING),
    ("NCD", NO_CEILING), ("FEW010 SCT020", NO_CEILING), ("SCT///TCU", NO_CEILING),
]  # fmt: skip


@contract
@pytest.mark.parametrize(("groups", "metres"), CEILINGS)
def test_ceiling(groups: str, metres: float | None) -> None:
    """The lowest BKN, OVC or VV; not told where a layer's height is not told."""
    found = report(f"ABCD 251530Z 24010KT 9999 {groups} 10/05 Q1010 TEMPO OVC001").says.ceiling
    assert found == (None if metres is None else pytest.approx(metres))


@contract
def test_trend_and_remarks_are_not_the_report() -> None:
    raw = "SPECI ABCD 251530Z 24010KT 9999 SCT020 10/05 Q1010 {} 0400 24030G45KT FG OVC001"
    for word in ("TEMPO", "BECMG", "RMK", "INTER", "FM1630", "PROB30"):
        says = report(raw.format(word)).says
        assert (says.gust, says.visibility, says.ceiling, says.weather) == (
            None, 10000.0, NO_CEILING, (),
        )  # fmt: skip


@contract
@pytest.mark.parametrize(
    "raw",
    ["", "METAR", "ABCD", "ABCD 24010KT", "METAR PAVW 0850 VRB02KT 20SM", "ABCD 251530Z NIL=",
     "ABCD 321530Z 24010KT", "ABCD 252560Z 24010KT", "<html> 251530Z x"],
)  # fmt: skip
def test_what_is_no_report(raw: str) -> None:
    assert read_report(raw, NOW, 0.0) is None


@law
@settings(max_examples=60, deadline=None)
@given(st.text(alphabet="ABCDEKNOPRSTVZ0123456789/+- =$", max_size=60))
def test_no_text_breaks_the_reader(text: str) -> None:
    says = read_weather(text)
    for value in (says.wind, says.gust, says.visibility, says.ceiling):
        assert value is None or value >= 0


@law
@given(st.permutations(["24011G25KT", "0800", "FG", "BKN002", "M01/M02"]))
@settings(max_examples=20, deadline=None)
def test_swapped_groups_change_nothing(groups: list[str]) -> None:
    """MetPy's parser loses what stands out of order (the same)."""
    assert read_weather(" ".join(groups)) == read_weather("24011G25KT 0800 FG BKN002 M01/M02")


@contract
def test_no_network_and_no_station_table(monkeypatch: pytest.MonkeyPatch) -> None:
    """Left alone, MetPy fetches a table of stations when it reads its first report."""
    import socket

    def forbidden(*_: object) -> None:
        raise AssertionError("the network was used")

    monkeypatch.setattr(socket.socket, "connect", forbidden)
    assert report("METAR KTYS 251553Z 21012KT 10SM BKN026 07/04 A2968").says.wind is not None


# ------------------------------------------------------------------------------- censored gusts


@truth
def test_no_gust_is_a_bound_and_not_nought() -> None:
    """ICAO Annex 3: a gust is reported from 10 kt over the mean; mean 12 kt: 21 no, 22 yes.

    (Attachment C and appendix 3, as drafted by AMOFSG, studylib.net/doc/6716602; read 2026-11.)
    """
    found = report("EGXX 251550Z 24012KT 9999 SCT030 10/05 Q1015")
    assert found.says.gust is None
    assert found.gust_below is not None
    assert found.gust_below > 21 * KT
    assert found.gust_below == pytest.approx(22 * KT)
    assert report("EGXX 251550Z 24012G22KT 9999 10/05 Q1015").gust_below is None
    assert report("EGXX 251550Z /////KT 9999 10/05 Q1015").gust_below is None


@truth
def test_the_bound_holds_for_the_rule_of_the_united_states() -> None:
    """FMH-1, AFMAN 15-111 7.4.3: from 10 kt between peaks and lulls; 22 and 12 yes, 22 and 13 no.

    Read 2026-11. A mean is no less than the lull, so a peak that is not reported is below it too.
    """
    for lull in (5, 13):
        for peak in (lull, lull + 4, lull + 9):  # not reported
            for mean in range(lull, peak + 1):
                found = report(f"KABC 251550Z 240{mean:02d}KT 10SM CLR 10/05 A3000")
                assert found.gust_below is not None
                assert peak * KT < found.gust_below
    assert report("KABC 251550Z 24013KT 10SM CLR 10/05 A3000").gust_below == pytest.approx(23 * KT)


@truth
@pytest.mark.parametrize(("station", "minutes"), [("KDEN", 2), ("PANC", 2), ("EGLL", 10)])
def test_over_how_long_the_wind_is_a_mean(station: str, minutes: int) -> None:
    """ICAO Annex 3 4.1.3: ten minutes (text at pprune.org/5754707, read 2026-11).

    The United States: two minutes (from memory).
    """
    assert report(f"{station} 251550Z 24013KT 9999 10/05 Q1000").wind_minutes == minutes


# ------------------------------------------------------------------------------- times


@contract
@pytest.mark.parametrize(
    ("near", "text", "when"),
    [(utc(2026, 12, 1, 0, 5), "302355", utc(2026, 11, 30, 23, 55)),
     (utc(2027, 1, 1, 0, 5), "312355", utc(2026, 12, 31, 23, 55)),
     (utc(2026, 12, 31, 23, 50), "010000", utc(2027, 1, 1)),
     (utc(2028, 3, 1, 0, 5), "292355", utc(2028, 2, 29, 23, 55)),
     (utc(2026, 11, 25, 12), "2524" + "00", utc(2026, 11, 26)),
     (utc(2026, 3, 15), "300000", utc(2026, 3, 30))],
)  # fmt: skip
def test_the_day_of_the_month_that_lies_nearest(near: datetime, text: str, when: datetime) -> None:
    assert resolve(text[:2], text[2:4], text[4:], near) == when


# ------------------------------------------------------------------------------- forecasts

#: Written for the test, in the form of ICAO Annex 3, appendix 5.
TAF = """TAF COR LSXX 251125Z 2512/2618 24010G22KT 9999 SCT030 TX08/2514Z TN02/2605Z
  PROB40 TEMPO 2515/2518 4000 -SHRA BKN012
  BECMG 2518/2520 VRB02KT CAVOK
  PROB30 2603/2607 0500 FG VV001
  TEMPO 2609/2611 3000 BR
  FM261200 18006KT P6SM NSW NSC="""


@contract
def test_the_groups_of_a_forecast() -> None:
    found = read_taf(TAF, NOW, 7.0)
    assert found is not None
    assert (found.station, found.issued) == ("LSXX", utc(2026, 11, 25, 11, 25))
    assert (found.start, found.end) == (utc(2026, 11, 25, 12), utc(2026, 11, 26, 18))
    told = [(g.change, g.start, g.end, g.probability, g.temporary) for g in found.groups]
    day, morrow = utc(2026, 11, 25), utc(2026, 11, 26)
    hours = timedelta(hours=1)
    assert told == [
        ("FM", day + 12 * hours, morrow + 12 * hours, None, False),
        ("PROB", day + 15 * hours, day + 18 * hours, 0.4, True),
        ("BECMG", day + 18 * hours, day + 20 * hours, None, False),
        ("PROB", morrow + 3 * hours, morrow + 7 * hours, 0.3, False),
        ("TEMPO", morrow + 9 * hours, morrow + 11 * hours, None, True),
        ("FM", morrow + 12 * hours, morrow + 18 * hours, None, False),
    ]
    first, shower, clearing, fog, mist, south = (g.says for g in found.groups)
    assert first.gust == pytest.approx(22 * KT)
    assert (shower.wind, shower.visibility, shower.weather) == (None, 4000.0, ("-SHRA",))
    assert shower.ceiling == pytest.approx(1200 * FT)
    assert (clearing.visibility, clearing.ceiling) == (10000.0, NO_CEILING)
    assert (fog.visibility, fog.ceiling) == (500.0, pytest.approx(100 * FT))
    assert (mist.visibility, mist.ceiling) == (3000.0, None)
    assert (south.visibility, south.visibility_bound) == (pytest.approx(6 * SM), "at least")


@contract
def test_a_forecast_in_the_american_form() -> None:
    """Its shape is that of a TAF for KEWR of 19 May 2022 in a public issue (read 2026-11)."""
    raw = (
        "TAF TAF AMD KEWR 191303Z 1913/2018 09006KT 5SM -RA BR BKN007 OVC025 WS020/24045KT "
        "FM191600 17007KT P6SM BKN020 FM192100 26008KT P6SM SCT030 FM200000 29005KT P6SM SKC"
    )
    found = read_taf(raw, utc(2022, 5, 19, 14), 0.0)
    assert found is not None
    assert [g.start.hour for g in found.groups] == [13, 16, 21, 0]
    assert [g.end.hour for g in found.groups] == [16, 21, 0, 18]
    assert found.groups[0].says.wind == pytest.approx(6 * KT)  # not the shear at 2000 ft
    assert found.groups[0].says.ceiling == pytest.approx(700 * FT)


@contract
@pytest.mark.parametrize("word", ["NIL", "2512/2618 CNL"])
def test_no_forecast(word: str) -> None:
    assert read_taf(f"TAF LSXX 251125Z {word}=", NOW, 0.0) is None


@contract
@pytest.mark.parametrize(
    "raw",
    ["", "TAF", "TAF LSXX 251125Z 24010KT", "TAF LSXX 251125Z 251218 24010KT 9999",
     "TAF LSXX 251125Z 2512/2618 24010KT FM1600 0200 FG", TAF.replace("2518/2520", "2518"),
     TAF.replace("PROB30", "PROB"), TAF.replace("TEMPO 2609/2611", "INTER 2609/2611"),
     TAF.replace("FM261200", "FM329900"), TAF.replace("2512/2618", "2618/2512")],
)  # fmt: skip
def test_a_part_that_cannot_be_told_apart_is_an_error(raw: str) -> None:
    with pytest.raises(DataError, match="could not be read"):
        read_taf(raw, NOW, 0.0)


# ------------------------------------------------------------------------------- the service

METARS, TAFS = "/api/data/metar", "/api/data/taf"


def metar(station: str, at: str, latitude: float, longitude: float, **more: Any) -> dict[str, Any]:
    raw = f"METAR {station} {at}Z 24012KT 9999 BKN026 07/04 Q1005"
    return {"icaoId": station, "rawOb": raw, "lat": latitude, "lon": longitude, "elev": 300,
            "wdir": 240, "wspd": 12, "visib": "6+", **more}  # fmt: skip


ROWS = [
    metar("ABFA", "251550", 47.40, 8.50), metar("ABNE", "251520", 47.10, 8.40),
    metar("ABNE", "251550", 47.10, 8.40), metar("ABNE", "251450", 47.10, 8.40),
    metar("ABOL", "251400", 47.06, 8.30), metar("ABFU", "251700", 47.06, 8.30),
    metar("ABCO", "251550", 47.49, 8.95),  # in the box, and more than 50 km away
    metar("ABMI", "251550", 47.20, 8.30), metar("ABLA", "251550", 46.80, 8.00),
]  # fmt: skip


@pytest.fixture
def bench(server: LocalServer, tmp_path: Path) -> Bench:
    server.handler(METARS, lambda _: as_json(ROWS))
    return Bench("aviation", server, Cache(tmp_path / "cache"), root="/api/data")


def reports(bench: Bench, now: datetime = NOW, **more: Any) -> aviation.Nearby[Report]:
    return nearest_reports(ask(now, 6, 47.05, 8.31), bench.tools(), **more)


@contract
def test_the_newest_of_each_of_the_nearest_stations(bench: Bench) -> None:
    found = reports(bench)
    assert [(r.station, r.time.minute) for r in found.found] == [
        ("ABNE", 50), ("ABMI", 50), ("ABLA", 50),
    ]  # fmt: skip
    assert [round(r.distance_km) for r in found.found] == [9, 17, 36]
    assert [r.station for r in reports(bench, stations=9).found][-1] == "ABFA"
    (seen,) = bench.server.requests
    assert dict(seen.query) == {"bbox": "46.6,7.6,47.5,9.0", "format": "json"}
    assert "@" in agent_of(bench.server)
    assert found.provenance.source == "aviation"
    assert found.provenance.run is None
    assert "does not endorse" in found.provenance.credit


@contract
@pytest.mark.parametrize("answer", [Response(204), as_json([])])
def test_no_airport_is_an_empty_answer(bench: Bench, answer: Response) -> None:
    bench.server.handler(METARS, lambda _: answer)
    assert reports(bench).found == ()
    assert reports(bench, NOW + timedelta(minutes=2)).found == ()
    assert len(bench.server.paths()) == 1  # the empty answer is kept too


@contract
def test_no_faster_than_once_a_minute_whatever_the_endpoints_say(bench: Bench) -> None:
    bench.endpoints["aviation"]["poll_s"] = 0
    reports(bench)
    reports(bench, NOW + timedelta(seconds=59))
    assert len(bench.server.paths()) == 1
    reports(bench, NOW + timedelta(seconds=61))
    assert len(bench.server.paths()) == 2


@contract
@pytest.mark.parametrize(
    "renamed",
    [
        {"rawOb": "rawText", "lat": "latitude", "lon": "longitude"},
        {"rawOb": "raw_text", "lat": "Latitude", "lon": "LON", "icaoId": "station_id"},
        {"rawOb": "somethingNew"},
    ],
)
def test_renamed_fields_are_found(bench: Bench, renamed: dict[str, str]) -> None:
    rows = [{renamed.get(name, name): value for name, value in row.items()} for row in ROWS]
    bench.server.handler(METARS, lambda _: as_json(rows))
    assert [r.station for r in reports(bench).found] == ["ABNE", "ABMI", "ABLA"]


@contract
@pytest.mark.parametrize(
    "rows", [{"error": "Invalid value for format"}, ["text"], [{"icaoId": "ABNE"}], "x",
             [{**ROWS[0], "rawOb": None}], [{**ROWS[0], "lat": "47"}]],
)  # fmt: skip
def test_another_form_is_told(bench: Bench, rows: object) -> None:
    bench.server.handler(METARS, lambda _: as_json(rows))
    with pytest.raises(DataError, match="could not be read"):
        reports(bench)


@contract
def test_decoded_fields_are_no_authority(bench: Bench) -> None:
    """What the service made of a report does not count, its text does."""
    wrong = metar("ABNE", "251550", 47.1, 8.4, wspd=99, wgst=120, visib=0, obsTime="soon")
    bench.server.handler(METARS, lambda _: as_json([wrong]))
    (found,) = reports(bench).found
    assert found.says.wind == pytest.approx(12 * KT)
    assert found.says.gust is None


@contract
def test_the_nearest_forecasts(bench: Bench) -> None:
    old = TAF.replace("251125Z 2512/2618", "250525Z 2506/2612").replace("FM261200", "FM261100")
    over = "TAF LSYY 241125Z 2412/2515 24010KT 9999 SCT030"
    broken = "TAF LSZZ 251125Z 2512/2618 24010KT PROB 9999"
    rows = [
        {"icaoId": raw[-4:], "rawTAF": raw, "lat": 47.1, "lon": 8.4,
         "issueTime": "2026-11-25 11:25:00"}
        for raw in (old, TAF, over, broken)
    ]  # fmt: skip
    bench.server.handler(TAFS, lambda _: as_json(rows))
    found = nearest_forecasts(ask(NOW, 6, 47.05, 8.31), bench.tools())
    assert [(taf.station, taf.issued.hour) for taf in found.found] == [("LSXX", 11)]
    assert len(found.found[0].groups) == 6
    assert any("LSZZ" in note for note in found.notes)


@contract
@pytest.mark.parametrize(
    "kind", [Fault.HTML, Fault.EMPTY, Fault.HANG_UP, Fault.SHORT_BODY, Fault.STATUS]
)
def test_broken_answers_are_one_sentence_or_the_copy(bench: Bench, kind: Fault) -> None:
    bench.server.fault("*", kind, status=429)
    with pytest.raises(DataError) as caught:
        reports(bench)
    assert "\n" not in str(caught.value)
    bench.server.calm()
    reports(bench)
    bench.server.fault("*", kind, status=429)
    found = reports(bench, NOW + timedelta(minutes=30))
    assert [r.station for r in found.found] == ["ABNE", "ABMI", "ABLA"]
    assert any("copy fetched 30 min ago" in note for note in found.notes)
    # A copy does not make old reports young.
    assert reports(bench, NOW + timedelta(hours=3)).found == ()


@contract
@pytest.mark.parametrize(
    ("latitude", "longitude", "box"),
    [(0.0, 0.0, "-0.5,-0.5,0.5,0.5"), (47.05, 368.31, "46.6,7.6,47.5,9.0"),
     (89.9, 10.0, "89.4,-15.8,90.0,35.8"), (-89.9, -10.0, "-90.0,-35.8,-89.4,15.8")],
)  # fmt: skip
def test_the_box_holds_the_circle(latitude: float, longitude: float, box: str) -> None:
    assert box_around(latitude, longitude, 50.0)[0] == box


@contract
def test_the_box_ends_at_the_antimeridian_and_says_so() -> None:
    box, notes = box_around(-17.0, 179.9, 50.0)
    assert box.endswith(",180.0")
    assert notes == ["airports beyond the antimeridian were not looked for"]


@contract
def test_an_empty_body_is_no_json_error() -> None:
    assert parse_rows(b"") == parse_rows(b" \n") == parse_rows(dumped([])) == ()
