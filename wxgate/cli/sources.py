"""``wxgate sources``: what each source gives, how it may be used, and whom to credit."""

from __future__ import annotations

import textwrap

import typer


def sources() -> None:
    """List the sources: what they give, resolution, runs, licence and credit line."""
    from wxgate.sources import gfs, swpc

    for source in (gfs.SOURCE, swpc.SOURCE):
        typer.echo(f"{source.name}: {source.title}")
        for label, text in (
            ("gives", ", ".join(source.gives)),
            ("resolution", source.resolution),
            ("runs", source.runs),
            ("licence", source.licence),
            ("credit", source.credit),
        ):
            typer.echo(textwrap.fill(f"  {label}: {text}", 80, subsequent_indent="    "))
        typer.echo("")
