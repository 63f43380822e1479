"""What the journal takes of a brief, as rows of its tables."""

from __future__ import annotations

import json
import math
import zlib
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from wxgate import __version__
from wxgate.brief import Brief
from wxgate.forecast import Forecast, Provenance, to_datetime64
from wxgate.journal.records import Quantities, Spread
from wxgate.spread import SHARES
from wxgate.verdict import Verdict

#: Of the first source at each hour's first instant, so that it can be held against a station's
#: report, which is made at 10 m and at a moment.
AT_START = (
    "wind_speed", "wind_from_direction", "gust", "air_temperature", "dew_point_temperature",
    "visibility", "ceiling_height", "precipitation", "surface_air_pressure", "planetary_k_index",
)  # fmt: skip
#: Of these the spread is kept too.
SPREAD = ("wind_speed", "gust", "air_temperature", "dew_point_temperature", "visibility")
#: What is told of where numbers came from.
PROVENANCE = ("source", "run", "fetched", "sha256")
#: The numbers behind a brief of the most hours take far less than this.
_MOST_BYTES = 20_000_000


def brief_row(brief: Brief) -> tuple[Any, ...]:
    """A brief as a row of the table ``brief``, without its number."""
    window = brief.window
    return (
        _seconds(brief.now), brief.site.id, brief.site.name, brief.site.latitude,
        brief.site.longitude, brief.site.zone, brief.aircraft.id, brief.pilot.id,
        brief.pilot.skill.value, brief.height, int(brief.grade),
        None if window is None else _seconds(window.start),
        None if window is None else _seconds(window.end),
        brief.rulebook.name, brief.rulebook.hash, graded_by(brief), __version__,
        int(brief.demonstration), provenance_text(brief),
        json.dumps(list(brief.notes)), packed(brief), packed_spread(brief),
    )  # fmt: skip


def hour_rows(brief: Brief) -> Iterator[tuple[Any, ...]]:
    """The verdicts as rows of the table ``verdict``, without the brief's number."""
    for verdict in brief.hours:
        chance = None if verdict.chance is None else verdict.chance.flyable
        yield (
            _seconds(verdict.start), int(verdict.grade), verdict.margin, verdict.limiting, chance
        )  # fmt: skip


def packed(brief: Brief) -> bytes:
    """The quantities of all hours of a brief, compressed."""
    graded = [_graded(verdict) for verdict in brief.hours]
    instants = [v.start for v in brief.hours] + [v.end for v in brief.hours[-1:]]
    at_start = [_at_start(brief.forecast, instant) for instant in instants]
    told = {
        "start": [_seconds(verdict.start) for verdict in brief.hours],
        "rules": {r.rule: r.quantity for verdict in brief.hours for r in verdict.reasons},
        "graded": _by_name(graded),
        "at_start": _by_name(at_start),
    }
    return zlib.compress(json.dumps(told, separators=(",", ":")).encode())


def unpacked(content: bytes) -> Quantities:
    """The inverse of :func:`packed`; ValueError for more than any brief holds, or for less."""
    told = _opened(content)
    return Quantities(
        tuple(datetime.fromtimestamp(seconds, UTC) for seconds in told["start"]),
        {str(rule): str(name) for rule, name in told["rules"].items()},
        _columns(told["graded"]),
        _columns(told["at_start"]),
    )


def packed_spread(brief: Brief) -> bytes | None:
    """The quantiles of what stations can be held against, compressed; None where there are none.

    By quantity and share, at each hour's first instant and at the last hour's end.
    """
    found = brief.chances
    names = () if found is None else [name for name in SPREAD if name in found.spread]
    if found is None or not names:
        return None
    instants = [v.start for v in brief.hours] + [v.end for v in brief.hours[-1:]]
    told = {}
    for name in names:
        at = [found.quantiles(name, instant) for instant in instants]
        told[name] = [
            [None if one is None else float(f"{one[n]:.5g}") for one in at]
            for n in range(len(SHARES))
        ]
    whole = {"shares": SHARES, "at_start": told}
    return zlib.compress(json.dumps(whole, separators=(",", ":")).encode())


def unpacked_spread(content: bytes) -> Spread:
    """The inverse of :func:`packed_spread`; ValueError for more than any brief holds, or less."""
    told = _opened(content)
    shares = tuple(float(share) for share in told["shares"])
    at_start = {
        str(name): tuple(
            tuple(None if v is None else float(v) for v in column) for column in columns
        )
        for name, columns in told["at_start"].items()
    }
    if any(len(columns) != len(shares) for columns in at_start.values()):
        raise ValueError("not a column for each share")
    return Spread(shares, at_start)


def _opened(content: bytes) -> Any:
    opened = zlib.decompressobj()
    told = json.loads(opened.decompress(content, _MOST_BYTES))
    if not opened.eof:
        raise ValueError("the numbers behind a brief are cut, or far too many")
    return told


def _columns(told: Mapping[str, Sequence[Any]]) -> dict[str, tuple[float | None, ...]]:
    return {n: tuple(None if v is None else float(v) for v in told[n]) for n in told}


def _by_name(hours: Sequence[Mapping[str, float]]) -> dict[str, list[float | None]]:
    names = dict.fromkeys(name for hour in hours for name in hour)
    return {name: [hour.get(name) for hour in hours] for name in names}


def _graded(verdict: Verdict) -> Mapping[str, float]:
    return {r.rule: _short(r.value) for r in verdict.reasons if r.value is not None}


def _at_start(forecast: Forecast, start: datetime) -> Mapping[str, float]:
    found = (forecast.time == to_datetime64(start)).nonzero()[0]
    if not found.size:
        return {}
    told = {}
    for name in AT_START:
        field = forecast.get(name)
        if field is None or field.values.ndim != 1 or field.levels is not None:
            continue
        value = float(field.values[found[0]])
        if math.isfinite(value):
            told[name] = _short(value)
    return told


def _short(value: float) -> float:
    return float(f"{value:.6g}")


def graded_by(brief: Brief) -> str:
    """By what a brief was graded: limits, or chance as well."""
    return "chance" if brief.by_chance else "limits"


def _seconds(when: datetime) -> int:
    return int(when.timestamp())


def provenance_text(brief: Brief) -> str:
    """Where the numbers of a brief came from, as it is kept."""
    return json.dumps([_provenance(p) for p in brief.provenance])


def _provenance(p: Provenance) -> dict[str, Any]:
    run = None if p.run is None else p.run.astimezone(UTC).isoformat()
    told = (p.source, run, p.fetched.astimezone(UTC).isoformat(), p.sha256)
    return dict(zip(PROVENANCE, told, strict=True))
