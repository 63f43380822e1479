"""A progress bar for long downloads, silent where nobody watches."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from wxgate.cli.terminal import visible

Progress = Callable[[int, int, str], None]


def _silent(done: int, total: int, what: str) -> None:
    """Say nothing."""


@contextmanager
def progress_bar() -> Iterator[Progress]:
    """A callable (done, total, what) that draws on standard error when that is a terminal."""
    if sys.stderr is None or not sys.stderr.isatty():
        yield _silent
        return
    from rich.console import Console
    from rich.markup import escape
    from rich.progress import Progress as Bar

    with Bar(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=None, visible=False)

        def draw(done: int, total: int, what: str) -> None:
            bar.update(
                task, description=escape(visible(what)), completed=done, total=total, visible=True
            )

        yield draw
