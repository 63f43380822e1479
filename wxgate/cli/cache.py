"""``wxgate cache``: what is stored, and how to be rid of it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Annotated

import typer

from wxgate import places, store
from wxgate.cli.terminal import say

if TYPE_CHECKING:
    from wxgate.cache import Cache

app = typer.Typer(no_args_is_help=False, help="Show or prune what is stored.")


@app.callback(invoke_without_command=True)
def show(context: typer.Context) -> None:
    """Show what the cache holds, by source."""
    if context.invoked_subcommand is not None:
        return
    held = _messages().summary()
    hours = list((places.cache_folder() / "hours").glob("*.json"))
    say(f"cache folder: {places.cache_folder()}")
    if not held:
        say("no messages are stored")
    for row in held:
        say(
            f"{row.source}: {row.count} entries, {row.bytes / 1e6:.1f} MB,"
            f" {row.oldest:%Y-%m-%d %H:%MZ} to {row.newest:%Y-%m-%d %H:%MZ}"
        )
    say(f"derived hours: {len(hours)} files")


@app.command("prune")
def prune(
    days: Annotated[float, typer.Option("--days", min=0, help="Keep what is younger.")] = 3.0,
    keep_mb: Annotated[
        float | None, typer.Option("--keep-mb", min=0, help="Then keep at most this much.")
    ] = None,
) -> None:
    """Remove what is older than some days, and the oldest beyond a size."""
    now = datetime.now(UTC)
    gone = _messages().prune(
        older_than=timedelta(days=days),
        keep_bytes=None if keep_mb is None else round(keep_mb * 1e6),
        now=now,
    )
    hours = store.prune(places.cache_folder() / "hours", now - timedelta(days=days))
    say(
        f"removed {gone.count} stored messages ({gone.bytes / 1e6:.1f} MB)"
        f" and {hours} files of derived hours"
    )


def _messages() -> Cache:
    from wxgate.cache import Cache

    return Cache(places.cache_folder() / "messages")
