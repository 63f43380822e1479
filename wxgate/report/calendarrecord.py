"""The record of what was issued to calendars, and files that two runs may write at once."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

from wxgate.errors import UsageError
from wxgate.wholefile import make_private_folder, write_whole

FORMAT = 1
Issued = dict[str, Any]  #: one event as the record keeps it


class Status(StrEnum):
    """RFC 5545, 3.8.1.11."""

    CONFIRMED = "CONFIRMED"
    TENTATIVE = "TENTATIVE"
    CANCELLED = "CANCELLED"


def time_text(when: datetime) -> str:
    """An aware time as the record keeps it: UTC, to the second."""
    return when.astimezone(UTC).replace(microsecond=0).isoformat()


def time_of(text: str) -> datetime:
    """The time of such a text."""
    return datetime.fromisoformat(text).astimezone(UTC)


@dataclass(frozen=True, slots=True)
class Record:
    """What was issued."""

    plans: dict[str, dict[str, Any]]  #: by plan: the calendar ``file``, and its ``events``
    files: dict[str, str]  #: by calendar file: the SHA-256 of what was written last


def read_record(record: Path) -> Record:
    """All plans; none where there is no record. UsageError for one that is not ours."""
    try:
        content = record.read_bytes()
    except FileNotFoundError:
        return Record({}, {})
    try:
        told = json.loads(content)
        if told["format"] != FORMAT:
            raise ValueError(f"format {told['format']!r}")
        found = Record(dict(told["plans"]), dict(told["files"]))
        for kept in found.plans.values():
            if not isinstance(kept["file"], str):
                raise TypeError("file")
            for event in kept["events"]:
                _well_kept(event)
    except (
        ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError,
    ) as error:  # fmt: skip
        raise UsageError(
            "the record of what was issued to the calendar cannot be used",
            where=str(record),
            remedy="Restore it from a backup; or delete it, and the events of its plans from your"
            " calendar.",
        ) from error
    return found


def digest_of(path: Path) -> str | None:
    """The SHA-256 of a file; None where there is none."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except FileNotFoundError:
        return None


def _well_kept(event: Issued) -> None:
    """ValueError, TypeError or KeyError for an event that was not written by us."""
    for name in ("start", "end", "created", "modified"):
        time_of(event[name])
    for name in ("recheck", "decide"):
        if event[name] is not None:
            time_of(event[name])
    for name in ("sequence", "number"):
        if not (isinstance(event[name], int) and event[name] >= 0):
            raise ValueError(name)
    Status(event["status"])
    for name in ("key", "uid", "title", "text", "place"):
        if not isinstance(event[name], str):
            raise TypeError(name)
    for name in ("latitude", "longitude"):
        if event[name] is not None:
            float(event[name])


def write_record(record: Path, kept: Record) -> None:
    """Keep what was issued."""
    told = {"format": FORMAT, "plans": kept.plans, "files": kept.files}
    write_whole(record, json.dumps(told, indent=1), private=True)


@contextmanager
def explained(path: Path, record: Path) -> Iterator[None]:
    """Turn an error of the system into one that tells the user what to do."""
    try:
        yield
    except OSError as error:
        raise UsageError(
            f"the calendar cannot be written ({error.strerror or error})",
            where=str(error.filename or path),
            remedy=f"Check the folders of {path.name} and {record.name}.",
        ) from error


@contextmanager
def locked(record: Path) -> Iterator[None]:
    """Hold the lock beside the record; the system frees it when a run dies."""
    make_private_folder(record.parent)
    # Never through a link, which could make a file elsewhere.
    flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0)
    with open(os.open(record.parent / f"{record.name}.lock", flags, 0o600), "r+b") as file:
        _lock(file)
        yield


def _lock(file: Any) -> None:
    try:
        import fcntl
    except ImportError:  # Windows
        import msvcrt

        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_LOCK, 1)  # type: ignore[attr-defined,unused-ignore]
        return
    fcntl.flock(file, fcntl.LOCK_EX)
