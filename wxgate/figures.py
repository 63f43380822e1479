"""Figures that grade nothing by themselves, out of the rules files that ship.

A figure is an entry under ``practice:``: a number with its unit, or a row of them, the reason and
the source. Whoever reads figures does it here.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from wxgate import places
from wxgate.errors import RulebookError, UsageError
from wxgate.rulebook import Practice, load_rulebook
from wxgate.units import convert
from wxgate.wholefile import read_whole
from wxgate.yamlkeys import tidy

#: What derived quantities are made with: their own figures, and those that the sheet of the field
#: has too. Hours are stored under the hashes of both.
DERIVATION = ("derivation.yaml", "field-practice.yaml")


@dataclass(frozen=True, slots=True)
class Figures:
    """Practice figures by name."""

    practice: Mapping[str, Practice]

    def of(self, name: str) -> Practice:
        """The figure with its reason and source; RulebookError where no rules file has it."""
        found = self.practice.get(name)
        if found is None:
            raise RulebookError(
                f"the practice figure {name!r} is in no rules file",
                remedy="Add the files of rules/practice to your rules.",
            )
        return found

    def value(self, name: str, units: str) -> float:
        """The figure in ``units``, above zero; RulebookError for another kind of unit or number."""
        figure = self.of(name)
        if not 0 < figure.value < math.inf:
            raise RulebookError(
                f"the practice figure {name!r} is {figure.text}",
                remedy="Write a figure above zero.",
            )
        return _converted(figure, figure.value, units)

    def row(self, name: str, units: str, *, difference: bool = False) -> tuple[float, ...]:
        """All figures of an entry in ``units``, of either sign; a single one is a row of one.

        ``difference`` says that a temperature is a difference. Twelve digits of each, so that
        0.5 degC is 273.65 K.
        """
        figure = self.of(name)
        values = figure.row or (figure.value,)
        return tuple(tidy(_converted(figure, v, units, difference=difference)) for v in values)

    def text(self, name: str) -> str:
        """The figure as its rules file writes it."""
        return self.of(name).text


def _converted(figure: Practice, value: float, units: str, *, difference: bool = False) -> float:
    try:
        return convert(value, figure.unit, units, difference=difference)
    except UsageError as error:
        raise RulebookError(
            f"the practice figure {figure.name!r} is {figure.text}: {error.what}",
            remedy=f"Write it in a unit such as {units}.",
        ) from error


@cache
def shipped(file: str) -> Mapping[str, Practice]:
    """The figures of one rules file that ships, read once."""
    return load_rulebook([places.shipped("rules") / file], aircraft={}).practice


@cache
def hash_of(file: str) -> str:
    """SHA-256 of a rules file that ships, without reading what it says."""
    return hashlib.sha256(read_whole(places.shipped("rules") / file)).hexdigest()
