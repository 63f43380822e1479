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
_WINDOWS = ("instant", "bucket", "run", "step")


@dataclass(frozen=True, slots=True)
class Wanted:
    """One message of each step: the quantity that it gives, and all that it must be."""

    quantity: str
    element: str  #: as the sidecar and the crop service name it
    level: str
    numbers: frozenset[tuple[int, ...]]  #: discipline, category, number; any of these
    surface_types: frozenset[int]  #: any of these
    surface_value: float | None
    units: str
    #: None: at an instant; 0: mean, 1: sum, 2: maximum over a window that ends at the step
    statistic: int | None = None
    bucket_h: int | None = None  #: a window begins at a multiple of it; None: at any time
    from_run: bool = False  #: the window begins with the run
    between: Between = "linear"
    costly: bool = False
    once: bool = False
    clip: tuple[float | None, float | None] = (None, None)
    aliases: tuple[str, ...] = ()  #: what else sidecars call the element
    codes: frozenset[int] | None = None  #: of a code table: 1 where the value is one of these
    missing: tuple[float, ...] = ()  #: numbers that stand for "missing"
    times: float = 1.0  #: factor from the message's unit
    #: a whole field with no value of this size or more is in a unit this many times as large
    below: tuple[float, float] | None = None
    optional: bool = False  #: a run without it is whole
    gated: bool = False  #: a flag that is taken back where it is known to stay dry
    first_step: int = 0  #: steps before it say nothing
    height: float | None = None  #: m above ground, where surface_value numbers a model level
    member: int | None = None  #: of an ensemble; None: whatever the message says
    behind: tuple[str, ...] = ()  #: what the sidecar tells behind the window
    before_min: int = 0  #: it ends so many minutes before the step's hour
    noise: float = 0.0  #: of means taken apart, what is this near to 0 is 0

    @property
    def layer(self) -> tuple[str, float | None]:
        """The quantity, and its height or pressure, or the minutes before the hour."""
        if self.before_min:
            return self.quantity, float(self.before_min)
        return self.quantity, self.surface_value if self.height is None else self.height

    def end_min(self, step: int) -> int:
        """Minutes from the run to the end of what this step's value covers."""
        return step * 60 - self.before_min

    def window_start(self, step: int) -> int | None:
        """Hours from the run to the start of what this step's value covers; None: any."""
        if self.statistic is None:
            return step
        if self.from_run:
            return 0
        if self.bucket_h is None:
            return None
        return (step - 1) // self.bucket_h * self.bucket_h

    def exists_at(self, step: int) -> bool:
        """Whether a run has it at this step: nothing was summed up before the run began."""
        first = 0 if self.statistic is None and not self.before_min else 1
        return step >= max(first, self.first_step)

    def matches(self, message: Message, step: int) -> bool:
        """Whether a message is this one at this step."""
        start = self.window_start(step)
        return (
            message.parameter in self.numbers
            and message.surface_type in self.surface_types
            and (self.surface_value is None or message.surface_value == self.surface_value)
            and message.statistic == self.statistic
            and message.derived is None
            and (self.member is None or message.member == self.member)
            and message.end_min == self.end_min(step)
            and (self.statistic is None or message.start_min < message.end_min)
            and (self.statistic is None or start is None or message.start_min == start * 60)
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
    if window not in _WINDOWS:
        raise row.fault("window", f"must be one of {', '.join(_WINDOWS)}")
    between = row.text("between", "linear")
    if between not in _BETWEEN:
        raise row.fault("between", f"must be one of {', '.join(_BETWEEN)}")
    return [
        Wanted(
            quantity,
            row.text("element"),
            str(level),
            _numbers(row),
            frozenset(row.wholes("surface")),
            None if value is None else _level_value(row, value),
            row.text("units"),
            statistic=None if window == "instant" else row.whole("statistic"),
            bucket_h=bucket_h if window == "bucket" else None,
            from_run=window == "run",
            between=between,
            costly=row.flag("costly"),
            once=row.flag("once"),
            clip=_clip(row),
            aliases=row.texts("aliases") if "aliases" in row.content else (),
            codes=frozenset(row.wholes("codes")) if "codes" in row.content else None,
            missing=_missing(row),
            times=row.number("times", 1.0),
            below=_below(row),
            optional=row.flag("optional"),
            gated=row.flag("gated"),
            first_step=row.whole("first_step", 0),
            before_min=before,
            noise=row.number("noise", 0.0),
        )
        for level, value in row.entry("levels").content.items()
        for before in (row.wholes("minutes_before") if "minutes_before" in row.content else [0])
    ]


def _numbers(row: Entry) -> frozenset[tuple[int, ...]]:
    triples = row.content.get("numbers")
    good = isinstance(triples, list) and all(
        isinstance(t, list) and len(t) == 3 and all(isinstance(n, int) for n in t) for t in triples
    )
    if not good or not triples:
        raise row.fault("numbers", "must be a list of [discipline, category, number]")
    return frozenset(tuple(t) for t in triples)


def _missing(row: Entry) -> tuple[float, ...]:
    values = row.content.get("missing", [])
    if not isinstance(values, list):
        raise row.fault("missing", "must be a list of numbers")
    return tuple(_level_value(row, value) for value in values)


def _below(row: Entry) -> tuple[float, float] | None:
    if "below" not in row.content:
        return None
    below = row.entry("below")
    return below.number("largest"), below.number("times")


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
