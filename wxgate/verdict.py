"""What comes out: grades, reasons, verdicts and windows, all frozen."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import IntEnum


class Grade(IntEnum):
    """The grade of an hour; a larger number is never better.

    UNKNOWN stands between MARGINAL and NO_GO so that the worst of several grades is their
    maximum: an hour is no-go if any limit is passed, else unknown if anything needed is missing,
    else the worst of the rest.
    """

    GO = 0
    MARGINAL = 1
    UNKNOWN = 2
    NO_GO = 3

    @property
    def word(self) -> str:
        """The grade in words: go, marginal, unknown, no-go."""
        return self.name.lower().replace("_", "-")

    @classmethod
    def from_word(cls, word: str) -> Grade:
        """The grade of a word; ValueError for any other word."""
        for grade in cls:
            if grade.word == word:
                return grade
        raise ValueError(f"{word!r} is not a grade; grades are go, marginal, no-go, unknown")


@dataclass(frozen=True, slots=True)
class Reason:
    """Why one rule graded one hour as it did. A go has reasons too."""

    rule: str
    quantity: str
    grade: Grade
    value: float | None  #: the worse end of the hour in ``unit``; None when missing
    limit: float | None  #: the limit that decided, or the nearest one not yet passed
    limit_grade: Grade | None  #: the grade beyond that limit
    limit_word: str  #: above, at least, below, at most
    unit: str
    margin: float | None  #: distance from the no-go limit as a share of it; negative beyond
    because: str
    source: str
    layer: str
    note: str = ""  #: a substitute that was used, or what is missing


@dataclass(frozen=True, slots=True)
class Chance:
    """How sure an hour is: the share of possible weathers, all rules applied to each, that fly."""

    flyable: float  #: smoothed share, in (0, 1), of members that pass no no-go limit
    members: int
    limiting: str | None  #: the hazard whose removal would raise ``flyable`` most
    without_limiting: float | None  #: ``flyable`` without that hazard
    go_from: float  #: at least so much is needed for go, for this skill
    no_go_below: float  #: less than this is no-go
    #: The smallest change of one quantity that changes the grade by limits, in its own unit.
    turn: tuple[str, float] | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """The grade of the hour [start, start + 1 h) with the reason of every rule."""

    start: datetime  #: UTC, aware
    end: datetime
    grade: Grade
    reasons: tuple[Reason, ...]
    margin: float | None  #: the smallest margin of all rules
    limiting: str | None  #: the rule with the worst grade, then the smallest margin
    by_source: tuple[tuple[str, Grade], ...] = ()  #: each source's grade, where several were asked
    chance: Chance | None = None  #: None where no chance was worked out or something is missing

    @property
    def disputed(self) -> bool:
        """Whether the sources that were asked grade the hour differently."""
        return len({grade for _, grade in self.by_source}) > 1

    @property
    def limiting_reason(self) -> Reason | None:
        """The reason of the limiting rule; the worst where substitutes share a name."""
        named = (r for r in self.reasons if r.rule == self.limiting)
        return max(named, key=lambda r: r.grade, default=None)

    @property
    def missing(self) -> tuple[Reason, ...]:
        """The reasons whose value is missing."""
        return tuple(r for r in self.reasons if r.value is None)


@dataclass(frozen=True, slots=True)
class Window:
    """A run of hours [start, end) that can be flown; its grade is the worst of its hours."""

    start: datetime
    end: datetime
    grade: Grade
    margin: float
    limiting: str
    hours: tuple[Verdict, ...] = field(repr=False, default=())

    @property
    def length_h(self) -> float:
        """Length in hours."""
        return (self.end - self.start).total_seconds() / 3600
