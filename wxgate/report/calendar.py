"""A calendar file of the chosen slots (RFC 5545), brought up to date as the plan changes.

Each slot keeps its UID for as long as its plan lives. A change raises SEQUENCE, a slot that is no
longer in the plan is cancelled, and one that has begun is left as it was. What was issued is kept
in a small JSON file, without which a calendar program could not know a change from a new event.
"""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from wxgate import __version__
from wxgate.errors import UsageError
from wxgate.report.calendarrecord import (
    Issued,
    Status,
    digest_of,
    explained,
    locked,
    read_record,
    time_of,
    time_text,
    write_record,
)
from wxgate.strictyaml.characters import is_hidden
from wxgate.verdict import Grade
from wxgate.wholefile import write_whole

if TYPE_CHECKING:
    import icalendar

LONGEST_TITLE, LONGEST_TEXT = 120, 4000
#: How long a slot stays in the file after its end.
KEEP = timedelta(days=2)
#: UIDs are names in this space (a UUID of our own, drawn once).
_SPACE = uuid.UUID("7c1c9a0e-6a56-4f0b-9d2e-3f1f6b0f7a51")
#: A plain iCalendar file with METHOD needs an organizer; this address reaches nobody (RFC 2606).
_ORGANIZER = "mailto:wxgate@calendar.invalid"
_MAKER = "-//wxgate//wxgate "  #: and the version: who made a calendar


@dataclass(frozen=True, slots=True)
class Slot:
    """One event to be in the calendar. Times are aware."""

    key: str  #: who it is for, within the plan; the same key is the same event
    title: str
    start: datetime
    end: datetime
    grade: Grade  #: go is confirmed, marginal tentative; no other is issued
    text: str = ""
    place: str = ""
    latitude: float | None = None
    longitude: float | None = None
    recheck_at: datetime | None = None  #: an alarm: look again
    decide_by: datetime | None = None  #: an alarm: decide


@dataclass(frozen=True, slots=True)
class Changes:
    """What an update did, by the keys of the slots."""

    new: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    cancelled: tuple[str, ...] = ()
    same: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.new or self.changed or self.cancelled)


def update_calendar(
    path: Path, record: Path, plan: str, slots: Sequence[Slot], *, now: datetime
) -> Changes:
    """Bring the calendar file of a plan up to date with these slots, and tell what changed.

    ``record`` is the JSON file of what was issued, one for any number of plans; plans that name
    the same calendar file share it. A lock beside the record lets two runs follow each other, and
    both files are written aside and moved into place. UsageError for a slot that is not go or
    marginal, for two of one key, for a record that cannot be read (without it SEQUENCE would
    fall), for another program's calendar, and for files that cannot be written.
    """
    _check(slots, now)
    with explained(path, record), locked(record):
        kept = read_record(record)
        known = kept.plans.get(plan, {}).get("events", [])
        issued, changes = _merged(known, plan, slots, now)
        file = str(path.absolute())
        moved = bool(issued) and kept.plans.get(plan, {}).get("file") != file
        if changes or moved or kept.files.get(file) != digest_of(path):
            if file not in kept.files:
                _refuse_foreign(path)
            kept.plans[plan] = {"file": file, "events": issued}
            together = [e for p in kept.plans.values() if p["file"] == file for e in p["events"]]
            content = _calendar(together, now)
            kept.files[file] = hashlib.sha256(content).hexdigest()
            # The record first, with the digest of what comes next: a SEQUENCE that was raised and
            # never seen does no harm, and a run that dies here is made good by the next one.
            write_record(record, kept)
            write_whole(path, content)
    return changes


def _refuse_foreign(path: Path) -> None:
    """UsageError for a file that another program made: its events would be lost."""
    try:
        made_here = _MAKER.encode() in path.read_bytes()
    except FileNotFoundError:
        return
    if not made_here:
        raise UsageError(
            "the calendar is another program's, and its events would be lost",
            where=str(path),
            remedy="Name a new file, and import it there.",
        )


# ---------------------------------------------------------------------- what changes


def _check(slots: Sequence[Slot], now: datetime) -> None:
    if len({s.key for s in slots}) < len(slots):
        raise UsageError("two slots have one key", remedy="Name each student once.")
    for slot in slots:
        times = (slot.start, slot.end, slot.recheck_at, slot.decide_by, now)
        if any(t is not None and t.tzinfo is None for t in times):
            raise UsageError(f"slot {slot.key!r}: a time has no zone", remedy="Give it one.")
        if not slot.end > slot.start:
            raise UsageError(f"slot {slot.key!r} ends before it starts", remedy="Mend its times.")
        if slot.grade > Grade.MARGINAL:
            raise UsageError(
                f"slot {slot.key!r} is {slot.grade.word} and cannot be offered",
                remedy="Leave it out; it is then cancelled.",
            )


def _merged(
    before: Sequence[Issued], plan: str, slots: Sequence[Slot], now: datetime
) -> tuple[list[Issued], Changes]:
    """The events of a plan after an update; what is long past is forgotten.

    An event that has begun stays as it was: a later slot of its key is a new event. Of each key the
    last event is kept, so that no UID and no SEQUENCE comes twice.
    """
    latest: dict[str, Issued] = {}
    for event in before:  # in the order in which they were issued
        latest[event["key"]] = event
    kept = [dict(e) for e in before if time_of(e["end"]) + KEEP > now or latest[e["key"]] is e]
    latest = {event["key"]: event for event in kept}
    told: dict[str, list[str]] = {name: [] for name in ("new", "changed", "cancelled", "same")}
    for slot in slots:
        event, word = _next(latest.get(slot.key), plan, slot, now)
        told[word].append(slot.key)
        if word == "new":
            kept.append(event)
        elif word == "changed":
            latest[slot.key].update(event)
    named = {slot.key for slot in slots}
    for key, event in latest.items():
        gone = key not in named and event["status"] != Status.CANCELLED
        if gone and time_of(event["start"]) > now:
            sequence = int(event["sequence"]) + 1
            event.update(status=str(Status.CANCELLED), sequence=sequence, modified=time_text(now))
            told["cancelled"].append(key)
    return kept, Changes(**{name: tuple(keys) for name, keys in told.items()})


def _next(old: Issued | None, plan: str, slot: Slot, now: datetime) -> tuple[Issued, str]:
    """The event for a slot after the last one of its key, and what that is: new, changed, same."""
    facts, stamp = _facts(slot), time_text(now)
    if old is None or (time_of(old["start"]) <= now and slot.start >= time_of(old["end"])):
        number = 0 if old is None else int(old["number"]) + 1
        uid = _uid(plan, slot.key, number)
        about = {"key": slot.key, "number": number, "uid": uid, "sequence": 0}
        return {**facts, **about, "created": stamp, "modified": stamp}, "new"
    if time_of(old["start"]) <= now:
        return old, "same"
    raised = int(not _agree(old, facts, _SIGNIFICANT))
    if not raised and _agree(old, facts, _TEXTS):
        return old, "same"
    return {**old, **facts, "sequence": int(old["sequence"]) + raised, "modified": stamp}, "changed"


#: What SEQUENCE rises for, and what only brings a later LAST-MODIFIED.
_SIGNIFICANT = ("start", "end", "status", "place", "latitude", "longitude", "recheck", "decide")
_TEXTS = ("title", "text")


def _facts(slot: Slot) -> Issued:
    status = Status.CONFIRMED if slot.grade is Grade.GO else Status.TENTATIVE
    return {
        "title": plain(slot.title, LONGEST_TITLE),
        "text": plain(slot.text, LONGEST_TEXT, lines=True),
        "place": plain(slot.place, LONGEST_TITLE),
        "start": time_text(slot.start),
        "end": time_text(slot.end),
        "recheck": None if slot.recheck_at is None else time_text(slot.recheck_at),
        "decide": None if slot.decide_by is None else time_text(slot.decide_by),
        "latitude": slot.latitude,
        "longitude": slot.longitude,
        "status": str(status),
    }


def _agree(old: Issued, new: Issued, names: Sequence[str]) -> bool:
    return all(old.get(name) == new[name] for name in names)


def plain(text: str, longest: int, *, lines: bool = False) -> str:
    """Text of others in which nothing hides, cut where it is too long; ``lines`` keeps breaks."""
    rows = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    seen = [" ".join("".join(" " if is_hidden(c) else c for c in row).split()) for row in rows]
    joined = "\n".join(seen).strip("\n") if lines else " ".join(s for s in seen if s)
    return joined if len(joined) <= longest else joined[: longest - 4].rstrip() + " ..."


def _uid(plan: str, key: str, number: int) -> str:
    # As JSON, so that no plan and key can be mistaken for another pair.
    return str(uuid.uuid5(_SPACE, json.dumps([plan, key, number])))


# ---------------------------------------------------------------------- the calendar


def _calendar(events: Sequence[Issued], now: datetime) -> bytes:
    """The iCalendar object: CRLF, folded, every time in UTC."""
    import icalendar

    recent = [e for e in events if time_of(e["end"]) + KEEP > now]
    listed = sorted(recent, key=lambda e: (e["start"], e["uid"]))
    cancelled = bool(listed) and all(e["status"] == Status.CANCELLED for e in listed)
    calendar = icalendar.Calendar()
    calendar.add("version", "2.0")
    calendar.add("prodid", f"{_MAKER}{__version__}//EN")
    calendar.add("calscale", "GREGORIAN")
    # RFC 5546: CANCEL where nothing but cancelled events is told, else PUBLISH.
    calendar.add("method", "CANCEL" if cancelled else "PUBLISH")
    for event in listed:
        calendar.add_component(_event(event, now))
    content: bytes = calendar.to_ical()
    return content


def _event(event: Issued, now: datetime) -> icalendar.Event:
    import icalendar

    made = icalendar.Event()
    made.add("uid", event["uid"])
    made.add("dtstamp", now.astimezone(UTC).replace(microsecond=0))
    made.add("created", time_of(event["created"]))
    made.add("last-modified", time_of(event["modified"]))
    made.add("sequence", int(event["sequence"]))
    made.add("dtstart", time_of(event["start"]))
    made.add("dtend", time_of(event["end"]))
    made.add("status", event["status"])
    off = event["status"] == Status.CANCELLED
    made.add("summary", ("CANCELLED: " if off else "") + event["title"])
    if event["text"]:
        made.add("description", event["text"])
    if event["place"]:
        made.add("location", event["place"])
    if event["latitude"] is not None and event["longitude"] is not None:
        made.add("geo", (event["latitude"], event["longitude"]))
    organizer = icalendar.vCalAddress(_ORGANIZER)
    organizer.params["CN"] = icalendar.vText("wxgate")
    made.add("organizer", organizer)
    made.add("transp", "TRANSPARENT" if off else "OPAQUE")
    if not off:
        for at, what in ((event["recheck"], "Look at the weather again"),
                         (event["decide"], "Decide now")):  # fmt: skip
            if at is not None:
                made.add_component(_alarm(time_of(at), f"{what}: {event['title']}"))
    return made


def _alarm(at: datetime, text: str) -> icalendar.Alarm:
    import icalendar

    alarm = icalendar.Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", text)
    # Absolute, in UTC; the library does not say of what type the value is.
    alarm.add("trigger", at, parameters={"VALUE": "DATE-TIME"})
    return alarm
