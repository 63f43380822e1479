"""``wxgate sources``: what each source gives, how it may be used, and whom to credit."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from wxgate.cli.terminal import say

if TYPE_CHECKING:
    from wxgate.sources.base import Source


def sources() -> None:
    """List the sources: what they give, resolution, runs, licence and credit line."""
    from wxgate.sources.registry import ENSEMBLES, INDICES, MODELS, source

    for heading, table in (
        ("Models, for --sources", MODELS),
        ("Ensembles, which a brief does not grade yet", ENSEMBLES),
        ("K index", INDICES),
    ):
        say(f"{heading}\n")
        for name in table:
            _tell(source(name, table))


def _tell(source: Source) -> None:
    say(f"{source.name}: {source.title}")
    for label, text in (
        ("gives", ", ".join(source.gives)),
        ("resolution", source.resolution),
        ("runs", source.runs),
        ("licence", source.licence),
        ("credit", source.credit),
    ):
        say(textwrap.fill(f"  {label}: {text}", 80, subsequent_indent="    "))
    say()
