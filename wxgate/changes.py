"""What moved since the last brief, and how often successive runs changed their mind.

The last briefs of a question are kept, a few numbers an hour each.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby, pairwise
from pathlib import Path
from typing import Any

from wxgate.brief import Brief
from wxgate.forecast import to_datetime64
from wxgate.quantities import quantity
from wxgate.verdict import Grade
from wxgate.wholefile import make_private_folder, write_whole

FORMAT = 2
KEPT = 8  #: briefs of one question


@dataclass(frozen=True, slots=True)
class Moved:
    """How far the number moved that limits the window, or that stands in the way of one."""

    quantity: str
    at: datetime
    by: float  #: in the quantity's own unit


@dataclass(frozen=True, slots=True)
class Changes:
    """What is different from the brief before; only hours that both tell are compared."""

    #: As it was told, without the hours that have passed since.
    window_before: tuple[datetime, datetime] | None
    window: tuple[datetime, datetime] | None
    worse: int  #: hours
    better: int
    moved: Moved | None
    made: datetime  #: the brief before
    #: How often the grade of the window's hours changed from run to run, and among how many runs.
    turns: int = 0
    runs: int = 0

    @property
    def window_moved(self) -> bool:
        """Whether the window is another one, other than by its first hours having passed."""
        return self.window != self.window_before


def last_key(brief: Brief) -> str:
    """The name under which the last briefs of a site, aircraft, pilot and height are kept."""
    asked = (brief.site.id, brief.site.latitude, brief.site.longitude, brief.aircraft.id,
             brief.pilot.id, brief.height, brief.by_chance, brief.demonstration,
             brief.rulebook.hash)  # fmt: skip
    return hashlib.sha256(repr(asked).encode()).hexdigest()[:24]


def kept_of(brief: Brief) -> dict[str, Any]:
    """What of a brief is kept to compare the next ones with: times, grades, numbers, its runs."""
    window = brief.window
    return {
        "now": _text(brief.now),
        "runs": sorted(f"{p.source} {_text(p.run)}" for p in brief.provenance if p.run is not None),
        "window": None if window is None else [_text(window.start), _text(window.end)],
        "hours": {
            _text(v.start): {
                "grade": v.grade.word,
                "numbers": {r.quantity: r.value for r in v.reasons if r.value is not None},
            }
            for v in brief.hours
        },
    }


def save_kept(folder: Path, brief: Brief, before: Sequence[Mapping[str, Any]]) -> None:
    """Keep a brief with those before it; OSError when the folder cannot be written."""
    make_private_folder(folder)
    briefs = [*before, kept_of(brief)][-KEPT:]
    text = json.dumps({"format": FORMAT, "briefs": briefs})
    write_whole(folder / f"{last_key(brief)}.json", text, private=True)


def load_kept(folder: Path, brief: Brief) -> list[dict[str, Any]]:
    """The briefs that were kept, the oldest first; none where the file cannot be trusted.

    Those from after ``brief.now`` (another ``--at``) are no past, and left out.
    """
    try:
        text = (folder / f"{last_key(brief)}.json").read_text(encoding="utf-8")
        whole = json.loads(text)
        if whole["format"] != FORMAT:
            return []
        found = [one for one in whole["briefs"] if _moment(one["now"]) <= brief.now]
        for one in found:
            _check(one)
        return found
    except (
        OSError, ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError,
    ):  # fmt: skip
        return []


def _check(one: Mapping[str, Any]) -> None:
    """ValueError, KeyError or TypeError for what no brief of ours is."""
    _window(one["window"])
    for start, hour in one["hours"].items():
        _moment(start)
        Grade.from_word(hour["grade"])
        for value in hour["numbers"].values():
            float(value)
    " ".join(one["runs"])


def changes(
    kept: Sequence[Mapping[str, Any]], brief: Brief, *, oldest: timedelta
) -> Changes | None:
    """What moved since the last of the kept briefs; None where none is at most ``oldest`` old."""
    kept = [one for one in kept if brief.now - _moment(one["now"]) <= oldest]
    if not kept:
        return None
    before, now = kept[-1], kept_of(brief)
    was, window = _window(before["window"]), _window(now["window"])
    ahead = next((v.start for v in brief.hours if v.start >= brief.now), brief.now)
    if was is not None and was[1] > ahead:
        was = (max(was[0], ahead), was[1])  # its first hours have only passed
    both = [h for h in now["hours"] if h in before["hours"]]
    grades = [(_grade(before, h), _grade(now, h)) for h in both]
    turns, runs = flip_flops(kept, brief)
    return Changes(
        was, window,
        sum(new > old for old, new in grades), sum(new < old for old, new in grades),
        _moved(before, brief), _moment(before["now"]), turns, runs,
    )  # fmt: skip


def flip_flops(kept: Sequence[Mapping[str, Any]], brief: Brief) -> tuple[int, int]:
    """How often successive runs changed the grade of the window's hours, and how many runs told it.

    Without a window the hours are those of the last one kept. Of several briefs by the same run
    the last counts; those that do not tell all of the hours do not count.
    """
    told = grades_by_run(kept, brief)
    return sum(a != b for a, b in pairwise(told)), len(told)


def grades_by_run(kept: Sequence[Mapping[str, Any]], brief: Brief) -> list[Grade]:
    """The worst grade of the hours in question by each run, the oldest first."""
    everything = [*kept, kept_of(brief)]
    window = next((w for one in reversed(everything) if (w := one["window"]) is not None), None)
    if window is None:
        return []
    found = []
    for _, same in groupby(everything, key=lambda one: tuple(one["runs"])):
        *_, last = same
        hours = [h for h in everything[-1]["hours"] if window[0] <= h < window[1]]
        if hours and all(h in last["hours"] for h in hours):
            found.append(max(_grade(last, h) for h in hours))
    return found


def flip_flop_index(values: Sequence[float]) -> float:
    """How much successive values go to and fro, beyond what one way from least to most takes.

    (sum of the sizes of all changes - (most - least)) / (n - 2); ValueError below three values.
    Source: Griffiths et al. 2019, as the flip-flop index of the ``scores`` library.
    """
    if len(values) < 3:
        raise ValueError("a flip-flop index needs at least three values")
    steps = sum(abs(b - a) for a, b in pairwise(values))
    return (steps - (max(values) - min(values))) / (len(values) - 2)


def _moved(before: Mapping[str, Any], brief: Brief) -> Moved | None:
    hours = brief.hours if brief.window is None else brief.window.hours
    for hour in sorted(hours, key=lambda v: (-v.grade, 9.0 if v.margin is None else v.margin)):
        old_hour = before["hours"].get(_text(hour.start))
        reason = hour.limiting_reason
        if old_hour is None or reason is None or reason.value is None:
            continue
        old = old_hour["numbers"].get(reason.quantity)
        if old is not None and quantity(reason.quantity).units != "flag":
            by = reason.value - old
            return Moved(reason.quantity, hour.start, by) if by else None
    return None


def _grade(kept: Mapping[str, Any], hour: str) -> Grade:
    return Grade.from_word(kept["hours"][hour]["grade"])


def _window(window: Sequence[str] | None) -> tuple[datetime, datetime] | None:
    if window is None:
        return None
    start, end = window
    return _moment(start), _moment(end)


def _text(when: Any) -> str:
    return f"{to_datetime64(when)}Z"


def _moment(text: str) -> datetime:
    when = datetime.fromisoformat(text)
    if when.tzinfo is None:
        raise ValueError("a time without a zone")
    return when
