"""The rulebook: declarative rules in strict YAML, proven at load, to frozen records.

``load_rulebook`` is the way in. The format is told in ``rules/README.md``.
"""

from wxgate.rulebook.limits import Amount, ByBand, FigureOf, Limit, ShareOf
from wxgate.rulebook.load import load_rulebook
from wxgate.rulebook.model import (
    Condition,
    Layer,
    Minima,
    Practice,
    Rule,
    Rulebook,
    Substitute,
    Word,
    passes,
)

__all__ = [
    "Amount",
    "ByBand",
    "Condition",
    "FigureOf",
    "Layer",
    "Limit",
    "Minima",
    "Practice",
    "Rule",
    "Rulebook",
    "ShareOf",
    "Substitute",
    "Word",
    "load_rulebook",
    "passes",
]
