"""A plot as numbers and words, before anything is drawn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wxgate.verdict import Grade

Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Line:
    """One quantity on the hours of a brief, in the unit on screen; NaN where it is missing.

    ``values`` has one number for each instant (hours + 1), or for each hour where ``steps``.
    ``lower`` and ``upper`` are the spread about it, of the same shape, where one is known: ``held``
    says of what.
    """

    name: str  #: of the quantity
    label: str
    values: Numbers
    steps: bool
    lower: Numbers | None = None
    upper: Numbers | None = None
    held: str = ""

    @property
    def missing(self) -> NDArray[np.bool_]:
        """Which hours lack a number at either end."""
        gone = np.isnan(self.values)
        return gone if self.steps else gone[:-1] | gone[1:]


@dataclass(frozen=True, slots=True)
class Level:
    """A limit as a level line: past it the hour gets the grade."""

    name: str  #: of the quantity
    grade: Grade
    number: float  #: in the unit on screen
    word: str  #: on which side values are past it: above, at least, below, at most
    number_text: str  #: without its unit
    text: str  #: as people read it


@dataclass(frozen=True, slots=True)
class Panel:
    """One plot: lines that share a unit, the limits of the first, and the range of the axis."""

    title: str
    unit: str
    lines: tuple[Line, ...]
    levels: tuple[Level, ...]
    low: float
    high: float
    clipped: bool  #: whether larger values are drawn at the top edge
    bars: bool
    told: str  #: the lines in words
    limits: str  #: the limits in words, "" for none

    @property
    def missing(self) -> NDArray[np.bool_]:
        """Which hours lack a number of any line."""
        gone: NDArray[np.bool_] = np.any([line.missing for line in self.lines], axis=0)
        return gone
