"""What is done with every brief that was issued: it is written down, and kept for the field."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from wxgate.cli.terminal import complain
from wxgate.errors import JournalError

if TYPE_CHECKING:
    from wxgate.brief import Brief


#: When this run of the program began: to look at many sites, or to fetch, can take long.
BEGAN = datetime.now(UTC)
#: A brief for a moment (``--at``) farther from the time of the run was not issued then.
NOW_WITHIN = timedelta(minutes=10)


def clock() -> datetime:
    """This computer's time."""
    return datetime.now(UTC)


def is_of_now(moment: datetime) -> bool:
    """Whether a brief for this moment is one of now, and may stand beside those of other days."""
    now = clock()
    return min(BEGAN, now) - NOW_WITHIN <= moment <= now + NOW_WITHIN


def is_ahead(moment: datetime) -> bool:
    """Whether the moment of a question is yet to come: what was had for it is old by then."""
    return moment > clock() + NOW_WITHIN


def issued(made: Brief, asked: Mapping[str, Any] | None = None, *, repeated: bool = True) -> None:
    """Write a brief into the journal, and keep what was asked for `wxgate field`.

    Not ``repeated``: one that comes from the same forecast as the last one is not written again,
    for a watch looks every few minutes.

    An invented demonstration is not written down, and neither is a brief for another moment than
    now, which knows what nobody knew then, or does not know yet what will be; that is told. That
    the journal cannot be written is told, and never keeps the verdict from the user.
    """
    if made.demonstration:
        return
    if asked is not None:
        from wxgate.cli.last import remember

        remember(asked)
    if not is_of_now(made.now):
        complain(
            f"not written down, for {made.now:%Y-%m-%dT%H:%MZ} is not now (verdicts of past"
            " forecasts: `wxgate replay`)."
        )
        return
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
