"""What is wanted of each step of a run, as the endpoints list it, and which message it is.

A message is matched by numbers after it was read, never by the name a sidecar gives it: names
change with table versions, and a stale sidecar points at another message.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from wxgate.errors import UsageError
from wxgate.grib import Message
from wxgate.quantities import QUANTITIES
from wxgate.sources.endpoints import Entry

Between = Literal["linear", "highest", "lowest"]
_BETWEEN: tuple[Between, ...] = ("linear", "highest", "lowest")


@dataclass(frozen=True, slots=True)
class Wanted:
    """One message of each step: the quantity that it gives, and all that it must be."""

    quantity: str
    element: str  #: as the sidecar and the crop service name it
    level: str
    numbers: frozenset[tuple[int, ...]]  #: discipline, category, number; any of these
    surface_type: int
    surface_value: float | None
    units: str
    statistic: int | None = None  #: None: at an instant; 0: mean, 1: sum since the bucket began
    bucket_h: int | None = None  #: an interval begins at a multiple of it; None: any begin
    between: Between = "linear"
    costly: bool = False
    once: bool = False
    clip: tuple[float | None, float | None] = (None, None)

    def window_start(self, step: int) -> int | None:
        """Hours from the run to the begin of what this step's value covers; None: any."""
        if self.statistic is None:
            return step
        if self.bucket_h is None:
            return None
        return (step - 1) // self.bucket_h * self.bucket_h

    def exists_at(self, step: int) -> bool:
        """Whether a run has it at this step: nothing was summed up before the run began."""
        return self.statistic is None or step > 0

    def matches(self, message: Message, step: int) -> bool:
        """Whether a message is this one at this step."""
        start = self.window_start(step)
        return (
            message.parameter in self.numbers
            and message.surface_type == self.surface_type
            and (self.surface_value is None or message.surface_value == self.surface_value)
            and message.statistic == self.statistic
            and message.derived is None
            and message.end_min == step * 60
            and (self.statistic is None or message.start_min < message.end_min)
            and (start is None or message.start_min == start * 60)
        )


def read_wanted(entry: Entry, only: frozenset[str] | None = None) -> tuple[Wanted, ...]:
    """The messages that an entry lists for the quantities asked for (None: for all).

    UsageError when a row does not say what it must, or names no quantity.
    """
    bucket_h = entry.whole("bucket_h", 0) or None
    rows = (row for row in entry.rows("messages"))
    every = [wanted for row in rows for wanted in _read_row(row, bucket_h)]
    return tuple(w for w in every if only is None or w.quantity in only)


def quantities_of(wanted: Iterable[Wanted]) -> tuple[str, ...]:
    """The quantities that messages give, each once, in order."""
    return tuple(dict.fromkeys(w.quantity for w in wanted))


def _read_row(row: Entry, bucket_h: int | None) -> list[Wanted]:
    quantity = row.text("gives")
    if quantity not in QUANTITIES:
        raise row.fault("gives", f"names {quantity!r}, which is not a quantity")
    window = row.text("window", "instant")
    if window not in ("instant", "bucket"):
        raise row.fault("window", "must be instant or bucket")
    between = row.text("between", "linear")
    if between not in _BETWEEN:
        raise row.fault("between", f"must be one of {', '.join(_BETWEEN)}")
    return [
        Wanted(
            quantity,
            row.text("element"),
            str(level),
            _numbers(row),
            row.whole("surface"),
            None if value is None else _level_value(row, value),
            row.text("units"),
            statistic=row.whole("statistic") if window == "bucket" else None,
            bucket_h=bucket_h,
            between=between,
            costly=row.flag("costly"),
            once=row.flag("once"),
            clip=_clip(row),
        )
        for level, value in row.entry("levels").content.items()
    ]


def _numbers(row: Entry) -> frozenset[tuple[int, ...]]:
    triples = row.content.get("numbers")
    good = isinstance(triples, list) and all(
        isinstance(t, list) and len(t) == 3 and all(isinstance(n, int) for n in t) for t in triples
    )
    if not good or not triples:
        raise row.fault("numbers", "must be a list of [discipline, category, number]")
    return frozenset(tuple(t) for t in triples)


def _clip(row: Entry) -> tuple[float | None, float | None]:
    bounds = row.content.get("clip", [None, None])
    if not isinstance(bounds, list) or len(bounds) != 2:
        raise row.fault("clip", "must be [lowest, highest]")
    low, high = (None if b is None else _level_value(row, b) for b in bounds)
    return low, high


def _level_value(row: Entry, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise UsageError(
            f"{row.path}: {value!r} is not a number",
            where="endpoints.yaml",
            remedy="Write a number, or null for none.",
        )
    return float(value)
