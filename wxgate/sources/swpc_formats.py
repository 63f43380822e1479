"""The planetary K index as the Space Weather Prediction Center writes it: JSON and text.

Every reader gives the slots in order of time, one per start, and leaves out what is missing: a
slot that is not there is unknown, whereas 0 is a value. What has another form than the ones told
here is a DataError and never a guess.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any, Literal, NamedTuple, get_args

from wxgate.errors import DataError

SlotKind = Literal["observed", "estimated", "predicted"]
KINDS: tuple[SlotKind, ...] = get_args(SlotKind)  #: the firmest first
SLOT = timedelta(hours=3)
KP_MAX = 9.0

_REMEDY = "The service may have changed its form: use another source, and report it."
_NUMBER = re.compile(r"[+-]?\d+(?:\.\d*)?")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True, slots=True)
class Slot:
    """The K index of the three hours [start, start + 3 h); ``start`` is aware, in UTC."""

    start: datetime
    kp: float
    kind: SlotKind

    @property
    def end(self) -> datetime:
        """The first instant that no longer belongs to it."""
        return self.start + SLOT


class ThreeDays(NamedTuple):
    """The text forecast: when it was issued, and its slots."""

    issued: datetime
    slots: tuple[Slot, ...]


# ----------------------------------------------------------------------------------------- JSON


def parse_forecast_json(content: bytes) -> tuple[Slot, ...]:
    """The slots of the forecast file: a week past, the day under way, three days to come.

    Each row says whether its value is observed, estimated or predicted; a row that does not say
    so in one of these words counts as predicted. DataError for another form.
    """
    rows = _rows(content)
    return merged(
        Slot(_time(row), kp, _kind(row.get("observed")))
        for row in rows
        if (kp := _kp(row, "kp", "kp_index", "estimated_kp")) is not None
    )


def parse_observed_json(content: bytes) -> tuple[Slot, ...]:
    """The slots of the file of observed values, which holds the last week. DataError as above."""
    return merged(
        Slot(_time(row), kp, "observed")
        for row in _rows(content)
        if (kp := _kp(row, "kp", "kp_index", "estimated_kp")) is not None
    )


def parse_one_minute_json(content: bytes) -> tuple[Slot, ...]:
    """The running estimate, each minute's, as one estimated slot for each three hours.

    The value is the largest of the slot's minutes: the estimate starts anew from zero with each
    slot and now and then falls to a false zero. DataError as above.
    """
    largest: dict[datetime, float] = {}
    for row in _rows(content):
        kp = _kp(row, "estimated_kp", "kp_index", "kp")
        if kp is not None:
            minute = _time(row)
            start = minute.replace(hour=minute.hour // 3 * 3, minute=0, second=0, microsecond=0)
            largest[start] = max(kp, largest.get(start, 0.0))
    return tuple(Slot(start, kp, "estimated") for start, kp in sorted(largest.items()))


def merged(slots: Iterable[Slot]) -> tuple[Slot, ...]:
    """One slot per start, by time: the firmest kind, and of equal kinds the one that came last."""
    chosen: dict[datetime, Slot] = {}
    for slot in slots:
        rival = chosen.get(slot.start)
        if rival is None or KINDS.index(slot.kind) <= KINDS.index(rival.kind):
            chosen[slot.start] = slot
    return tuple(chosen[start] for start in sorted(chosen))


def _rows(content: bytes) -> list[Mapping[str, Any]]:
    """The rows by lower-case column, from objects, or from arrays below a row of names."""
    try:
        found = json.loads(content)
    except (ValueError, RecursionError) as error:
        raise _fault(f"no JSON ({error})") from error
    if not isinstance(found, list) or not found:
        raise _fault(f"{_told(found)} where a list of rows was expected")
    if isinstance(found[0], list):
        names, *lists = found
        if not all(isinstance(name, str) for name in names):
            raise _fault(f"a first row without names: {_told(names)}")
        rows = [_paired(names, row) for row in lists]
    else:
        rows = [_by_name(row) for row in found]
    if not rows:
        raise _fault("a row of names and no values")
    return rows


def _paired(names: list[str], row: Any) -> Mapping[str, Any]:
    if not isinstance(row, list) or len(row) != len(names):
        raise _fault(f"{_told(row)} below the names {', '.join(names)}")
    return _by_name(dict(zip(names, row, strict=True)))


def _by_name(row: Any) -> Mapping[str, Any]:
    if not isinstance(row, dict):
        raise _fault(f"{_told(row)} where a row was expected")
    return {name.strip().lower(): value for name, value in row.items()}


def _time(row: Mapping[str, Any]) -> datetime:
    """The time tag; with a T or a blank, with or without a fraction; UTC where no zone is told."""
    text = row.get("time_tag")
    if not isinstance(text, str):
        raise _fault(f"a row without time_tag: {_told(row)}")
    try:
        when = datetime.fromisoformat(text.strip())
        when = when.replace(tzinfo=UTC) if when.tzinfo is None else when.astimezone(UTC)
        _ = when + SLOT  # its end is a time too
        return when
    except (ValueError, OverflowError) as error:
        raise _fault(f"the time {text!r}") from error


def _kp(row: Mapping[str, Any], *columns: str) -> float | None:
    """The value of the first of the columns that is there; None when it is missing."""
    for column in columns:
        if column in row:
            return _value(row[column])
    raise _fault(f"a row without {', '.join(columns)}: {_told(row)}")


def _value(found: Any) -> float | None:
    """A number from 0 to 9, given as number or as text; anything else is missing."""
    if isinstance(found, str):
        text = found.strip()
        if not _NUMBER.fullmatch(text):
            return None
        found = float(text)
    if isinstance(found, bool) or not isinstance(found, int | float):
        return None
    return float(found) if 0 <= found <= KP_MAX else None


def _kind(found: Any) -> SlotKind:
    word = found.strip().lower() if isinstance(found, str) else None
    return next((kind for kind in KINDS if kind == word), "predicted")


# ----------------------------------------------------------------------------------------- text


def parse_three_day_text(content: bytes) -> ThreeDays:
    """The slots of the three-day text forecast, or of the geomagnetic one; all are predicted.

    A storm level in brackets behind a value is optional. The heads of the columns tell no year:
    it is that which lies nearest to the day of issue, and must agree with the year of the title
    (which is that of the last day) where the title has one. DataError for another form, and
    for a table that is cut short.
    """
    lines = content.decode("ascii", "replace").splitlines()
    issued = _issued(lines)
    title = next((i for i, line in enumerate(lines) if _TITLE.match(line)), None)
    if title is None:
        raise _fault("a text without a table of the Kp index")
    heads = next(((i, m) for i, line in enumerate(lines[title + 1 :], title + 1)
                  if (m := _HEADS.fullmatch(line))), None)  # fmt: skip
    if heads is None:
        raise _fault("a table of the Kp index without the dates of its columns")
    days = [_day(head, issued.date()) for head in _DATE.findall(heads[1][0])]
    told = re.search(r"\b(\d{4})\s*$", lines[title])
    if told and int(told[1]) != days[-1].year:
        raise _fault(f"a title of {told[1]} in a text issued {issued:%Y-%m-%d}")
    slots = [
        slot for line in lines[heads[0] + 1 :] if (m := _ROW.match(line)) for slot in _row(m, days)
    ]
    if not len(slots) == len({slot.start for slot in slots}) == 8 * len(days):
        raise _fault(f"a table that does not hold eight slots for each of {len(days)} days")
    return ThreeDays(issued, merged(slot for slot in slots if slot.kp <= KP_MAX))


_TITLE = re.compile(r"NOAA Kp index (?:breakdown|forecast)\b")
_DATE = re.compile(rf"({'|'.join(_MONTHS)}) (\d\d)")
_HEADS = re.compile(rf"\s*{_DATE.pattern}(?:\s+{_DATE.pattern})*\s*")
_ROW = re.compile(r"(\d\d)-(\d\d)UT\s+(.*)")
_CELL = re.compile(r"(\d+(?:\.\d+)?)(?:\s*\(G\d\))?")
_ISSUED = re.compile(rf":?Issued: (\d{{4}}) ({'|'.join(_MONTHS)}) (\d\d) (\d\d)(\d\d) UTC")


def _issued(lines: list[str]) -> datetime:
    for line in lines:
        if found := _ISSUED.match(line):
            year, month, *rest = found.groups()
            day, hour, minute = (int(part) for part in rest)
            try:
                return datetime(int(year), _MONTHS.index(month) + 1, day, hour, minute, tzinfo=UTC)
            except ValueError as error:
                raise _fault(f"the time of issue {line!r}") from error
    raise _fault("a text without its time of issue")


def _day(head: tuple[str, str], issued: date) -> date:
    """The date of a column: of the three possible years the one that lies nearest to the issue."""
    month = _MONTHS.index(head[0]) + 1
    found = []
    for year in (issued.year - 1, issued.year, issued.year + 1):
        try:
            found.append(date(year, month, int(head[1])))
        except ValueError:  # 29 February, of a year without one
            continue
    if not found:
        raise _fault(f"the date {' '.join(head)}")
    return min(found, key=lambda day: abs(day - issued))


def _row(line: re.Match[str], days: list[date]) -> list[Slot]:
    begin, end = int(line[1]), int(line[2])
    cells = _CELL.findall(line[3])
    if (
        begin % 3
        or end != (begin + 3) % 24
        or begin > 21
        or len(cells) != len(days)
        or _CELL.sub("", line[3]).strip()
    ):
        raise _fault(f"the row {line[0].strip()!r}")
    midnight = [datetime(day.year, day.month, day.day, tzinfo=UTC) for day in days]
    return [
        Slot(start + timedelta(hours=begin), float(cell), "predicted")
        for start, cell in zip(midnight, cells, strict=True)
    ]


# --------------------------------------------------------------------------------------- errors


def _fault(found: str) -> DataError:
    return DataError(f"the K index could not be read: found {found}", remedy=_REMEDY)


def _told(found: Any) -> str:
    """What was found, in a few words."""
    if isinstance(found, dict):
        return f"an object with {', '.join(list(map(str, found))[:6]) or 'nothing in it'}"
    text = json.dumps(found)
    return text if len(text) <= 60 else f"{text[:57]}..."
