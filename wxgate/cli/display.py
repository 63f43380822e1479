"""``--units`` and ``--clock``, and where they come from when they are not given."""

from __future__ import annotations

import os
import shutil
import sys
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

import typer

from wxgate import places
from wxgate.cli import complete
from wxgate.errors import ProfileError
from wxgate.wholefile import read_whole

if TYPE_CHECKING:
    from wxgate.report.display import Display

NARROWEST = 40  #: in narrower terminals the text is broken by the terminal

UnitsOption = Annotated[
    str | None,
    typer.Option(
        "--units",
        metavar="UNITS",
        help="Units on screen: metric (m/s, m, °C, mm), kmh (metric, wind in km/h), knots (kt, ft,"
        " °C), mph (mph, ft, °F, mi, in). Or write them in display.yaml in your configuration"
        " folder.",
        show_default=False,
        autocompletion=complete.one_of("metric", "kmh", "knots", "mph"),
    ),
]
ClockOption = Annotated[
    str | None,
    typer.Option("--clock", metavar="12|24", help="A clock of 12 or 24 hours.", show_default=False),
]


def display_of(units: str | None = None, clock: str | None = None) -> Display:
    """Units and clock: of the options, else of display.yaml, else of the locale, else metric, 24 h.

    UsageError for an option that is not known; ProfileError with every fault of the file.
    """
    from wxgate.report.display import make_display

    own = _own()
    return make_display(units or own.get("units"), clock or own.get("clock"), os.environ)


def on_screen(display: Display) -> Display:
    """The display, as narrow as the terminal that standard output is; files stay at 80 columns."""
    from wxgate.report.display import WIDTH

    if sys.stdout is None or not sys.stdout.isatty():
        return display
    columns = shutil.get_terminal_size((WIDTH, 24)).columns
    return replace(display, width=min(max(columns, NARROWEST), WIDTH))


def _own() -> dict[str, str]:
    """What the user's display.yaml says; nothing where there is none."""
    file = places.config_folder() / "display.yaml"
    try:
        content = read_whole(file)
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise ProfileError(
            f"the file cannot be read ({error.strerror})",
            where=str(file),
            remedy="Check it, or delete it.",
        ) from error
    from wxgate.report.display import Units
    from wxgate.strictyaml import Faults, raise_faults, read
    from wxgate.yamlkeys import choice_of, read_keys

    faults = Faults()
    node = read(content, str(file), faults)
    keys = {"units": choice_of(*Units), "clock": choice_of("12", "24")}
    found = {} if node is None else read_keys(node, keys, set(), faults)
    if len(faults):
        raise_faults(faults, str(file), ProfileError)
    return found
