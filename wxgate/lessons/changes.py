"""Why a plan is not what it was: the last plan as it was kept, against the new one."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from wxgate.errors import JournalError
from wxgate.lessons.planning import Found, nearest_blocked
from wxgate.lessons.records import Blocked, Lesson, Plan
from wxgate.wholefile import make_private_folder, write_whole

FORMAT = 1


@dataclass(frozen=True, slots=True)
class Kept:
    """One lesson of the plan before."""

    start: datetime
    instructor: str
    margin: float | None


@dataclass(frozen=True, slots=True)
class Change:
    """What has changed for one student, and why as far as it can be told."""

    student: str
    before: datetime | None  #: start of the lesson before; None: there was none
    lesson: Lesson | None  #: None: there is none now
    blocked: Blocked | None = None  #: what now stands in the way of the lesson before
    why: str = ""  #: where nothing stands in its way


def kept_path(folder: Path, plan_id: str) -> Path:
    """Where the last plan of this id is kept."""
    return folder / "lessons" / f"{plan_id}.json"


def load_kept(path: Path) -> dict[str, Kept] | None:
    """The lessons of the plan before, by student; None where there was none.

    JournalError for a file that is not ours.
    """
    try:
        told = json.loads(path.read_bytes())
        if told["format"] != FORMAT:
            raise ValueError("format")
        return {name: _kept(row) for name, row in told["lessons"].items()}
    except FileNotFoundError:
        return None
    except (
        OSError, ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError,
    ) as error:  # fmt: skip
        raise JournalError(
            "the plan before cannot be read", where=str(path),
            remedy="Delete the file; the next plan is then the first.",
        ) from error  # fmt: skip


def _kept(row: Mapping[str, Any]) -> Kept:
    start = datetime.fromisoformat(row["start"])
    if start.tzinfo is None:
        raise ValueError("start")
    margin = row["margin"]
    return Kept(start, str(row["instructor"]), None if margin is None else float(margin))


def keep(path: Path, plan: Plan) -> None:
    """Keep a plan for the next time, written aside and moved into place; OSError where it fails."""
    rows = {
        x.student.id: {
            "start": x.start.isoformat(),
            "instructor": x.instructor,
            "margin": x.slot.margin if x.slot is not None else None,
        }
        for x in plan.lessons
    }
    make_private_folder(path.parent)
    write_whole(path, json.dumps({"format": FORMAT, "lessons": rows}, indent=1), private=True)


def changes(before: Mapping[str, Kept], plan: Plan, found: Sequence[Found]) -> tuple[Change, ...]:
    """What has changed since the plan before, for each student who is still in the plan."""
    now = {x.student.id: x for x in plan.lessons}
    told = []
    for one in found:
        name = one.student.id
        old, new = before.get(name), now.get(name)
        if old is not None and old.start < plan.made_at:
            continue  # it has begun, or is over
        if old is None and new is not None:
            told.append(Change(name, None, new))
        elif old is not None and (new is None or new.start != old.start):
            told.append(_moved(one, old, new, plan))
        elif old is not None and new is not None and new.instructor != old.instructor:
            why = f"with {new.instructor} in place of {old.instructor}"
            told.append(Change(name, old.start, new, None, why))
    return tuple(told)


def _moved(one: Found, old: Kept, new: Lesson | None, plan: Plan) -> Change:
    name = one.student.id
    same = [o for o in one.offers if o.slot.start == old.start]
    shut = [b for b in one.blocked if b.start == old.start]
    if not same:
        at = max(shut, key=lambda b: b.nearness, default=None) or nearest_blocked(one)
        return Change(name, old.start, new, at if shut else None, "" if shut else "no such start")
    takers = [
        x.student.id for x in plan.lessons
        if x.student.id != name and x.start < same[0].slot.end and same[0].slot.start < x.end
        and any(x.instructor == o.instructor or set(x.student.all_aircraft) & _aircraft(one)
                for o in same)
    ]  # fmt: skip
    slot = min((o.slot for o in same), key=lambda s: s.key)
    if new is not None and new.slot is not None and new.slot.key < slot.key:
        return Change(name, old.start, new, None, "the new time has more room or is steadier")
    if takers:
        return Change(name, old.start, new, None, f"the time went to {', '.join(sorted(takers))}")
    return Change(name, old.start, new, None, "so that all lessons together are better")


def _aircraft(found: Found) -> set[str]:
    return set(found.student.all_aircraft)
