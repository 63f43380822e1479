"""Hindsight: what was said, held against what was then observed, by the same rules.

Like is held against like: the forecast at 10 m against a station's wind at 10 m, and the category
of either by the rules that both can answer. Flight height is verified by nobody's reports.
"""

from __future__ import annotations

from wxgate.hindsight.costs import costs_of
from wxgate.hindsight.findings import Findings, QuantityError, Verified, findings
from wxgate.hindsight.observed import Observed, observed_from_csv, observed_from_reports
from wxgate.hindsight.pairs import Pairs, pair_up

__all__ = [
    "Findings",
    "Observed",
    "Pairs",
    "QuantityError",
    "Verified",
    "costs_of",
    "findings",
    "observed_from_csv",
    "observed_from_reports",
    "pair_up",
]
