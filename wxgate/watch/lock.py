"""One run of a watch at a time: a lock on a file, which the system frees when its holder dies."""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from wxgate.errors import JournalError


class BusyError(JournalError):
    """Another run holds the lock; ``held`` tells for how long, None where that is not known."""

    def __init__(self, path: Path, held: timedelta | None) -> None:
        self.held = held
        since = "" if held is None else f" for {held.total_seconds() / 60:.0f} min"
        super().__init__(
            f"another run is under way{since}",
            where=str(path),
            remedy="If it hangs, end that process; nothing else is needed.",
        )


@contextlib.contextmanager
def locked(path: Path, now: datetime) -> Iterator[None]:
    """Hold the lock; BusyError at once when another run has it.

    The file stays: removing it would let two runs each lock a file of that name.
    """
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
    with open(handle, "r+", encoding="utf-8", errors="replace") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise BusyError(path, _held(file.read(100), now)) from None
        file.truncate(0)
        file.write(f"{now.astimezone(UTC).isoformat()} {os.getpid()}\n")
        file.flush()
        yield


def _held(text: str, now: datetime) -> timedelta | None:
    try:
        return now - datetime.fromisoformat(text.split(" ")[0])
    except (ValueError, TypeError):
        return None
