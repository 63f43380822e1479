"""Files that the user named, and those kept for the user: read whole, and written whole."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import stat
from collections.abc import Iterator
from pathlib import Path

#: More than any forecast of one field takes; a file that never ends would take all memory.
MOST_BYTES = 2_000_000_000
PIECE = 1 << 20


def read_whole(path: Path, most: int = MOST_BYTES) -> bytes:
    """All bytes of a file or pipe; OSError where it cannot be read, is a device, or is too large.

    A device such as ``/dev/zero`` never ends, and would take all memory of the computer.
    """
    with path.open("rb") as opened:
        if stat.S_ISCHR(path.stat().st_mode):
            raise OSError(errno.EINVAL, "a device, not a file", str(path))
        content = bytearray()
        too_large = os.fstat(opened.fileno()).st_size > most
        # In pieces: the room for all that is asked for is taken before anything is read.
        while not too_large and (piece := opened.read(PIECE)):
            content += piece
            too_large = len(content) > most
        if too_large:
            raise OSError(errno.EFBIG, f"larger than {most} bytes", str(path))
        return bytes(content)


def check_target(path: Path) -> None:
    """OSError where something other than a file stands, whose place it would take, or no folder."""
    if path.exists() and not path.is_file():
        raise OSError(errno.EISDIR, "a folder or a device, not a file", str(path))
    if not path.parent.is_dir():
        raise OSError(errno.ENOENT, "its folder is not there", str(path))


@contextlib.contextmanager
def written_aside(path: Path, *, private: bool = False) -> Iterator[Path]:
    """An empty file beside ``path``, to be written; it is moved into place when all went well.

    So a reader sees the old file or the new one, and nothing half-written is left. Its name cannot
    be foreseen and it is never an existing file or link, so that in a folder that others can write
    to nobody makes us write elsewhere. A link at ``path`` is replaced, and what it leads to is left
    alone. ``private``: its owner alone can read it; else the umask rules. OSError where it fails.
    """
    check_target(path)
    partial = path.parent / f".{secrets.token_hex(8)}.partial{path.suffix[:20]}"
    flags = os.O_CREAT | os.O_EXCL | os.O_WRONLY | getattr(os, "O_NOFOLLOW", 0)
    os.close(os.open(partial, flags, 0o600 if private else 0o666))
    try:
        yield partial
        partial.replace(path)
    finally:
        with contextlib.suppress(OSError):  # it was moved, or nobody may tidy up
            partial.unlink(missing_ok=True)


def write_whole(path: Path, content: str | bytes, *, private: bool = False) -> None:
    """Write a file whole or not at all, flushed to the disk; see :func:`written_aside`."""
    with written_aside(path, private=private) as partial, partial.open("wb") as file:
        file.write(content.encode() if isinstance(content, str) else content)
        file.flush()
        os.fsync(file.fileno())


def make_private_folder(folder: Path) -> None:
    """Make a folder and those that lead to it, each for its owner alone; OSError where it fails.

    What is there already stays as it is.
    """
    missing = [place for place in (folder, *folder.parents) if not place.exists()]
    for place in reversed(missing):
        place.mkdir(mode=0o700, exist_ok=True)
    folder.mkdir(mode=0o700, exist_ok=True)  # an error where a file stands in its place
