"""From graded hours to verdicts with reasons, and from verdicts to windows that can be flown."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import groupby

import numpy as np

from wxgate.forecast import to_datetime, to_datetime64
from wxgate.grade import Graded, Outcome
from wxgate.quantities import quantity
from wxgate.rulebook import Rule
from wxgate.verdict import Grade, Reason, Verdict, Window

HOUR = timedelta(hours=1)


def verdicts(graded: Graded, start: datetime, hours: int) -> tuple[Verdict, ...]:
    """The verdicts of ``hours`` hours from the full hour at or before ``start`` (aware).

    For one site: the graded arrays have time alone. An hour that the forecast does not reach is
    unknown, with no reasons.
    """
    first = to_datetime64(start).astype("datetime64[h]").astype("datetime64[s]")
    at = {int(t): i for i, t in enumerate(graded.time.astype(np.int64))}
    found = []
    for n in range(hours):
        when = first + np.timedelta64(3600 * n, "s")
        index = at.get(int(when.astype(np.int64)))
        begin = to_datetime(when)
        found.append(
            Verdict(begin, begin + HOUR, Grade.UNKNOWN, (), None, None)
            if index is None
            else _verdict(graded, index, begin)
        )
    return tuple(found)


def _verdict(graded: Graded, i: int, begin: datetime) -> Verdict:
    reasons = tuple(
        _reason(o, i) for o in graded.outcomes if o.applies[i] or isinstance(o.rule, Rule)
    )
    margin = _finite(graded.margin[i])
    return Verdict(
        begin, begin + HOUR, Grade(int(graded.codes[i])), reasons, margin, _limiting(reasons)
    )


def _limiting(reasons: Sequence[Reason]) -> str | None:
    """The rule with the worst grade; among equals the one with the least room."""
    if not reasons:
        return None
    worst = max(
        reasons, key=lambda r: (r.grade, -math.inf if r.margin is None else -r.margin, r.rule)
    )
    return worst.rule


def _reason(outcome: Outcome, i: int) -> Reason:
    rule = outcome.rule
    row = quantity(rule.quantity)
    value = _finite(outcome.value[i])
    grade = Grade(int(outcome.codes[i]))
    if not isinstance(rule, Rule):
        return Reason(
            rule=f"{rule.quantity}: {rule.origin}",
            quantity=rule.quantity,
            grade=grade,
            value=value,
            limit=None,
            limit_grade=None,
            limit_word="",
            unit=row.units,
            margin=None,
            because=rule.because,
            source=rule.source,
            layer=rule.layer,
            note=f"{row.label} {rule.origin}",
        )
    missing = bool(outcome.missing[i])
    limit_grade, limit = _nearest_limit(outcome, grade)
    return Reason(
        rule=rule.id,
        quantity=rule.quantity,
        grade=grade,
        value=None if missing and grade < Grade.NO_GO else value,
        limit=limit,
        limit_grade=limit_grade,
        limit_word=rule.word.value,
        unit=row.units,
        margin=_finite(outcome.margin[i]),
        because=rule.because,
        source=rule.source,
        layer=rule.layer,
        note=_note(outcome, row.label, missing, i),
    )


def _note(outcome: Outcome, label: str, missing: bool, i: int) -> str:
    if missing:
        return f"{label} is missing"
    return "" if outcome.applies[i] else "does not apply to this hour"


def _nearest_limit(outcome: Outcome, grade: Grade) -> tuple[Grade, float]:
    """The limit that was passed, or else the first one that would be, with the grade beyond it."""
    beyond = [g for g in outcome.limits if g >= grade] or list(outcome.limits)
    nearest = min(beyond)
    return nearest, float(np.asarray(outcome.limits[nearest]).reshape(-1)[0])


def _finite(value: np.floating | float) -> float | None:
    number = float(value)
    return number if math.isfinite(number) else None


def strictest(told: Mapping[str, Sequence[Verdict]]) -> tuple[Verdict, ...]:
    """Of several sources' verdicts on the same hours the strictest, with what each one said.

    Among equal grades the one with the least room counts. ValueError when the hours differ.
    """
    found = []
    for verdicts_of_hour in zip(*told.values(), strict=True):
        if len({v.start for v in verdicts_of_hour}) > 1:
            raise ValueError("the sources' verdicts are not on the same hours")
        worst = max(verdicts_of_hour, key=lambda v: (v.grade, -_room(v)))
        grades = tuple((n, v.grade) for n, v in zip(told, verdicts_of_hour, strict=True))
        found.append(replace(worst, by_source=grades))
    return tuple(found)


# ---------------------------------------------------------------------- windows


def windows(
    hours: Sequence[Verdict], *, minimum_h: float = 1.0, at_worst: Grade = Grade.GO
) -> tuple[Window, ...]:
    """The longest runs of hours no worse than ``at_worst``, at least ``minimum_h`` long.

    No window holds an unknown hour, whatever ``at_worst``: ValueError when it is worse than
    marginal. Windows are [start, end), in the order of time.
    """
    if at_worst > Grade.MARGINAL:
        raise ValueError("a window holds hours that are go or marginal, nothing else")
    found = []
    for flyable, run in groupby(hours, key=lambda v: v.grade <= at_worst):
        group = tuple(run)
        if flyable and len(group) >= minimum_h:
            found.append(_window(group))
    return tuple(found)


def _window(hours: tuple[Verdict, ...]) -> Window:
    tightest = max(hours, key=lambda v: (v.grade, -_room(v)))
    return Window(
        start=hours[0].start,
        end=hours[-1].end,
        grade=max(v.grade for v in hours),
        margin=min(_room(v) for v in hours),
        limiting=tightest.limiting or "",
        hours=hours,
    )


def _room(verdict: Verdict) -> float:
    return -math.inf if verdict.margin is None else verdict.margin


def best_window(hours: Sequence[Verdict], *, minimum_h: float = 1.0) -> Window | None:
    """The window to fly in: of go hours if there is one, else of go and marginal hours.

    Among the candidates that one wins which holds the stretch of ``minimum_h`` with the most room
    (margins are compared in steps of 0.05, so that ties are real), then the earlier. None when no
    stretch can be flown.
    """
    length = max(math.ceil(minimum_h), 1)
    for at_worst in (Grade.GO, Grade.MARGINAL):
        candidates = windows(hours, minimum_h=length, at_worst=at_worst)
        if candidates:
            return max(candidates, key=lambda w: (_best_stretch(w, length), -w.start.timestamp()))
    return None


def _best_stretch(window: Window, length: int) -> float:
    rooms = [_room(v) for v in window.hours]
    stretches = (min(rooms[i : i + length]) for i in range(len(rooms) - length + 1))
    most = max(stretches)
    return round(most / 0.05) * 0.05 if math.isfinite(most) else most
