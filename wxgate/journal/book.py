"""The open journal: one method to write each kind of entry, one to read it back."""

from __future__ import annotations

import contextlib
import sqlite3
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import astuple
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self, TypeVar

from wxgate.brief import Brief
from wxgate.errors import JournalError, UsageError
from wxgate.journal.file import begin_anew, connect, connect_to_read, explained, is_damage
from wxgate.journal.records import (
    Deed,
    IssuedBrief,
    IssuedHour,
    Observation,
    Quantities,
    Reading,
    Selection,
    Spread,
)
from wxgate.journal.rows import (
    OF_BRIEF,
    brief_of,
    deed_of,
    hour_of,
    insert,
    observation_of,
    reading_of,
    stored,
    terms_of,
)
from wxgate.journal.schema import TABLES
from wxgate.journal.taken import (
    brief_row,
    graded_by,
    hour_rows,
    provenance_text,
    unpacked,
    unpacked_spread,
)
from wxgate.strictyaml.characters import is_hidden

ALL = Selection()
T = TypeVar("T")
#: What a row may raise that was written, or changed, by someone else.
_UNREADABLE = (
    ValueError, TypeError, KeyError, AttributeError, OverflowError, OSError, RecursionError,
    zlib.error,
)  # fmt: skip


class Journal:
    """The journal in one file; a context that closes it.

    ``notes`` tells what the user must know about the file (it was damaged). Every write is one
    transaction: after a power cut, or a kill, an entry is there whole or not at all. Several
    processes may write at a time. ``to_read``: the file is not made, mended or moved, whatever is
    wrong with it; it may be anybody's. JournalError when the file cannot be used.
    """

    def __init__(self, path: Path, *, at: datetime, to_read: bool = False) -> None:
        self.path = path
        self.notes: tuple[str, ...] = ()
        if to_read:
            self._connection = connect_to_read(path)
        else:
            self._connection, self.notes = connect(path, at=at)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:  # fmt: skip
        self._connection.close()

    # ------------------------------------------------------------------ writing

    def add_brief(self, brief: Brief) -> int:
        """Write a brief with the verdict on each of its hours; the number of the entry."""
        with self._transaction() as write:
            number = insert(write, "brief", (None, *brief_row(brief)))
            rows = [(number, *row) for row in hour_rows(brief)]
            write.executemany("INSERT INTO verdict VALUES (?, ?, ?, ?, ?, ?)", rows)
        return number

    def has_said(self, brief: Brief) -> bool:
        """Whether the last brief for the same question came from the same forecast and rules.

        Then a new one says nothing new but an hour more at the end.
        """
        where = {
            "site = ?": brief.site.id, "aircraft = ?": brief.aircraft.id,
            "pilot = ?": brief.pilot.id, "height = ?": brief.height,
        }  # fmt: skip
        select = f"SELECT {OF_BRIEF} FROM brief"  # noqa: S608 - our own columns
        newest = next(self._rows(select, where, "made DESC, id DESC LIMIT 1"), None)
        if newest is None:
            return False
        told = (newest["provenance"], newest["rulebook_sha256"], newest["graded_by"])
        return told == (provenance_text(brief), brief.rulebook.hash, graded_by(brief))

    def add_reading(self, reading: Reading) -> int:
        """Write what was measured on the field; the number of the entry.

        UsageError as for a deed.
        """
        with self._transaction() as write:
            return insert(write, "reading", (None, *_plain(reading)))

    def add_deed(self, deed: Deed) -> int:
        """Write what was done; the number of the entry.

        UsageError for a text with characters that cannot be seen, which whoever reads it obeys.
        """
        with self._transaction() as write:
            return insert(write, "deed", (None, *_plain(deed)))

    def add_observations(self, reports: Sequence[Observation]) -> int:
        """Write reports of stations; how many were new. A report that is there stays as it is."""
        rows = [(r.station, stored(r.time), r.raw, r.distance_km) for r in reports]
        with self._transaction() as write:
            before = write.total_changes
            write.executemany("INSERT OR IGNORE INTO observation VALUES (?, ?, ?, ?)", rows)
            return write.total_changes - before

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with explained(self.path):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
                self._connection.execute("COMMIT")
            except BaseException:
                # After a full disk sqlite has taken it back itself.
                with contextlib.suppress(sqlite3.Error):
                    self._connection.execute("ROLLBACK")
                raise

    # ------------------------------------------------------------------ reading

    def briefs(self, which: Selection = ALL) -> Iterator[IssuedBrief]:
        """The briefs made in the time asked for, in the order of their making."""
        where = terms_of(which, when="made", site="site", invented="demonstration")
        select = f"SELECT {OF_BRIEF} FROM brief"  # noqa: S608 - our own columns
        yield from self._read(brief_of, self._rows(select, where, "made, id"))

    def hours(self, which: Selection = ALL, *, brief: int | None = None) -> Iterator[IssuedHour]:
        """The verdicts on the hours asked for, by hour and then in the order of their making."""
        where = terms_of(which, when="start", site="site", invented="demonstration")
        if brief is not None:
            where["brief = ?"] = brief
        select = "SELECT verdict.*, made FROM verdict JOIN brief ON brief.id = verdict.brief"
        yield from self._read(hour_of, self._rows(select, where, "start, made, brief"))

    def quantities(self, brief: int) -> Quantities | None:
        """The numbers behind the verdicts of a brief; None when there is no such brief.

        JournalError when they cannot be read.
        """
        rows = self._rows("SELECT quantities FROM brief", {"id = ?": brief}, "id")
        return next(self._read(lambda row: unpacked(row["quantities"]), rows), None)

    def spread(self, brief: int) -> Spread | None:
        """Between which values the weathers of a brief lay; None where it was not kept.

        It is not in briefs of the first version of the journal. JournalError when it cannot be
        read.
        """
        with explained(self.path):
            columns = self._connection.execute("PRAGMA table_info(brief)").fetchall()
        if "spread" not in [row[1] for row in columns]:
            return None
        where: dict[str, object] = {"id = ?": brief, "spread IS NOT ?": None}
        rows = self._rows("SELECT spread FROM brief", where, "id")
        return next(self._read(lambda row: unpacked_spread(row["spread"]), rows), None)

    def readings(self, which: Selection = ALL) -> Iterator[Reading]:
        """The readings on the field, in the order of time."""
        where = terms_of(which, when="made", site="site")
        yield from self._read(reading_of, self._rows("SELECT * FROM reading", where, "made, id"))

    def deeds(self, which: Selection = ALL) -> Iterator[Deed]:
        """What was done, in the order of time."""
        where = terms_of(which, when="start", site="site")
        yield from self._read(deed_of, self._rows("SELECT * FROM deed", where, "start, id"))

    def observations(
        self, which: Selection = ALL, *, station: str | None = None
    ) -> Iterator[Observation]:
        """The reports of stations (``which.site`` is not looked at), in the order of time."""
        where = terms_of(which, when="time")
        if station is not None:
            where["station = ?"] = station
        yield from self._read(
            observation_of, self._rows("SELECT * FROM observation", where, "time")
        )

    def counts(self) -> Mapping[str, int]:
        """How many entries of each kind there are."""
        selects = {t: f"SELECT count(*) AS n FROM {t}" for t in TABLES}  # noqa: S608
        return {table: next(self._rows(sql, {}, "n"))["n"] for table, sql in selects.items()}

    def faults(self) -> tuple[str, ...]:
        """What sqlite finds wrong with the file, read from end to end; nothing when it is whole."""
        with explained(self.path):
            try:
                rows = self._connection.execute("PRAGMA integrity_check(10)").fetchall()
            except sqlite3.DatabaseError as error:
                if not is_damage(error):
                    raise
                return (str(error),)
        found = tuple(str(row[0]) for row in rows)
        return () if found == ("ok",) else found

    def mend(self, *, at: datetime) -> None:
        """Move a damaged file aside and go on in a new one with all that can be read of it."""
        self._connection.close()
        with explained(self.path):
            self._connection, self.notes = begin_anew(self.path, at)

    def _read(
        self, convert: Callable[[sqlite3.Row], T], rows: Iterator[sqlite3.Row]
    ) -> Iterator[T]:
        """The rows as records; JournalError for one that no wxgate wrote."""
        for row in rows:
            try:
                record = convert(row)
            except _UNREADABLE as error:
                raise JournalError(
                    f"an entry of the journal cannot be read ({type(error).__name__}: {error})",
                    where=str(self.path),
                    remedy="Look at the file: `wxgate journal check`; or move it away.",
                ) from error
            yield record

    def _rows(self, select: str, where: Mapping[str, object], order: str) -> Iterator[sqlite3.Row]:
        """The rows, one by one; terms and columns are ours, values go to sqlite apart."""
        terms = " AND ".join(where) or "1"
        with explained(self.path):
            cursor = self._connection.cursor()
            cursor.row_factory = sqlite3.Row
            sql = f"{select} WHERE {terms} ORDER BY {order}"
            cursor.execute(sql, [stored(value) for value in where.values()])
            # Not "yield from": that would close the cursor after its journal, when left half read.
            for row in cursor:  # noqa: UP028
                yield row


#: What people write into an entry; the answer of a check is our own.
_WRITTEN = ("site", "aircraft", "pilot", "reason", "notes", "surface")


def _plain(entry: Reading | Deed) -> tuple[object, ...]:
    """The values of an entry, as they are stored, once nothing hides in its texts."""
    for name in _WRITTEN:
        text = getattr(entry, name, None) or ""
        if any(map(is_hidden, text)):
            raise UsageError(
                f"{name}: {text!r} has characters that cannot be seen",
                remedy="Write it in one line, without tabs and control characters.",
            )
    return tuple(map(stored, astuple(entry)))
