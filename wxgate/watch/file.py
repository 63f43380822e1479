"""The state's file: opened, made, copied for a look, set aside when it is damaged."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from wxgate.errors import JournalError

APPLICATION_ID = 0x77786777  #: "wxgw"
VERSION = 1
_TABLES = """
CREATE TABLE watch (prefix TEXT PRIMARY KEY, first_seen INTEGER NOT NULL, last_fresh INTEGER);
CREATE TABLE told (
    recipient TEXT NOT NULL, key TEXT NOT NULL, value TEXT, doubtful INTEGER NOT NULL DEFAULT 0,
    at INTEGER NOT NULL, PRIMARY KEY (recipient, key)
) WITHOUT ROWID;
CREATE TABLE outbox (
    id INTEGER PRIMARY KEY, recipient TEXT NOT NULL, effects TEXT NOT NULL, made INTEGER NOT NULL,
    content BLOB NOT NULL, tries INTEGER NOT NULL DEFAULT 0, refused TEXT, reported INTEGER
);
CREATE INDEX outbox_recipient ON outbox (recipient);
"""


@contextlib.contextmanager
def explained(path: Path) -> Iterator[None]:
    """Turn an error of sqlite or the system into one that tells the user what to do."""
    try:
        yield
    except (sqlite3.Error, OSError) as error:
        text = str(getattr(error, "strerror", None) or error)
        if "full" in text or "No space" in text:
            remedy = "Free some space on the disk; what is due stays due."
        elif "locked" in text:
            remedy = "Another process uses it; try again in a minute."
        else:
            remedy = "Give yourself the right to the folder, or set WXGATE_STATE to another."
        raise JournalError(
            f"the watch's memory cannot be used ({text})", where=str(path), remedy=remedy
        ) from error


def connect(path: Path) -> sqlite3.Connection:
    """The open state, made where there is none; sqlite3.DatabaseError where it is damaged."""
    with explained(path), contextlib.suppress(FileExistsError):
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    connection = sqlite3.connect(path, timeout=20, isolation_level=None)
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        _prepare(connection, path)
    except sqlite3.OperationalError as error:
        connection.close()
        with explained(path):
            raise error
    except BaseException:
        connection.close()
        raise
    return connection


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    try:
        mark, version = (
            connection.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("application_id", "user_version")
        )
        tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    except UnicodeDecodeError as error:  # of a name in the schema, or of sqlite's own words
        raise sqlite3.DatabaseError("malformed text") from error
    if tables == 0:
        connection.executescript(
            f"BEGIN; {_TABLES} PRAGMA application_id = {APPLICATION_ID};"
            f" PRAGMA user_version = {VERSION}; COMMIT;"
        )
        return
    if mark != APPLICATION_ID or version != VERSION:
        raise JournalError(
            "the file is another program's, or of another version of wxgate",
            where=str(path),
            remedy="Move it away, or set WXGATE_STATE to another folder.",
        )
    if connection.execute("PRAGMA quick_check").fetchone()[0] != "ok":
        raise sqlite3.DatabaseError("malformed")


def copied(path: Path) -> tuple[sqlite3.Connection, str]:
    """A copy in memory, and what must be told about the file; the file stays as it is."""
    connection = sqlite3.connect(":memory:", isolation_level=None)
    told = ""
    if path.exists():
        try:
            with contextlib.closing(
                sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
            ) as source:
                source.backup(connection)
        except sqlite3.DatabaseError as error:
            if not is_damage(error):
                raise
            connection.close()
            connection = sqlite3.connect(":memory:", isolation_level=None)
            told = f"the watch's memory {path.name} is damaged"
    _prepare(connection, path)
    return connection, told


def is_damage(error: sqlite3.Error) -> bool:
    """Whether an error says that the file itself is broken."""
    text = str(error)
    return any(w in text for w in ("malformed", "not a database", "disk image", "no such table"))


def anew(path: Path, now: datetime) -> tuple[sqlite3.Connection, str]:
    """A new state in place of a damaged one, which stays beside it, and what to tell."""
    aside = path.with_name(f"{path.stem}.damaged-{now.astimezone(UTC):%Y%m%dT%H%M%SZ}{path.suffix}")
    for tail in ("-wal", "-shm", ""):
        with contextlib.suppress(FileNotFoundError):
            Path(f"{path}{tail}").replace(f"{aside}{tail}")
    return connect(path), (
        f"the watch's memory was damaged: it lies at {aside.name} now and a new one was begun;"
        " each recipient is sent the newest verdicts once"
    )
