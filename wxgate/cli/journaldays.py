"""Which site, zone, days and times the words of ``wxgate journal`` mean."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from wxgate.cli.options import EARLIEST, LATEST
from wxgate.errors import UsageError

if TYPE_CHECKING:
    from wxgate.journal import Journal, Selection


def selection(
    journal: Journal, site: str | None, since: str | None, until: str | None, zone: str | None,
    *, demo: bool,
) -> Selection:  # fmt: skip
    """The rows that the options name: local days of the site, both ends included."""
    from wxgate.journal import Selection

    tz = _zone_of(journal, site, zone)
    begin = None if since is None else midnight(since, tz)
    end = None if until is None else midnight(until, tz, after=1)
    return Selection(site, begin, end, demonstration=demo)


def site_and_zone(
    journal: Journal, site: str | None, zone: str | None, *, demo: bool = False
) -> tuple[str, ZoneInfo]:
    """The site that was named, or the one site that the journal knows, and its zone."""
    from wxgate.journal import Selection

    if site is None:
        known = sorted({b.site for b in journal.briefs(Selection(demonstration=demo))})
        if len(known) != 1:
            raise UsageError(
                "no site was given" + (" and the journal knows several" if known else ""),
                remedy=f"Give --site{' (' + ', '.join(known) + ')' if known else ''}.",
            )
        site = known[0]
    return site, _zone_of(journal, site, zone)


def _zone_of(journal: Journal, site: str | None, zone: str | None) -> ZoneInfo:
    from wxgate.journal import Selection
    from wxgate.report.words import zone as known_zone

    if zone is not None:
        return known_zone(zone)
    if site is not None:
        told = [b.zone for b in journal.briefs(Selection(site, demonstration=True))]
        if told:
            return known_zone(told[-1])
    return known_zone("UTC")


def midnight(text: str, tz: ZoneInfo, *, after: int = 0) -> datetime:
    """The start of a local day, or of one some days after it."""
    try:
        when = datetime.now(tz).date() if text == "today" else date.fromisoformat(text)
        if not EARLIEST < when.year < LATEST:
            raise ValueError(f"year {when.year}")
    except ValueError as error:
        raise UsageError(f"{text!r} is not a day", remedy="Write 2026-09-15.") from error
    return datetime.combine(when + timedelta(days=after), time(), tz).astimezone(UTC)


def local(text: str, tz: ZoneInfo, now: datetime) -> datetime:
    """A local time of day, the last one before now; or a full local time."""
    try:
        if "T" in text or "-" in text:
            when = datetime.fromisoformat(text)
            return (when if when.tzinfo else when.replace(tzinfo=tz)).astimezone(UTC)
        told = time.fromisoformat(text if ":" in text else f"{int(text):02d}:00")
    except ValueError as error:
        raise UsageError(f"{text!r} is not a time",
                         remedy="Write 10:00, or 2026-09-15T10:00.") from error  # fmt: skip
    today = datetime.combine(now.astimezone(tz).date(), told, tz)
    # Notes are written afterwards; a time later than now by more than a lesson is yesterday's.
    return (today if today <= now + timedelta(hours=3) else today - timedelta(days=1)).astimezone(
        UTC
    )
