"""What a rulebook is, once read: frozen records that grading works with.

Limits and figures are in the canonical unit of their quantity (see ``quantities``).
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from typing import Any

from wxgate.profiles import Aircraft, Skill
from wxgate.rulebook.limits import Limit
from wxgate.verdict import Grade


class Word(StrEnum):
    """On which side of a limit a value has passed it."""

    ABOVE = "above"
    AT_LEAST = "at least"
    BELOW = "below"
    AT_MOST = "at most"

    @property
    def upward(self) -> bool:
        """Whether larger values are the worse ones."""
        return self in (Word.ABOVE, Word.AT_LEAST)

    def compare(self, values: Any, limit: Any) -> Any:
        """Where values have passed the limit; scalars or arrays of any broadcastable shape.

        NaN compares as not passed. It is not fine either: a caller asks for NaN apart, or uses
        :func:`passes`.
        """
        return _COMPARE[self](values, limit)


_COMPARE: Mapping[Word, Callable[[Any, Any], Any]] = {
    Word.ABOVE: operator.gt,
    Word.AT_LEAST: operator.ge,
    Word.BELOW: operator.lt,
    Word.AT_MOST: operator.le,
}


def passes(word: Word, value: float, limit: float) -> bool:
    """Whether a value is past a limit, unless it is proven that it is not: NaN is past it."""
    return value != value or limit != limit or bool(word.compare(value, limit))


class Layer(StrEnum):
    """Who says so, in the order in which later layers may tighten or, declared, loosen."""

    LAW = "law"
    PRACTICE = "practice"
    AIRCRAFT = "aircraft"
    PILOT = "pilot"
    SITE = "site"
    OPERATOR = "operator"

    @property
    def order(self) -> int:
        """Place among the layers, law first."""
        return list(Layer).index(self)


@dataclass(frozen=True, slots=True)
class Condition:
    """One thing that must hold for a rule to apply; exactly one of its kinds is set.

    ``skills``: the pilot's skill is one of these. ``months``: the month (UTC) is one of these,
    six months away south of the equator when ``seasonal``. ``aircraft``: that figure of the
    aircraft compares so with ``figure``. ``quantity``: that quantity does (its size, north or
    south, when ``absolute``). What cannot be told counts as met, so that the rule applies.
    """

    quantity: str | None = None
    word: Word | None = None
    figure: float = 0.0
    absolute: bool = False
    aircraft: str | None = None
    skills: frozenset[Skill] = frozenset()
    months: frozenset[int] = frozenset()
    seasonal: bool = False

    def for_whom(self, skill: Skill, aircraft: Aircraft) -> bool:
        """Whether it holds for this pilot and aircraft; True when it asks for something else."""
        if self.skills:
            return skill in self.skills
        if self.aircraft is not None and self.word is not None:
            value = getattr(aircraft, self.aircraft)
            return value is None or bool(self.word.compare(value, self.figure))
        return True

    def months_at(self, latitude: float) -> frozenset[int]:
        """The months at a latitude; empty when it does not ask for months."""
        if self.seasonal and latitude < 0:
            return frozenset((month + 5) % 12 + 1 for month in self.months)
        return self.months

    def met(self, values: Any, *, if_missing: bool = True) -> Any:
        """Where values of its quantity meet it, any shape; ``if_missing`` stands for NaN."""
        if self.word is None:
            return True
        sized = abs(values) if self.absolute else values
        met = self.word.compare(sized, self.figure)
        return met | (values != values) if if_missing else met


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule: a quantity, a word, and the limits beyond which an hour gets a grade."""

    id: str
    quantity: str
    word: Word
    limits: Mapping[Grade, Limit]  #: some of MARGINAL, UNKNOWN, NO_GO
    when: tuple[Condition, ...] = ()
    missing: Grade | None = Grade.UNKNOWN  #: None: a note, and nothing else (advisory quantities)
    missing_because: str = ""
    #: Where these hold, ``missing`` is what a missing value gives; elsewhere it is UNKNOWN. Here
    #: what cannot be told counts as *not* met, because the condition softens.
    missing_when: tuple[Condition, ...] = ()
    before: int = 0  #: hours before that the rule looks at too
    after: int = 0
    because: str = ""
    source: str = ""
    layer: str = ""
    where: str = ""  #: file:line
    loosened: str | None = None  #: what it loosens, and why


@dataclass(frozen=True, slots=True)
class Substitute:
    """What an hour is worth at best where a quantity was had by a substitute."""

    quantity: str
    origin: str
    cap: Grade
    when: tuple[Condition, ...] = ()
    because: str = ""
    source: str = ""
    layer: str = ""
    where: str = ""


@dataclass(frozen=True, slots=True)
class Practice:
    """A figure of the practice field, for the lesson sheet; it grades nothing."""

    name: str
    value: float
    unit: str
    because: str
    source: str
    row: tuple[float, ...] = ()  #: all figures of an entry that has a row of them, the first first

    @property
    def text(self) -> str:
        """The figure as it is read: number and unit."""
        return f"{', '.join(f'{one:g}' for one in self.row or (self.value,))} {self.unit}"


@dataclass(frozen=True, slots=True)
class Minima:
    """Personal minima that were written down before the day."""

    name: str
    locked: date  #: what the pilot wrote
    changed: date  #: when the file was last changed (UTC)

    @property
    def text(self) -> str:
        """One sentence for the brief."""
        told = f"minima {self.name} locked {self.locked}, file last changed {self.changed}"
        return f"{told}: after the lock" if self.changed > self.locked else told


@dataclass(frozen=True, slots=True)
class Rulebook:
    """All rules of all layers for grading, in an order that the order of files cannot change."""

    name: str
    rules: tuple[Rule, ...]
    substitutes: tuple[Substitute, ...] = ()
    practice: Mapping[str, Practice] = field(default_factory=dict)
    hash: str = ""  #: SHA-256 of the content, whatever the order of files and rules
    layers: tuple[str, ...] = ()  #: layer: pack version, law first
    loosened: tuple[str, ...] = ()
    minima: tuple[Minima, ...] = ()

    @property
    def changed(self) -> date | None:
        """When locked personal minima were last changed; None without any."""
        return max((m.changed for m in self.minima), default=None)

    def rule(self, rule_id: str) -> Rule:
        """The rule of an id; KeyError when there is none."""
        for rule in self.rules:
            if rule.id == rule_id:
                return rule
        raise KeyError(rule_id)


__all__ = [
    "Condition",
    "Layer",
    "Limit",
    "Minima",
    "Practice",
    "Rule",
    "Rulebook",
    "Substitute",
    "Word",
    "passes",
]
