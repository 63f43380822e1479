"""Figures that grade nothing (field, lesson, verification), out of the rules files that ship.

Those of ``rules/practice`` are in every rulebook; those of :data:`FILES` are read here. A figure
of the same name in the user's own rules takes the place of either.
"""

from __future__ import annotations

from wxgate.figures import Figures, shipped
from wxgate.rulebook import Rulebook

FILES = ("field-practice.yaml", "verify.yaml")

__all__ = ["FILES", "Figures", "figures_of"]


def figures_of(rulebook: Rulebook) -> Figures:
    """The figures that ship, and those of ``rulebook`` in their place."""
    ours = {name: figure for file in FILES for name, figure in shipped(file).items()}
    return Figures({**ours, **rulebook.practice})
