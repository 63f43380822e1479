"""``wxgate cache``: what is stored, and how to be rid of it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Annotated

import typer

from wxgate import places
from wxgate.cli.terminal import say
from wxgate.errors import UsageError
from wxgate.units import counted

if TYPE_CHECKING:
    from wxgate.cache import Cache

#: A century and a petabyte; beyond them dates and sizes are none.
_MOST_DAYS, _MOST_MB = 36_500, 1_000_000_000

app = typer.Typer(no_args_is_help=False, help="Show or prune what is stored.")


@app.callback(invoke_without_command=True)
def show(context: typer.Context) -> None:
    """Show what the cache holds, by source, and where your folders are."""
    if context.invoked_subcommand is not None:
        return
    held = _messages().summary()
    hours = list((places.cache_folder() / "hours").glob("*.json"))
    say(f"cache folder: {places.cache_folder()}")
    if not held:
        say("no messages are stored")
    for row in held:
        say(
            f"{row.source}: {counted(row.count, 'entry', 'entries')}, {row.bytes / 1e6:.1f} MB,"
            f" {row.oldest:%Y-%m-%d %H:%MZ} to {row.newest:%Y-%m-%d %H:%MZ}"
        )
    say(f"derived hours: {counted(len(hours), 'file')}")
    say(f"your configuration folder: {places.config_folder()}")
    say(f"journal and what else is remembered: {places.state_folder()}")


@app.command("prune")
def prune(
    days: Annotated[
        float, typer.Option("--days", metavar="DAYS", min=0, help="Keep what is younger.")
    ] = 3.0,
    keep_mb: Annotated[
        float | None,
        typer.Option("--keep-mb", metavar="MB", min=0, help="Then keep at most this much."),
    ] = None,
) -> None:
    """Remove what is older than some days, and the oldest beyond a size."""
    from wxgate import store

    if not (days <= _MOST_DAYS and (keep_mb is None or keep_mb <= _MOST_MB)):  # nan, too
        raise UsageError(
            "the days or megabytes to keep are no number that can be",
            remedy=f"Give at most {_MOST_DAYS} days and {_MOST_MB} MB.",
        )
    now = datetime.now(UTC)
    gone = _messages().prune(
        older_than=timedelta(days=days),
        keep_bytes=None if keep_mb is None else round(keep_mb * 1e6),
        now=now,
    )
    hours = store.prune(places.cache_folder() / "hours", now - timedelta(days=days))
    say(
        f"removed {counted(gone.count, 'stored message')} ({gone.bytes / 1e6:.1f} MB)"
        f" and {counted(hours, 'file')} of derived hours"
    )


def _messages() -> Cache:
    from wxgate.cache import Cache

    return Cache(places.cache_folder() / "messages")
