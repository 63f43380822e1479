"""``wxgate sources --probe``: which assumptions about the services' formats still hold."""

from __future__ import annotations

from datetime import UTC, datetime

from wxgate.cli import tools
from wxgate.cli.terminal import say
from wxgate.errors import DataError, UsageError
from wxgate.profiles import Site

WIDTH = 80
_MARKS = {"holds": "ok", "does not hold": "NO", "could not be tried": "?"}


def tell_probe(place: Site, names: list[str], *, now: datetime | None = None) -> None:
    """Probe the sources of these names (none: all) at a place, and tell each assumption in a line.

    Returns where all that could be tried holds. DataError (exit code 3) when something does not
    hold, or nothing could be tried; UsageError for a name that is none.
    """
    from wxgate.sources.base import Request
    from wxgate.sources.probe import ASSUMPTIONS, State, probe

    if wrong := [name for name in names if name not in ASSUMPTIONS]:
        raise UsageError(
            f"there is no probe of {', '.join(map(repr, wrong))}",
            remedy=f"Known: {', '.join(ASSUMPTIONS)}.",
        )
    when = datetime.now(UTC) if now is None else now
    request = Request(place.latitude, place.longitude, when, 2, when, altitude=place.altitude)
    box = tools.toolbox(lambda *_: None)
    found = []
    for name in names or ASSUMPTIONS:
        say(name)
        for finding in probe(name, request, box):
            found.append(finding.state)
            say(_line(finding.state, finding.text, finding.seen))
    if box.meter is not None:
        took = f"{box.meter.requests} answers, {box.meter.bytes_received / 1e6:.1f} MB"
        say(f"\n{found.count(State.HOLDS)} of {len(found)} hold; {took}.")
    if State.BROKEN in found:
        raise DataError(
            f"{found.count(State.BROKEN)} assumptions about the services do not hold",
            remedy="Use other sources meanwhile, and report the lines marked NO.",
        )
    if State.HOLDS not in found:
        raise DataError(
            "no service answered, so that nothing could be tried",
            remedy="Check the connection to the internet.",
        )


def _line(state: str, text: str, seen: str) -> str:
    """A mark, the assumption, and what was seen, in one line."""
    told = f"{_MARKS[state]:>4} {text}" + (f": {seen}" if seen else "")
    return told if len(told) <= WIDTH else f"{told[: WIDTH - 4]} ..."
