"""The journal's file: opened, brought up to date, set aside when it is damaged.

A journal that cannot be read must not keep a pilot from today's verdict, and must not be thrown
away either: it is moved aside under a name that tells when, what can still be read of it goes into
a new one, and the user is told.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import zlib
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import chain, count
from pathlib import Path

from wxgate.errors import JournalError
from wxgate.journal.schema import APPLICATION_ID, STEPS, TABLES, VERSION
from wxgate.wholefile import make_private_folder

#: Another process may be writing; a write takes a few milliseconds.
WAIT_S = 20.0
_MALFORMED = "malformed"


@contextlib.contextmanager
def explained(path: Path) -> Iterator[None]:
    """Turn an error of sqlite or the system into one that tells the user what to do."""
    try:
        yield
    except (sqlite3.Error, OSError, ValueError, KeyError, zlib.error) as error:
        text = str(getattr(error, "strerror", None) or error)
        if any(word in text for word in ("full", "No space", "disk I/O")):
            remedy = "Free some space on the disk; nothing was written."
        elif "not a database" in text:
            remedy = "The file is no journal, or it is damaged; name another."
        elif _MALFORMED in text:
            remedy = "Save what can be read of it: `wxgate journal check --mend`."
        elif "locked" in text:
            remedy = "Another wxgate is writing; try again in a minute."
        elif "is no file" in text or "No such file" in text:
            remedy = "Name a file that is a journal."
        elif any(word in text for word in ("readonly", "unable to open", "ermission")):
            remedy = "Give yourself the right to the folder, or set WXGATE_STATE to another."
        else:
            remedy = "Check the file, or move it away; a new one is then begun."
        raise JournalError(
            f"the journal cannot be used ({text})", where=str(path), remedy=remedy
        ) from error


def connect(path: Path, *, at: datetime) -> tuple[sqlite3.Connection, tuple[str, ...]]:
    """An open journal of today's version, and what the user must be told about it.

    JournalError when it cannot be used: no right, a full disk, another program's file, or one that
    a newer wxgate wrote.
    """
    with explained(path):
        make_private_folder(path.parent)
        if path.is_symlink() and not path.exists():
            raise OSError(f"unable to open: {path.name} is a link to nothing")
        _refuse_no_file(path)
        if path.exists() and not _writable(path):
            return _open_to_read(path), (f"{path.name} can only be read, not written",)
    for last_try in (False, True):
        try:
            return _open(path), ()
        except sqlite3.DatabaseError as error:
            # Another process may have found the damage too, and have begun anew meanwhile.
            if not is_damage(error) or last_try:
                fault = error
                break
    with explained(path):
        if not is_damage(fault):
            raise fault
        return begin_anew(path, at)


def connect_to_read(path: Path) -> sqlite3.Connection:
    """A journal that is there, open to be read; nothing about it is changed.

    One of an older wxgate is read as it is. JournalError when there is none, or it is no journal.
    """
    with explained(path):
        path.stat()
        _refuse_no_file(path)
        return _open_to_read(path)


def _refuse_no_file(path: Path) -> None:
    if path.exists() and not path.is_file():
        raise OSError(f"unable to open: {path.name} is no file")


def _writable(path: Path) -> bool:
    """Whether sqlite can write the file, and keep those that it needs beside it."""
    return os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)


def is_damage(error: sqlite3.DatabaseError) -> bool:
    """Whether the file itself is at fault, not its folder, the disk or another writer."""
    text = str(error)
    return _MALFORMED in text or "not a database" in text or "disk image" in text


def _open_to_read(path: Path) -> sqlite3.Connection:
    """A journal to be read, also on a medium where sqlite can keep no files beside it."""
    # What cannot be written here is not written by others meanwhile.
    still = not _writable(path)
    try:
        return _to_read(path, still=still)
    except sqlite3.OperationalError as error:
        # A full disk has no room for the files that sqlite keeps beside one that is written to;
        # where they hold nothing, all is in the file itself.
        log = Path(f"{path}-wal")
        if still or "disk I/O" not in str(error) or (log.exists() and log.stat().st_size):
            raise
        return _to_read(path, still=True)


def _to_read(path: Path, *, still: bool) -> sqlite3.Connection:
    # Who may only read leaves the files that sqlite keeps beside it there for ever. Where nothing
    # waits in them, who may write, and does not, takes them away and changes nothing.
    log = Path(f"{path}-wal")
    logged = log.exists() and log.stat().st_size
    mode = "ro&immutable=1" if still else "ro" if logged else "rw"
    uri = f"{path.absolute().as_uri()}?mode={mode}"
    connection = sqlite3.connect(uri, uri=True, timeout=WAIT_S, isolation_level=None)
    try:
        connection.execute("PRAGMA query_only = ON")
        if _version(connection, path) < 1:
            raise JournalError(
                "the file is no journal", where=str(path),
                remedy="Name a journal, such as `wxgate replay --out` writes.",
            )  # fmt: skip
    except BaseException:
        connection.close()
        raise
    return connection


def _open(path: Path) -> sqlite3.Connection:
    # What lies there may tell where the user flies: others need not read it.
    with contextlib.suppress(FileExistsError):
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    connection = sqlite3.connect(path, timeout=WAIT_S, isolation_level=None)
    try:
        _bring_up_to_date(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def _version(connection: sqlite3.Connection, path: Path) -> int:
    """The version of a journal, 0 of an empty file; JournalError for what this is not to touch."""
    try:
        version = _number(connection, "user_version")
        tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        mark = _number(connection, "application_id")
    except UnicodeDecodeError as error:  # of a name in the schema, or of sqlite's own words
        raise sqlite3.DatabaseError(f"{_MALFORMED} text") from error
    if tables and mark != APPLICATION_ID:
        raise JournalError(
            "the file is another program's, not a journal",
            where=str(path),
            remedy="Name another file, or set WXGATE_STATE to another folder.",
        )
    if version > VERSION:
        raise JournalError(
            f"the journal was written by a newer wxgate (its version is {version}, here {VERSION})",
            where=str(path),
            remedy="Update wxgate; the file was left as it is.",
        )
    return version


def _bring_up_to_date(connection: sqlite3.Connection, path: Path) -> None:
    version = _version(connection, path)
    if version < VERSION:
        _migrate(connection, version)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA foreign_keys = ON")


def _migrate(connection: sqlite3.Connection, version: int) -> None:
    """All steps in one transaction: a stop in the middle leaves the old version whole."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        # Another process may have been quicker.
        for step in STEPS[max(version, _number(connection, "user_version")) :]:
            for statement in step.split(";"):
                if statement.strip():
                    connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {VERSION}")
        connection.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):
            connection.execute("ROLLBACK")
        raise


def _number(connection: sqlite3.Connection, pragma: str) -> int:
    return int(connection.execute(f"PRAGMA {pragma}").fetchone()[0])


# ---------------------------------------------------------------------- damage


def begin_anew(path: Path, at: datetime) -> tuple[sqlite3.Connection, tuple[str, ...]]:
    """A new journal with what can be read of the damaged one, which stays beside it.

    sqlite3.Error or OSError when even that cannot be done; see :func:`explained`.
    """
    aside = _free_name(path, f"{path.stem}.damaged-{at.astimezone(UTC):%Y%m%dT%H%M%SZ}")
    for tail in ("-wal", "-shm", ""):
        with contextlib.suppress(FileNotFoundError):
            Path(f"{path}{tail}").replace(f"{aside}{tail}")
    connection = _open(path)
    connection.execute("BEGIN IMMEDIATE")
    saved = sum(_salvage(connection, aside, table) for table in TABLES)
    connection.execute("COMMIT")
    return connection, (
        f"the journal was damaged: it lies at {aside.name} now, and {saved} rows of it could be"
        " taken over",
    )


def _free_name(path: Path, stem: str) -> Path:
    """A name beside ``path`` that nothing has: what was set aside is never written over."""
    tails = chain([""], (f"-{n}" for n in count(2)))
    names = (path.with_name(f"{stem}{tail}{path.suffix}") for tail in tails)
    return next(name for name in names if not name.exists())


def _salvage(connection: sqlite3.Connection, damaged: Path, table: str) -> int:
    """Copy the rows that can be read, from the first on, and back from the last; how many.

    An older version lacks columns, and a damaged file may name any: only those that we know count.
    """
    saved = 0
    ours = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
    key = "rowid" if table in ("brief", "reading", "deed") else "start, brief"
    key = "time, station" if table == "observation" else key
    try:
        old = sqlite3.connect(f"{damaged.absolute().as_uri()}?mode=ro", uri=True)
    except sqlite3.Error:
        return 0
    with contextlib.closing(old):
        for order in (key, ", ".join(f"{k} DESC" for k in key.split(", "))):
            with contextlib.suppress(sqlite3.Error):
                theirs = [row[1] for row in old.execute(f"PRAGMA table_info({table})")]
                both = ", ".join(f'"{name}"' for name in ours if name in theirs)
                for row in old.execute(f"SELECT {both} FROM {table} ORDER BY {order}"):  # noqa: S608
                    marks = ", ".join("?" * len(row))
                    with contextlib.suppress(sqlite3.IntegrityError):
                        sql = f"INSERT INTO {table} ({both}) VALUES ({marks})"  # noqa: S608
                        saved += connection.execute(sql, row).rowcount
                break  # all of it could be read
    return saved
