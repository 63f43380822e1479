"""Where wxgate finds what it ships and keeps what it stores; the command line asks here.

``rules/`` and ``cached_forecasts/`` stand at the top of a checkout and inside an installed wheel.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

from wxgate.errors import UsageError, WxgateError

_PACKAGE = Path(__file__).resolve().parent


def shipped(name: str) -> Path:
    """The folder that ships with wxgate under this name (``rules``, ``cached_forecasts``)."""
    for place in (_PACKAGE / "shipped" / name, _PACKAGE.parent / name):
        if place.is_dir():
            return place
    raise WxgateError(
        f"the folder {name!r} that ships with wxgate is not there",
        remedy="Install wxgate again.",
    )


def cache_folder() -> Path:
    """The user's cache folder: ``WXGATE_CACHE``, or the system's usual place."""
    return _folder("WXGATE_CACHE", "user_cache_dir")


def config_folder() -> Path:
    """The user's configuration folder: ``WXGATE_CONFIG``, or the system's usual place."""
    return _folder("WXGATE_CONFIG", "user_config_dir")


def state_folder() -> Path:
    """What must outlive a cleared cache: ``WXGATE_STATE``, or the system's usual place."""
    return _folder("WXGATE_STATE", "user_state_dir")


def _folder(variable: str, kind: str) -> Path:
    named = os.environ.get(variable)
    try:
        if named:
            found = Path(named).expanduser()
            _refuse_open(found, variable)
            return found
        import platformdirs

        found = Path(getattr(platformdirs, kind)("wxgate", appauthor=False))
    except RuntimeError:  # "~" and no home folder
        found = Path("~")
    if not found.is_absolute():
        raise UsageError(
            "your home folder is not known", remedy=f"Set {variable} to a folder of your choice."
        )
    _refuse_open(found, variable)
    return found


def _refuse_open(folder: Path, variable: str) -> None:
    """UsageError for a folder whose content somebody else could change.

    Stored hours, rules of one's own or an address in the endpoints can make a brief say go. The
    configuration may be somebody else's (a school's); root may use what is anybody's.
    """
    try:
        told = folder.stat()
    except (OSError, ValueError):  # not there yet; it is made for its owner alone
        return
    if os.name != "posix" or not stat.S_ISDIR(told.st_mode):
        return
    foreign = variable != "WXGATE_CONFIG" and told.st_uid not in (os.geteuid(), 0)
    if told.st_mode & stat.S_IWOTH:
        what, mend = "everybody can write to the folder", "Take that right away (chmod o-w), or set"
    elif foreign and os.geteuid() != 0:
        what, mend = "the folder belongs to somebody else", "Set"
    else:
        return
    raise UsageError(what, where=str(folder), remedy=f"{mend} {variable} to another folder.")
