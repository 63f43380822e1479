"""Figures that grade nothing (field, lesson, verification), out of the rules files that ship.

Those of ``rules/practice`` are in every rulebook; those of :data:`FILES` are read here. A figure
of the same name in the user's own rules takes the place of either.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from wxgate import places
from wxgate.errors import RulebookError, UsageError
from wxgate.rulebook import Practice, Rulebook, load_rulebook
from wxgate.units import convert

FILES = ("field-practice.yaml", "verify.yaml")


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
        try:
            return convert(figure.value, figure.unit, units)
        except UsageError as error:
            raise RulebookError(
                f"the practice figure {name!r} is {figure.text}: {error.what}",
                remedy=f"Write it in a unit such as {units}.",
            ) from error

    def text(self, name: str) -> str:
        """The figure as its rules file writes it."""
        return self.of(name).text


def figures_of(rulebook: Rulebook) -> Figures:
    """The figures that ship, and those of ``rulebook`` in their place."""
    return Figures({**_shipped(), **rulebook.practice})


@cache
def _shipped() -> Mapping[str, Practice]:
    return load_rulebook([places.shipped("rules") / file for file in FILES], aircraft={}).practice
