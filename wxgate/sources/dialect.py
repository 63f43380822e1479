"""How the sidecars of a producer are called, read and searched."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime

from wxgate.sources.sidecar import Line, Lines, parse_sidecar
from wxgate.sources.wanted import Wanted


@dataclass(frozen=True, slots=True)
class Dialect:
    """What the sidecars of a producer are called, and how they are read and searched.

    ``parts`` gives what file names hold of a run beside its date, hour and step.
    """

    url: Callable[[str], str]
    parse: Callable[[str, str], Lines]
    find: Callable[[Lines, Wanted, int], Line | None]
    parts: Callable[[datetime], Mapping[str, str]] = lambda run: {}


def find_line(lines: Lines, wanted: Wanted, step: int) -> Line | None:
    """The first line that names what is wanted, exactly; None when there is none."""
    start, end = wanted.window_start(step), wanted.end_min(step)
    for line in lines.named(wanted.element, wanted.level, wanted.behind):
        window = line.window
        if window is None or (window.statistic, window.end_min) != (wanted.statistic, end):
            continue
        if wanted.statistic is None or start is None or window.start_min == start * 60:
            return line
    return None


#: The sidecars of NCEP's files.
WGRIB2 = Dialect(lambda url: f"{url}.idx", parse_sidecar, find_line)
