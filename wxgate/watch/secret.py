"""The password of the mail server: from the environment, or from a file that is checked."""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping

from wxgate.errors import UsageError
from wxgate.watch.config import Settings

MOST_BYTES = 4096


def password_of(settings: Settings, environment: Mapping[str, str]) -> str | None:
    """The password; None where no login is wanted. UsageError, which never quotes it."""
    if settings.password_env is not None:
        found = environment.get(settings.password_env, "")
        where = f"the environment variable {settings.password_env}"
    elif settings.password_file is not None:
        found = _from_file(os.fspath(settings.password_file))
        where = os.fspath(settings.password_file)
    else:
        return None
    if not found or not found.isprintable():
        raise UsageError(
            "no password is there" if not found else "the password holds control characters",
            where=where,
            remedy="Set it to one line of text"
            + (
                ", for cron and systemd too: they do not know your shell's; or use password-file."
                if settings.password_env is not None
                else "."
            ),
        )
    return found


def _from_file(path: str) -> str:
    """The one line of a regular file that only its owner, us or root, can read."""
    try:
        # The check and the reading are of the same open file, and a link is never followed.
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK)
    except OSError as error:
        what = "it is a link" if os.path.islink(path) else error.strerror
        raise UsageError(
            f"the password file cannot be used ({what})",
            where=path,
            remedy="Name the file itself, readable by you alone.",
        ) from error
    try:
        fault = _fault(os.fstat(handle))
        content = b"" if fault else os.read(handle, MOST_BYTES + 1)
    finally:
        os.close(handle)
    if fault:
        raise UsageError(
            f"the password file is not kept private: {fault}",
            where=path,
            remedy="Make it yours alone: chmod 600.",
        )
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError:
        text = "\0"  # told as what it is by the caller, never quoted
    return text.removesuffix("\n").removesuffix("\r") if len(content) <= MOST_BYTES else "\0"


def _fault(told: os.stat_result) -> str:
    if not stat.S_ISREG(told.st_mode):
        return "it is no plain file"
    if told.st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        return f"others can use it (mode {stat.S_IMODE(told.st_mode):04o})"
    return "" if told.st_uid in (os.geteuid(), 0) else "it belongs to someone else"
