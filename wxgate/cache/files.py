"""Files that other processes may write and remove at the same time."""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from wxgate.errors import CacheError


@dataclass(frozen=True, slots=True)
class Removed:
    """How many files went, and how many bytes they took on the disk."""

    count: int = 0
    bytes: int = 0

    def __add__(self, other: Removed) -> Removed:
        return Removed(self.count + other.count, self.bytes + other.bytes)


@contextlib.contextmanager
def explained(path: Path, verb: str) -> Iterator[None]:
    """Turn an error of the system into one that tells the user what to do."""
    try:
        yield
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            remedy = "Free some space on the disk, or clear the cache."
        elif error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
            remedy = "Give yourself the right to the folder, or choose another cache folder."
        else:
            remedy = "Check the folder, or choose another cache folder."
        raise CacheError(
            f"the cache cannot be {verb} ({error.strerror or error})",
            where=str(path),
            remedy=remedy,
        ) from error


def files_below(folder: Path) -> Iterator[Path]:
    """Every file below a folder; links are not followed, and a folder that vanishes is empty."""
    with explained(folder, "read"):
        for place, _, names in os.walk(folder, onerror=_not_vanished):
            for name in names:
                yield Path(place, name)


def _not_vanished(error: OSError) -> None:
    if not isinstance(error, FileNotFoundError | NotADirectoryError):
        raise error


def size_and_time(path: Path) -> tuple[int, datetime]:
    """Size and time of the last change; of a file just gone, nothing and now long past."""
    with explained(path, "read"):
        try:
            told = path.lstat()
        except FileNotFoundError:
            return 0, datetime.min.replace(tzinfo=UTC)
    return told.st_size, datetime.fromtimestamp(told.st_mtime, UTC)


def remove(path: Path) -> Removed:
    """Remove a file; another process may have been quicker."""
    with explained(path, "cleared"):
        try:
            size = path.lstat().st_size
            path.unlink()
        except FileNotFoundError:
            return Removed()
    return Removed(1, size)


def remove_below(folder: Path) -> Removed:
    """Remove every file below a folder, and the folder."""
    removed = Removed()
    for path in list(files_below(folder)):
        removed += remove(path)
    remove_empty_folders(folder)
    return removed


def remove_empty_folders(folder: Path) -> None:
    """Remove a folder and those below it, as far as they hold nothing."""
    for place, _, _ in os.walk(folder, topdown=False):
        # One that is not empty stays: another process may have written into it just now.
        with contextlib.suppress(OSError):
            os.rmdir(place)
