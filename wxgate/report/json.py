"""The brief as JSON for programs: every verdict with every reason, times in UTC."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from wxgate import __version__
from wxgate.brief import Brief
from wxgate.forecast import Provenance
from wxgate.report.words import CAUTIONS
from wxgate.verdict import Reason, Verdict, Window

SCHEMA = 1  #: rises when a key changes its meaning or goes


def brief_json(brief: Brief) -> dict[str, Any]:
    """The brief as plain dicts and lists; numbers in the quantity's own unit, no NaN."""
    return {
        "schema": SCHEMA,
        "wxgate": __version__,
        "demonstration": brief.demonstration,
        "now": _utc(brief.now),
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
        "hours": [_verdict(v) for v in brief.hours],
        "rulebook": {
            "name": brief.rulebook.name,
            "sha256": brief.rulebook.hash,
            "layers": list(brief.rulebook.layers),
            "loosened": list(brief.rulebook.loosened),
            "minima": [m.text for m in brief.rulebook.minima],
        },
        "provenance": [_provenance(p, brief.now) for p in brief.provenance],
        "notes": list(brief.notes),
        "cautions": " ".join(CAUTIONS),
    }


def _utc(when: datetime) -> str:
    return when.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _window(window: Window) -> dict[str, Any]:
    return {
        "start": _utc(window.start),
        "end": _utc(window.end),
        "grade": window.grade.word,
        "limiting": window.limiting,
        "margin": window.margin if abs(window.margin) != float("inf") else None,
    }


def _verdict(verdict: Verdict) -> dict[str, Any]:
    return {
        "start": _utc(verdict.start),
        "end": _utc(verdict.end),
        "grade": verdict.grade.word,
        "margin": verdict.margin,
        "limiting": verdict.limiting,
        "by_source": {name: grade.word for name, grade in verdict.by_source},
        "reasons": [_reason(r) for r in verdict.reasons],
    }


def _reason(reason: Reason) -> dict[str, Any]:
    fields = {name: getattr(reason, name) for name in Reason.__slots__}
    beyond = None if reason.limit_grade is None else reason.limit_grade.word
    return {**fields, "grade": reason.grade.word, "limit_grade": beyond}


def _provenance(p: Provenance, now: datetime) -> dict[str, Any]:
    return {
        "source": p.source,
        "title": p.title,
        "run": None if p.run is None else _utc(p.run),
        "age_h": None if p.run is None else round((now - p.run).total_seconds() / 3600, 2),
        "fetched": _utc(p.fetched),
        "sha256": p.sha256,
        "place": p.place,
        "credit": p.credit,
        "licence": p.licence,
    }
