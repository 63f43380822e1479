"""One compact plot as a picture, for mail, where nothing but a picture is shown alike."""

from __future__ import annotations

import io

import numpy as np

from wxgate.brief import Brief
from wxgate.report.display import METRIC, Display
from wxgate.report.panelrecords import Line, Panel
from wxgate.report.panels import ticks, wind_panel
from wxgate.verdict import Grade

_INK, _PAPER, _FAINT = "#1c2328", "#ffffff", "#8a949b"
_LINES = ("#00568f", "#5c6770")  #: gust, wind
#: The shapes and colours of the grades, as on the page.
_MARKS = {Grade.GO: ("o", "#0072b2"), Grade.MARGINAL: ("^", "#b37400"),
          Grade.UNKNOWN: ("D", "#767676"), Grade.NO_GO: ("s", "#b3400a")}  # fmt: skip
MOST_BYTES = 60_000


def inline_png(brief: Brief, *, display: Display = METRIC) -> bytes:
    """Wind and gust at flight height against their limits, with each hour's grade, as a PNG.

    At most 60 kB. Gaps are gaps, hatched. Bands hold what the legend says; their numbers are in the
    title inside the file and in the mail's alternative text. Grades are told by shape (dot go,
    triangle marginal, diamond unknown, square no-go) and by colour.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    panel = wind_panel(brief, display=display)
    figure = Figure(figsize=(6.4, 3.1), dpi=100, facecolor=_PAPER, layout="constrained")
    canvas = FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    for n, line in enumerate(panel.lines):
        _draw(axes, line, _LINES[n], label_band=n == 0)
    _limits(axes, panel, len(brief.hours))
    _gaps(axes, panel)
    _grades(axes, brief, panel)
    marks = list(ticks(brief, display=display))
    axes.set_xticks([n for n, _, _ in marks], [text for _, text, _ in marks])
    axes.set_xlim(0, max(len(brief.hours), 1))
    axes.set_ylim(_floor(panel), panel.high)
    axes.set_ylabel(panel.unit, color=_INK)
    axes.set_title(f"{brief.site.name}: wind and gust", loc="left", fontsize=10, color=_INK, pad=20,
                   parse_math=False)  # fmt: skip
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(labelsize=8, colors=_INK)
    if any(np.isfinite(line.values).any() for line in panel.lines):
        axes.legend(loc="lower left", bbox_to_anchor=(0, 1), fontsize=8, frameon=False, ncols=3,
                    borderaxespad=0.1)  # fmt: skip
    canvas.draw()  # type: ignore[no-untyped-call]
    pixels = np.asarray(canvas.buffer_rgba())  # type: ignore[no-untyped-call]
    return _small(pixels, title=panel.told)


def _small(pixels: np.ndarray, *, title: str) -> bytes:
    """RGBA pixels as a PNG of few colours, which is a third of the size."""
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    told = PngInfo()
    told.add_itxt("Title", title)
    out = io.BytesIO()
    few = Image.fromarray(pixels).convert("RGB").quantize(64, dither=Image.Dither.NONE)
    few.save(out, format="PNG", optimize=True, pnginfo=told)
    return out.getvalue()


def _draw(axes, line: Line, colour: str, *, label_band: bool) -> None:  # type: ignore[no-untyped-def]
    at = np.arange(line.values.size)
    if line.lower is not None and line.upper is not None:
        axes.fill_between(at, line.lower, line.upper, facecolor=(colour, 0.16),
                          edgecolor=(colour, 0.5), linewidth=0.6,
                          linestyle="-" if colour == _LINES[0] else ":",
                          label=line.held if label_band else None)  # fmt: skip
    style = "-" if colour == _LINES[0] else "--"
    label = line.label.split(" at ")[0]
    axes.plot(at, line.values, style, color=colour, linewidth=1.8, label=label)


def _limits(axes, panel: Panel, hours: int) -> None:  # type: ignore[no-untyped-def]
    for level in panel.levels:
        _, colour = _MARKS[level.grade]
        axes.axhline(level.number, color=colour, linewidth=1, linestyle="-."
                     if level.grade is Grade.MARGINAL else "-")  # fmt: skip
        text = f" {level.grade.word} {level.number_text}"
        axes.text(hours, level.number, text, fontsize=8, color=colour, va="center")


def _gaps(axes, panel: Panel) -> None:  # type: ignore[no-untyped-def]
    for n in np.flatnonzero(panel.missing):
        axes.axvspan(n, n + 1, facecolor="none", edgecolor=_FAINT, hatch="///", linewidth=0)
    if panel.missing.any():
        first = int(np.flatnonzero(panel.missing)[0])
        axes.text(first + 0.1, panel.high * 0.6, "missing", fontsize=8, color=_INK)


def _grades(axes, brief: Brief, panel: Panel) -> None:  # type: ignore[no-untyped-def]
    for grade, (mark, colour) in _MARKS.items():
        at = [n + 0.5 for n, v in enumerate(brief.hours) if v.grade is grade]
        where = [_floor(panel) * 0.5] * len(at)
        size = 18 if len(brief.hours) <= 72 else 4
        axes.scatter(at, where, marker=mark, color=colour, s=size, linewidths=0, clip_on=False)


def _floor(panel: Panel) -> float:
    """A lane below nought for the grades."""
    return -0.12 * panel.high
