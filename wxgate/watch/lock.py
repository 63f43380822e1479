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
            raise BusyError(path, _held(file.read(100), now, os.fstat(handle).st_mtime)) from None
        # In one go over what stood there: another run must never find the file empty.
        told = f"{now.astimezone(UTC).isoformat()} {os.getpid()}".ljust(_WIDTH)
        os.pwrite(handle, told.encode(), 0)
        os.ftruncate(handle, _WIDTH)
        yield


#: Of the line in the file: a time with microseconds and a process number, filled up with blanks.
_WIDTH = 60


def _held(text: str, now: datetime, written: float) -> timedelta | None:
    """For how long the holder has it; of a file made this moment, since it was ``written``."""
    try:
        since = datetime.fromisoformat(text.split(" ")[0])
    except ValueError:
        since = datetime.fromtimestamp(written, UTC)
    try:
        return now - since
    except TypeError:  # a time without a zone, which no run of ours writes
        return None
