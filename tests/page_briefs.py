"""Briefs that try the page: gaps, long spans, days of 25 hours, quarrels, hostile names."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from functools import cache

import numpy as np
from hours import MID, forecast_of

from wxgate.brief import Brief, make_brief
from wxgate.forecast import Field, Forecast, make_field
from wxgate.profiles import Pilot, Site, Skill
from wxgate.quantities import Kind
from wxgate.rulebook import Rule, Rulebook, Word
from wxgate.rulebook.limits import Amount
from wxgate.verdict import Grade

SITE = Site(id="f", name="Field (invented)", latitude=51.5, longitude=-0.1, zone="Europe/London")
PILOT = Pilot(id="novice", name="n", skill=Skill.NOVICE)
HOSTILE = '<script>alert("x")</script>&\'"<img src=x onerror=alert(1)>'
#: The clocks of Europe/London go back on 25 October 2026 at 01:00 UTC (The Summer Time Order
#: 2002, SI 2002/262: the last Sunday of October).
BEFORE_25_HOURS = datetime(2026, 10, 24, 23, tzinfo=UTC)
BEFORE_23_HOURS = datetime(2026, 3, 29, 0, tzinfo=UTC)


def _rule(name: str, quantity: str, word: Word, marginal: float, no_go: float) -> Rule:
    limits = {Grade.MARGINAL: Amount.of(marginal), Grade.NO_GO: Amount.of(no_go)}
    because, source = "It stands in a test.", "common practice, no source"
    return Rule(name, quantity, word, limits, because=because, source=source)


BOOK = Rulebook(
    "test",
    (
        _rule("gust", "gust_at_flight_height", Word.ABOVE, 6.0, 8.0),
        _rule("wind", "wind_speed_at_flight_height", Word.ABOVE, 5.0, 7.0),
        _rule("rain", "precipitation", Word.AT_LEAST, 0.1, 0.5),
        _rule("visibility", "visibility", Word.BELOW, 5000.0, 1500.0),
        _rule("ceiling", "ceiling_clearance", Word.BELOW, 60.0, 30.0),
        _rule("sun", "solar_elevation_angle", Word.BELOW, 3.0, 0.0),
        _rule("k-index", "planetary_k_index", Word.AT_LEAST, 7.0, 8.0),
    ),
)


def weather(hours: int, start: datetime, *, rough: float = 0.0) -> Forecast:
    """Invented weather with a daily round; ``rough`` is added to the gust, m/s."""
    t = np.arange(hours + 1, dtype=float) + start.hour
    day = np.sin((t - 9) / 24 * 2 * np.pi)
    gust = 5.2 + 3.5 * day + rough
    fields: dict[str, list[float] | np.ndarray | Field] = {
        "gust_at_flight_height": gust,
        "wind_speed_at_flight_height": gust * 0.6,
        "precipitation": np.where((t % 24 > 17) & (t % 24 < 20), 0.8, 0.0),
        "precipitation_probability": np.where((t % 24 > 16) & (t % 24 < 21), 0.6, 0.05),
        "visibility": np.where((t % 24 > 3) & (t % 24 < 7), 900.0, 24000.0),
        "ceiling_clearance": np.where((t % 24 > 3) & (t % 24 < 7), 40.0, 20000.0 - 60),
        "dew_point_spread": 4 + 3 * day,
        "planetary_k_index": np.floor(t / 3) % 5,
        "solar_elevation_angle": 30 * np.sin((t - 6) / 24 * 2 * np.pi),
    }
    return forecast_of(fields, start=start, run=start)


def brief_of(
    *forecasts: Forecast, start: datetime, hours: int, site: Site = SITE, height: float = 60.0
) -> Brief:
    """A brief by the rules above."""
    return make_brief(
        list(forecasts), BOOK, site=site, aircraft=MID, pilot=PILOT, height=height, now=start,
        hours=hours,
    )  # fmt: skip


def with_hole(forecast: Forecast, name: str, start: int, end: int) -> Forecast:
    """The forecast with instants [start, end) of a quantity missing."""
    values = forecast.fields[name].values.copy()
    values[start:end] = np.nan
    kind: Kind = forecast.fields[name].kind
    return forecast.with_fields({name: make_field(name, values, kind=kind)})


def named(forecast: Forecast, name: str) -> Forecast:
    """The forecast as of a source of this name."""
    origin = replace(forecast.provenance[0], source=name, title=name, credit=name, licence=name)
    return replace(forecast, provenance=(origin,))


@cache
def holes() -> Brief:
    """36 hours with the gust missing in the middle and the visibility missing altogether."""
    start = datetime(2026, 6, 1, 6, tzinfo=UTC)
    holed = with_hole(weather(36, start), "gust_at_flight_height", 10, 16)
    return brief_of(with_hole(holed, "visibility", 0, 99), start=start, hours=40)


@cache
def ten_days() -> Brief:
    """240 hours, the most that can be asked for."""
    start = datetime(2026, 6, 1, 6, tzinfo=UTC)
    return brief_of(weather(240, start), start=start, hours=240)


@cache
def long_day() -> Brief:
    """The day of 25 hours, whole."""
    return brief_of(weather(25, BEFORE_25_HOURS), start=BEFORE_25_HOURS, hours=25)


@cache
def short_day() -> Brief:
    """The day of 23 hours, whole."""
    return brief_of(weather(23, BEFORE_23_HOURS), start=BEFORE_23_HOURS, hours=23)


@cache
def disputed() -> Brief:
    """Two sources that grade some hours differently."""
    start = datetime(2026, 6, 1, 6, tzinfo=UTC)
    calm, rough = weather(36, start), weather(36, start, rough=1.5)
    return brief_of(named(calm, "calm model"), named(rough, "rough model"), start=start, hours=36)


@cache
def unknown() -> Brief:
    """A forecast that reaches none of the hours."""
    start = datetime(2026, 6, 1, 6, tzinfo=UTC)
    return brief_of(weather(2, datetime(2026, 5, 1, tzinfo=UTC)), start=start, hours=24)


@cache
def hostile() -> Brief:
    """Markup wherever a name or a note can stand."""
    start = datetime(2026, 6, 1, 6, tzinfo=UTC)
    forecast = named(weather(12, start), HOSTILE).with_notes(HOSTILE)
    made = brief_of(forecast, start=start, hours=12, site=replace(SITE, name=HOSTILE))
    rules = tuple(replace(r, because=HOSTILE, source=HOSTILE) for r in BOOK.rules)
    book = replace(BOOK, name=HOSTILE, rules=rules, loosened=(HOSTILE,))
    return make_brief(
        made.forecasts, book, site=made.site, aircraft=replace(MID, id=HOSTILE),
        pilot=replace(PILOT, id=HOSTILE), height=60.0, now=start, hours=12,
    )  # fmt: skip
