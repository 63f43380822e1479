"""``wxgate demo``: a walk through the house on the invented demonstration forecast."""

from __future__ import annotations

import tempfile
import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wxgate.cli.display import ClockOption, UnitsOption, display_of
from wxgate.cli.terminal import say

if TYPE_CHECKING:
    from wxgate.brief import Brief
    from wxgate.report.display import Display
    from wxgate.verdict import Verdict

WIDTH = 80
_MOST_REASONS = 4
_NEXT = """\
wxgate explain 13:00 --demo         the numbers behind an hour, and who says so
wxgate rules show --aircraft light-249g --pilot novice
                                    every limit in force, and whose it is
wxgate brief --demo --pilot experienced --height '30 m'
                                    the same day for another pilot, lower down
wxgate sources                      what is fetched, and on which terms

For your own field write field.yaml (README.md shows one), then:
wxgate brief field.yaml --aircraft light-249g --pilot novice
"""


def demo(
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="FOLDER", help="Folder for the page; a new temporary one by default."
        ),
    ] = None,
    units: UnitsOption = None,
    clock: ClockOption = None,
) -> None:
    """Walk through wxgate on the built-in, invented forecast: brief, reasons, rules, page."""
    from wxgate.cli.brief import style
    from wxgate.cli.outfiles import check_out
    from wxgate.cli.page import write
    from wxgate.cli.prepare import prepare
    from wxgate.report.page import page_html
    from wxgate.report.text import brief_text

    display = display_of(units, clock)
    folder = out or Path(tempfile.mkdtemp(prefix="wxgate-demo-"))
    file = folder / "brief.html"
    check_out(file)
    made = prepare(
        site=None, lat=None, lon=None, zone="UTC", aircraft=None, pilot=None, height="60 m",
        hours=36, minimum=1, at=None, rules=None, forecast=None, sources=None, demo=True,
        offline=True,
    )  # fmt: skip
    write(page_html(made, display=display), file)  # before any line, which nobody may read
    _head(1, "The brief, as it comes by mail at six in the morning")
    say(brief_text(made, style=style(), display=display), end="")
    _head(2, "One hour laid open: why it is not go")
    for line in _hour(made, _gusty(made), display):
        say(line)
    _head(3, "The limits in force for this aircraft and this pilot")
    for line in _limits(made, display):
        say(line)
    _head(4, "The same brief as a page, for the phone or for one sheet of paper")
    say(f"{file}\nOpen it in any browser; it asks nothing of the network.")
    _head(5, "What to do next")
    say(_NEXT, end="")


def _head(number: int, text: str) -> None:
    say(f"{'' if number == 1 else chr(10)}{number}. {text}\n")


def _gusty(made: Brief) -> Verdict:
    """The first hour that the gust makes no-go, else the first hour."""
    from wxgate.verdict import Grade

    no_go = (v for v in made.hours if v.grade is Grade.NO_GO)
    return next((v for v in no_go if (v.limiting or "").startswith("gust")), made.hours[0])


def _hour(made: Brief, verdict: Verdict, display: Display) -> Iterator[str]:
    from wxgate.report.text import by_weight
    from wxgate.report.words import reason_text, span, zone

    when = span(verdict.start, verdict.end, zone(made.site.zone), display=display)
    yield f"{when}: {verdict.grade.word.upper()}"
    reasons = by_weight(verdict)
    for reason in reasons[:_MOST_REASONS]:
        yield from _wrapped(f"{reason.grade.word}: {reason_text(reason, display=display)}.")
        yield from _wrapped(f"  {reason.because} [{reason.source}]")
    yield f"... and {len(reasons) - _MOST_REASONS} more rules, each with its number."


def _limits(made: Brief, display: Display) -> Iterator[str]:
    from wxgate.report.panels import panels

    for panel in panels(made, display=display):
        if panel.limits:
            yield from _wrapped(f"{panel.title}: {panel.limits[0].lower()}{panel.limits[1:]}")


def _wrapped(line: str) -> list[str]:
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.wrap(line, WIDTH, subsequent_indent=indent, break_on_hyphens=False)
