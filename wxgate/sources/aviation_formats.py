"""Reports (METAR) and forecasts (TAF) of airports: the raw text to records in SI units.

MetPy's parser reads the values. It gives up at the first group that it does not know, without a
word, and takes groups for others when they are swapped; so it is handed only the groups of the
body that it knows, one of each, in its own order. What is left of the report stays in ``raw``.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal, NamedTuple

from wxgate.quantities import NO_CEILING
from wxgate.units import convert

Bound = Literal["exact", "at least", "less than"]

#: A gust is reported from this much over the mean (ICAO Annex 3; the United States: from 10 kt
#: between peaks and lulls), so a report without one says only that the gust is smaller.
GUST_FROM = convert(10.0, "kt", "m s-1")
#: Airports whose wind is a mean over two minutes, by the first letters; elsewhere it is ten.
TWO_MINUTES = ("K", "PA", "PF", "PG", "PH", "PO", "PP", "PW", "TI", "TJ")


@dataclass(frozen=True, slots=True)
class Weather:
    """What the groups of a report, or of a part of a forecast, tell; None: not told.

    Wind in m/s and degrees (None: variable, or calm). Visibility in m: the lowest of those told;
    ``visibility_bound`` says where it is a bound. Ceiling in m above ground; 20000: no ceiling
    below what is looked at; None also when the height of a layer is not told. ``weather`` are the
    groups as written.
    """

    wind: float | None
    direction: float | None
    gust: float | None
    visibility: float | None
    visibility_bound: Bound
    ceiling: float | None
    weather: tuple[str, ...]
    temperature: float | None  #: K
    dew_point: float | None  #: K


@dataclass(frozen=True, slots=True)
class Report:
    """A report of one airport; ``time`` is aware (UTC), ``distance_km`` from the site."""

    station: str
    time: datetime
    distance_km: float
    says: Weather
    raw: str

    @property
    def gust_below(self) -> float | None:
        """The gust was smaller than this (m/s) where none is reported; None: one is, or no wind."""
        if self.says.gust is not None or self.says.wind is None:
            return None
        return self.says.wind + GUST_FROM

    @property
    def wind_minutes(self) -> int:
        """Over how many minutes the wind is a mean; the gust is a peak of three seconds."""
        return 2 if self.station.startswith(TWO_MINUTES) else 10


Change = Literal["FM", "BECMG", "TEMPO", "PROB"]


@dataclass(frozen=True, slots=True)
class Group:
    """A part of a forecast, for [start, end).

    FM (also the first part): all of it holds. BECMG: what is told changes within the interval and
    holds from its end on. TEMPO: for less than half of the time. PROB: with ``probability`` (share,
    else None); ``temporary`` says that it is TEMPO too. What is not told is as before.
    """

    change: Change
    start: datetime
    end: datetime
    says: Weather
    probability: float | None = None
    temporary: bool = False


@dataclass(frozen=True, slots=True)
class AirportForecast:
    """A forecast for one airport; its groups in the order of the text."""

    station: str
    issued: datetime
    start: datetime
    end: datetime
    distance_km: float
    groups: tuple[Group, ...]
    raw: str


# --------------------------------------------------------------------------------------- groups

_HEADS = {"METAR", "SPECI", "TAF", "COR", "AMD", "AUTO", "RTD"}
_TRENDS = re.compile(r"RMK|TEMPO|BECMG|NOSIG|INTER|FM\d{4,6}|PROB\d\d")
_WIND = re.compile(r"(\d{3}|VRB|///)P?(\d{2,3}|//)(?:GP?(\d{2,3}))?(KT|MPS|KMH)")
_METRES = re.compile(r"(\d{4})(?:NDV|N|NE|E|SE|S|SW|W|NW)?")
_MILES = re.compile(r"([PM]?)(\d{1,2}|\d{1,2}/\d{1,2}|\d \d/\d{1,2})SM")
_LAYER = re.compile(r"(FEW|SCT|BKN|OVC|VV|///)(\d{3}|//+)?(?:CB|TCU|///)?")
_TEMPERATURES = re.compile(r"M?\d\d/(?:M?\d\d)?")
_PHENOMENA = re.compile(
    r"(?:[-+]|VC)?(?:MI|BC|PR|DR|BL|SH|TS|FZ){0,2}"
    r"(?:DZ|RA|SN|SG|PL|GR|GS|UP|BR|FG|FU|VA|DU|SA|HZ|PO|SQ|FC|SS|DS|IC|PY){0,4}"
)
_CLEAR = {"CLR", "SKC", "NSC", "NCD", "CAVOK"}


class _Groups(NamedTuple):
    """The groups of a body, sorted by what they are."""

    wind: re.Match[str] | None
    visibilities: list[tuple[str, Bound]]  #: as MetPy reads them, with what they bound
    layers: list[re.Match[str]]
    clear: bool
    temperatures: str
    weather: tuple[str, ...]


def _sorted(body: str) -> _Groups:
    # A whole number of miles and its fraction are one group in two words.
    words = re.sub(r"\b(\d) (\d/\d{1,2}SM)\b", r"\1_\2", body).split()
    wind, temperatures, clear = None, "", False
    visibilities: list[tuple[str, Bound]] = []
    layers, weather = [], []
    for word in (one.replace("_", " ") for one in words):
        if match := _WIND.fullmatch(word):
            wind = wind or match
        elif match := _MILES.fullmatch(word):
            visibilities.append((f"{match[2]}SM", _bound_of_miles(match)))
        elif word == "CAVOK":
            visibilities.append((word, "at least"))
        elif match := _METRES.fullmatch(word):
            visibilities.append((match[1], "at least" if match[1] == "9999" else "exact"))
        elif (match := _LAYER.fullmatch(word)) and word not in ("///", "////", "/////"):
            layers.append(match)
        elif _TEMPERATURES.fullmatch(word):
            temperatures = temperatures or word
        elif len(word) > 1 and _PHENOMENA.fullmatch(word):
            weather.append(word)
        clear = clear or word in _CLEAR
    return _Groups(wind, visibilities, layers, clear, temperatures, tuple(weather))


def _bound_of_miles(match: re.Match[str]) -> Bound:
    if match[1] == "M":
        return "less than"
    # Automatic stations see no further than ten miles, and write ten for all beyond.
    far = match[2].isdigit() and int(match[2]) >= 10
    return "at least" if match[1] == "P" or far else "exact"


def read_weather(body: str) -> Weather:
    """What the groups of a body say; trend and remarks must be cut off already."""
    groups = _sorted(body)
    wind, direction, gust = _wind(groups.wind)
    visibility, bound = _visibility(groups.visibilities)
    temperature, dew_point = _temperatures(groups.temperatures)
    return Weather(
        wind, direction, gust, visibility, bound, _ceiling(groups), groups.weather,
        temperature, dew_point,
    )  # fmt: skip


def _metpy(groups: str) -> object:
    """What MetPy makes of a report with these groups."""
    from metpy.io.metar import parse_metar

    # Without a table of stations of its own, it would fetch one from the network.
    return parse_metar(f"ZZZZ 010000Z {groups}", 2000, 1, station_metadata={})


def _value(report: object, name: str) -> float | None:
    value = float(getattr(report, name))
    return None if math.isnan(value) else value


def _wind(match: re.Match[str] | None) -> tuple[float | None, float | None, float | None]:
    if match is None or "/" in match[2]:
        return None, None, None
    # MetPy knows no km/h: read as knots, and scaled afterwards.
    unit = "km h-1" if match[4] == "KMH" else "kt"
    gust = f"G{match[3]}" if match[3] else ""
    from_ = "VRB" if match[1] == "///" else match[1]
    report = _metpy(f"{from_}{match[2]}{gust}{'MPS' if match[4] == 'MPS' else 'KT'}")
    speeds = [_value(report, name) for name in ("wind_speed", "wind_gust")]
    mean, peak = (None if s is None else convert(s, unit, "m s-1") for s in speeds)
    direction = _value(report, "wind_direction")
    if mean == 0 or (direction is not None and direction > 360):
        direction = None
    return mean, direction, peak


def _visibility(told: Sequence[tuple[str, Bound]]) -> tuple[float | None, Bound]:
    found: list[tuple[float, Bound]] = []
    for group, bound in told:
        metres = _value(_metpy(f"00000KT {group}"), "visibility")
        if metres is not None:
            found.append((10000.0 if metres == 9999 else metres, bound))
    return min(found, default=(None, "exact"))


def _temperatures(group: str) -> tuple[float | None, float | None]:
    if not group:
        return None, None
    report = _metpy(f"00000KT {group}")
    pair = (_value(report, "temperature"), _value(report, "dewpoint"))
    air, dew = (None if t is None else convert(t, "degC", "K") for t in pair)
    return air, dew


def _ceiling(groups: _Groups) -> float | None:
    """The lowest layer of more than half, or the vertical visibility; see :class:`Weather`."""
    heights = []
    for layer in groups.layers:
        if layer[1] in ("FEW", "SCT"):
            continue
        if layer[1] == "///" or layer[2] is None or "/" in layer[2]:
            return None  # it may lie lower than any that is told
        feet = _value(_metpy(f"00000KT 9999 {layer[1]}{layer[2]}"), "skylev1")
        if feet is None:
            return None
        heights.append(convert(feet, "ft", "m"))
    if heights:
        return min(heights)
    return NO_CEILING if groups.layers or groups.clear else None


# -------------------------------------------------------------------------------------- reports


def read_report(raw: str, near: datetime, distance_km: float) -> Report | None:
    """The report; None when it has no station and time, or says that there is none (NIL).

    Its day of the month is that which lies nearest to ``near``.
    """
    words = raw.strip().rstrip("=$ ").split()
    head = _head(words)
    if head is None or "NIL" in words:
        return None
    station, at, body = head
    time = resolve(at[0:2], at[2:4], at[4:6], near)
    if time is None:
        return None
    end = next((i for i, word in enumerate(body) if _TRENDS.fullmatch(word)), len(body))
    return Report(station, time, distance_km, read_weather(" ".join(body[:end])), raw.strip())


def _head(words: list[str]) -> tuple[str, str, list[str]] | None:
    """Station, time and the words behind them."""
    at = next((i for i, word in enumerate(words) if word not in _HEADS), len(words))
    if at + 1 >= len(words) or not re.fullmatch(r"[A-Z0-9]{4}", words[at]):
        return None
    time = re.fullmatch(r"(\d{6})Z", words[at + 1])
    return None if time is None else (words[at], time[1], words[at + 2 :])


def resolve(day: str, hour: str, minute: str, near: datetime) -> datetime | None:
    """The time of a day of the month that lies nearest; 24 is the hour that ends the day."""
    found = []
    for months in (-1, 0, 1):
        month = near.year * 12 + near.month - 1 + months
        try:
            start = datetime(month // 12, month % 12 + 1, int(day), tzinfo=UTC)
        except ValueError:
            continue
        if int(hour) <= 24 and int(minute) < 60:
            found.append(start + timedelta(hours=int(hour), minutes=int(minute)))
    return min(found, key=lambda time: abs(time - near), default=None)
