"""What is news: what is now, held against what a recipient was told.

Nothing is queued. A change that is not told yet (quiet hours, a mail server that is down) stays
due until it is told, and is gone when the state goes back: so a mail always carries the newest
state, and two changes that cancel each other are no news.

What was told is a table of texts by key. Keys begin with the watch's own, which holds a digest of
its site, aircraft, pilot and height: a watch that was edited begins anew.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from enum import IntEnum
from itertools import groupby
from zoneinfo import ZoneInfo

from wxgate.brief import Brief
from wxgate.verdict import Grade, Verdict, Window
from wxgate.watch.config import Watch
from wxgate.watch.times import Slot, fixed_between, is_quiet, slots_between
from wxgate.windows import best_window

#: A fixed mail that could not be made in time is still due for so long.
FIXED_DUE = timedelta(hours=24)
SENT, SENT_WITHOUT_VERDICT, FRESH = "sent", "sent without a verdict", "fresh"


class Kind(IntEnum):
    """What sort of news; the smaller goes first where several are told together."""

    STALE = 0
    SLOT = 1
    WINDOW = 2
    FRESH = 3
    FIXED = 4


@dataclass(frozen=True, slots=True)
class News:
    """One thing to tell, and what is told by it (``key`` and ``value``)."""

    watch: str
    kind: Kind
    key: str
    value: str
    grade: Grade
    was: Grade | None = None  #: None: nothing was told before
    start: datetime | None = None
    end: datetime | None = None
    since: datetime | None = None  #: the last fresh verdict, for stale news
    moved: bool = False


@dataclass(frozen=True, slots=True)
class Seen:
    """One watch as one run found it."""

    watch: Watch
    prefix: str  #: what its keys begin with
    zone: ZoneInfo
    brief: Brief | None
    fault: str = ""  #: why there is no brief
    name: str = ""  #: of the site

    def is_quiet(self, when: datetime) -> bool:
        """Whether the watch's quiet hours hold at an instant."""
        return is_quiet(self.watch.quiet, self.zone, when)

    def cannot_tell(self, key: str) -> bool:
        """Whether a key is of this watch, and of a kind that nothing is known about without it."""
        return key.startswith((f"{self.prefix} slot ", f"{self.prefix} window "))

    @property
    def is_fresh(self) -> bool:
        """Whether there is a verdict that does not rest on a stale or missing forecast.

        A brief of hours all unknown is none, nor one whose forecast is too old to grade by.
        """
        if self.brief is None or all(v.grade is Grade.UNKNOWN for v in self.brief.hours):
            return False
        ages = [
            r for r in self.brief.hours[0].reasons if r.quantity.startswith("forecast_age")
        ]  # fmt: skip
        return all(r.grade < Grade.UNKNOWN for r in ages)


@dataclass(frozen=True, slots=True)
class Past:
    """What is known from runs before about one watch and one recipient."""

    first_seen: datetime
    last_fresh: datetime | None
    told: Mapping[str, str] = field(default_factory=dict)
    #: Keys that a mail of unknown fate may have told otherwise.
    doubtful: Collection[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Due:
    """The news to tell now, and what is noted without a word."""

    news: tuple[News, ...] = ()
    noted: Mapping[str, str] = field(default_factory=dict)


def due(seen: Seen, past: Past, now: datetime, stale_after: timedelta) -> Due:
    """What one recipient of one watch is to be told now; nothing that quiet hours hold back."""
    noted: dict[str, str] = {}
    found = [
        *_stale(seen, past, now, stale_after),
        *_slots(seen, past, now),
        *_windows(seen, past, now, noted),
        *_fixed(seen, past, now),
    ]
    if seen.is_quiet(now):
        found = [news for news in found if _breaks_the_quiet(news, seen, now)]
    return Due(tuple(found), noted)


def _breaks_the_quiet(news: News, seen: Seen, now: datetime) -> bool:
    quiet = seen.watch.quiet
    return (
        quiet is not None
        and quiet.break_within is not None
        and news.kind is Kind.SLOT
        and news.grade is Grade.NO_GO
        and news.was in (Grade.GO, Grade.MARGINAL)
        and news.start is not None
        and news.start - now <= timedelta(seconds=quiet.break_within)
    )


# ---------------------------------------------------------------------- stale


def _stale(seen: Seen, past: Past, now: datetime, after: timedelta) -> list[News]:
    key = f"{seen.prefix} stale"
    told = past.told.get(key, FRESH)
    if seen.is_fresh:
        if told == FRESH and key not in past.doubtful:
            return []
        assert seen.brief is not None  # noqa: S101  (is_fresh)
        return [News(seen.watch.id, Kind.FRESH, key, FRESH, seen.brief.grade)]
    # A clock that was set back must not make a verdict last the longer.
    since = min(past.last_fresh or past.first_seen, now)
    value = f"{since.astimezone(UTC):%Y-%m-%dT%H:%MZ}"
    if now - since < after or (told == value and key not in past.doubtful):
        return []
    return [News(seen.watch.id, Kind.STALE, key, value, Grade.UNKNOWN, since=past.last_fresh)]


# ---------------------------------------------------------------------- slots


def _slots(seen: Seen, past: Past, now: datetime) -> list[News]:
    brief = seen.brief
    if brief is None or not seen.watch.send.change or not brief.hours:
        return []
    found = []
    for slot in slots_between(seen.watch.slots, seen.zone, now, brief.hours[-1].end):
        key = f"{seen.prefix} slot {slot.start:%Y-%m-%dT%H:%MZ} {slot.end:%H:%MZ}"
        grade, was = slot_grade(brief.hours, slot, now), _grade(past.told.get(key))
        if key not in past.doubtful:
            if grade is was:
                continue
            # Once it is under way its better hours are no news: the pilot looks at the sky.
            if was is not None and slot.start <= now and grade < was:
                continue
        found.append(
            News(seen.watch.id, Kind.SLOT, key, grade.word, grade, was, slot.start, slot.end)
        )
    return found


def slot_grade(hours: Iterable[Verdict], slot: Slot, now: datetime) -> Grade:
    """The worst grade of what is left of a slot; unknown where an hour of it is not there."""
    start = max(slot.start, now)
    inside = [v for v in hours if v.end > start and v.start < slot.end]
    covered = sum(
        ((min(v.end, slot.end) - max(v.start, start)) for v in inside), start=timedelta(0)
    )
    if covered < slot.end - start:
        return max([Grade.UNKNOWN, *(v.grade for v in inside)])
    return max(v.grade for v in inside)


def _grade(word: str | None) -> Grade | None:
    if word is None:
        return None
    try:
        return Grade.from_word(word.split(" ")[0])
    except ValueError:  # of an older version, or damaged: as if it had not been told
        return None


# ---------------------------------------------------------------------- windows


def _windows(seen: Seen, past: Past, now: datetime, noted: dict[str, str]) -> list[News]:
    """For each local day its window: opened, closed, moved, or of another grade."""
    brief = seen.brief
    if brief is None or not seen.watch.send.window:
        return []
    found = []
    ahead = [v for v in brief.hours if v.start >= now]
    by_day = {
        day: tuple(hours)
        for day, hours in groupby(ahead, key=lambda v: v.start.astimezone(seen.zone).date())
    }
    for day in sorted(by_day.keys() | {now.astimezone(seen.zone).date()}):
        hours = by_day.get(day, ())
        key = f"{seen.prefix} window {day}"
        news = _window_news(seen, key, day, best_window(hours, minimum_h=brief.minimum_h), past,
                            now, noted)  # fmt: skip
        if news is not None:
            found.append(news)
    return found


def _window_news(
    seen: Seen, key: str, day: date, window: Window | None, past: Past, now: datetime,
    noted: dict[str, str],
) -> News | None:  # fmt: skip
    before = _told_window(past.told.get(key))
    doubtful = key in past.doubtful
    if window is None:
        if before is None and not doubtful:
            return None
        if before is not None and not doubtful and _is_over(before[2], seen.watch.minimum, now):
            noted[key] = "none"  # it was flown or it was not: time closed it, not the weather
            return None
        grade, start, end = before or (None, None, None)
        return News(seen.watch.id, Kind.WINDOW, key, "none", Grade.NO_GO, grade, start, end)
    value = f"{window.grade.word} {window.start:%Y-%m-%dT%H:%MZ} {window.end:%Y-%m-%dT%H:%MZ}"
    moved = before is not None and not (window.start < before[2] and before[1] < window.end)
    if before is not None and not doubtful and before[0] is window.grade and not moved:
        return None
    return News(
        seen.watch.id, Kind.WINDOW, key, value, window.grade, before[0] if before else None,
        window.start, window.end, moved=moved,
    )  # fmt: skip


def _is_over(end: datetime, minimum: int, now: datetime) -> bool:
    """Whether time alone has made a window too short: what is left begins with a full hour."""
    hours_left = (end - now) // timedelta(hours=1)
    return hours_left < minimum


def _told_window(value: str | None) -> tuple[Grade, datetime, datetime] | None:
    if value is None or value == "none":
        return None
    try:
        word, start, end = value.split(" ")
        return (
            Grade.from_word(word), datetime.fromisoformat(start), datetime.fromisoformat(end)
        )  # fmt: skip
    except ValueError:  # of an older version, or damaged: as if it had not been told
        return None


# ---------------------------------------------------------------------- fixed times


def _fixed(seen: Seen, past: Past, now: datetime) -> list[News]:
    """One piece of news for all fixed times that are due: a mail is about now, not about then."""
    after = max(now - FIXED_DUE, past.first_seen)
    found = []
    for name, _ in fixed_between(seen.watch.send.at, seen.zone, after, now):
        key = f"{seen.prefix} at {name}"
        told = past.told.get(key)
        if key not in past.doubtful and (told == SENT or (told is not None and seen.brief is None)):
            continue
        grade = Grade.UNKNOWN if seen.brief is None else seen.brief.grade
        value = SENT_WITHOUT_VERDICT if seen.brief is None else SENT
        found.append(News(seen.watch.id, Kind.FIXED, key, value, grade))
    return found
