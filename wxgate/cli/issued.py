"""What is done with every brief that was issued: it is written down, and kept for the field."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from wxgate.cli.terminal import complain
from wxgate.errors import JournalError

if TYPE_CHECKING:
    from wxgate.brief import Brief


def issued(made: Brief, asked: Mapping[str, Any] | None = None, *, repeated: bool = True) -> None:
    """Write a brief into the journal, and keep what was asked for `wxgate field`.

    Not ``repeated``: one that comes from the same forecast as the last one is not written again,
    for a watch looks every few minutes.

    An invented demonstration is not written down. That the journal cannot be written is told, and
    never keeps the verdict from the user.
    """
    if made.demonstration:
        return
    if asked is not None:
        from wxgate.cli.last import remember

        remember(asked)
    from wxgate.cli.journal import journal_file
    from wxgate.journal import Journal, Observation

    try:
        with Journal(journal_file(), at=made.now) as journal:
            if repeated or not journal.has_said(made):
                journal.add_brief(made)
            if made.reports is not None:
                journal.add_observations([
                    Observation(r.station, r.time, r.raw, r.distance_km)
                    for r in made.reports.reports
                ])  # fmt: skip
        for note in journal.notes:
            complain(note)
    except JournalError as error:
        complain(f"not written down: {error}")
