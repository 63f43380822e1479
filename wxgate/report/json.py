"""The brief as JSON for programs: every verdict with every reason, times in UTC."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wxgate import __version__
from wxgate.brief import Brief
from wxgate.forecast import Provenance
from wxgate.report.chance import chance_json, chances_json
from wxgate.report.credits import full_credits, provenance_of
from wxgate.report.since import since_parts
from wxgate.report.spread import spread_json
from wxgate.report.words import CAUTIONS
from wxgate.verdict import Reason, Verdict, Window

if TYPE_CHECKING:
    from wxgate.observed import Reports

SCHEMA = 1  #: rises when a key changes its meaning or goes


def schema_text() -> str:
    """The JSON Schema (2020-12) that :func:`brief_json` keeps."""
    return Path(__file__).with_name("brief.schema.json").read_text(encoding="utf-8")


def brief_json(brief: Brief) -> dict[str, Any]:
    """The brief as plain dicts and lists; numbers in the quantity's own unit, no NaN."""
    return {
        "schema": SCHEMA,
        "wxgate": __version__,
        "demonstration": brief.demonstration,
        "now": utc(brief.now),
        "site": {
            "id": brief.site.id,
            "name": brief.site.name,
            "latitude": brief.site.latitude,
            "longitude": brief.site.longitude,
            "zone": brief.site.zone,
        },
        "aircraft": brief.aircraft.id,
        "pilot": brief.pilot.id,
        "skill": brief.pilot.skill.value,
        "height_m": brief.height,
        "grade": brief.grade.word,
        "window": None if brief.window is None else _window(brief.window),
        "hours": [{**verdict_json(v), "spread": spread_json(brief, v)} for v in brief.hours],
        "chances": chances_json(brief),
        "since": since_parts(brief),
        "since_made": None if brief.since is None else utc(brief.since.made),
        "rulebook": {
            "name": brief.rulebook.name,
            "sha256": brief.rulebook.hash,
            "layers": list(brief.rulebook.layers),
            "loosened": list(brief.rulebook.loosened),
            "minima": [m.text for m in brief.rulebook.minima],
        },
        "provenance": [_provenance(p, brief.now) for p in brief.provenance],
        "notes": list(brief.notes),
        "credits": full_credits(provenance_of(brief)),
        "airports": None if brief.reports is None else _airports(brief.reports, brief.now),
        "cautions": " ".join(CAUTIONS),
    }


def utc(when: datetime) -> str:
    """A moment as text in UTC, as 2026-09-15T05:00:00Z."""
    return when.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _window(window: Window) -> dict[str, Any]:
    return {
        "start": utc(window.start),
        "end": utc(window.end),
        "grade": window.grade.word,
        "limiting": window.limiting,
        "margin": window.margin if abs(window.margin) != float("inf") else None,
    }


def verdict_json(verdict: Verdict) -> dict[str, Any]:
    """The verdict on one hour with every reason."""
    return {
        "start": utc(verdict.start),
        "end": utc(verdict.end),
        "grade": verdict.grade.word,
        "margin": verdict.margin,
        "limiting": verdict.limiting,
        "chance": chance_json(verdict.chance),
        "by_source": {name: grade.word for name, grade in verdict.by_source},
        "reasons": [_reason(r) for r in verdict.reasons],
    }


def _reason(reason: Reason) -> dict[str, Any]:
    fields = {name: getattr(reason, name) for name in Reason.__slots__}
    beyond = None if reason.limit_grade is None else reason.limit_grade.word
    return {**fields, "grade": reason.grade.word, "limit_grade": beyond}


def _airports(found: Reports, now: datetime) -> dict[str, Any]:
    """What the airports around say: raw texts, and what was read of the reports (SI units)."""
    return {
        "reports": [
            {
                "station": r.station, "distance_km": round(r.distance_km, 1), "time": utc(r.time),
                "age_min": round((now - r.time).total_seconds() / 60), "wind": r.says.wind,
                "gust": r.says.gust, "visibility": r.says.visibility,
                "visibility_bound": r.says.visibility_bound, "ceiling": r.says.ceiling,
                "weather": list(r.says.weather), "raw": r.raw,
            }
            for r in found.reports
        ],
        "forecasts": [
            {"station": f.station, "distance_km": round(f.distance_km, 1), "raw": f.raw}
            for f in found.forecasts
        ],
        "notes": list(found.notes),
    }  # fmt: skip


def _provenance(p: Provenance, now: datetime) -> dict[str, Any]:
    return {
        "source": p.source,
        "title": p.title,
        "run": None if p.run is None else utc(p.run),
        "age_h": None if p.run is None else round((now - p.run).total_seconds() / 3600, 2),
        "fetched": utc(p.fetched),
        "sha256": p.sha256,
        "place": p.place,
        "credit": p.credit,
        "licence": p.licence,
    }
