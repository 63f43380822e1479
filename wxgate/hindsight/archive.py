"""Station reports out of files and out of the journal, in the order of time."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

from wxgate.errors import DataError
from wxgate.hindsight.observed import plausible
from wxgate.journal import Journal, Selection
from wxgate.sources.aviation_formats import Report, read_report
from wxgate.wholefile import read_whole

#: Columns of the tables that archives give: the time, and the report as written.
_TIMES, _TEXTS = ("valid", "time", "date_time", "obs_time"), ("metar", "report", "raw", "raw_text")
_START = re.compile(r"^[^\S\n]*(?:(?:METAR|SPECI)\s*)?[A-Z][A-Z0-9]{3} \d{6}Z", re.MULTILINE)


def reports_in_file(path: Path, *, near: datetime) -> list[Report]:
    """The reports in a file: a table with a time and a report column, or plain text.

    A report tells no month: in plain text its day is taken as the one nearest to ``near``. Rows
    that hold no report are left out; DataError when the file cannot be read or holds none.
    """
    try:
        text = read_whole(path).decode("utf-8", errors="replace")
        rows = _table(text)
    except (OSError, csv.Error) as error:
        why = getattr(error, "strerror", None) or error
        raise DataError(f"the reports cannot be read ({why})", where=str(path),
                        remedy="Check the path and the file.") from error  # fmt: skip
    pairs = _plain(text, near) if rows is None else rows
    found = [r for raw, when in pairs if (r := read_report(raw, when, 0.0)) is not None]
    if not found:
        raise DataError(
            "the file holds no report",
            where=str(path),
            remedy="One report a line, or a table with columns valid and metar.",
        )
    return sorted(found, key=lambda report: report.time)


def reports_in_journal(journal: Journal, which: Selection) -> list[Report]:
    """The reports that the journal holds of the time asked for."""
    told = journal.observations(Selection(since=which.since, until=which.until))
    found = (read_report(one.raw, one.time, one.distance_km or 0.0) for one in told)
    return [report for report in found if report is not None]


def _table(text: str) -> list[tuple[str, datetime]] | None:
    """Rows of a table with a time and a report; None when it is no such table."""
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    heads = [h.strip().lower() for h in next(csv.reader(lines[:1]), [])]
    when = next((heads.index(name) for name in _TIMES if name in heads), None)
    what = next((heads.index(name) for name in _TEXTS if name in heads), None)
    if when is None or what is None:
        return None
    rows = []
    for cells in csv.reader(lines[1:]):
        if len(cells) > max(when, what):
            try:
                time = datetime.fromisoformat(cells[when].strip())
                time = time.astimezone(UTC) if time.tzinfo else time.replace(tzinfo=UTC)
            except (ValueError, OverflowError):
                continue
            if plausible(time):
                rows.append((cells[what], time))
    return rows


def _plain(text: str, near: datetime) -> Iterator[tuple[str, datetime]]:
    """Reports in plain text: from one head to the next, or to the end sign."""
    starts = [match.start() for match in _START.finditer(text)] + [len(text)]
    for begin, end in pairwise(starts):
        yield " ".join(text[begin:end].split("=")[0].split()), near
