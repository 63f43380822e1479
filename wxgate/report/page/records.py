"""The words and drawings that the template of the page lays out."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup


@dataclass(frozen=True, slots=True)
class Told:
    """A grade as it is told: its word, its class in the style, its shape."""

    word: str
    kind: str
    shape: Markup
    mark: str  #: two letters, where there is no room for the word


@dataclass(frozen=True, slots=True)
class Row:
    """One rule of one hour."""

    grade: Told
    rule: str
    label: str
    value: str
    limit: str
    room: str
    because: str  #: empty where the rule is kept


@dataclass(frozen=True, slots=True)
class Hour:
    """One hour in the strip, and laid open."""

    key: str
    mark: str
    column: str  #: the local hour of the day, by which columns line up
    when: str
    grade: Told
    gust: str
    why: str
    disputed: str
    in_window: bool
    sure: str  #: the chance, "" where none is known
    spread: str  #: between which values most weathers lie, "" where it is not known
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class Day:
    """The hours of a local day."""

    name: str
    note: str  #: where the clocks change
    hours: tuple[Hour, ...]


@dataclass(frozen=True, slots=True)
class Figure:
    """One plot with its words."""

    title: str
    unit: str
    drawing: Markup
    told: str
    limits: str
    missing: bool
    keys: tuple[tuple[str, str], ...]  #: class and words of each line
    clipped: bool


@dataclass(frozen=True, slots=True)
class Page:
    """All that the template writes."""

    title: str
    shapes: Markup  #: drawn once, pointed at from everywhere
    site: str
    demonstration: bool
    who: tuple[tuple[str, str], ...]
    grade: Told
    headline: str
    why: str
    sure: str  #: the chance, "" where none is known
    now: str
    others: tuple[tuple[Told, str], ...]
    legend: tuple[Told, ...]
    gust_unit: str
    days: tuple[Day, ...]
    columns: tuple[str, ...]  #: hours above the strip of many days, on paper
    figures: tuple[Figure, ...]
    bands: tuple[str, ...]  #: what the bands of the plots hold
    since: str  #: what moved since the last brief, "" for nothing
    missing: str
    anything_missing: bool
    disputed: str
    airport: str
    origins: tuple[str, ...]
    credits: tuple[str, ...]
    notes: tuple[str, ...]
    rules: tuple[tuple[str, str, str], ...]
    loosened: tuple[str, ...]
    book: str
    cautions: tuple[str, ...]
    version: str
