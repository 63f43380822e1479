"""How soon a command answers: ``python tests/benchmarks/start.py [--small]``.

Each in a fresh interpreter, by CPU time, against importing the libraries that all of it stands on.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.measure import Fresh, Row, children, command, fresh, in_turn, tell

from wxgate import places

BASE = "import typer, numpy, rich"
WITHOUT_CHANCES = (
    "import sys; sys.argv = ['wxgate', 'brief', '--demo'];"
    "import wxgate.cli.prepare as p; from dataclasses import replace; s = p.sureness;"
    "p.sureness = lambda **more: replace(s(**more), policy=None);"
    "from wxgate.cli.main import run; run()"
)


def rows(*, small: bool = False) -> Iterator[Row]:
    """Version, help, a brief from stored hours, one from fresh bytes, and its page."""
    times = 1 if small else 15
    with fresh() as here:
        acts = (
            lambda: here.python(BASE),
            lambda: here.wxgate("--version"),
            lambda: here.wxgate("--help"),
            lambda: here.wxgate("brief", "--demo"),
            lambda: here.python(WITHOUT_CHANCES),
            lambda: here.wxgate("page", "--demo", "--out", str(here.folder / "page.html")),
        )
        for act in acts:  # their byte code is written, and the hours are stored
            act()
        base, version, help_, brief, without, page = in_turn(times, *acts, clock=children)
        yield Row("`wxgate --version`", version / base, f"`{BASE}`", version)
        yield Row("`wxgate --help`", help_ / base, f"`{BASE}`", help_)
        peak = here.peak_mb(command("brief", "--demo"))
        yield Row("a brief from stored hours", brief / base, f"`{BASE}`", brief,
                  f"{peak:.0f} MB at most")  # fmt: skip
        yield Row("a brief with chances", brief / without, "the same without", brief)
        yield Row("its page as HTML", page / brief, "the brief as text", page)
        yield from fresh_bytes(here, 1 if small else 5)


#: The messages of the demonstration decoded by their library alone, and nothing made of them.
BARE = f"""{BASE}; import pyproj, eccodes, pathlib
for path in pathlib.Path({str(places.shipped("cached_forecasts"))!r}).rglob("*"):
    if path.is_file() and path.read_bytes()[:4] == b"GRIB":
        with path.open("rb") as file:
            while (message := eccodes.codes_grib_new_from_file(file)) is not None:
                eccodes.codes_get_values(message)
                eccodes.codes_release(message)
"""


def fresh_bytes(here: Fresh, times: int) -> Iterator[Row]:
    """52 steps decoded, derived, graded and told, against the least that each part takes."""
    runs = iter(range(1_000_000))

    def anew() -> None:
        here.wxgate("brief", "--demo", WXGATE_CACHE=str(here.folder / f"cache-{next(runs)}"))

    acts = anew, lambda: here.wxgate("brief", "--demo"), lambda: here.python(BARE)
    for act in acts:
        act()
    mine, stored, bare = in_turn(times, *acts, clock=children)
    what = "a brief from fresh bytes, 52 steps"
    yield Row(what, mine / stored, "from stored hours", mine)
    yield Row(what, mine / bare, "eccodes alone decoding every message there is", mine)


if __name__ == "__main__":
    tell(rows(small="--small" in sys.argv))
