"""Files that the user named: what can be read whole, and what a file may be moved to."""

from __future__ import annotations

import errno
import stat
from pathlib import Path


def read_whole(path: Path) -> bytes:
    """All bytes of a file or pipe; OSError where it cannot be read, or is a device.

    A device such as ``/dev/zero`` never ends, and would take all memory of the computer.
    """
    with path.open("rb") as opened:
        if stat.S_ISCHR(path.stat().st_mode):
            raise OSError(errno.EINVAL, "a device, not a file", str(path))
        return opened.read()


def check_target(path: Path) -> None:
    """OSError where something other than a file stands: a file moved there would take its place."""
    if path.exists() and not path.is_file():
        raise OSError(errno.EISDIR, "a folder or a device, not a file", str(path))
