"""Sidecars (``.idx``): which bytes of a GRIB file hold which message.

A line is ``number:first byte:d=run:element:level:window:`` and, for ensembles, what is behind it.
Source: sidecars of GFS, HRRR and GEFS runs of 2022 to 2025.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from itertools import pairwise

from wxgate.errors import DataError
from wxgate.grib import message_length

_MINUTES = {"min": 1, "hour": 60, "day": 1440}
_STATISTICS = {"ave": 0, "acc": 1, "max": 2, "min": 3}
_RUN = re.compile(r"d=(\d{4})(\d\d)(\d\d)(\d\d)(\d\d)?(?:\d\d)?", re.ASCII)
_FIRST_BYTE = re.compile(r"\d{1,18}", re.ASCII)
_WINDOW = re.compile(
    r"(?:(\d{1,6})-)?(\d{1,6}) (min|hour|day) (?:(ave|acc|max|min) )?fcst", re.ASCII
)


class StaleSidecarError(DataError):
    """The bytes at the place that the sidecar names are not what it says."""


@dataclass(frozen=True, slots=True)
class Window:
    """When a message holds, minutes from the run; ``statistic`` of code table 4.10, or None."""

    start_min: int
    end_min: int
    statistic: int | None


@dataclass(frozen=True, slots=True)
class Line:
    """One line; ``end`` is the last byte of its message, None when the file ends with it."""

    number: str  #: ``12.1`` for a field within message 12
    start: int
    end: int | None
    run: datetime
    element: str
    level: str
    window_text: str
    extra: tuple[str, ...] = ()

    @property
    def window(self) -> Window | None:
        """The window as numbers; None for one that is spelled otherwise."""
        return parse_window(self.window_text)

    @property
    def label(self) -> str:
        """Element, level, window and the rest: what tells the line from others of its file."""
        return ":".join((self.element, self.level, self.window_text, *self.extra))


class Lines(tuple[Line, ...]):
    """The lines of one sidecar in order, found by name without a walk through all of them."""

    @cached_property
    def _by_name(self) -> Mapping[tuple[str, str, tuple[str, ...]], Sequence[Line]]:
        found: dict[tuple[str, str, tuple[str, ...]], list[Line]] = {}
        for line in self:
            found.setdefault((line.element, line.level, line.extra), []).append(line)
        return found

    def named(self, element: str, level: str, extra: tuple[str, ...]) -> Sequence[Line]:
        """The lines of an element at a level, and of a member, in order."""
        return self._by_name.get((element, level, extra), ())


@dataclass(frozen=True, slots=True)
class Span:
    """Bytes to fetch in one go, both ends included (end None: to the end of the file)."""

    start: int
    end: int | None
    lines: tuple[Line, ...]


def parse_sidecar(text: str, where: str = "") -> Lines:
    """The lines of a sidecar in order; lines that share a first byte share a message.

    DataError when a line cannot be read, first bytes fall, or there is no line.
    """
    rows = [_split(row, where) for row in text.splitlines() if row.strip()]
    if not rows:
        raise _fault("it is empty", where)
    starts = [int(row[1]) for row in rows]
    if any(b < a for a, b in pairwise(starts)):
        raise _fault("its first bytes do not rise", where)
    lines: list[Line] = []
    following: int | None = None
    for n in range(len(rows) - 1, -1, -1):
        if n + 1 < len(rows) and starts[n + 1] > starts[n]:
            following = starts[n + 1]
        number, _, run, element, level, window, *extra = rows[n]
        end = None if following is None else following - 1
        behind = tuple(part for part in extra if part)
        lines.append(Line(number, starts[n], end, _run(run, where), element, level, window, behind))
    return Lines(lines[::-1])


def parse_window(text: str) -> Window | None:
    """``anl``, ``7 hour fcst``, ``6-7 hour acc fcst``, ``0-1 day acc fcst``; None for others."""
    if text == "anl":
        return Window(0, 0, None)
    match = _WINDOW.fullmatch(text)
    if match is None or (match[1] is None) != (match[4] is None):
        return None
    unit = _MINUTES[match[3]]
    end = int(match[2]) * unit
    start = end if match[1] is None else int(match[1]) * unit
    return Window(start, end, _STATISTICS[match[4]] if match[4] else None)


def merge(lines: Iterable[Line], gap: int) -> list[Span]:
    """Spans that hold the messages of all lines; neighbours less than ``gap`` bytes apart join."""
    spans: list[Span] = []
    for line in sorted(lines, key=lambda x: x.start):
        last = spans[-1] if spans else None
        if last is None or (last.end is not None and line.start - last.end - 1 >= gap):
            spans.append(Span(line.start, line.end, (line,)))
        else:
            spans[-1] = Span(last.start, line.end, (*last.lines, line))
    return spans


def _split(row: str, where: str) -> Sequence[str]:
    # Levels and elements hold no colon; an element may be a long text with equal signs.
    parts = row.rstrip("\n").split(":")
    if len(parts) < 6 or not _FIRST_BYTE.fullmatch(parts[1]):
        raise _fault(f"a line is not one of a sidecar: {row[:80]!r}", where)
    return parts


def _run(text: str, where: str) -> datetime:
    match = _RUN.fullmatch(text)
    with contextlib.suppress(ValueError):
        if match is not None:
            year, month, day, hour, minute = (int(part or 0) for part in match.groups())
            return datetime(year, month, day, hour, minute, tzinfo=UTC)
    raise _fault(f"{text!r} is not the time of a run", where)


def _fault(what: str, where: str) -> DataError:
    return DataError(
        f"the sidecar cannot be used: {what}", where=where, remedy="Try another mirror, or later."
    )


def split_span(span: Span, content: bytes, where: str) -> Iterator[tuple[Line, bytes]]:
    """Each line's message out of a span's bytes; StaleSidecarError when it is not there."""
    for line in {line.start: line for line in span.lines}.values():
        at = line.start - span.start
        try:
            length = message_length(content, at)
        except DataError as error:
            what = f"where {line.label} should be: {error.what}"
            raise StaleSidecarError(what, where=where) from error
        if line.end is not None and line.end - line.start + 1 != length:
            raise StaleSidecarError(f"{line.label} has another length than is said", where=where)
        yield line, content[at : at + length]
