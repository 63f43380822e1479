"""Shapes of the grades and plots as inline SVG; colours come from the page's style by class."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from markupsafe import Markup

from wxgate.report.panelrecords import Line, Panel
from wxgate.verdict import Grade

WIDTH, HEIGHT = 360, 150
_LEFT, _RIGHT, _TOP, _BOTTOM = 32, 46, 10, 20
_MOST_TICKS = 4

Tick = tuple[int, str, bool]
Stretch = tuple[int, int]

#: One shape a grade, on a field of 16 by 16: dot, triangle, square with a bar, hollow diamond.
_SHAPES = {
    Grade.GO: Markup('<circle cx="8" cy="8" r="6.2"/>'),
    Grade.MARGINAL: Markup('<path d="M8 1.6 15 14H1z"/>'),
    Grade.NO_GO: Markup(
        '<path fill-rule="evenodd" d="M2 2h12v12H2zM4.4 6.8v2.4h7.2V6.8z"/>'
    ),
    Grade.UNKNOWN: Markup(
        '<path fill-rule="evenodd" d="M8 .8 15.2 8 8 15.2.8 8zM8 4.2 4.2 8 8 11.8 11.8 8z"/>'
    ),
}  # fmt: skip


def shapes() -> Markup:
    """The shapes of all grades, drawn once and out of sight; :func:`shape` points at them."""
    symbols = [
        Markup('<symbol id="shape-{}" viewBox="0 0 16 16">{}</symbol>').format(grade.word, drawn)
        for grade, drawn in _SHAPES.items()
    ]
    return Markup('<svg width="0" height="0" class="hush" aria-hidden="true">{}</svg>').format(
        Markup("").join(symbols)
    )


def shape(grade: Grade) -> Markup:
    """The shape of a grade; hidden from readers of the text, whose word stands beside it."""
    return Markup('<svg class="shape" aria-hidden="true"><use href="#shape-{}"/></svg>').format(
        grade.word
    )


def plot(
    panel: Panel, key: str, marks: Sequence[Tick], *, flyable: Sequence[Stretch],
    night: Sequence[Stretch],
) -> Markup:  # fmt: skip
    """One plot as SVG with its title and its text alternative.

    ``marks`` are the ticks of time, ``flyable`` and ``night`` stretches of hours [from, to) that
    are shaded.
    """
    hours = panel.missing.size
    pen = _Pen(panel, hours)
    parts = [
        *pen.shades(night, "night"),
        *pen.shades(flyable, "open"),
        *pen.gaps(),
        *pen.grid(marks),
        *pen.levels(),
        *(part for n, line in enumerate(panel.lines) for part in pen.line(line, n)),
    ]
    return Markup(
        '<svg class="plot" viewBox="0 0 {} {}" role="img" aria-labelledby="{}-t {}-d">'
        '<title id="{}-t">{}</title><desc id="{}-d">{}</desc>{}</svg>'
    ).format(
        WIDTH,
        HEIGHT,
        key,
        key,
        key,
        panel.title,
        key,
        f"{panel.told} {panel.limits}".rstrip(),
        Markup("").join(parts),
    )


class _Pen:
    """Draws on the hours and the range of one panel."""

    def __init__(self, panel: Panel, hours: int) -> None:
        self.panel, self.hours = panel, max(hours, 1)

    def x(self, hour: float) -> float:
        """Across, for hours from the start."""
        return round(_LEFT + (WIDTH - _LEFT - _RIGHT) * hour / self.hours, 1)

    def y(self, number: float) -> float:
        """Down, for a number, which is held within the range of the axis."""
        low, high = self.panel.low, self.panel.high
        share = (min(max(number, low), high) - low) / (high - low)
        return round(HEIGHT - _BOTTOM - (HEIGHT - _TOP - _BOTTOM) * share, 1)

    def shades(self, stretches: Sequence[Stretch], kind: str) -> Iterator[Markup]:
        for start, end in stretches:
            yield self._rect(start, end, kind)

    def gaps(self) -> Iterator[Markup]:
        """Hatched where a number is missing, and the word where there is room for it."""
        for start, end in stretches(self.panel.missing):
            yield self._rect(start, end, "gap")
            for hour in np.linspace(start, end, max(2, round((end - start) * 60 / self.hours))):
                yield Markup('<path class="hatch" d="M{} {}v{}"/>').format(
                    self.x(float(hour)), _TOP, HEIGHT - _TOP - _BOTTOM
                )
            if self.x(end) - self.x(start) > 48:
                yield _text("lack", (self.x(start) + self.x(end)) / 2, HEIGHT / 2, "missing",
                            anchor="middle")  # fmt: skip

    def grid(self, marks: Sequence[Tick]) -> Iterator[Markup]:
        base = HEIGHT - _BOTTOM
        for number in nice(self.panel.low, self.panel.high):
            at = self.y(number)
            yield Markup('<path class="grid" d="M{} {}H{}"/>').format(_LEFT, at, WIDTH - _RIGHT)
            yield _text("tick", _LEFT - 5, at + 3.5, f"{number:g}", anchor="end")
        last = -math.inf
        for hour, text, day in marks:
            at = self.x(hour)
            yield Markup('<path class="{}" d="M{} {}V{}"/>').format(
                "day" if day else "grid", at, _TOP, base + 3
            )
            wide = 6.2 * len(text) + 4
            if at - last > wide and at + wide / 2 < WIDTH:
                yield _text("tick", at, HEIGHT - 6, text, anchor="middle")
                last = at

    def levels(self) -> Iterator[Markup]:
        """Limits as level lines; at their right end the shape of the grade and the number."""
        end, lowest = WIDTH - _RIGHT, -math.inf
        for level in sorted(self.panel.levels, key=lambda v: -v.number):
            if not self.panel.low <= level.number <= self.panel.high:
                continue
            at = self.y(level.number)
            yield Markup('<path class="level g-{}" d="M{} {}H{}"/>').format(
                level.grade.word, _LEFT, at, end
            )
            lowest = max(at, lowest + 11)  # the words of two near limits keep apart
            yield Markup(
                '<use class="g-{0}" href="#shape-{0}" x="{1}" y="{2}" width="9" height="9"/>'
            ).format(level.grade.word, end + 3, round(lowest - 4.5, 1))
            yield _text(f"limit g-{level.grade.word}", end + 14, lowest + 3.5, level.number_text)

    def line(self, line: Line, order: int) -> Iterator[Markup]:
        if line.lower is not None and line.upper is not None:
            yield from self._band(line, order)
        if self.panel.bars:
            for hour in np.flatnonzero(np.nan_to_num(line.values) > 0):
                top = self.y(float(line.values[hour]))
                yield Markup('<rect class="bar" x="{}" y="{}" width="{}" height="{}"/>').format(
                    self.x(float(hour) + 0.1), top, round(self.x(0.8) - _LEFT, 1),
                    round(HEIGHT - _BOTTOM - top, 1),
                )  # fmt: skip
            return
        for piece in self._pieces(line.values, line.steps):
            points = " ".join(f"{x},{y}" for x, y in piece)
            yield Markup('<polyline class="line l{}" points="{}"/>').format(order, points)

    def _pieces(self, values: np.ndarray, steps: bool) -> Iterator[list[tuple[float, float]]]:
        """The points of each unbroken stretch; a number that stands alone is a short dash."""
        for start, end in stretches(np.isfinite(values)):
            piece = []
            for n in range(start, end):
                y = self.y(float(values[n]))
                piece += [(self.x(n), y), (self.x(n + 1), y)] if steps else [(self.x(n), y)]
            if len(piece) == 1:
                x, y = piece[0]
                piece = [(x - 2, y), (x + 2, y)]
            yield piece

    def _band(self, line: Line, order: int) -> Iterator[Markup]:
        assert line.lower is not None  # noqa: S101
        assert line.upper is not None  # noqa: S101
        known = np.isfinite(line.lower) & np.isfinite(line.upper)
        upper, lower = (np.where(known, a, np.nan) for a in (line.upper, line.lower))
        pairs = zip(self._pieces(upper, line.steps), self._pieces(lower, line.steps), strict=True)
        for above, below in pairs:
            points = " ".join(f"{x},{y}" for x, y in [*above, *reversed(below)])
            yield Markup('<polygon class="band b{}" points="{}"/>').format(order, points)

    def _rect(self, start: float, end: float, kind: str) -> Markup:
        x = self.x(start)
        return Markup('<rect class="{}" x="{}" y="{}" width="{}" height="{}"/>').format(
            kind, x, _TOP, round(self.x(end) - x, 1), HEIGHT - _TOP - _BOTTOM
        )


def _text(kind: str, x: float, y: float, text: str, *, anchor: str = "start") -> Markup:
    return Markup('<text class="{}" x="{}" y="{}" text-anchor="{}">{}</text>').format(
        kind, round(x, 1), round(y, 1), anchor, text
    )


def stretches(flags: np.ndarray) -> list[Stretch]:
    """The runs [from, to) in which flags are true."""
    padded = np.concatenate([[False], np.asarray(flags, bool), [False]])
    edges = np.flatnonzero(padded[1:] != padded[:-1])
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def nice(low: float, high: float) -> list[float]:
    """A few round numbers in [low, high]."""
    rough = (high - low) / _MOST_TICKS
    scale = 10.0 ** math.floor(math.log10(rough))
    step = next(s * scale for s in (1, 2, 2.5, 5, 10) if s * scale >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [round(n * step, 10) + 0.0 for n in range(first, math.floor(high / step + 1e-9) + 1)]
