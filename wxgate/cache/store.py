"""The folder of entries: get, put, what is held, and clearing out."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from wxgate.cache.entry import VERSION, Entry, Key, Listed, file_name, head_of, read_head
from wxgate.cache.files import (
    Removed,
    explained,
    files_below,
    remove,
    remove_below,
    remove_empty_folders,
    size_and_time,
)
from wxgate.http import Validators
from wxgate.wholefile import make_private_folder

STALE_TEMPORARY = timedelta(hours=1)  #: a temporary file this old belongs to no living writer

_TEMPORARY = ".part-"
_CHANCES = 10  # to make a folder that other processes may be clearing away


@dataclass(frozen=True, slots=True)
class Summary:
    """What the cache holds of one source; ``bytes`` of content, times when fetched."""

    source: str
    count: int
    bytes: int
    oldest: datetime
    newest: datetime


class Cache:
    """The entries below ``root``; the folder is made when the first one is put.

    Everything raises CacheError, with the remedy, when the folder cannot be used; a caller that
    can do without the cache catches it and goes on.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self._base = root / f"v{VERSION}"

    def get(self, key: Key) -> Entry | None:
        """The entry, None when there is none; a damaged one is removed and is none."""
        path = self._base / key.path
        with explained(path, "read"):
            try:
                with path.open("rb") as file:
                    listed = read_head(file)
                    content = file.read() if listed else b""
            except (FileNotFoundError, NotADirectoryError):
                return None
        if listed is None or hashlib.sha256(content).hexdigest() != listed.sha256:
            # A reader without the right to write can still go on: to it the entry is not there.
            with contextlib.suppress(OSError):
                path.unlink()
            return None
        if listed.key.parts != key.parts:
            return None  # another key with the same file name (a file system blind to case)
        return Entry(
            listed.key, listed.sha256, listed.size, listed.url, listed.fetched,
            listed.validators, content,
        )  # fmt: skip

    def put(
        self,
        key: Key,
        content: bytes,
        *,
        validators: Validators,
        url: str,
        fetched: datetime,
        check: Callable[[bytes], None] | None = None,
    ) -> Entry:
        """Keep the content; an entry of the same key is replaced in one step.

        ``fetched`` has a zone (ValueError without). What ``check`` raises about the content is
        passed on, and nothing is kept.
        """
        if fetched.tzinfo is None:
            raise ValueError("the time of fetching needs a zone")
        if check is not None:
            check(content)
        sha = hashlib.sha256(content).hexdigest()
        entry = Entry(key, sha, len(content), url, fetched, validators, content)
        path = self._base / key.path
        with explained(path, "written"):
            temporary = self._write_beside(path, head_of(entry) + content)
            try:
                temporary.replace(path)
            except BaseException:
                temporary.unlink(missing_ok=True)
                raise
        return entry

    def entries(self) -> Iterator[Listed]:
        """Every entry of this version, without its content and without proof that it is whole."""
        for path in self._files():
            listed = _peek(path)
            if listed is not None:
                yield listed

    def summary(self) -> tuple[Summary, ...]:
        """What is held of each source, by name."""
        by_source: dict[str, list[Listed]] = {}
        for listed in self.entries():
            by_source.setdefault(listed.key.source, []).append(listed)
        return tuple(
            Summary(
                source,
                len(held),
                sum(one.size for one in held),
                min(one.fetched for one in held),
                max(one.fetched for one in held),
            )
            for source, held in sorted(by_source.items())
        )

    def prune(self, older_than: timedelta | None, keep_bytes: int | None, now: datetime) -> Removed:
        """Remove what is too old or too much, and whatever is of no use.

        First entries fetched before ``now - older_than``, then the oldest until the files take at
        most ``keep_bytes``; always the temporary files left behind, damaged entries and older
        formats. A newer format is left to the program that wrote it.
        """
        removed = Removed()
        for old in self._older_formats():
            removed += remove_below(old)
        kept: list[tuple[datetime, int, Path]] = []
        for path in self._files(temporary=True):
            size, changed = size_and_time(path)
            if path.name.startswith(_TEMPORARY):
                if changed < now - STALE_TEMPORARY:
                    removed += remove(path)
                continue
            listed = _peek(path)
            if listed is None or (older_than is not None and listed.fetched < now - older_than):
                removed += remove(path)
            else:
                kept.append((listed.fetched, size, path))
        if keep_bytes is not None:
            taken = sum(size for _, size, _ in kept)
            for _, size, path in sorted(kept):
                if taken <= keep_bytes:
                    break
                removed += remove(path)
                taken -= size
        remove_empty_folders(self._base)
        return removed

    def clear(self, source: str | None = None) -> Removed:
        """Remove everything kept of a source, or of all."""
        return remove_below(self._base if source is None else self._base / file_name(source))

    def _write_beside(self, path: Path, whole: bytes) -> Path:
        """A temporary file in the folder of ``path``, flushed to the disk."""
        for chance in range(_CHANCES):
            try:
                make_private_folder(path.parent)
                descriptor, name = tempfile.mkstemp(prefix=_TEMPORARY, dir=path.parent)
                break
            except FileNotFoundError:  # another process pruned the folder while it was empty
                if chance == _CHANCES - 1:
                    raise
        temporary = Path(name)
        try:
            with os.fdopen(descriptor, "wb") as file:
                file.write(whole)
                file.flush()
                os.fsync(file.fileno())
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise
        return temporary

    def _files(self, *, temporary: bool = False) -> Iterator[Path]:
        for path in files_below(self._base):
            if temporary or not path.name.startswith(_TEMPORARY):
                yield path

    def _older_formats(self) -> list[Path]:
        with explained(self.root, "read"):
            if not self.root.is_dir():
                return []
            numbered = [(re.fullmatch(r"v(\d{1,6})", p.name), p) for p in self.root.iterdir()]
        return [path for match, path in numbered if match and int(match[1]) < VERSION]


def _peek(path: Path) -> Listed | None:
    """The head of an entry; None when it is damaged, cut short or gone."""
    with explained(path, "read"):
        try:
            with path.open("rb") as file:
                listed = read_head(file)
                rest = os.fstat(file.fileno()).st_size - file.tell()
        except FileNotFoundError:
            return None
    return listed if listed is not None and listed.size == rest else None
