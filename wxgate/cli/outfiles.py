"""Files that a command is to write: looked at before the work, and written before it prints."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from wxgate.cli.terminal import say
from wxgate.errors import UsageError, WxgateError
from wxgate.wholefile import check_target


def check_out(*paths: Path | None) -> None:
    """UsageError for a path that no file can be written to: a folder, a device, or in no folder.

    Told before a fetch, which may take minutes.
    """
    for path in paths:
        try:
            if path is not None:
                check_target(path)
        except OSError as error:
            raise UsageError(
                f"the file cannot be written ({error.strerror or error})",
                where=str(path),
                remedy="Name a file in a folder that is there.",
            ) from error


def tell_after(write: Callable[[], Sequence[str]], text: str) -> None:
    """Print ``text`` and what ``write`` tells of the files that it has written by then.

    Whoever reads may go at any line (``| head``), and the files must be there all the same. That
    one cannot be written does not keep the text from the user.
    """
    fault: WxgateError | None = None
    told: Sequence[str] = ()
    try:
        told = write()
    except WxgateError as error:
        fault = error
    try:
        if text:
            say(text, end="" if text.endswith("\n") else "\n")
        for line in told:
            say(line)
    finally:  # also where whoever read it has gone
        if fault is not None:
            raise fault
