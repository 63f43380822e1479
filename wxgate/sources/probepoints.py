"""What wxgate takes for granted of the point services: who may ask, names, units, shapes.

The file is long because it is one table: an assumption is a row and the few lines that look.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import timedelta
from typing import Any

import numpy as np

from wxgate.errors import DataError
from wxgate.forecast import Forecast
from wxgate.http import NotThere, Refused
from wxgate.sources import aviation, gfz, metno, nws, openmeteo
from wxgate.sources.aviation_formats import read_report
from wxgate.sources.base import Source
from wxgate.sources.gfz import parse_json, parse_nowcast_text
from wxgate.sources.pointjson import member, read_object
from wxgate.sources.probe import Assumption, Look, UntriedError
from wxgate.sources.swpc_formats import (
    KINDS,
    Slot,
    parse_forecast_json,
    parse_observed_json,
    parse_one_minute_json,
    parse_three_day_text,
)

Check = Callable[[Look], str | None]


# -------------------------------------------------------------------- one answer for a point


def fetched(source: Source) -> Callable[[Look], Forecast]:
    """What an ordinary fetch makes of the service's answer."""

    def fetch(look: Look) -> Forecast:
        return look.once("fetch", lambda: source.fetch(look.request, look.tools))

    return fetch


def answers(source: Source) -> Check:
    """Whether the service serves a caller who says who is calling."""

    def check(look: Look) -> str | None:
        try:
            fetched(source)(look)
        except Refused as error:
            return f"it refuses ({error.status})"
        except DataError:
            if not look.bodies:
                raise
        return None

    return check


def can_be_read(source: Source) -> Check:
    """Whether its answer has the form that is known."""

    def check(look: Look) -> None:
        fetched(source)(look)

    return check


def units_known(source: Source) -> Check:
    """Whether every unit in the answer is one that can be converted."""

    def check(look: Look) -> str | None:
        notes = [n for n in fetched(source)(look).notes if "which is not known" in n]
        return "; ".join(note.removeprefix(f"{source.name}: ") for note in notes) or None

    return check


def gives(source: Source, names: Iterable[str]) -> Check:
    """Whether each of these quantities has a value in some hour."""

    def check(look: Look) -> str | None:
        fields = fetched(source)(look).fields
        absent = [n for n in names if n not in fields or np.isnan(fields[n].values).all()]
        return f"without {', '.join(absent)}" if absent else None

    return check


def tells_its_run(source: Source) -> Check:
    """Whether the answer says when it was made."""

    def check(look: Look) -> str | None:
        run = fetched(source)(look).provenance[0].run
        late = look.request.now - timedelta(days=2)
        if run is None:
            return "it does not tell"
        return f"it is of {run:%Y-%m-%d %H:%M}Z" if run < late else None

    return check


def has_headers(source: Source, *names: str) -> Check:
    """Whether the answer bears these headers."""

    def check(look: Look) -> str | None:
        fetched(source)(look)
        absent = [name for name in names if not look.bodies[0].headers.get(name.lower())]
        return f"without {', '.join(absent)}" if absent else None

    return check


def unchanged_is_304(source: Source) -> Check:
    """Whether a question with the date of the last answer is answered shortly."""

    def check(look: Look) -> str | None:
        fetched(source)(look)
        first = look.bodies[0]
        if first.validators.last_modified is None:
            raise UntriedError("it tells no Last-Modified")
        again = look.client().get(first.url, expect="json", validators=first.validators)
        return None if again.status == 304 else f"it answers {again.status}"

    return check


def _cell_is_told(look: Look) -> str | None:
    answers(nws.SOURCE)(look)
    if not look.bodies:
        fetched(nws.SOURCE)(look)
    found = member(read_object(look.bodies[0].content), "properties")
    absent = [n for n in ("gridId", "gridX", "gridY") if member(found, n) is None]
    return f"without {', '.join(absent)}" if absent else None


# -------------------------------------------------------------------- the K index


def file(name: str, parse: Callable[[bytes], Any]) -> Callable[[Look], Any]:
    """What a file of the entry's list says to ``parse``."""

    def read(look: Look) -> Any:
        def make() -> Any:
            root, path = look.entry.text("root").rstrip("/"), look.entry.entry("files").text(name)
            return parse(look.client().get(f"{root}/{path}", expect="any").content)

        return look.once(f"file {name}", make)

    return read


def slots_of(name: str, parse: Callable[[bytes], Sequence[Slot]]) -> Check:
    """Whether a file holds slots in a form that is known, the newest of the last two days."""

    def check(look: Look) -> str | None:
        slots = file(name, parse)(look)
        if not slots:
            return "it holds no value"
        newest = max(slot.start for slot in slots)
        old = newest < look.request.now - timedelta(days=2)
        return f"its newest value is of {newest:%Y-%m-%d}" if old else None

    return check


_forecast = file("forecast", parse_forecast_json)
_text = file("three_days", lambda content: parse_three_day_text(content).slots)


def _kinds(look: Look) -> str | None:
    told = {slot.kind for slot in _forecast(look)}
    absent = [kind for kind in (KINDS[0], KINDS[-1]) if kind not in told]
    return f"nothing is told as {', '.join(absent)}" if absent else None


def _reaches_ahead(look: Look) -> str | None:
    last = max(slot.end for slot in _forecast(look))
    ahead = last - look.request.now
    return None if ahead >= timedelta(hours=24) else f"it ends at {last:%Y-%m-%d %H}Z"


def _agree(look: Look) -> str | None:
    """The text and the JSON predict the same, within two units: another scale would not."""
    predicted = {slot.start: slot.kp for slot in _forecast(look)}
    apart = [abs(predicted[s.start] - s.kp) for s in _text(look) if s.start in predicted]
    if not apart:
        raise UntriedError("they share no slot")
    return f"they differ by {max(apart):.1f}" if max(apart) > 2 else None


def _gfz_lists(look: Look) -> str | None:
    """Whether the lists can be read; the text, which a fetch falls back upon, does not count."""
    try:
        fetched(gfz.SOURCE)(look)
    except DataError:
        if not look.bodies:
            raise
    return None if look.once("lists", lambda: parse_json(look.bodies[0].content)) else "no value"


def _gfz_states(look: Look) -> str | None:
    _gfz_lists(look)
    told = member(read_object(look.bodies[0].content), "status")
    odd = sorted({str(state) for state in told or ["none"]} - set(gfz.STATUS))
    return f"the states {', '.join(odd)}" if odd else None


# -------------------------------------------------------------------- airport reports


def _reports(look: Look) -> tuple[aviation.Row, ...]:
    def make() -> tuple[aviation.Row, ...]:
        aviation.nearest_reports(look.request, look.tools)
        return aviation.parse_rows(look.bodies[0].content)

    return look.once("reports", make)


def _reports_answer(look: Look) -> None:
    _reports(look)


def _some(look: Look) -> tuple[aviation.Row, ...]:
    rows = _reports(look)
    if not rows:
        raise UntriedError("no airport is near the site")
    return rows


def _report_names(look: Look) -> str | None:
    import json

    _some(look)
    told = {str(name).lower() for name in json.loads(look.bodies[0].content)[0]}
    wanted = {"raw text": aviation.RAW, "time": aviation.TIME, "latitude": aviation.LATITUDE}
    absent = [n for n, names in wanted.items() if not told & {one.lower() for one in names}]
    return f"no name that is known for {', '.join(absent)}" if absent else None


def _report_times(look: Look) -> str | None:
    rows = _some(look)
    old = [row for row in rows if row.time is None or
           abs(row.time - look.request.now) > timedelta(days=1)]  # fmt: skip
    return f"{len(old)} of {len(rows)} are of another day" if len(old) * 2 > len(rows) else None


def _report_texts(look: Look) -> str | None:
    rows, bad = _some(look), 0
    for row in rows:
        try:
            bad += read_report(row.raw, look.request.now, 0.0) is None
        except DataError:
            bad += 1
    return f"{bad} of {len(rows)} cannot be read" if bad * 2 > len(rows) else None


def _forecasts_are_there(look: Look) -> str | None:
    root = look.entry.text("root").rstrip("/")
    try:
        look.client().head(f"{root}/taf?ids=ZZZZ&format=json")
    except NotThere:
        return "the list of forecasts is not there (404)"
    return None


_WIND = ("eastward_wind", "northward_wind")

POINT_ASSUMPTIONS: Mapping[str, Sequence[Assumption]] = {
    "metno": (
        Assumption("it serves a caller who names a contact", answers(metno.SOURCE)),
        Assumption("its answer has the form that is known", can_be_read(metno.SOURCE)),
        Assumption("units are known", units_known(metno.SOURCE)),
        Assumption(
            "wind, temperature, dew point and rain are told",
            gives(metno.SOURCE, (*_WIND, "air_temperature", "dew_point_temperature", metno.RAIN)),
        ),
        Assumption("it tells when it was made", tells_its_run(metno.SOURCE)),
        Assumption(
            "it says when to ask again", has_headers(metno.SOURCE, "Expires", "Last-Modified")
        ),
        Assumption("what is unchanged is answered with 304", unchanged_is_304(metno.SOURCE)),
    ),
    "nws": (
        Assumption("it serves a caller who says who is calling", answers(nws.SOURCE)),
        Assumption("the cell of a point is told", _cell_is_told),
        Assumption("the grid has the form that is known", can_be_read(nws.SOURCE)),
        Assumption("units (uom) are known", units_known(nws.SOURCE)),
        Assumption(
            "wind, gust, temperature, dew point, cloud and rain are told",
            gives(
                nws.SOURCE,
                (*_WIND, "wind_speed_of_gust", "air_temperature", "dew_point_temperature",
                 "cloud_area_fraction", nws.RAIN),
            ),
        ),
        Assumption("it tells when it was made", tells_its_run(nws.SOURCE)),
    ),
    "openmeteo": (
        Assumption("it serves", answers(openmeteo.SOURCE)),
        Assumption("its answer has the form that is known", can_be_read(openmeteo.SOURCE)),
        Assumption("units are known", units_known(openmeteo.SOURCE)),
        Assumption(
            "wind, gust, visibility, temperatures, CAPE and rain are told",
            gives(
                openmeteo.SOURCE,
                (*_WIND, "wind_speed_of_gust", "visibility_in_air", "air_temperature",
                 "dew_point_temperature", "convective_available_potential_energy",
                 "lwe_thickness_of_precipitation_amount"),
            ),
        ),
        Assumption("the runs of its models are told", tells_its_run(openmeteo.SOURCE)),
    ),
    "swpc": (
        Assumption("the forecast has a form that is known",
                   slots_of("forecast", parse_forecast_json)),
        Assumption("it says what is observed and what predicted", _kinds),
        Assumption("it reaches a day ahead", _reaches_ahead),
        Assumption("the observed file has a form that is known",
                   slots_of("observed", parse_observed_json)),
        Assumption("the one-minute file has a form that is known",
                   slots_of("one_minute", parse_one_minute_json)),
        Assumption("the text has its table", slots_of("three_days",
                   lambda content: parse_three_day_text(content).slots)),
        Assumption("text and forecast agree", _agree),
    ),
    "gfz": (
        Assumption("its lists have the form that is known", _gfz_lists),
        Assumption("its states are known", _gfz_states),
        Assumption("the nowcast text has a form that is known",
                   slots_of("nowcast", parse_nowcast_text)),
    ),
    "aviation": (
        Assumption("it serves, and in a form that is known", _reports_answer),
        Assumption("raw text, time and place go by names that are known", _report_names),
        Assumption("reports are of today", _report_times),
        Assumption("most raw texts can be read", _report_texts),
        Assumption("the list of forecasts is there", _forecasts_are_there),
    ),
}  # fmt: skip
