"""What wxgate takes for granted of airport reports: names, times, and texts that can be read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import timedelta

from wxgate.errors import DataError
from wxgate.http import NotThere
from wxgate.sources import aviation
from wxgate.sources.aviation_formats import read_report
from wxgate.sources.probe.look import Assumption, Look, UntriedError


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


AIRPORT_ASSUMPTIONS: Mapping[str, Sequence[Assumption]] = {
    "aviation": (
        Assumption("it serves, and in a form that is known", _reports_answer),
        Assumption("raw text, time and place go by names that are known", _report_names),
        Assumption("reports are of today", _report_times),
        Assumption("most raw texts can be read", _report_texts),
        Assumption("the list of forecasts is there", _forecasts_are_there),
    ),
}  # fmt: skip
