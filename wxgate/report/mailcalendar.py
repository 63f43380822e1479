"""The calendar part of a mail: the window or slot that the mail is about, as one event each.

The UID of an event depends on the watch and the day (or the slot) alone, and SEQUENCE on the time
at which it is told, so a later mail updates or cancels the event without a record of the earlier.
An event is made only where its end will be told too: else a calendar would go on saying go.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from wxgate import __version__
from wxgate.report.calendar import plain
from wxgate.report.words import CAUTIONS
from wxgate.verdict import Grade
from wxgate.watch.due import Kind, News, Seen

#: UIDs are names in this space (a UUID of our own, drawn once).
_SPACE = uuid.UUID("0f5f1d0a-7c9b-4d55-9c51-8f4c2f0a7e13")
_ORGANIZER = "mailto:wxgate@calendar.invalid"  # reaches nobody (RFC 2606)
#: SEQUENCE counts minutes from here (RFC 5545 lets it rise by any step).
_FIRST = datetime(2026, 1, 1, tzinfo=UTC)


def calendar_part(items: Iterable[tuple[Seen, Iterable[News]]], now: datetime) -> bytes | None:
    """An iCalendar object (RFC 5545) of what can be flown or no longer can; None for nothing."""
    import icalendar

    events = {}
    for seen, each in items:
        for news in each:
            told = _told(seen, news)
            if told is not None:
                events[told[0]] = _event(seen, *told, now)
    if not events:
        return None
    calendar = icalendar.Calendar()
    calendar.add("version", "2.0")
    calendar.add("prodid", f"-//wxgate//wxgate {__version__}//EN")
    calendar.add("calscale", "GREGORIAN")
    off = all(event["status"] == "CANCELLED" for event in events.values())
    calendar.add("method", "CANCEL" if off else "PUBLISH")
    for event in events.values():
        calendar.add_component(event)
    content: bytes = calendar.to_ical()
    return content


def _told(seen: Seen, news: News) -> tuple[str, datetime, datetime, Grade] | None:
    """The name, start, end and grade of the event that a piece of news is about."""
    if news.kind is Kind.FIXED:
        window = None if seen.brief is None else seen.brief.window
        if window is None or not seen.watch.send.window:
            return None
        day = window.start.astimezone(seen.zone).date()
        return f"{seen.prefix} window {day}", window.start, window.end, window.grade
    if news.start is None or news.end is None:
        return None
    could = news.was is not None and news.was <= Grade.MARGINAL
    if news.grade > Grade.MARGINAL and not could:
        return None  # there was no event, and there is none
    return news.key, news.start, news.end, news.grade


def _event(seen: Seen, name: str, start: datetime, end: datetime, grade: Grade, now: datetime):  # type: ignore[no-untyped-def]
    import icalendar

    off = grade > Grade.MARGINAL
    site = None if seen.brief is None else seen.brief.site
    made = icalendar.Event()
    made.add("uid", str(uuid.uuid5(_SPACE, name)))
    made.add("dtstamp", now.astimezone(UTC).replace(microsecond=0))
    made.add("sequence", max(int((now - _FIRST) / timedelta(minutes=1)), 0))
    made.add("dtstart", start.astimezone(UTC))
    made.add("dtend", end.astimezone(UTC))
    made.add("status", "CANCELLED" if off else "CONFIRMED" if grade is Grade.GO else "TENTATIVE")
    where = plain(seen.name or seen.watch.site.text, 80)
    made.add("summary", f"{'CANCELLED: ' if off else ''}{grade.word.upper()}: {where}")
    told = f"Told {now.astimezone(seen.zone):%a %d %b %H:%M %Z}; a newer mail takes its place."
    made.add("description", "\n".join([told, *CAUTIONS]))
    if site is not None:
        made.add("location", where)
        made.add("geo", (site.latitude, site.longitude))
    organizer = icalendar.vCalAddress(_ORGANIZER)
    organizer.params["CN"] = icalendar.vText("wxgate")
    made.add("organizer", organizer)
    made.add("transp", "TRANSPARENT" if off else "OPAQUE")
    return made
