"""Verdicts in a row: windows that were missed, and hours about which the briefs wavered."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby, pairwise

import numpy as np

from wxgate.forecast import HOUR
from wxgate.hindsight.pairs import Pairs
from wxgate.verdict import Grade
from wxgate.verify.cases import Array
from wxgate.verify.category import flip_flops, missed_windows, severity
from wxgate.verify.sampling import Share, share

#: So many briefs must have told of an hour before they can have gone there and back.
FEWEST_BRIEFS = 3
_NO_GO = 2.0  #: as :func:`severity` has it


@dataclass(frozen=True, slots=True)
class Steadiness:
    """How steady successive briefs were about one hour (at one site and height)."""

    hours: int  #: that three briefs or more told of
    wavered: int  #: of those, how many went to another grade and back
    index: float  #: mean flip-flop index (Griffiths et al. 2019), in steps of grades; 0 is steady


def tellable_hours(pairs: Pairs) -> Array:
    """A mask: not the hours told no-go for a reason that no report can answer, such as the dark."""
    by_another = np.isin(pairs.limiting, pairs.left_out)
    return np.asarray(~((pairs.issued == Grade.NO_GO) & by_another))


def windows_missed(pairs: Pairs) -> Share:
    """Of the runs of hours observed go or marginal, those in which no hour was told so.

    At each site apart, one row for each hour (see ``last_of_each``); an hour that is not there
    ends a run. The interval takes each run as a case of its own.
    """
    missed = cases = 0.0
    for site in np.unique(pairs.site) if len(pairs) else ():
        here = pairs.take(pairs.site == site)
        was, said = (list(_runs(here.start, severity(g))) for g in (here.observed, here.issued))
        found = missed_windows(said, was)
        missed, cases = missed + found.hits, cases + found.cases
    return share(missed, cases)


def _runs(start: Array, grades: Array) -> Iterator[tuple[Array, Array]]:
    """The runs [start, end) of neighbouring hours that can be flown."""
    hours = np.sort(start[grades < _NO_GO])
    # Hours of one run differ from their place in the list by the same.
    places = (hours - HOUR * np.arange(len(hours))) if len(hours) else hours
    for _, run in groupby(zip(places, hours, strict=True), key=lambda pair: pair[0]):
        told = [hour for _, hour in run]
        yield told[0], told[-1] + HOUR


def steadiness(pairs: Pairs) -> Steadiness:
    """How often successive briefs went back and forth about an hour; unknown is not counted."""
    told = Counter(_sequences(pairs))
    hours = sum(told.values())
    indices: dict[tuple[float, ...], float] = {}
    for _, of_one_length in groupby(sorted(told, key=len), key=len):
        alike = list(of_one_length)
        indices |= zip(alike, flip_flops(alike).tolist(), strict=True)
    total = sum(indices[grades] * count for grades, count in told.items())
    wavered = sum(count for grades, count in told.items() if indices[grades] > 0)
    return Steadiness(hours, wavered, total / hours if hours else float("nan"))


def _sequences(pairs: Pairs) -> Iterator[tuple[float, ...]]:
    """For each hour the grades that it was told, in the order of their making."""
    grades = severity(pairs.issued) if len(pairs) else np.array([])
    known = np.nonzero(np.isfinite(grades))[0]
    keys = [pairs.made[known], pairs.start[known], pairs.height[known], pairs.site[known]]
    order = known[np.lexsort(keys)] if len(known) else known
    same = np.ones(max(len(order) - 1, 0), bool)
    for column in (pairs.site, pairs.height, pairs.start):
        same &= column[order][1:] == column[order][:-1]
    ends = [0, *(np.nonzero(~same)[0] + 1).tolist(), len(order)]
    told = grades[order].tolist()
    for first, end in pairwise(ends):
        if end - first >= FEWEST_BRIEFS:
            yield tuple(told[first:end])
