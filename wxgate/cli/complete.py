"""What a shell offers behind the Tab key: the ids of aircraft, pilots, sites, plans and sources.

Files are not read: an id is the name of its file, as everywhere. The shell itself completes paths
where nothing of this fits.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import chain

from wxgate.errors import WxgateError


def aircraft(incomplete: str) -> list[str]:
    """The aircraft that ship, and the user's own."""
    return _ids("aircraft", incomplete)


def pilots(incomplete: str) -> list[str]:
    """The pilots that ship, and the user's own."""
    return _ids("pilots", incomplete)


def sites(incomplete: str) -> list[str]:
    """The sites that ship, and the user's own."""
    return _ids("sites", incomplete)


def plans(incomplete: str) -> list[str]:
    """Plans of lessons, and sites, for one student."""
    return [*_ids("plans", incomplete), *sites(incomplete)]


def source(incomplete: str) -> list[str]:
    """The names of sources."""
    from wxgate.sources.registry import FORECASTS

    return [name for name in FORECASTS if name.startswith(incomplete)]


def sources(incomplete: str) -> list[str]:
    """The last name of a list such as ``gfs,ec``."""
    before, comma, last = incomplete.rpartition(",")
    return [f"{before}{comma}{name}" for name in source(last)]


def one_of(*words: str) -> Callable[[str], list[str]]:
    """A completion of a few words."""
    return lambda incomplete: [word for word in words if word.startswith(incomplete)]


def _ids(kind: str, incomplete: str) -> list[str]:
    from wxgate.cli.session import folders

    try:
        found = {file.stem for file in chain(*(f.glob("*.yaml") for f in folders(kind)))}
    except (WxgateError, OSError):  # a completion complains of nothing: the command will
        return []
    return sorted(name for name in found if name.startswith(incomplete))
