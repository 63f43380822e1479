"""The journal: what was said, what was measured, and what was then done; kept in sqlite.

It only ever grows: nothing that was said is changed afterwards. :class:`Journal` opens the file,
:mod:`records` tells what stands in it, :mod:`export` hands it to other programs.
"""

from __future__ import annotations

from wxgate.journal.book import Journal
from wxgate.journal.records import (
    Deed,
    Done,
    IssuedBrief,
    IssuedHour,
    Observation,
    Quantities,
    Reading,
    Selection,
    Spread,
)

__all__ = [
    "Deed",
    "Done",
    "IssuedBrief",
    "IssuedHour",
    "Journal",
    "Observation",
    "Quantities",
    "Reading",
    "Selection",
    "Spread",
]
