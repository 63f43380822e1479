"""What watches remember between runs: what was told to whom, and the mails on their way.

sqlite in WAL mode, one file a watch file. What was told is noted in the same transaction that marks
the mail as accepted, so a mail is told or still due, never half. Only the moment between the
server's word and that transaction cannot be closed: before a mail goes out its keys are marked
doubtful, and after a crash there the same bytes go out again under the same Message-ID; if the
state has changed by then, the newest is told whatever it is.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from wxgate.watch.file import anew, connect, copied, explained, is_damage
from wxgate.wholefile import make_private_folder

#: What was told about days long gone is of no use.
KEEP = timedelta(days=30)


@dataclass(frozen=True, slots=True)
class Mail:
    """A mail on its way."""

    id: int
    recipient: str
    effects: Mapping[str, str]  #: what is told by it: values by key
    made: datetime
    content: bytes
    refused: str | None  #: the server's words, when it will not be tried again


class State:
    """The open state; made by :func:`opened`."""

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self._db = connection
        self._path = path

    @contextlib.contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing; JournalError when it cannot be written."""
        with explained(self._path):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._db.execute("COMMIT")
            except BaseException:
                with contextlib.suppress(sqlite3.Error):
                    self._db.execute("ROLLBACK")
                raise

    # ------------------------------------------------------------------ watches

    def seen(self, prefix: str, now: datetime) -> tuple[datetime, datetime | None]:
        """When a watch was first seen, and its last fresh verdict; new ones are noted.

        Neither is after ``now``, so that a clock once set wrongly does not make time stand still.
        """
        self._db.execute("INSERT OR IGNORE INTO watch VALUES (?, ?, NULL)", (prefix, _s(now)))
        self._db.execute(
            "UPDATE watch SET first_seen = min(first_seen, ?1), last_fresh = min(last_fresh, ?1)"
            " WHERE prefix = ?2",
            (_s(now), prefix),
        )
        first, fresh = self._db.execute(
            "SELECT first_seen, last_fresh FROM watch WHERE prefix = ?", (prefix,)
        ).fetchone()
        return _t(first), None if fresh is None else _t(fresh)

    def note_fresh(self, prefix: str, now: datetime) -> None:
        """A fresh verdict was had now."""
        self._db.execute("UPDATE watch SET last_fresh = ? WHERE prefix = ?", (_s(now), prefix))

    # ------------------------------------------------------------------ what was told

    def told(self, recipient: str) -> tuple[dict[str, str], set[str]]:
        """What a recipient was told, by key, and the keys that are doubtful."""
        told: dict[str, str] = {}
        doubtful = set()
        rows = self._db.execute(
            "SELECT key, value, doubtful FROM told WHERE recipient = ?", (recipient,)
        )
        for key, value, doubt in rows:
            if value is not None:
                told[key] = value
            if doubt:
                doubtful.add(key)
        return told, doubtful

    def note(self, recipient: str, values: Mapping[str, str], now: datetime) -> None:
        """Note values as told."""
        self._db.executemany(
            "INSERT INTO told VALUES (?1, ?2, ?3, 0, ?4) ON CONFLICT DO UPDATE"
            " SET value = ?3, doubtful = 0, at = ?4",
            [(recipient, key, value, _s(now)) for key, value in values.items()],
        )

    def _doubt(self, mail: Mail, step: int, now: datetime) -> None:
        self._db.executemany(
            "INSERT INTO told VALUES (?1, ?2, NULL, 1, ?4) ON CONFLICT DO UPDATE"
            " SET doubtful = max(doubtful + ?3, 0)",
            [(mail.recipient, key, step, _s(now)) for key in mail.effects],
        )

    # ------------------------------------------------------------------ outbox

    def put(
        self, recipient: str, effects: Mapping[str, str], content: bytes, now: datetime
    ) -> None:
        """Put a mail in the outbox."""
        self._db.execute(
            "INSERT INTO outbox (recipient, effects, made, content) VALUES (?, ?, ?, ?)",
            (recipient, json.dumps(effects, sort_keys=True), _s(now), content),
        )

    def outbox(self) -> list[Mail]:
        """The mails on their way, the least tried first, so that none starves the others."""
        rows = self._db.execute(
            "SELECT id, recipient, effects, made, content, refused FROM outbox ORDER BY tries, id"
        )
        return [
            Mail(number, to, json.loads(effects), _t(made), content, refused)
            for number, to, effects, made, content, refused in rows
        ]

    def drop(self, mails: Iterable[Mail]) -> None:
        """Take mails out: something newer is told in their place, or nothing is left to tell."""
        self._db.executemany("DELETE FROM outbox WHERE id = ?", [(m.id,) for m in mails])

    def begin(self, mail: Mail, now: datetime) -> None:
        """A mail goes out now: until its fate is known its keys are doubtful."""
        with self.transaction():
            self._doubt(mail, 1, now)
            self._db.execute("UPDATE outbox SET tries = tries + 1 WHERE id = ?", (mail.id,))

    def accepted(self, mail: Mail, now: datetime) -> None:
        """The server took it: what it tells is told, in one transaction."""
        with self.transaction():
            self.note(mail.recipient, mail.effects, now)
            self.drop([mail])

    def not_sent(self, mail: Mail, now: datetime, *, refused: str | None = None) -> None:
        """The server surely did not take it; with ``refused`` the same is not tried again."""
        with self.transaction():
            self._doubt(mail, -1, now)
            if refused is not None:
                self._db.execute(
                    "UPDATE outbox SET refused = ?, reported = ? WHERE id = ?",
                    (refused, _s(now), mail.id),
                )

    def to_report(self, now: datetime, every: timedelta) -> list[Mail]:
        """Refused mails last reported so long ago; they are marked as reported now."""
        rows = self._db.execute(
            "SELECT id FROM outbox WHERE refused IS NOT NULL AND NOT"
            " (reported BETWEEN ? AND ?)", (_s(now - every), _s(now)),
        ).fetchall()  # fmt: skip
        self._db.executemany(
            "UPDATE outbox SET reported = ? WHERE id = ?", [(_s(now), n) for (n,) in rows]
        )
        chosen = {n for (n,) in rows}
        return [mail for mail in self.outbox() if mail.id in chosen]

    def prune(self, now: datetime) -> None:
        """Forget what was told about days long gone; whether a watch is stale is kept."""
        self._db.execute(
            "DELETE FROM told WHERE at < ? AND key NOT LIKE '% stale'", (_s(now - KEEP),)
        )


@contextlib.contextmanager
def opened(path: Path, now: datetime, *, keep: bool = True) -> Iterator[tuple[State, str]]:
    """The state of a file, and what must be told about it (empty, or that it was damaged).

    A damaged file is moved aside, and a new one begun: then every recipient gets one mail with the
    newest verdicts, since nobody knows any more what they were told. With ``keep=False`` a copy in
    memory is used and nothing is changed. JournalError when it cannot be used.
    """
    if not keep:
        with explained(path):
            connection, told = copied(path)
    else:
        with explained(path):
            make_private_folder(path.parent)
        try:
            connection, told = connect(path), ""
        except sqlite3.DatabaseError as error:
            with explained(path):
                if not is_damage(error):
                    raise
                connection, told = anew(path, now)
    with contextlib.closing(connection):
        yield State(connection, path), told


def _s(when: datetime) -> int:
    return int(when.timestamp())


def _t(seconds: int) -> datetime:
    return datetime.fromtimestamp(seconds, UTC)
